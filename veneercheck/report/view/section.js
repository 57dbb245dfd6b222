// The cut through both scans as a drawing to scale, with the layer written where it matters.

const SVG = "http://www.w3.org/2000/svg";
const LETTER_PX = 15;
const ENDS = 7; // space, layer, veneered, shown layer, and the normal's three parts

function shape(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// Cut a mesh where `offset(vertex)` is nought; readings ride along to each end.
function cut(mesh, offset, readings) {
  const ends = [];
  const onSegment = readings && ((a, b, t) => {
    ends.push(...readings.map((values) => values[a] + t * (values[b] - values[a])));
  });
  return { segments: isolines(mesh.places, mesh.faces, offset, 0, null, onSegment), ends };
}

class SectionDrawing {
  constructor(svg, words) {
    this.svg = svg;
    this.words = words;
  }

  // `across` and `above` span the plane, `sides` names where they lead: left, right, top, bottom;
  // `framework.ends` holds what ENDS names for each end.
  draw(framework, contour, { across, above, sides }, limits) {
    const { svg } = this;
    svg.replaceChildren();
    const flat = (segments) => {
      const found = [];
      for (let i = 0; i < segments.length; i += 3) {
        const p = [segments[i], segments[i + 1], segments[i + 2]];
        found.push([dot(p, across), -dot(p, above)]);
      }
      return found;
    };
    const inner = flat(framework.segments), outer = flat(contour);
    const frame = this.frame(inner, framework.ends);
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
    this.sides(frame, sides);
    svg.append(shape("path", { d: path(outer), class: "contour" }));
    svg.append(shape("path", { d: path(inner), class: "framework" }));
    this.dimensions(inner, framework.ends, across, above, limits);
  }

  sides([x, y, width, height], [left, right, top, bottom]) {
    const edge = 0.4 * this.letter, middle = [x + width / 2, y + height / 2];
    const add = (text, px, py, anchor) => this.svg.append(shape("text", {
      x: px, y: py, "text-anchor": anchor, "font-size": this.letter, class: "side",
    }, text));
    add(left, x + edge, middle[1], "start");
    add(right, x + width - edge, middle[1], "end");
    add(top, middle[0], y + this.letter + edge, "middle");
    add(bottom, middle[0], y + height - edge, "middle");
  }

  frame(inner, ends) {
    const meant = inner.filter((_, i) => ends[ENDS * i + 2] > 0.5);
    if (!meant.length) return null;
    const xs = meant.map((p) => p[0]), ys = meant.map((p) => p[1]);
    const low = [Math.min(...xs) - 2.6, Math.min(...ys) - 2.6];
    const width = Math.max(Math.max(...xs) + 2.6 - low[0], 8);
    return [low[0], low[1], width, Math.max(...ys) + 2.6 - low[1]];
  }

  // The thinnest and the thickest place, and others at least 2 mm apart.
  dimensions(inner, ends, across, above, limits) {
    const all = [];
    inner.forEach((p, i) => {
      const [space, layer, meant, shown, nx, ny, nz] = ends.slice(ENDS * i, ENDS * i + ENDS);
      if (!(meant > 0.99) || !(space === space)) return;
      const way = [dot([nx, ny, nz], across), -dot([nx, ny, nz], above)];
      const length = Math.hypot(...way);
      if (length > 0.9) all.push({ p, space, layer, shown, way: way.map((c) => c / length) });
    });
    if (!all.length) return;
    const order = [...all].sort((a, b) => a.shown - b.shown);
    const chosen = [];
    const add = (one, apart) => {
      one.at = this.beside(one);
      const near = chosen.some((other) => Math.hypot(one.p[0] - other.p[0], one.p[1] - other.p[1]) < apart
        || (Math.abs(one.at[0] - other.at[0]) < 2.6 * this.letter && Math.abs(one.at[1] - other.at[1]) < 1.2 * this.letter));
      if (!near && chosen.length < 9) chosen.push(one);
    };
    add(order[0], 0);
    add(order[order.length - 1], 1.2);
    all.forEach((one) => add(one, 2.2));
    for (const one of chosen) this.dimension(one, limits);
  }

  beside({ p, space, way }) {
    const out = Math.max(space, 0) + 1.0 * this.letter;
    return [p[0] + way[0] * out, p[1] + way[1] * out];
  }

  dimension({ p, space, layer, shown, way, at }, limits) {
    const end = [p[0] + way[0] * space, p[1] + way[1] * space];
    const bad = shown < limits[0] || shown > limits[1];
    this.svg.append(shape("path", { d: `M${p}L${end}`, class: bad ? "measure bad" : "measure" }));
    for (const q of [p, end]) {
      const d = `M${q[0] - way[1] * 0.14} ${q[1] + way[0] * 0.14}L${q[0] + way[1] * 0.14} ${q[1] - way[0] * 0.14}`;
      this.svg.append(shape("path", { d, class: "measure" }));
    }
    const anchor = way[0] > 0.4 ? "start" : way[0] < -0.4 ? "end" : "middle";
    // Outside the contour there is no layer: there the number says how far.
    const text = this.words.number(space < 0 ? space : layer, 2);
    const attributes = {
      x: at[0], y: at[1] + 0.35 * this.letter, "text-anchor": anchor, "font-size": this.letter, class: bad ? "bad" : "",
    };
    this.svg.append(shape("text", attributes, text));
  }
}

function path(points) {
  const parts = [];
  for (let i = 0; i < points.length; i += 2) {
    parts.push(`M${points[i][0].toFixed(3)} ${points[i][1].toFixed(3)}`
      + `L${points[i + 1][0].toFixed(3)} ${points[i + 1][1].toFixed(3)}`);
  }
  return parts.join("");
}
