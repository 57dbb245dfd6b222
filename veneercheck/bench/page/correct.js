// What the program guessed, corrected on the model: directions, units, veneered surfaces, paint.
import { Arches } from "./arch.js";
import { ask, make, notice, part, say, words } from "./parts.js";
import { SHOWN, SIDES, Turning, freshCanvas, label, sideOfScan, unpacked } from "./turning.js";
import * as view from "./view.js";

const SURFACES = ["occlusal", "buccal", "lingual", "mesial", "distal", "basal"];
const BRUSHES = ["brush_none", "brush_cut", "brush_uncut", "brush_out"];
const CUT = [2, 3], STEP_PX = 40;
// A direction within 10° of a side of the scan is shown by that side's picture.
const ALONG = Math.cos(Math.PI / 18);
// Biting and cheek side lie no nearer to one line than this, as the case file has it.
const MOST_ALIKE = 0.8;

class Model extends Turning {
  constructor(canvas, plan, data) {
    super(canvas, view.readMesh(data, plan.framework), plan.radius);
    Object.assign(this, { plan, painting: false, brush: 1, picking: null, changed: false });
    const count = plan.framework.vertices;
    this.region = data.subarray(plan.codes, plan.codes + count);
    this.brushes = new Uint8Array(count);
    const cut = (i) => (CUT.includes(this.region[i]) ? 1 : 0);
    this.painter.setLines("finish", view.isolines(this.mesh.places, this.mesh.faces, cut, 0.5));
  }

  // Every unit's number where its tooth is taken to be, and what is taken for biting and cheek side.
  draw(moving = false) {
    super.draw(moving);
    const { middle } = this.plan ?? {}, at = (point) => point.map((mm, k) => mm - middle[k]);
    if (!middle) return;
    const ways = waysNow().map(({ way, text }) => ({ at: way.map((part) => part * this.radius), text, way }));
    label(part("marks-model"), this, [...ways, ...Object.entries(teethNow()).map(([code, point]) => ({ at: at(point), text: code }))]);
  }

  tap(x, y) {
    const found = this.painter.read(this.camera, x, y);
    if (found && this.picking) this.picking(found.at.map((part, k) => part + this.plan.middle[k]));
  }

  stroke(x, y) {
    const found = this.painter.read(this.camera, x, y);
    if (!found) return;
    const [cx, cy, cz] = found.at, reach = this.reach ** 2, { places } = this.mesh, toward = this.camera.toward;
    for (let i = 0; i < this.brushes.length; i += 1) {
      const at = 3 * i, dx = places[at] - cx, dy = places[at + 1] - cy, dz = places[at + 2] - cz;
      if (dx * dx + dy * dy + dz * dz > reach) continue;
      // The other side of a thin wall is not what the brush is on.
      if (this.normals[at] * toward[0] + this.normals[at + 1] * toward[1] + this.normals[at + 2] * toward[2] < 0) continue;
      this.set(i, this.brush);
    }
    this.painted();
  }

  set(i, brush) {
    this.brushes[i] = brush;
    this.readings[4 * i + 1] = SHOWN[brush];
  }

  // What was found becomes paint, to be corrected.
  takeFound() {
    for (let i = 0; i < this.brushes.length; i += 1) {
      if (CUT.includes(this.region[i])) this.set(i, 1);
      else if (this.region[i] === 1) this.set(i, 2);
    }
    this.painted();
  }

  clear() {
    this.brushes.fill(0);
    this.readings.fill(view.NOT_MEASURED);
    this.painted();
  }

  painted() {
    this.changed = true;
    this.painter.renew(2, this.readings);
    this.rested();
    const count = this.brushes.reduce((sum, brush) => sum + (brush > 0), 0);
    part("model-told").textContent = say("painted_share", { percent: Math.round((100 * count) / this.brushes.length) });
  }

  arrow(x, y, shift) {
    if (shift) this.camera.shift(-STEP_PX * x, -STEP_PX * y);
    else this.turnBy(x, y);
  }

  press(key) {
    if (key !== "Enter" && key !== " ") return false;
    this[this.painting ? "stroke" : "tap"](...this.aim);
    return true;
  }
}

let model = null, job = null, chosen = {}, base = {}, arches = null;

function press(box, wanted) {
  for (const button of part(box).querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.value === wanted));
}

// ---- directions

const OPPOSITE = { "+": "-", "-": "+" };
const against = (side) => OPPOSITE[side[0]] + side[1];
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];

// A direction that was said: a side of the scan, or as the model was turned.
const wayOf = (said) => SIDES[said] ?? said;
const alike = (one, other) => Math.abs(view.dot(wayOf(one), wayOf(other))) > MOST_ALIKE;

// The side of the scan that a direction points to best, of those that are left.
function sideOf(way, taken) {
  const left = Object.keys(SIDES).filter((side) => !taken || !alike(side, taken));
  return way ? left.reduce((best, side) => (view.dot(SIDES[side], way) > view.dot(SIDES[best], way) ? side : best)) : null;
}

// What the program takes each side of the scan to be, with what was said here.
function taken() {
  const { guess } = model?.plan ?? { guess: {} };
  const said = (box, other) => sideOf(chosen[box] ? wayOf(chosen[box]) : guess[box], other);
  const occlusal = said("occlusal", chosen.occlusal ? null : chosen.buccal);
  const buccal = chosen.buccal || occlusal ? said("buccal", occlusal) : null;
  return { occlusal, buccal, known: Boolean(chosen.buccal) || Boolean(guess.sides_known) };
}

// A guessed direction that no side of the scan shows; null where there is none.
function aslant(box) {
  const { guess } = model?.plan ?? { guess: {} }, known = box === "occlusal" || guess.sides_known;
  const way = guess.guessed && known ? guess[box] : null;
  return way && Object.values(SIDES).every((side) => view.dot(side, way) < ALONG) ? way : null;
}

// Where biting and cheek side are, as said or as guessed.
function waysNow() {
  const { guess } = model?.plan ?? { guess: {} }, known = Boolean(chosen.buccal) || Boolean(guess.sides_known);
  const way = (box) => (chosen[box] ? wayOf(chosen[box]) : guess[box]);
  return [["occlusal", words.side_biting], ["buccal", known ? words.side_cheek : words.side_a]]
    .filter(([box]) => way(box)).map(([box, text]) => ({ way: way(box), text }));
}

function namesOfSides() {
  const { occlusal, buccal, known } = taken(), names = {};
  if (!occlusal) return names;
  [names[occlusal], names[against(occlusal)]] = [words.side_biting, words.side_gum];
  if (!buccal) return names;
  [names[buccal], names[against(buccal)]] = known ? [words.side_cheek, words.side_tongue] : [words.side_a, words.side_b];
  const end = sideOf(cross(SIDES[buccal], SIDES[occlusal])), mesial = known ? towardMiddle(end) : null;
  [names[end], names[against(end)]] = mesial ? [words.side_mesial, words.side_distal]
    : known ? [words.side_end, words.side_end] : [words.side_end_a, words.side_end_b];
  if (mesial && mesial !== end) [names[end], names[against(end)]] = [words.side_distal, words.side_mesial];
  return names;
}

// Which of the two ends looks to the middle of the arch; null where the units do not tell.
function towardMiddle(end) {
  const teeth = teethNow(), codes = chosen.units.filter((code) => teeth[code]).sort((one, two) => (one % 10) - (two % 10));
  const [near, far] = [codes[0], codes.at(-1)];
  if (codes.length < 2 || Math.floor(near / 10) !== Math.floor(far / 10)) return null;
  return view.dot(SIDES[end], view.sum(teeth[near], teeth[far], -1)) > 0 ? end : against(end);
}

// Stands for the guessed direction itself, where it lies aslant to all sides of the scan.
const GUESS = "guess";
// Stands for the direction from which the model is seen.
const TURNED = "turned";

function drawSides() {
  for (const box of ["occlusal", "buccal"]) {
    const way = aslant(box);
    const shown = [...(way ? [GUESS] : []), ...Object.keys(SIDES), ...(model ? [TURNED] : [])];
    part(box).replaceChildren(...shown.map((side) => make("button",
      { type: "button", value: side, "aria-pressed": "false", onclick: () => pickSide(box, side) },
      ...(model && side !== TURNED ? [make("img", { src: model.picture(side === GUESS ? way : side), alt: "" })] : []),
      make("span", { class: "named" }), make("span", { class: "badge", text: words.guess }))));
  }
  nameSides();
}

function nameSides() {
  const names = namesOfSides(), guess = model?.plan.guess ?? {}, occlusal = sideOf(guess.occlusal);
  const guessed = { occlusal: guess.guessed && occlusal, buccal: guess.guessed && guess.sides_known && sideOf(guess.buccal, occlusal) };
  const itself = { occlusal: words.side_biting, buccal: words.side_cheek };
  for (const box of ["occlusal", "buccal"]) {
    if (aslant(box)) guessed[box] = GUESS;
    const turned = Array.isArray(chosen[box]) ? chosen[box] : null;
    press(box, turned ? TURNED : chosen[box] ?? (guessed[box] === GUESS ? GUESS : null));
    for (const button of part(box).querySelectorAll("button")) {
      if (button.value === TURNED) { nameTurned(button, turned && itself[box], turned); continue; }
      // What the turned model shows is no side of the scan, not the nearest either.
      const name = turned && button.value === sideOf(turned) ? null : names[button.value];
      button.querySelector(".named").textContent = button.value === GUESS ? itself[box] : name ?? sideOfScan(button.value);
      button.querySelector(".badge").hidden = button.value !== guessed[box];
    }
  }
  for (const button of part("looks").querySelectorAll("button")) button.textContent = names[button.value] ?? sideOfScan(button.value);
}

// The button that takes the model as it is turned; once taken it shows what was taken.
function nameTurned(button, name, way) {
  button.querySelector(".named").textContent = name ?? words.side_turned;
  button.querySelector(".badge").hidden = true;
  button.querySelector("img")?.remove();
  if (way && model) button.prepend(make("img", { src: model.picture(way), alt: "" }));
}

function pickSide(box, side) {
  const now = side === TURNED ? model.camera.toward.map((part) => Math.round(1000 * part) / 1000) : side;
  chosen[box] = side === GUESS || String(chosen[box]) === String(now) ? null : now;
  const other = box === "occlusal" ? "buccal" : "occlusal";
  if (chosen[box] && chosen[other] && alike(now, chosen[other])) chosen[other] = null;
  nameSides();
  if (side === TURNED) model.rested();
  else model?.show(side === GUESS ? aslant(box) : now);
}

// ---- units

// What was said by unit; one that was renamed takes it along, where as many are named as were.
function carried(said, from) {
  const { units } = chosen, same = units.length === from.length;
  const found = units.map((code, k) => [code, said[same ? from[k] : code]]);
  return Object.fromEntries(found.filter(([, one]) => one));
}

// Where each unit's tooth is taken to be.
const teethNow = () => ({ ...(model ? carried(model.plan.teeth, job.asked.units ?? []) : {}), ...chosen.teeth });

function renamed() {
  Object.assign(chosen, { units: arches.units, pontics: arches.pontics });
  Object.assign(chosen, { teeth: carried(base.teeth, base.units), by_unit: carried(base.by_unit, base.units) });
  drawByUnit();
  settled();
}

function openRename(open) {
  part("rename").hidden = !open;
  part("rename-open").setAttribute("aria-expanded", String(open));
  if (!open) return;
  part("rename").scrollIntoView({ block: "nearest" });
  part("rename").querySelector("button").focus({ preventScroll: true });
}

// From here on, renaming carries along what stands now.
function said(what) {
  Object.assign(chosen, what);
  base = { ...chosen };
}

function drawUnits() {
  const { units } = chosen, found = teethNow();
  part("units-hint").textContent = units.length ? words.units_hint : words.units_none;
  part("reverse").hidden = units.length < 2 || units.some((code) => !found[code]);
  part("units").replaceChildren(...units.map((code) => make("button", { type: "button", value: code, "aria-pressed": "false",
    text: chosen.teeth[code] ? say("unit_set", { code }) : String(code), onclick: () => pickUnit(String(code)) })));
}

function pickUnit(code) {
  if (!model) return;
  useBrush(-1);
  press("units", code);
  part("model-told").textContent = say("unit_pick", { code });
  model.picking = (at) => {
    said({ teeth: { ...chosen.teeth, [code]: at.map((mm) => Math.round(1000 * mm) / 1000) } });
    model.picking = null;
    settled();
    part("model-told").textContent = say("unit_set", { code });
  };
  part("model").focus();
}

function settled() {
  drawUnits();
  nameSides();
  model?.rested();
}

function reverse() {
  const { units } = chosen, now = teethNow(), found = units.map((code) => now[code]).reverse();
  said({ teeth: Object.fromEntries(units.map((code, k) => [code, found[k]])) });
  settled();
  part("model-told").textContent = words.reversed;
}

function drawByUnit() {
  const meant = (code) => chosen.by_unit[code] ?? job.asked.veneered?.surfaces ?? [];
  const rows = chosen.units.map((code) => make("fieldset", {}, make("legend", { text: String(code) }), ...SURFACES.map((surface) => {
    const box = make("input", { type: "checkbox", value: surface, ...(meant(code).includes(surface) ? { checked: "" } : {}) });
    box.addEventListener("change", (event) => {
      const all = [...event.target.closest("fieldset").querySelectorAll(":checked")].map((one) => one.value);
      said({ by_unit: { ...chosen.by_unit, [code]: all } });
    });
    return make("label", { class: "choice" }, box, words[`surface_${surface}`]);
  })));
  part("by-unit").replaceChildren(...(rows.length ? rows : [make("p", { class: "more", text: words.units_none })]));
}

function useBrush(brush) {
  if (!model) return;
  model.painting = brush >= 0;
  if (brush >= 0) { model.brush = brush; model.picking = null; press("units", null); }
  press("brushes", String(brush));
}

function drawBrushes() {
  const chip = (brush) => (brush > 0 ? [make("span", { class: "chip", "data-brush": brush })] : []);
  const brushes = [["-1", words.brush_turn], ...BRUSHES.map((key, k) => [String(k), words[key]])].map(([value, text]) =>
    make("button", { type: "button", value, "aria-pressed": "false", onclick: () => useBrush(Number(value)) }, ...chip(Number(value)), text));
  part("brushes").replaceChildren(...brushes,
    make("button", { type: "button", text: words.take_found, onclick: () => model?.takeFound() }),
    make("button", { type: "button", text: words.clear, onclick: () => model?.clear() }));
  const looks = Object.keys(SIDES).map((side) => make("button", { type: "button", value: side,
    onclick: () => model?.show(side) }));
  part("looks").replaceChildren(...looks);
  useBrush(-1);
}

async function load(number) {
  const { plan, data } = await ask(`/api/checks/${number}/model`);
  const bytes = await unpacked("model-data", data), fresh = freshCanvas("model");
  part("correct-known").hidden = !plan.aligned;
  part("correct-failed").hidden = plan.aligned;
  try {
    model = new Model(fresh, plan, bytes);
    model.reach = Number(part("brush-size").value);
  } catch {
    model = null; // No WebGL: check boxes and buttons remain.
    part("model-told").textContent = words.no_model;
  }
}

// Shows the model of a check; `found` is what the page knows of that check.
export async function openCorrect(found) {
  job = found;
  said({ occlusal: found.asked.frame?.occlusal ?? null, buccal: found.asked.frame?.buccal ?? null,
    teeth: { ...found.asked.frame?.teeth }, by_unit: { ...found.asked.veneered?.units },
    units: found.asked.units ?? [], pontics: found.asked.pontics ?? [] });
  part("correct-back").href = `#check/${found.number}`;
  part("correct-place").href = `#place/${found.number}`;
  part("model-told").textContent = "";
  await load(found.number);
  arches ??= new Arches(part("rename-arches"), part("rename-chosen"), renamed);
  openRename(false);
  arches.set(chosen.units, chosen.pontics);
  drawBrushes();
  drawSides();
  drawUnits();
  drawByUnit();
  model?.draw();
  document.getElementById("model").dataset.ready = model ? "yes" : "no";
}

// What the next check is asked with: only what was said.
async function corrected() {
  let painted = job.painted ? "painted" : null;
  if (model?.changed) {
    painted = null;
    if (model.brushes.some((brush) => brush === 1 || brush === 2)) {
      ({ painted } = await ask(`/api/checks/${job.number}/painted`, { method: "PUT", body: model.brushes }));
    }
  }
  const by_unit = Object.fromEntries(Object.entries(chosen.by_unit).filter(([, all]) => all.length));
  const { occlusal, buccal, units, pontics, teeth } = chosen;
  return { occlusal, buccal, units, pontics, teeth, by_unit, painted };
}

export function startCorrect(again) {
  part("reverse").addEventListener("click", reverse);
  part("rename-open").addEventListener("click", () => openRename(part("rename").hidden));
  part("brush-size").addEventListener("change", () => { if (model) model.reach = Number(part("brush-size").value); });
  part("correct-check").addEventListener("click", () => corrected().then(again, (refusal) => notice(refusal.message)));
}
