// A plan before the knife: a wax-up, a finish line picked on it, and what the plan says.
import { Arches } from "./arch.js";
import { fillLimits } from "./limits.js";
import { ask, fillUnits, handIn, lang, make, notice, part, post, say, scansOnly, words } from "./parts.js";
import { SIDES, Turning, freshCanvas, label, sideOfScan, unpacked } from "./turning.js";
import * as view from "./view.js";

const LEAST = 3, MOST = 500, ARM_MM = 0.3, LOOK_MS = 500;
const bridge = new Arches(part("arches"), part("chosen"));
const scans = { waxup: null, die: null, mask: null, antagonist: null, wedge: null };
let shown = null, points = [], inside = null, asking = 0, timer = 0;

class Waxup extends Turning {
  constructor(plan, data) {
    super(freshCanvas("line-model"), view.readMesh(data, plan.mesh), plan.radius);
    Object.assign(this, { plan, cursor: null, way: [] });
    this.canvas.addEventListener("pointerdown", (event) => { this.by = event.pointerType; }, true);
    this.draw();
  }

  get aim() { return this.cursor ?? super.aim; }

  hover(at) {
    this.cursor = at;
    this.rested();
  }

  // A finger covers what it points at: it sets the cross, and the button sets the point.
  tap(x, y) {
    this.cursor = [x, y];
    if (this.by === "touch") this.rested();
    else setPoint();
  }

  arrow(x, y, shift) {
    if (shift) this.turnBy(x, y);
    else this.cursor = [this.aim[0] + 12 * x, this.aim[1] + 12 * y];
  }

  press(key) {
    if (key === "Enter" || key === " ") setPoint();
    else if (key === "i") setInside();
    else if (key === "Backspace" || key === "Delete") undo();
    else return false;
    return true;
  }

  // The place under the cross, in the wax-up's own frame.
  read() {
    const found = this.painter.read(this.camera, ...this.aim);
    return found && { at: found.at, mm: found.at.map((value, k) => Math.round(1000 * (value + this.plan.middle[k])) / 1000) };
  }

  draw(moving = false) {
    if (!this.plan) return;
    const from = (mm) => mm.map((value, k) => value - this.plan.middle[k]);
    const ends = this.way.slice(1).flatMap((mm, k) => [...from(this.way[k]), ...from(mm)]);
    const star = (at) => [0, 1, 2].flatMap((axis) => [-ARM_MM, ARM_MM].flatMap((arm) => at.map((mm, k) => (k === axis ? mm + arm : mm))));
    this.painter.setLines("finish", Float32Array.from(ends));
    this.painter.setLines("picked", Float32Array.from([...points, ...(inside ? [inside] : [])].flatMap(({ at }) => star(at))));
    super.draw(moving);
    const marks = points.map(({ at }, k) => ({ at, text: k + 1 }));
    label(part("marks-line"), this, inside ? [...marks, { at: inside.at, text: words.plan_veneer }] : marks);
  }
}

// ---- the finish line

function setPoint() {
  const found = shown?.read();
  if (!found || points.length >= MOST) return told(found ? "" : words.place_beside);
  points.push(found);
  return changed();
}

function setInside() {
  const found = shown?.read();
  if (!found) return told(words.place_beside);
  inside = found;
  return changed();
}

function undo() {
  points.pop();
  changed();
}

function clear() {
  points = [];
  inside = null;
  changed();
}

function told(text) { part("line-told").textContent = text; }

async function changed() {
  part("line-undo").disabled = part("line-clear").disabled = !points.length && !inside;
  asking += 1;
  const mine = asking;
  if (!shown) return told(words.taking); // the model is on its way: nothing can be picked yet
  if (points.length < LEAST) {
    shown.way = points.map(({ mm }) => mm);
    told(points.length ? say("plan_more", { number: points.length + 1 }) : words.plan_pick);
  } else {
    try {
      const path = `/api/scans/${scans.waxup.scan}/way?unit=${part("unit").value}`;
      const { way } = await post(path, { points: points.map(({ mm }) => mm) });
      if (mine !== asking) return;
      shown.way = way;
      told(inside ? words.plan_ready : words.plan_want_inside);
    } catch (refusal) {
      if (mine === asking) told(refusal.message);
    }
  }
  return shown.draw();
}

// ---- the scans

async function take(role, files) {
  notice("");
  try {
    const [file] = role === "wedge" ? files : scansOnly(files);
    if (file) scans[role] = await handIn(file);
    if (file && role === "waxup") await open();
  } catch (refusal) {
    notice(refusal.message);
  }
  part(`${role}-taken`).textContent = [scans[role]?.name ?? words.missing, ...(scans[role]?.told ?? [])].join(" · ");
}

async function open() {
  shown = null;
  clear();
  const { plan, data } = await ask(`/api/scans/${scans.waxup.scan}/model?unit=${part("unit").value}`);
  const bytes = await unpacked("line-data", data);
  try {
    shown = new Waxup(plan, bytes);
  } catch {
    told(words.no_model); // Without WebGL nothing can be pointed at.
    return;
  }
  part("line-set").disabled = part("line-inside").disabled = false;
  part("looks-line").replaceChildren(...Object.keys(SIDES).map((side) => make("button",
    { type: "button", text: sideOfScan(side), onclick: () => shown.show(side) })));
  changed();
}

// ---- the plan

const chosen = () => document.querySelector("[name=what]:checked").value;

// What belongs to the wax-up, by number; the mask only where it is to be followed.
const beside = () => Object.fromEntries(["die", "antagonist", "wedge", ...(chosen() === "painted" ? ["mask"] : [])]
  .map((role) => [role, scans[role]?.scan ?? null]));

function order() {
  const picked = chosen() === "picked";
  return {
    waxup: scans.waxup.scan, ...beside(), lang, number: part("number").value,
    units: bridge.units, pontics: bridge.pontics, unit: part("unit").value || null, profile: part("profile").value || null,
    occlusal: part("occlusal").value || null, buccal: part("buccal").value || null,
    surfaces: chosen() !== "surfaces" ? [] : [...part("surfaces").querySelectorAll(":checked")].map((box) => box.value),
    form: part("form").value, width_mm: Number(part("width").value), collar_mm: Number(part("collar").value),
    off_border_mm: Number(part("off-border").value),
    finish_line: picked ? [{ points: points.map(({ mm }) => mm), inside: inside.mm }] : null,
  };
}

async function start() {
  notice("");
  if (!scans.waxup?.scan) return notice(words.plan_waxup);
  if (chosen() === "picked" && (points.length < LEAST || !inside)) return notice(words.plan_want_line);
  if (chosen() === "painted" && !scans.mask?.scan) return notice(words.plan_want_mask);
  try {
    const { number } = await post("/api/plans", order());
    part("made").hidden = true;
    part("progress").hidden = false;
    look(number);
  } catch (refusal) {
    notice(refusal.message);
  }
}

async function look(number) {
  clearTimeout(timer);
  part("cancel").onclick = () => post(`/api/plans/${number}/cancel`, {});
  try {
    const found = await ask(`/api/plans/${number}`);
    part("step").textContent = found.step || words.state_waiting;
    if (["waiting", "running"].includes(found.state)) {
      timer = setTimeout(() => look(number), LOOK_MS);
      return;
    }
    part("progress").hidden = true;
    if (found.state === "done") show(found);
    else notice([found.end.where, found.end.what, found.end.next_step].filter(Boolean).join(" · ") || words[`state_${found.state}`]);
  } catch (refusal) {
    part("progress").hidden = true;
    notice(refusal.message);
  }
}

function show({ number, sentences, files, register }) {
  part("file").hidden = !register;
  part("filed").textContent = "";
  part("file").onsubmit = (event) => file(event, number);
  part("said").replaceChildren(...sentences.filter(Boolean).map((text) => make("p", { text })));
  const all = make("a", { class: "button", href: `/plans/${number}/all.zip`, text: words.plan_all });
  part("downloads").replaceChildren(all, ...files.map((name) => make("a", { class: "button", href: `/plans/${number}/${name}?save`, text: name })));
  part("drawing").src = `/plans/${number}/depths.svg`;
  part("made").hidden = false;
  part("made-head").focus();
}

async function file(event, number) {
  event.preventDefault();
  part("file-it").disabled = true;
  part("filed").textContent = words.plan_filing;
  try {
    part("filed").textContent = (await post(`/api/plans/${number}/record`, { who: part("who").value })).told;
  } catch (refusal) {
    part("filed").textContent = refusal.message;
  }
  part("file-it").disabled = false;
}

// ---- the page

function showWhat() {
  part("by-line").hidden = chosen() !== "picked";
  part("by-surfaces").hidden = chosen() !== "surfaces";
  part("by-mask").hidden = chosen() !== "painted";
  shown?.draw();
}

for (const select of document.querySelectorAll("[data-units]")) fillUnits(select);
for (const select of document.querySelectorAll("[data-sides]")) {
  select.append(make("option", { value: "", text: "–" }), ...Object.keys(SIDES).map((side) => make("option", { value: side, text: `${sideOfScan(side)} (${side})` })));
}
part("language").href = `/plan?lang=${lang === "de" ? "en" : "de"}`;
for (const role of Object.keys(scans)) {
  part(`${role}-file`).addEventListener("change", ({ target }) => take(role, target.files).finally(() => { target.value = ""; }));
}
part("unit").addEventListener("change", () => { if (scans.waxup) open().catch((refusal) => notice(refusal.message)); });
part("line-set").addEventListener("click", setPoint);
part("line-inside").addEventListener("click", setInside);
part("line-undo").addEventListener("click", undo);
part("line-clear").addEventListener("click", clear);
for (const choice of document.querySelectorAll("[name=what]")) choice.addEventListener("change", showWhat);
part("start").addEventListener("click", start);
fillLimits(part("profile")).catch((refusal) => notice(refusal.message));
