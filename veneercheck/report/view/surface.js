// Quantities of a triangle mesh: normals, lines of equal value, plane sections, a coarse copy.

function cross(a, b) {
  return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
}
function dot(a, b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }
function sum(a, b, factor = 1) {
  return [a[0] + factor * b[0], a[1] + factor * b[1], a[2] + factor * b[2]];
}
function unit(a) {
  const length = Math.hypot(a[0], a[1], a[2]) || 1;
  return [a[0] / length, a[1] / length, a[2] / length];
}
function point(places, i) { return [places[3 * i], places[3 * i + 1], places[3 * i + 2]]; }

function vertexNormals(places, faces) {
  const normals = new Float32Array(places.length);
  for (let f = 0; f < faces.length; f += 3) {
    const a = point(places, faces[f]);
    const way = cross(sum(point(places, faces[f + 1]), a, -1), sum(point(places, faces[f + 2]), a, -1));
    for (let k = 0; k < 3; k += 1) {
      const at = 3 * faces[f + k];
      normals[at] += way[0];
      normals[at + 1] += way[1];
      normals[at + 2] += way[2];
    }
  }
  for (let i = 0; i < normals.length; i += 3) {
    const length = Math.hypot(normals[i], normals[i + 1], normals[i + 2]) || 1;
    normals[i] /= length;
    normals[i + 1] /= length;
    normals[i + 2] /= length;
  }
  return normals;
}

function smoothed(values, faces, width, rounds) {
  let now = values;
  for (let round = 0; round < rounds; round += 1) {
    const next = new Float32Array(now.length);
    const uses = new Uint16Array(now.length / width);
    for (let f = 0; f < faces.length; f += 3) {
      for (let c = 0; c < width; c += 1) {
        const mean = (now[width * faces[f] + c] + now[width * faces[f + 1] + c]
          + now[width * faces[f + 2] + c]) / 3;
        for (let k = 0; k < 3; k += 1) next[width * faces[f + k] + c] += mean;
      }
      for (let k = 0; k < 3; k += 1) uses[faces[f + k]] += 1;
    }
    for (let i = 0; i < next.length; i += 1) {
      const used = uses[(i / width) | 0];
      next[i] = used ? next[i] / used : now[i];
    }
    now = next;
  }
  return now;
}

// Segments (six numbers each) along which `value(vertex)` passes `level`; `keep(f)` chooses.
function isolines(places, faces, value, level, keep, onSegment) {
  const found = [];
  for (let f = 0; f < faces.length; f += 3) {
    if (keep && !keep(f)) continue;
    const v = [value(faces[f]), value(faces[f + 1]), value(faces[f + 2])];
    const above = (v[0] >= level) + (v[1] >= level) + (v[2] >= level);
    if (above === 0 || above === 3 || !(v[0] + v[1] + v[2] < Infinity)) continue;
    const ends = [];
    for (let k = 0; k < 3; k += 1) {
      const m = (k + 1) % 3;
      if ((v[k] >= level) === (v[m] >= level)) continue;
      const t = (level - v[k]) / (v[m] - v[k]);
      for (let c = 0; c < 3; c += 1) {
        const from = places[3 * faces[f + k] + c];
        ends.push(from + t * (places[3 * faces[f + m] + c] - from));
      }
      if (onSegment) onSegment(faces[f + k], faces[f + m], t);
    }
    for (const number of ends) found.push(number);
  }
  return new Float32Array(found);
}

// The same triangles on fewer vertices: one for each cell of a grid. For moving pictures only.
function coarse(places, faces, cellMm) {
  const first = new Map();
  const stand = new Uint32Array(places.length / 3);
  for (let i = 0; i < stand.length; i += 1) {
    const x = Math.floor(places[3 * i] / cellMm) + 2048;
    const y = Math.floor(places[3 * i + 1] / cellMm) + 2048;
    const z = Math.floor(places[3 * i + 2] / cellMm) + 2048;
    const key = (x * 4096 + y) * 4096 + z;
    let own = first.get(key);
    if (own === undefined) first.set(key, own = i);
    stand[i] = own;
  }
  const kept = [];
  for (let f = 0; f < faces.length; f += 3) {
    const a = stand[faces[f]], b = stand[faces[f + 1]], c = stand[faces[f + 2]];
    if (a !== b && b !== c && c !== a) kept.push(a, b, c);
  }
  return new Uint32Array(kept);
}
