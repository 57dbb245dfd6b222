// The map as it is packed beside this script: byte planes of differences, gzip, base64.

async function unpack(id) {
  const text = document.getElementById(id).textContent;
  const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

// Planes of two bytes, each value the difference from the one before it.
function differences16(bytes, start, count) {
  const values = new Uint16Array(count);
  for (let i = 0, last = 0; i < count; i += 1) {
    last = (last + bytes[start + i] + 256 * bytes[start + count + i]) & 0xffff;
    values[i] = last;
  }
  return values;
}

// Each corner as its distance below the highest number used so far; 0 names a new vertex.
function corners(bytes, start, count) {
  const found = new Uint32Array(count);
  for (let i = 0, next = 0; i < count; i += 1) {
    const back = bytes[start + i] | (bytes[start + count + i] << 8)
      | (bytes[start + 2 * count + i] << 16);
    found[i] = next - back;
    if (back === 0) next += 1;
  }
  return found;
}

function readMesh(bytes, plan) {
  const places = new Float32Array(3 * plan.vertices);
  for (let axis = 0; axis < 3; axis += 1) {
    const steps = differences16(bytes, plan.places + 2 * axis * plan.vertices, plan.vertices);
    for (let i = 0; i < plan.vertices; i += 1) {
      places[3 * i + axis] = plan.low[axis] + plan.step * steps[i];
    }
  }
  return { places, faces: corners(bytes, plan.faces, 3 * plan.triangles) };
}

// Readings in mm; the code 0 stands for «not measured» and becomes NaN.
function readValues(bytes, plan, count) {
  const steps = differences16(bytes, plan.start, count);
  const values = new Float32Array(count);
  for (let i = 0; i < count; i += 1) {
    values[i] = steps[i] === 0 ? NaN : plan.low + plan.step * (steps[i] - 1);
  }
  return values;
}
