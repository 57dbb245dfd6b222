// The same places picked on both scans: where a fit that failed or is doubtful starts anew.
import { ask, lang, make, notice, part, post, say, words } from "./parts.js";
import { SHOWN, SIDES, Turning, crossAt, freshCanvas, label, sideOfScan, unpacked } from "./turning.js";
import * as view from "./view.js";

const ROLES = ["framework", "waxup"], LEAST = 3, MOST = 20, STEP_PX = 12, MAGNIFIED = 5, ARM_MM = 0.35;
const other = (role) => ROLES[1 - ROLES.indexOf(role)];
const views = {};
let job = null, picks = [], laid = null, asking = 0;

const of = (role) => picks.filter((pick) => pick.role === role);
const next = () => (of("waxup").length < of("framework").length ? "waxup" : "framework");
const pairs = () => of("waxup").slice(0, of("framework").length).map((pick, k) => ({ framework: of("framework")[k].mm, waxup: pick.mm }));

class Scan extends Turning {
  constructor(role, plan, data) {
    super(freshCanvas(`place-${role}`), view.readMesh(data, plan.mesh), plan.radius);
    Object.assign(this, { role, plan, glass: freshCanvas(`glass-${role}`), cursor: null });
    this.lens = new view.Painter(this.glass);
    this.feed(this.lens);
    this.canvas.addEventListener("pointerdown", (event) => { this.by = event.pointerType; }, true);
    this.glass.addEventListener("click", (event) => this.finer(event.offsetX, event.offsetY));
  }

  get wide() { return 1; }

  // Until somebody points, the cross stands in the middle.
  get aim() { return this.cursor ?? super.aim; }

  set(at) {
    const { clientWidth, clientHeight } = this.canvas;
    this.cursor = [Math.min(Math.max(at[0], 1), clientWidth - 1), Math.min(Math.max(at[1], 1), clientHeight - 1)];
  }

  hover(at) {
    this.set(at);
    this.rested();
  }

  // A finger covers what it points at: it sets the cross, and the button sets the point.
  tap(x, y) {
    this.set([x, y]);
    if (this.by === "touch") this.rested();
    else pick(this.role);
  }

  // A touch of the magnified picture moves the cross by as little as that.
  finer(x, y) {
    const [cx, cy] = this.aim, { clientWidth, clientHeight } = this.glass;
    this.set([cx + (x - clientWidth / 2) / MAGNIFIED, cy + (y - clientHeight / 2) / MAGNIFIED]);
    this.rested();
  }

  arrow(x, y, shift) {
    if (shift) this.turnBy(x, y);
    else this.set([this.aim[0] + STEP_PX * x, this.aim[1] + STEP_PX * y]);
  }

  press(key) {
    if (key === "Enter" || key === " ") {
      if (pick(this.role) && next() !== this.role) views[next()].canvas.focus({ preventScroll: true });
    } else if (key === "Backspace" || key === "Delete") undo();
    else return false;
    return true;
  }

  // The place under the cross, in this scan's own frame, and which way the surface looks there.
  read() {
    const found = this.painter.read(this.camera, ...this.aim);
    return found && { at: found.at, mm: found.at.map((part, k) => Math.round(1000 * (part + this.plan.middle[k])) / 1000), way: this.wayAt(found.at) };
  }

  wayAt([x, y, z]) {
    const { places } = this.mesh;
    let nearest = 0, least = Infinity;
    for (let i = 0; i < places.length; i += 3) {
      const square = (places[i] - x) ** 2 + (places[i + 1] - y) ** 2 + (places[i + 2] - z) ** 2;
      if (square < least) [nearest, least] = [i, square];
    }
    return [...this.normals.subarray(nearest, nearest + 3)];
  }

  // What the server found each vertex to be: under the contour, on it, outside it.
  colour(codes) {
    const codeOf = codes ? (i) => codes[i] : () => 0;
    for (let i = 0; i < this.readings.length / 4; i += 1) this.readings[4 * i + 1] = SHOWN[codeOf(i)];
    for (const painter of [this.painter, this.lens]) painter.renew(2, this.readings);
    this.draw();
  }

  draw(moving = false) {
    if (!this.canvas.clientWidth || !this.lens) return;
    const stars = Float32Array.from(of(this.role).flatMap(({ at }) => [0, 1, 2].flatMap((axis) =>
      [-ARM_MM, ARM_MM].flatMap((arm) => at.map((mm, k) => (k === axis ? mm + arm : mm))))));
    for (const painter of [this.painter, this.lens]) painter.setLines("picked", stars);
    super.draw(moving);
    this.magnify(moving);
    label(part(`marks-${this.role}`), this, of(this.role).map((one, k) => ({ ...one, text: k + 1 })));
  }

  magnify(moving) {
    const { glass } = this, near = this.camera.copy(), grain = moving ? 1 : 2;
    near.centre = this.placeOf(this.aim);
    near.mmPerPx /= MAGNIFIED;
    [glass.width, glass.height] = [glass.clientWidth * grain, glass.clientHeight * grain];
    this.lens.setLines("cross", crossAt(near, near.centre, 14));
    this.lens.draw(near, this.look(), moving);
  }
}

// Sets a point where the cross stands; whether there was a surface and a point was wanted there.
function pick(role) {
  const ahead = of(role).length - of(other(role)).length;
  if (of(role).length >= MOST) return false;
  if (ahead > 0) return told(say("place_other", { number: of(role).length, scan: words[other(role)] }));
  const found = views[role].read();
  if (!found) return told(words.place_beside);
  picks.push({ role, ...found });
  changed();
  return true;
}

function told(text) {
  part("place-told").textContent = text;
  return false;
}

function undo() {
  picks.pop();
  changed();
}

function clear() {
  picks = [];
  changed();
}

// After every point: which one is next, and from three pairs on where they lead.
function changed() {
  laid = null;
  const complete = pairs().length === of("framework").length && pairs().length >= LEAST;
  const role = next(), number = of(role).length + 1;
  told(say(complete ? "place_enough" : "place_next", { number, scan: words[role] }));
  for (const one of ROLES) {
    part(`set-${one}`).textContent = say("place_set", { number: of(one).length + 1 });
    part(`set-${one}`).disabled = of(one).length > of(other(one)).length;
    part(`figure-${one}`).classList.toggle("wanted", one === role);
    views[one]?.draw();
  }
  show();
  if (complete) look();
  else if (views.framework?.coloured) recolour(null);
}

function recolour(codes) {
  views.framework.coloured = Boolean(codes);
  views.framework.colour(codes);
}

// The server lays the scans on each other; an answer that comes too late is left.
async function look() {
  asking += 1;
  const mine = asking;
  notice("");
  part("place-told").textContent = words.place_laying;
  try {
    const found = await post(`/api/checks/${job.number}/placed`, { landmarks: pairs() });
    const codes = await unpacked("placed-data", found.shown);
    if (mine !== asking) return;
    laid = found;
    recolour(codes);
    told(words.place_laid);
  } catch (refusal) {
    if (mine !== asking) return;
    notice(refusal.message);
    told(words.place_refused);
  }
  show();
}

const mm = (value) => value.toLocaleString(lang, { minimumFractionDigits: 2, maximumFractionDigits: 2 });

function show() {
  const rows = of("framework").map((_, k) => make("li", {}, make("span", { class: "badge", text: k + 1 }),
    laid ? say("place_apart", { mm: mm(laid.apart_mm[k]) }) : words[k < of("waxup").length ? "place_pair" : "place_half"]));
  part("pairs").replaceChildren(...rows);
  part("place-fit").hidden = !laid;
  if (laid) part("place-fit-words").textContent = say("place_fit", { touching: laid.touching_mm2, outside: laid.outside_mm2 });
  part("place-undo").disabled = part("place-clear").disabled = !picks.length;
  part("place-check").disabled = !laid;
}

function drawLooks(role) {
  part(`looks-${role}`).replaceChildren(...Object.keys(SIDES).map((side) => make("button",
    { type: "button", text: sideOfScan(side), onclick: () => views[role].show(side) })));
}

// Points of an earlier check of these scans are shown again, to be bettered.
function again(role, points) {
  return points.map((pair) => {
    const at = pair[role].map((value, k) => value - views[role].plan.middle[k]);
    return { role, at, mm: pair[role], way: views[role].wayAt(at) };
  });
}

export async function openPlace(found) {
  job = found;
  picks = [];
  laid = null;
  asking += 1;
  part("place-back").href = `#check/${found.number}`;
  part("place-paint").href = `#correct/${found.number}`;
  part("place").dataset.ready = "";
  const { plan, data } = await ask(`/api/checks/${found.number}/scans`);
  const bytes = await unpacked("place-data", data);
  try {
    for (const role of ROLES) views[role] = new Scan(role, plan[role], bytes);
  } catch {
    part("place").dataset.ready = "no";
    told(words.no_model); // Without WebGL nothing can be pointed at.
    return;
  }
  ROLES.forEach(drawLooks);
  const kept = (found.asked.landmarks ?? []).slice(0, MOST);
  const [metal, wax] = ROLES.map((role) => again(role, kept));
  picks = metal.flatMap((one, k) => [one, wax[k]]);
  changed();
  part("place").dataset.ready = "yes";
}

export function startPlace(check) {
  part("place-undo").addEventListener("click", undo);
  part("place-clear").addEventListener("click", clear);
  for (const role of ROLES) part(`set-${role}`).addEventListener("click", () => pick(role));
  part("place-check").addEventListener("click", () => check({ landmarks: pairs() }));
}
