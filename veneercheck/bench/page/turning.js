// A scan that turns under the hand: what correcting guesses and picking places have in common.
import { words } from "./parts.js";
import * as view from "./view.js";

export const SIDES = { "+z": [0, 0, 1], "-z": [0, 0, -1], "+x": [1, 0, 0], "-x": [-1, 0, 0], "+y": [0, 1, 0], "-y": [0, -1, 0] };
export const sideOfScan = (side) => words[`scan_${{ "+": "plus", "-": "minus" }[side[0]]}_${side[1]}`];
// A reading that the report's own colours show as blue, porcelain and wine.
export const SHOWN = [view.NOT_MEASURED, 3, 1.5, 0];
const INK = [0.1, 0.1, 0.1, 1], WINE = [0.55, 0.16, 0.27, 1];
const LIMITS = [1, 2, 3], PICTURE = [180, 130], REST_MS = 160, COARSE_MM = 0.45, TURN = 0.12, ZOOM = 1.15;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

// A canvas that is new: what was drawn by an earlier scan's engine cannot be used again.
export function freshCanvas(id) {
  const old = document.getElementById(id), fresh = document.createElement("canvas");
  for (const { name, value } of old.attributes) fresh.setAttribute(name, value);
  old.replaceWith(fresh);
  return fresh;
}

// What the server packed, as bytes.
export async function unpacked(id, text) {
  document.getElementById(id)?.remove();
  const kept = document.createElement("script");
  Object.assign(kept, { type: "text/plain", id, textContent: text });
  document.body.append(kept);
  return view.unpack(id);
}

export class Turning {
  constructor(canvas, mesh, radius) {
    Object.assign(this, { canvas, mesh, radius });
    const count = mesh.places.length / 3;
    this.normals = view.vertexNormals(mesh.places, mesh.faces);
    this.readings = new Float32Array(4 * count).fill(view.NOT_MEASURED);
    this.painter = new view.Painter(canvas);
    this.feed(this.painter);
    this.camera = this.seen("+z");
    this.pointer = new view.Pointer(this);
    canvas.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.draw()).observe(canvas);
  }

  feed(painter) {
    const { places, faces } = this.mesh, all = (index) => ({ index, ranges: [index.length, 0, 0] });
    this.thinned ??= view.coarse(places, faces, COARSE_MM);
    painter.upload([[places, 3], [this.normals, 3], [this.readings, 4], [new Float32Array(2 * (places.length / 3)), 2]],
      all(faces), all(this.thinned));
  }

  // How much wider than high a scan is taken to be.
  get wide() { return 1.4; }

  // From a side of the scan, or from any direction.
  seen(side, width = this.canvas.clientWidth, height = this.canvas.clientHeight) {
    const toward = SIDES[side] ?? side, up = Math.abs(toward[2]) > 0.9 ? [0, 1, 0] : [0, 0, 1];
    return new view.Camera([0, 0, 0], toward, up, (2 * this.radius) / Math.max(Math.min(width, height * this.wide), 1));
  }

  // Drawn and read in one go: what was drawn is gone afterwards.
  picture(side) {
    const { canvas } = this;
    const before = [canvas.style.width, canvas.style.height, canvas.style.minHeight];
    [canvas.style.width, canvas.style.height, canvas.style.minHeight] = [`${PICTURE[0]}px`, `${PICTURE[1]}px`, "0"];
    [canvas.width, canvas.height] = PICTURE;
    this.painter.draw(this.seen(side, ...PICTURE), this.look(), false);
    const address = canvas.toDataURL("image/png");
    [canvas.style.width, canvas.style.height, canvas.style.minHeight] = before;
    return address;
  }

  look() {
    const lines = { finish: { width: 2, ink: INK, front: 0.08 }, picked: { width: 3, ink: WINE, front: 0.3 }, cross: { width: 2.4, ink: INK, front: 100 } };
    return { background: [1, 1, 1], shown: 1, limits: LIMITS, taken: 0, uTop: 1, lines };
  }

  // Where the cross stands, in pixels of the picture.
  get aim() { return [this.canvas.clientWidth / 2, this.canvas.clientHeight / 2]; }

  draw(moving = false) {
    const { canvas } = this, grain = moving ? 0.5 : Math.min(devicePixelRatio || 1, 2);
    if (!canvas.clientWidth) return;
    canvas.width = Math.max(1, Math.round(canvas.clientWidth * grain));
    canvas.height = Math.max(1, Math.round(canvas.clientHeight * grain));
    this.painter.setLines("cross", crossAt(this.camera, this.placeOf(this.aim), 9));
    this.painter.draw(this.camera, this.look(), moving);
  }

  // The place in the picture's plane that lies under a pixel.
  placeOf([x, y]) {
    const { centre, right, up, mmPerPx } = this.camera, { clientWidth, clientHeight } = this.canvas;
    return view.sum(view.sum(centre, right, (x - clientWidth / 2) * mmPerPx), up, (clientHeight / 2 - y) * mmPerPx);
  }

  rested() {
    if (!this.asked) this.asked = requestAnimationFrame(() => { this.asked = 0; this.draw(true); });
    clearTimeout(this.rest);
    this.rest = setTimeout(() => this.draw(), REST_MS);
  }

  show(side) {
    this.camera = this.seen(side);
    this.rested();
  }

  // Keys that every view knows; whether this was one of them.
  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { key } = event;
    if (ARROWS[key]) this.arrow(...ARROWS[key], event.shiftKey);
    else if (key === "+" || key === "=" || key === "-") this.zoom(key === "-" ? ZOOM : 1 / ZOOM);
    else if (!this.press(key)) return;
    event.preventDefault();
    this.rested();
  }

  turnBy(x, y) { this.camera.turn(-TURN * x, -TURN * y); }

  // What is under the cross stays there.
  zoom(factor) {
    const before = this.placeOf(this.aim);
    this.camera.mmPerPx *= factor;
    this.camera.centre = view.sum(this.camera.centre, view.sum(before, this.placeOf(this.aim), -1));
  }
}

// Words that stand at their places over a picture; what has turned away is seen through.
export function label(box, { camera, canvas }, labels) {
  const { clientWidth, clientHeight } = canvas;
  box.replaceChildren(...labels.map(({ at, text, way }) => {
    const [x, y] = camera.project(at, clientWidth, clientHeight), mark = document.createElement("span");
    mark.textContent = text;
    mark.hidden = x <= 0 || y <= 0 || x >= clientWidth || y >= clientHeight;
    mark.classList.toggle("behind", Boolean(way) && view.dot(way, camera.toward) < 0);
    [mark.style.left, mark.style.top] = [`${x}px`, `${y}px`];
    return mark;
  }));
}

export function crossAt({ right, up, mmPerPx }, at, arm_px) {
  const end = (way, by) => view.sum(at, way, by * arm_px * mmPerPx);
  return Float32Array.from([...end(right, -1), ...end(right, 1), ...end(up, -1), ...end(up, 1)]);
}
