// The map as it is packed beside this script (see pack.py): what its neighbours let expect, and how
// far off it is; byte planes, gzip, base64.

async function unpack(id) {
  const text = document.getElementById(id).textContent;
  const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

// Whole numbers in byte planes; odd ones stand for negative numbers.
function whole(bytes, [start, planes, count]) {
  const found = new Int32Array(count);
  for (let p = 0; p < planes; p += 1) {
    for (let i = 0, at = start + p * count; i < count; i += 1) found[i] |= bytes[at + i] << (8 * p);
  }
  for (let i = 0; i < count; i += 1) found[i] = found[i] & 1 ? ~(found[i] >>> 1) : found[i] >>> 1;
  return found;
}

const bit = (bytes, start, i) => (bytes[start + (i >> 3)] >> (7 - (i & 7))) & 1;

// For every side told so far the corner opposite to it, of the first triangle that has it; and for
// every vertex where the last side came from that was first told into it: there the rim goes on.
class Sides {
  constructor(count, vertices) {
    this.rim = Int32Array.from({ length: vertices }, (_, v) => v);
    this.bits = Math.max(4, Math.ceil(Math.log2(2 * count + 2)));
    this.low = new Int32Array(1 << this.bits).fill(-1);
    this.high = new Int32Array(1 << this.bits);
    this.corner = new Int32Array(1 << this.bits);
  }

  slot(u, v) {
    const low = Math.min(u, v), high = Math.max(u, v), last = (1 << this.bits) - 1;
    let at = (Math.imul(low, 0x9e3779b1) ^ Math.imul(high, 0x85ebca6b)) >>> (32 - this.bits);
    while (this.low[at] >= 0 && (this.low[at] !== low || this.high[at] !== high)) at = (at + 1) & last;
    return at;
  }

  tell(u, v, corner) {
    const at = this.slot(u, v);
    if (this.low[at] >= 0) return;
    [this.low[at], this.high[at], this.corner[at]] = [Math.min(u, v), Math.max(u, v), corner];
    this.rim[v] = u;
  }

  opposite(u, v) {
    const at = this.slot(u, v);
    return this.low[at] < 0 ? -1 : this.corner[at];
  }
}

// Places in mm, corners, and for every vertex where the triangles begin that it closes.
function readMesh(bytes, plan) {
  const { vertices, triangles } = plan;
  const [fans, second, third] = [plan.fans, plan.second, plan.third].map((part) => whole(bytes, part));
  const off = plan.places.map((part) => whole(bytes, part));
  const faces = new Uint32Array(3 * triangles), steps = new Int32Array(3 * vertices);
  const first = new Uint32Array(vertices + 1), sides = new Sides(3 * triangles, vertices);
  for (let a = 0, back = 0, told = 0, t = 0; a < vertices; a += 1) {
    let shares = 0, around = 0;
    const total = [0, 0, 0], near = [0, 0, 0];
    for (const end = t + fans[a]; t < end; t += 1) {
      if (!bit(bytes, plan.follows, t)) back += second[told++];
      const b = bit(bytes, plan.follows, t) ? faces[3 * t - 1] : a - back, c = sides.rim[b] + third[t];
      faces.set([a, b, c], 3 * t);
      const corner = sides.opposite(b, c);
      around += 2;
      if (corner >= 0) shares += 1;
      for (let k = 0; k < 3; k += 1) {
        const both = steps[3 * b + k] + steps[3 * c + k];
        near[k] += both;
        if (corner >= 0) total[k] += both - steps[3 * corner + k];
      }
    }
    for (let k = 0; k < 3; k += 1) {
      const expected = shares ? total[k] / shares : around ? near[k] / around : a ? steps[3 * a - 3 + k] : 0;
      steps[3 * a + k] = Math.floor(expected + 0.5) + off[k][a];
    }
    first[a + 1] = t;
    for (let f = 3 * first[a]; f < 3 * t; f += 3) {
      for (let k = 0; k < 3; k += 1) sides.tell(faces[f + k], faces[f + ((k + 1) % 3)], faces[f + ((k + 2) % 3)]);
    }
  }
  return { places: Float32Array.from(steps, (step, i) => plan.low[i % 3] + plan.step * step), faces, first };
}

// Readings in mm, NaN where not measured.
function readValues(bytes, plan, { faces, first }) {
  const count = first.length - 1, off = whole(bytes, plan.off);
  const codes = new Int32Array(count), values = new Float32Array(count).fill(NaN);
  for (let a = 0, told = 0, before = 0; a < count; a += 1) {
    if (!bit(bytes, plan.known, a)) continue;
    let number = 0, total = 0;
    for (let f = 3 * first[a]; f < 3 * first[a + 1]; f += 3) {
      for (const v of [faces[f + 1], faces[f + 2]]) {
        number += bit(bytes, plan.known, v);
        total += codes[v];
      }
    }
    before = (number ? Math.floor(total / number + 0.5) : before) + off[told++];
    codes[a] = before;
    values[a] = plan.step * before;
  }
  return values;
}

// A byte a vertex, told as what has changed from a lower neighbour.
function readCodes(bytes, start, { faces, first }) {
  const codes = bytes.slice(start, start + first.length - 1);
  for (let a = 0; a < codes.length; a += 1) {
    const before = first[a] < first[a + 1] ? faces[3 * first[a] + 1] : a - 1;
    if (before >= 0) codes[a] ^= codes[before];
  }
  return codes;
}
