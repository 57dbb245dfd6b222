// What the program guessed, corrected on the model: directions, units, veneered surfaces, paint.
import { ask, make, notice, part, say, words } from "./parts.js";
import { SHOWN, SIDES, Turning, freshCanvas, unpacked } from "./turning.js";
import * as view from "./view.js";

const SURFACES = ["occlusal", "buccal", "lingual", "mesial", "distal", "basal"];
const BRUSHES = ["brush_none", "brush_cut", "brush_uncut", "brush_out"];
const CUT = [2, 3], STEP_PX = 40;

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

let model = null, job = null, chosen = {};

function press(box, wanted) {
  for (const button of part(box).querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.value === wanted));
}

function drawSides() {
  for (const box of ["occlusal", "buccal"]) {
    const buttons = Object.keys(SIDES).map((side) => make("button",
      { type: "button", value: side, "aria-pressed": "false", onclick: () => pickSide(box, side) },
      ...(model ? [make("img", { src: model.picture(side), alt: "" })] : []), make("span", { text: say("seen_from", { side }) })));
    part(box).replaceChildren(...buttons);
    press(box, chosen[box]);
  }
}

function pickSide(box, side) {
  chosen[box] = chosen[box] === side ? null : side;
  const other = box === "occlusal" ? "buccal" : "occlusal";
  if (chosen[box] && chosen[other]?.[1] === side[1]) chosen[other] = null;
  press("occlusal", chosen.occlusal);
  press("buccal", chosen.buccal);
  model?.show(side);
}

const unitsOf = () => job.asked.units ?? [];

function drawUnits() {
  const units = unitsOf();
  part("units-hint").textContent = units.length ? words.units_hint : words.units_none;
  part("reverse").hidden = units.length < 2 || units.some((code) => !model?.plan.teeth[code]);
  part("units").replaceChildren(...units.map((code) => make("button", { type: "button", value: code, "aria-pressed": "false",
    text: chosen.teeth[code] ? say("unit_set", { code }) : String(code), onclick: () => pickUnit(String(code)) })));
}

function pickUnit(code) {
  if (!model) return;
  useBrush(-1);
  press("units", code);
  part("model-told").textContent = say("unit_pick", { code });
  model.picking = (at) => {
    chosen.teeth[code] = at.map((mm) => Math.round(1000 * mm) / 1000);
    model.picking = null;
    drawUnits();
    part("model-told").textContent = say("unit_set", { code });
  };
  part("model").focus();
}

function reverse() {
  const units = unitsOf();
  const found = units.map((code) => chosen.teeth[code] ?? model.plan.teeth[code]).reverse();
  chosen.teeth = Object.fromEntries(units.map((code, k) => [code, found[k]]));
  drawUnits();
  part("model-told").textContent = words.reversed;
}

function drawByUnit() {
  const meant = (code) => chosen.by_unit[code] ?? job.asked.veneered?.surfaces ?? [];
  const rows = unitsOf().map((code) => make("fieldset", {}, make("legend", { text: String(code) }), ...SURFACES.map((surface) => {
    const box = make("input", { type: "checkbox", value: surface, ...(meant(code).includes(surface) ? { checked: "" } : {}) });
    box.addEventListener("change", (event) => {
      const all = [...event.target.closest("fieldset").querySelectorAll(":checked")].map((one) => one.value);
      chosen.by_unit[code] = all;
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
  const looks = Object.keys(SIDES).map((side) => make("button", { type: "button", text: say("seen_from", { side }),
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
  chosen = { occlusal: found.asked.frame?.occlusal ?? null, buccal: found.asked.frame?.buccal ?? null,
    teeth: { ...found.asked.frame?.teeth }, by_unit: { ...found.asked.veneered?.units } };
  for (const id of ["correct-back"]) part(id).href = `#check/${found.number}`;
  part("model-told").textContent = "";
  await load(found.number);
  drawSides();
  drawUnits();
  drawByUnit();
  drawBrushes();
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
  return { occlusal: chosen.occlusal, buccal: chosen.buccal, teeth: chosen.teeth, by_unit, painted };
}

export function startCorrect(again) {
  part("reverse").addEventListener("click", reverse);
  part("brush-size").addEventListener("change", () => { if (model) model.reach = Number(part("brush-size").value); });
  part("correct-check").addEventListener("click", () => corrected().then(again, (refusal) => notice(refusal.message)));
}
