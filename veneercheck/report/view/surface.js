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

// Plain loops over numbers from here on: a small array for each triangle would cost seconds.
function vertexNormals(places, faces) {
  const normals = new Float32Array(places.length);
  for (let f = 0; f < faces.length; f += 3) {
    const a = 3 * faces[f], b = 3 * faces[f + 1], c = 3 * faces[f + 2];
    const ux = places[b] - places[a], uy = places[b + 1] - places[a + 1], uz = places[b + 2] - places[a + 2];
    const vx = places[c] - places[a], vy = places[c + 1] - places[a + 1], vz = places[c + 2] - places[a + 2];
    const x = uy * vz - uz * vy, y = uz * vx - ux * vz, z = ux * vy - uy * vx;
    normals[a] += x; normals[a + 1] += y; normals[a + 2] += z;
    normals[b] += x; normals[b + 1] += y; normals[b + 2] += z;
    normals[c] += x; normals[c + 1] += y; normals[c + 2] += z;
  }
  for (let i = 0; i < normals.length; i += 3) {
    const x = normals[i], y = normals[i + 1], z = normals[i + 2];
    const length = Math.sqrt(x * x + y * y + z * z) || 1;
    normals[i] = x / length;
    normals[i + 1] = y / length;
    normals[i + 2] = z / length;
  }
  return normals;
}

// Each vertex becomes the mean of its triangles; `width` numbers a vertex.
function smoothed(values, faces, width, rounds) {
  const uses = new Uint16Array(values.length / width);
  for (let k = 0; k < faces.length; k += 1) uses[faces[k]] += 1;
  let now = values;
  for (let round = 0; round < rounds; round += 1) {
    const next = new Float32Array(now.length);
    for (let f = 0; f < faces.length; f += 3) {
      const i = width * faces[f], j = width * faces[f + 1], k = width * faces[f + 2];
      for (let c = 0; c < width; c += 1) {
        const mean = (now[i + c] + now[j + c] + now[k + c]) / 3;
        next[i + c] += mean;
        next[j + c] += mean;
        next[k + c] += mean;
      }
    }
    for (let i = 0, at = 0; i < uses.length; i += 1) {
      for (let c = 0; c < width; c += 1, at += 1) next[at] = uses[i] ? next[at] / uses[i] : now[at];
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
    const a = value(faces[f]), b = value(faces[f + 1]), c = value(faces[f + 2]);
    const above = (a >= level) + (b >= level) + (c >= level);
    if (above === 0 || above === 3 || !(a + b + c < Infinity)) continue;
    const v = [a, b, c];
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
  const stand = gridded(places, cellMm);
  const kept = new Uint32Array(faces.length);
  let end = 0;
  for (let f = 0; f < faces.length; f += 3) {
    const a = stand[faces[f]], b = stand[faces[f + 1]], c = stand[faces[f + 2]];
    if (a === b || b === c || c === a) continue;
    kept[end] = a;
    kept[end + 1] = b;
    kept[end + 2] = c;
    end += 3;
  }
  return kept.subarray(0, end);
}

// For each vertex the first one of its cell, found by hashing the cell's whole numbers.
function gridded(places, cellMm) {
  const count = places.length / 3;
  const size = 2 ** Math.ceil(Math.log2(2 * count + 2));
  const slots = new Int32Array(size).fill(-1), keys = new Float64Array(size);
  const stand = new Uint32Array(count);
  for (let i = 0; i < count; i += 1) {
    const x = Math.floor(places[3 * i] / cellMm) + 2048;
    const y = Math.floor(places[3 * i + 1] / cellMm) + 2048;
    const z = Math.floor(places[3 * i + 2] / cellMm) + 2048;
    const key = (x * 4096 + y) * 4096 + z;
    let at = (Math.imul(x, 73856093) ^ Math.imul(y, 19349663) ^ Math.imul(z, 83492791)) & (size - 1);
    while (slots[at] >= 0 && keys[at] !== key) at = (at + 1) & (size - 1);
    if (slots[at] < 0) { slots[at] = i; keys[at] = key; }
    stand[i] = slots[at];
  }
  return stand;
}
