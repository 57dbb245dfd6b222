// The cut through all scans as a drawing to scale, with layer and metal written where they matter.

const SVG = "http://www.w3.org/2000/svg";
const LETTER_PX = 15;
const AROUND_MM = 2.6;
const LEAST_WIDTH_MM = 8;
const MOST_LAYERS = 9;
const MOST_METAL = 4;
const APART_MM = 2.2;
// The rules of the report's drawn sections: a figure stands where its line lies in the plane, where
// the nearest surface is about as far as the line is long, and metal ends at a line that is drawn.
const IN_PLANE = 0.9;
const ALIKE = 0.1;
const ENDS_THERE_MM = 0.1;
const CLEAR_MM = 0.05;

function shape(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// Cut a mesh where `offset(vertex)` is nought. Two ends a piece: `at` holds the readings there,
// `nodes` names the edge that each lies on, which the neighbouring piece shares.
function cut(mesh, offset, readings = {}) {
  const names = Object.keys(readings), nodes = [];
  const at = Object.fromEntries(names.map((name) => [name, []]));
  if (!mesh) return { segments: new Float32Array(0), nodes, at };
  const segments = isolines(mesh.places, mesh.faces, offset(mesh.places), 0, null, (a, b, t) => {
    nodes.push(Math.min(a, b) * 4194304 + Math.max(a, b));
    for (const name of names) at[name].push(readings[name][a] + t * (readings[name][b] - readings[name][a]));
  });
  return { segments, nodes, at };
}

// The pieces one behind another, each as the ends it goes from and to.
function inOrder(nodes) {
  const there = new Map();
  nodes.forEach((node, end) => { if (!there.has(node)) there.set(node, []); there.get(node).push(end); });
  const done = new Uint8Array(nodes.length / 2), found = [];
  const walk = (first) => {
    for (let end = first; end !== undefined && !done[end >> 1];) {
      done[end >> 1] = 1;
      found.push([end, end ^ 1]);
      end = there.get(nodes[end ^ 1]).find((other) => !done[other >> 1]);
    }
  };
  nodes.forEach((node, end) => { if (there.get(node).length === 1) walk(end); });
  nodes.forEach((_, end) => walk(end));
  return found;
}

class SectionDrawing {
  constructor(svg, words) {
    this.svg = svg;
    this.words = words;
  }

  // `across` and `above` span the plane, `sides` names where they lead: left, right, top, bottom.
  draw(framework, contour, die, { across, above, sides }, { limits, amounts, wanted }) {
    const { svg } = this;
    svg.replaceChildren();
    this.flat = (p) => [dot(p, across), -dot(p, above)];
    const laid = [framework, contour, die].map((one) => this.laidOut(one));
    const [metal, outline, stump] = laid;
    const frame = this.frame(metal);
    if (!frame) {
      svg.setAttribute("viewBox", "0 0 30 12");
      svg.append(shape("text", { x: 15, y: 6, "text-anchor": "middle", "font-size": 0.6 }, this.words.section_empty));
      return;
    }
    const [x, y, width, height] = frame;
    svg.setAttribute("viewBox", frame.join(" "));
    this.letter = LETTER_PX * Math.max(width / (svg.clientWidth || 900), height / (svg.clientHeight || 400));
    const grid = shape("g", { class: "grid" });
    for (let i = Math.ceil(x); i <= x + width; i += 1) grid.append(shape("path", { d: `M${i} ${y}v${height}` }));
    for (let i = Math.ceil(y); i <= y + height; i += 1) grid.append(shape("path", { d: `M${x} ${i}h${width}` }));
    svg.append(grid);
    const { fitting, model } = metal.at;
    const style = metal.order.map(([a, b]) => (model[a] + model[b] > 1 ? "model" : fitting[a] + fitting[b] > 1 ? "fitting" : "framework"));
    const line = (name, one, pieces) => {
      if (pieces.length) svg.append(shape("path", { d: path(one, pieces), class: name }));
    };
    line("contour", outline, outline.order);
    for (const name of ["model", "fitting", "framework"]) line(name, metal, metal.order.filter((_, i) => style[i] === name));
    line("die", stump, stump.order);
    if (amounts && wanted) this.wanted(metal, amounts.least);
    const inner = [...metal.order.filter((_, i) => style[i] === "fitting").flat().map((end) => metal.points[end]), ...stump.points];
    this.figures(this.dimensions(metal, inner, frame, limits), frame, sides);
  }

  // The surface as it is wanted, where something is to be taken off or added, without the loops that
  // an edge would make: what lies nearer to other metal than its own way is no surface.
  wanted({ points, at, order }, least) {
    const moved = (end) => {
      const way = this.flat([at.nx[end], at.ny[end], at.nz[end]]);
      return [0, 1].map((k) => points[end][k] - at.amount[end] * way[k]);
    };
    const parts = [], told = (place) => place.map((c) => c.toFixed(3)).join(" ");
    for (const [a, b] of order) {
      if (!(Math.max(Math.abs(at.amount[a]), Math.abs(at.amount[b])) >= least)) continue;
      const ends = [moved(a), moved(b)];
      const clear = [a, b].every((end, k) => away(ends[k], points) > Math.hypot(points[end][0] - ends[k][0], points[end][1] - ends[k][1]) - CLEAR_MM);
      if (clear) parts.push(`M${told(ends[0])}L${told(ends[1])}`);
    }
    if (parts.length) this.svg.append(shape("path", { d: parts.join(""), class: "wanted" }));
  }

  laidOut({ segments, nodes, at }) {
    const points = [];
    for (let i = 0; i < segments.length; i += 3) points.push(this.flat([segments[i], segments[i + 1], segments[i + 2]]));
    return { points, nodes, at, order: inOrder(nodes) };
  }

  // Where the plane leads to, in words at the edges: moved along theirs to be clear of figures.
  sides([x, y, width, height], [left, right, top, bottom], taken) {
    const { letter } = this, edge = 0.4 * letter, middle = [x + width / 2, y + height / 2];
    const add = (text, px, py, anchor, [alongX, alongY]) => {
      const places = steps(Math.ceil(Math.max(width, height) / letter)).map((step) => [px + step * letter * alongX, py + step * letter * alongY]);
      const room = ([atX, atY]) => covered([atX, atY - 0.35 * letter], anchor, text, letter);
      const clear = (at) => pushed(room(at), [x, y, width, height]).every((by) => by === 0) && !touches(room(at), taken);
      const at = places.find(clear) ?? [px, py];
      taken.push(room(at));
      this.svg.append(shape("text", { x: at[0], y: at[1], "text-anchor": anchor, "font-size": letter, class: "side" }, text));
    };
    add(left, x + edge, middle[1], "start", [0, 1]);
    add(right, x + width - edge, middle[1], "end", [0, 1]);
    add(top, middle[0], y + letter + edge, "middle", [1, 0]);
    add(bottom, middle[0], y + height - edge, "middle", [1, 0]);
  }

  frame({ points, at }) {
    const meant = points.filter((_, i) => at.meant[i] > 0.5);
    if (!meant.length) return null;
    const xs = meant.map((p) => p[0]), ys = meant.map((p) => p[1]);
    const low = [Math.min(...xs) - AROUND_MM, Math.min(...ys) - AROUND_MM];
    const width = Math.max(Math.max(...xs) + AROUND_MM - low[0], LEAST_WIDTH_MM);
    return [low[0], low[1], width, Math.max(...ys) + AROUND_MM - low[1]];
  }

  // What can be told at the ends of the pieces: layers outward and metal inward.
  dimensions({ points, at, order }, inner, [x, y, width, height], limits) {
    const layers = [], metal = [];
    for (const [i] of order) {
      const way = this.flat([at.nx[i], at.ny[i], at.nz[i]]);
      const length = Math.hypot(...way);
      if (!(length > IN_PLANE)) continue;
      const out = way.map((c) => c / length), p = points[i];
      const space = at.space[i], layer = at.layer[i], deep = at.metal[i];
      if (at.told[i] > 0.99 && Math.abs(space - at.nearest[i]) < ALIKE * Math.abs(space)) {
        const bad = at.shown[i] < limits[0] || at.shown[i] > limits[1];
        // Outside the contour there is no layer: there the number says how far.
        layers.push({ p, way: out, long: space, value: space < 0 ? space : layer, by: at.shown[i], kind: bad ? "bad" : "" });
      }
      if (at.meant[i] > 0.99 && deep === deep) metal.push({ p, way: out.map((c) => -c), long: deep, value: deep, by: deep, kind: "metal" });
    }
    const room = 2.5 * this.letter;
    const inside = ([a, b]) => a > x + room && a < x + width - room && b > y + room && b < y + height - room;
    const ends = metal.filter((one) => {
      const tip = beyond(one, one.long);
      return inside(tip) && away(tip, inner) < ENDS_THERE_MM && one.long - away(one.p, inner) < ALIKE * one.long;
    });
    return [{ all: layers, most: MOST_LAYERS, own: [] }, { all: ends, most: MOST_METAL, own: [] }];
  }

  // Of each the least and the greatest, then the words at the edges, then others well apart; none
  // over another, and all within the frame.
  figures(kinds, frame, sides) {
    const taken = [];
    const add = ({ own, most }, one, apart) => {
      const text = this.words.number(one.value, 2), anchor = anchorOf(one.way);
      let at = beyond(one, Math.max(one.long, 0) + this.letter);
      const by = pushed(covered(at, anchor, text, this.letter), frame);
      at = at.map((place, k) => place + by[k]);
      const box = covered(at, anchor, text, this.letter);
      const near = own.some((p) => Math.hypot(one.p[0] - p[0], one.p[1] - p[1]) < apart);
      if (near || own.length === most || touches(box, taken)) return;
      own.push(one.p);
      taken.push(box);
      this.dimension(one, at, anchor, text);
    };
    for (const kind of kinds) {
      const sorted = [...kind.all].sort((a, b) => a.by - b.by);
      if (sorted.length) add(kind, sorted[0], 0);
      if (sorted.length) add(kind, sorted[sorted.length - 1], 0.5 * APART_MM);
    }
    this.sides(frame, sides, taken);
    for (const kind of kinds) kind.all.forEach((one) => add(kind, one, APART_MM));
  }

  dimension({ p, way, long, kind }, at, anchor, text) {
    const end = beyond({ p, way }, long);
    this.svg.append(shape("path", { d: `M${p}L${end}`, class: `measure ${kind}` }));
    for (const q of [p, end]) {
      const d = `M${q[0] - way[1] * 0.14} ${q[1] + way[0] * 0.14}L${q[0] + way[1] * 0.14} ${q[1] - way[0] * 0.14}`;
      this.svg.append(shape("path", { d, class: "measure" }));
    }
    this.svg.append(shape("text", {
      x: at[0], y: at[1] + 0.35 * this.letter, "text-anchor": anchor, "font-size": this.letter, class: kind,
    }, text));
  }
}

const anchorOf = (way) => (way[0] > 0.4 ? "start" : way[0] < -0.4 ? "end" : "middle");

// What a text covers, from corner to corner; a bold digit is the widest sign but one.
function covered([x, y], anchor, text, size) {
  const wide = 0.64 * size * text.length, left = x - { start: 0, middle: 0.5, end: 1 }[anchor] * wide;
  return [left, y - 0.6 * size, left + wide, y + 0.6 * size];
}

function touches([x0, y0, x1, y1], taken) {
  return taken.some(([a, b, c, d]) => x0 < c && a < x1 && y0 < d && b < y1);
}

// How far a box has to be moved to lie within the frame, along and down.
function pushed([x0, y0, x1, y1], [x, y, width, height]) {
  return [Math.max(x - x0, 0) || Math.min(x + width - x1, 0), Math.max(y - y0, 0) || Math.min(y + height - y1, 0)];
}

// 0, 1, −1, 2, −2 and so on.
function steps(most) {
  return Array.from({ length: 2 * most + 1 }, (_, k) => (k % 2 ? 1 : -1) * Math.ceil(k / 2));
}

function beyond({ p, way }, far) { return [p[0] + way[0] * far, p[1] + way[1] * far]; }

function away([x, y], points) {
  let least = Infinity;
  for (const [a, b] of points) least = Math.min(least, (a - x) * (a - x) + (b - y) * (b - y));
  return Math.sqrt(least);
}

// Pieces as one path, going on where a piece begins on the edge that the last one ended on.
function path({ points, nodes }, pieces) {
  const parts = [], told = (end) => `${points[end][0].toFixed(3)} ${points[end][1].toFixed(3)}`;
  let last;
  for (const [from, to] of pieces) {
    parts.push(nodes[from] === last ? `L${told(to)}` : `M${told(from)}L${told(to)}`);
    last = nodes[to];
  }
  return parts.join("");
}
