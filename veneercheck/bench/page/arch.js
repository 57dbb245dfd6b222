// Both dental arches, drawn as one looks into the mouth; each tooth is a button (ISO 3950 codes).
import { make, part, words } from "./parts.js";

const WIDTH = 500, HEIGHT = 400, TOOTH = 48, ACROSS = 215, DEEP = 325;
const STATES = [null, "retainer", "pontic"];
const chosen = new Map();
const buttons = new Map();

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

function jaw(name, quadrants, flip) {
  const arch = make("div", { class: "arch", role: "group", "aria-label": words[name] });
  const codes = [
    ...[8, 7, 6, 5, 4, 3, 2, 1].map((tooth) => 10 * quadrants[0] + tooth),
    ...[1, 2, 3, 4, 5, 6, 7, 8].map((tooth) => 10 * quadrants[1] + tooth),
  ];
  along(16).forEach(([x, y, turn], index) => {
    const code = codes[index];
    const button = make("button", { type: "button", class: "tooth", onclick: () => press(code) });
    button.append(drawing(code % 10, (flip ? -turn : turn) + Math.PI / 2 + (flip ? Math.PI : 0)), make("span", { text: code }));
    const top = flip ? HEIGHT - (HEIGHT - TOOTH + y - 4) - TOOTH : HEIGHT - TOOTH + y - 4;
    button.style.left = `${WIDTH / 2 + x - TOOTH / 2}px`;
    button.style.top = `${top}px`;
    buttons.set(code, button);
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

function press(code) {
  set(code, STATES[(STATES.indexOf(chosen.get(code) ?? null) + 1) % STATES.length]);
  show();
}

function set(code, state) {
  if (state) chosen.set(code, state);
  else chosen.delete(code);
}

function show() {
  for (const [code, button] of buttons) {
    const state = chosen.get(code);
    button.dataset.state = state ?? "";
    button.setAttribute("aria-label", `${code}: ${state ? words[state] : words.out_of_bridge}`);
  }
  const told = [...chosen].sort().map(([code, state]) => `${code} ${words[state]}`);
  part("chosen").textContent = told.length ? told.join(" · ") : words.no_teeth;
}

export function drawArches() {
  part("arches").append(jaw("upper", [1, 2], false), jaw("lower", [4, 3], true));
  show();
}

export const units = () => [...chosen.keys()];
export const pontics = () => [...chosen].filter(([, state]) => state === "pontic").map(([code]) => code);
