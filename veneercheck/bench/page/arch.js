// Both dental arches, drawn as one looks into the mouth; each tooth is a button (ISO 3950 codes).
import { make, words } from "./parts.js";

const WIDTH = 500, HEIGHT = 400, TOOTH = 48, ACROSS = 215, DEEP = 325;
const STATES = [null, "retainer", "pontic"];

const OUTLINES = {
  front: "M3 31C1 14 12 5 24 5s23 9 21 26c-5 9-37 9-42 0z",
  premolar: "M4 24C2 5 46 5 44 24S2 43 4 24z",
  molar: "M3 24C0 5 10 2 24 3S48 5 45 24 38 46 24 46 6 43 3 24z",
};
const outlineOf = (place) => OUTLINES[place <= 3 ? "front" : place <= 5 ? "premolar" : "molar"];

// Points at equal distances along half an ellipse, from the right end to the left one.
function along(count) {
  const steps = 2000, path = [[-ACROSS, 0]], run = [0];
  for (let i = 1; i <= steps; i++) {
    const turn = Math.PI * (i / steps);
    path.push([-ACROSS * Math.cos(turn), -DEEP * Math.sin(turn)]);
    run.push(run[i - 1] + Math.hypot(path[i][0] - path[i - 1][0], path[i][1] - path[i - 1][1]));
  }
  return Array.from({ length: count }, (_, k) => {
    const at = run.findIndex((length) => length >= (run[steps] * k) / (count - 1));
    const [x, y] = path[at];
    return [x, y, Math.atan2(y / DEEP ** 2, x / ACROSS ** 2)];
  });
}

function drawing(place, turn) {
  const shape = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  shape.setAttribute("viewBox", "0 0 48 48");
  shape.style.transform = `rotate(${turn}rad)`;
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", outlineOf(place));
  shape.append(path);
  return shape;
}

// Along the arch from one end to the other, as the case file lists the units of a bridge.
const placeOf = (code) => ([1, 4].includes(Math.floor(code / 10)) ? -1 : 1) * (code % 10);
export const inOrder = (codes) => [...codes].sort((one, two) => placeOf(one) - placeOf(two));

export class Arches {
  // Drawn into `box`; what is chosen is told in `told`, and to `changed` where a tooth was pressed.
  constructor(box, told, changed = () => {}) {
    Object.assign(this, { told, changed, chosen: new Map(), buttons: new Map() });
    box.replaceChildren(this.jaw("upper", [1, 2], false), this.jaw("lower", [4, 3], true));
    this.show();
  }

  jaw(name, quadrants, flip) {
    const arch = make("div", { class: "arch", role: "group", "aria-label": words[name] });
    const codes = [
      ...[8, 7, 6, 5, 4, 3, 2, 1].map((tooth) => 10 * quadrants[0] + tooth),
      ...[1, 2, 3, 4, 5, 6, 7, 8].map((tooth) => 10 * quadrants[1] + tooth),
    ];
    along(16).forEach(([x, y, turn], index) => {
      const code = codes[index];
      const button = make("button", { type: "button", class: "tooth", onclick: () => this.press(code) });
      button.append(drawing(code % 10, (flip ? -turn : turn) + Math.PI / 2 + (flip ? Math.PI : 0)), make("span", { text: code }));
      const top = flip ? HEIGHT - (HEIGHT - TOOTH + y - 4) - TOOTH : HEIGHT - TOOTH + y - 4;
      button.style.left = `${WIDTH / 2 + x - TOOTH / 2}px`;
      button.style.top = `${top}px`;
      this.buttons.set(code, button);
      arch.append(button);
    });
    const middle = make("p", { class: "jaw", text: words[name] });
    middle.style.top = flip ? "28%" : "60%";
    arch.append(middle);
    ["right", "left"].forEach((side) => {
      const told = make("p", { class: "side", text: words[side] });
      told.style[side === "right" ? "left" : "right"] = "62px";
      told.style[flip ? "top" : "bottom"] = "4px";
      arch.append(told);
    });
    return arch;
  }

  press(code) {
    const state = STATES[(STATES.indexOf(this.chosen.get(code) ?? null) + 1) % STATES.length];
    if (state) this.chosen.set(code, state);
    else this.chosen.delete(code);
    this.show();
    this.changed();
  }

  set(units, pontics) {
    this.chosen = new Map(units.map((code) => [code, pontics.includes(code) ? "pontic" : "retainer"]));
    this.show();
  }

  show() {
    for (const [code, button] of this.buttons) {
      const state = this.chosen.get(code);
      button.dataset.state = state ?? "";
      button.setAttribute("aria-label", `${code}: ${state ? words[state] : words.out_of_bridge}`);
    }
    const told = this.units.map((code) => `${code} ${words[this.chosen.get(code)]}`);
    this.told.textContent = told.length ? told.join(" · ") : words.no_teeth;
  }

  get units() { return inOrder(this.chosen.keys()); }

  get pontics() { return this.units.filter((code) => this.chosen.get(code) === "pontic"); }
}
