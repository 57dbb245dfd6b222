// Drawing with WebGL 2: the bands with their patterns, lines of a width, and readings by pixel.

const SURFACE_VERTEX = `#version 300 es
uniform vec3 centre, rightWay, upWay, toward;
uniform vec2 half_mm;
uniform float deep_mm;
in vec3 place, normal;
in vec4 reading;
in vec2 mark;
in float amount;
out vec3 vNormal, vPlace;
out float vAmount;
// Taken within the triangle: beyond its edge a value would slip over a limit.
centroid out vec4 vReading;
flat out vec2 vMark;
void main() {
  vec3 off = place - centre;
  gl_Position = vec4(dot(off, rightWay) / half_mm.x, dot(off, upWay) / half_mm.y,
    -dot(off, toward) / deep_mm, 1.0);
  vNormal = normal; vPlace = place; vReading = reading; vMark = mark; vAmount = amount;
}`;

const SURFACE_FRAGMENT = `#version 300 es
precision highp float;
uniform vec3 light;
uniform int kind, shown;
uniform vec3 limits;
uniform float taken, uTop, grain, ambient;
uniform int steps;
uniform float edges[17];
uniform vec3 tones[16];
// To take off and to add: the colours of the steps, how many, how wide, and the least that is drawn.
uniform vec3 offTones[10], onTones[10];
uniform int amountSteps;
uniform vec2 amountStep;
in vec3 vNormal, vPlace;
centroid in vec4 vReading;
flat in vec2 vMark;
in float vAmount;
out vec4 colour;
vec3 rgb(int hex) { return vec3(hex >> 16 & 255, hex >> 8 & 255, hex & 255) / 255.0; }
float inside(float distance, float half_px) { return clamp(half_px + 0.5 - distance, 0.0, 1.0); }
float lines(vec2 at, float spacing) {
  float along = (at.x + at.y) / 1.41421356;
  return 0.85 * inside(abs(mod(along + 0.5 * spacing, spacing) - 0.5 * spacing), 1.3);
}
float dots(vec2 at, float spacing) {
  float height = spacing * 0.8660254, row = floor(at.y / height);
  float dx = mod(at.x + 0.5 * spacing * mod(row, 2.0), spacing) - 0.5 * spacing;
  return inside(length(vec2(dx, at.y - (row + 0.5) * height)), 2.3);
}
vec3 banded(float value, vec2 at) {
  bool pattern = vMark.y > 0.5;
  bool calm = pattern && vMark.y < 1.5;
  float spacing = calm ? 30.0 : 11.0;
  if (value < limits.x) {
    vec3 wine = mix(rgb(0x2c0618), rgb(0x8c2a44), clamp(value / max(limits.x, 1e-6), 0.0, 1.0));
    if (calm) wine = rgb(0xddaea4);
    return pattern ? mix(wine, vec3(1.0), lines(at, spacing)) : wine;
  }
  if (value <= limits.y) {
    int step = 0;
    for (int i = 1; i < 16; i += 1) if (i < steps && value >= edges[i]) step = i;
    return tones[step];
  }
  vec3 blue = mix(rgb(0x5a93be), rgb(0x2f6f9f),
    clamp((value - limits.y) / (limits.z - limits.y), 0.0, 1.0));
  if (calm) blue = rgb(0xa9c6da);
  return pattern ? mix(blue, rgb(0x0a213d), dots(at, spacing + 1.0)) : blue;
}
vec3 worked(float value, vec2 at) {
  float size = abs(value);
  if (size < amountStep.y) return rgb(0xf8f3e8);
  int step = min(int(size / amountStep.x), amountSteps - 1);
  vec3 tone = value > 0.0 ? offTones[step] : onTones[step];
  if (vMark.y < 0.5) return tone;
  float spacing = vMark.y > 1.5 ? 11.0 : 30.0;
  return value > 0.0 ? mix(tone, vec3(1.0), lines(at, spacing)) : mix(tone, rgb(0x0a213d), dots(at, spacing + 1.0));
}
void main() {
  vec3 base = kind == 2 ? rgb(0xc3c8cc) : rgb(0xf3f4f4);
  // The map is lit all but evenly, so that a slope is not read as a value.
  float dim = kind == 0 ? ambient : 0.68;
  float shade = dim + (1.0 - dim) * clamp(dot(normalize(vNormal), light), 0.0, 1.0);
  vec2 at = vec2(gl_FragCoord.x, -gl_FragCoord.y) / grain;
  if (kind == 0) {
    float value = shown == 0 || shown == 4 ? vReading.x : shown == 2 ? vReading.z - taken : vReading.y - taken;
    if (value < -20.0 || shown == 3 && vReading.w < 0.0) base = rgb(0xf3f4f4);
    else if (shown == 4) base = worked(vAmount, at);
    else if (shown == 3) base = mix(rgb(0xf6efe2), rgb(0x40342a), clamp(vReading.w / uTop, 0.0, 1.0));
    else base = banded(value, at);
  }
  colour = vec4(base * shade, 1.0);
}`;

const READING_FRAGMENT = `#version 300 es
precision highp float;
precision highp int;
uniform int kind;
in vec3 vPlace;
centroid in vec4 vReading;
flat in vec2 vMark;
in float vAmount;
layout(location = 0) out uvec4 first;
layout(location = 1) out uvec4 second;
void main() {
  first = uvec4(floatBitsToUint(vPlace), floatBitsToUint(vReading.y));
  second = uvec4(floatBitsToUint(vReading.z), floatBitsToUint(vReading.w),
    floatBitsToUint(vAmount), uint(vMark.x + 0.5) + 65536u * uint(kind + 1));
}`;

const LINE_VERTEX = `#version 300 es
uniform vec3 centre, rightWay, upWay, toward;
uniform vec2 half_mm, size_px;
uniform float deep_mm, width_px, front_mm;
in vec3 start, end;
void main() {
  vec2 a = vec2(dot(start - centre, rightWay), dot(start - centre, upWay)) / half_mm;
  vec2 b = vec2(dot(end - centre, rightWay), dot(end - centre, upWay)) / half_mm;
  vec2 way = (b - a) * size_px;
  vec2 along = length(way) > 1e-6 ? normalize(way) : vec2(1.0, 0.0);
  vec2 side = vec2(-along.y, along.x) * (float(gl_VertexID & 1) - 0.5) * width_px;
  bool last = gl_VertexID > 1;
  vec2 cap = along * (last ? 0.3 : -0.3) * width_px;
  vec3 at = last ? end : start;
  gl_Position = vec4((last ? b : a) + 2.0 * (side + cap) / size_px,
    -(dot(at - centre, toward) + front_mm) / deep_mm, 1.0);
}`;

const LINE_FRAGMENT = `#version 300 es
precision highp float;
uniform vec4 ink;
out vec4 colour;
void main() { colour = ink; }`;

// Engines may lose NaN between corners: a value far below every space stands for it.
const NOT_MEASURED = -1e9;
// Light from every side as a share of all: shallow enough that no shadow reads as thin, or even.
const RELIEF = 0.68, EVEN = 0.93;
const DEEP_MM = 200;
const FINER = 32;

class Painter {
  constructor(canvas) {
    // Edges are smoothed by finer pixels once the picture rests: the engine's own smoothing would
    // cost as much again in every frame that moves.
    const gl = canvas.getContext("webgl2", { antialias: false, preserveDrawingBuffer: false });
    if (!gl) throw new Error("no WebGL 2");
    this.gl = gl;
    this.canvas = canvas;
    this.surface = this.program(SURFACE_VERTEX, SURFACE_FRAGMENT);
    this.reader = this.program(SURFACE_VERTEX, READING_FRAGMENT);
    this.line = this.program(LINE_VERTEX, LINE_FRAGMENT);
    this.lineBuffers = new Map();
    this.readable = this.readingTarget();
  }

  program(vertex, fragment) {
    const { gl } = this;
    const made = gl.createProgram();
    for (const [kind, source] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, source);
      gl.compileShader(shader);
      if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader));
      gl.attachShader(made, shader);
    }
    ["place", "normal", "reading", "mark", "amount"].forEach((name, at) => gl.bindAttribLocation(made, at, name));
    gl.bindAttribLocation(made, 5, "start");
    gl.bindAttribLocation(made, 6, "end");
    gl.linkProgram(made);
    if (!gl.getProgramParameter(made, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(made));
    const at = {};
    for (let i = 0; i < gl.getProgramParameter(made, gl.ACTIVE_UNIFORMS); i += 1) {
      const { name } = gl.getActiveUniform(made, i);
      at[name] = gl.getUniformLocation(made, name);
    }
    return { made, at };
  }

  // `ranges` tells how many indices show the map, are not measured, and are bare metal.
  upload(attributes, full, moving) {
    const { gl } = this;
    const buffers = attributes.map(([values]) => {
      const buffer = gl.createBuffer();
      gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
      gl.bufferData(gl.ARRAY_BUFFER, values, gl.STATIC_DRAW);
      return buffer;
    });
    this.buffers = buffers;
    this.meshes = [full, moving].map(({ index, ranges }) => {
      const array = gl.createVertexArray();
      gl.bindVertexArray(array);
      attributes.forEach(([, width], at) => {
        gl.bindBuffer(gl.ARRAY_BUFFER, buffers[at]);
        gl.enableVertexAttribArray(at);
        gl.vertexAttribPointer(at, width, gl.FLOAT, false, 0, 0);
      });
      gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer());
      gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, index, gl.STATIC_DRAW);
      return { array, ranges };
    });
    gl.bindVertexArray(null);
  }

  // New values for one of the attributes that were uploaded.
  renew(at, values) {
    const { gl } = this;
    gl.bindBuffer(gl.ARRAY_BUFFER, this.buffers[at]);
    gl.bufferSubData(gl.ARRAY_BUFFER, 0, values);
  }

  setLines(name, segments) {
    const { gl } = this;
    let own = this.lineBuffers.get(name);
    if (!own) {
      own = { buffer: gl.createBuffer(), array: gl.createVertexArray() };
      gl.bindVertexArray(own.array);
      gl.bindBuffer(gl.ARRAY_BUFFER, own.buffer);
      [5, 6].forEach((at, k) => {
        gl.enableVertexAttribArray(at);
        gl.vertexAttribPointer(at, 3, gl.FLOAT, false, 24, 12 * k);
        gl.vertexAttribDivisor(at, 1);
      });
      gl.bindVertexArray(null);
      this.lineBuffers.set(name, own);
    }
    gl.bindBuffer(gl.ARRAY_BUFFER, own.buffer);
    gl.bufferData(gl.ARRAY_BUFFER, segments, gl.DYNAMIC_DRAW);
    own.count = segments.length / 6;
  }

  aim(program, camera) {
    const { gl, canvas } = this;
    gl.useProgram(program.made);
    gl.uniform3fv(program.at.centre, camera.centre);
    gl.uniform3fv(program.at.rightWay, camera.right);
    gl.uniform3fv(program.at.upWay, camera.up);
    gl.uniform3fv(program.at.toward, camera.toward);
    gl.uniform1f(program.at.deep_mm, DEEP_MM);
    const scale = camera.mmPerPx / 2;
    gl.uniform2f(program.at.half_mm, canvas.clientWidth * scale, canvas.clientHeight * scale);
  }

  drawSurface(program, moving) {
    const { gl } = this;
    // A scan's open back is looked through, so that the pontic's base shows from below.
    gl.enable(gl.CULL_FACE);
    const { array, ranges } = this.meshes[moving ? 1 : 0];
    gl.bindVertexArray(array);
    let start = 0;
    ranges.forEach((count, kind) => {
      gl.uniform1i(program.at.kind, kind);
      if (count) gl.drawElements(gl.TRIANGLES, count, gl.UNSIGNED_INT, 4 * start);
      start += count;
    });
    gl.disable(gl.CULL_FACE);
    gl.bindVertexArray(null);
  }

  draw(camera, look, moving) {
    const { gl, canvas } = this;
    const grain = canvas.width / Math.max(canvas.clientWidth, 1);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.clearColor(...look.background, 1);
    gl.enable(gl.DEPTH_TEST);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    const { surface } = this;
    this.aim(surface, camera);
    const light = unit(sum(sum(camera.toward.map((c) => 0.82 * c), camera.right, -0.35), camera.up, 0.45));
    gl.uniform3fv(surface.at.light, light);
    gl.uniform1i(surface.at.shown, look.shown);
    gl.uniform3fv(surface.at.limits, look.limits);
    gl.uniform1f(surface.at.taken, look.taken);
    gl.uniform1f(surface.at.uTop, look.uTop);
    gl.uniform1f(surface.at.grain, grain);
    gl.uniform1f(surface.at.ambient, look.ambient ?? RELIEF);
    const steps = look.steps || { edges: look.limits.slice(0, 2), tones: [[0.94, 0.88, 0.75]] };
    gl.uniform1i(surface.at.steps, steps.tones.length);
    gl.uniform1fv(surface.at["edges[0]"], steps.edges);
    gl.uniform3fv(surface.at["tones[0]"], steps.tones.flat());
    if (look.amounts) {
      const { off, on, step, least } = look.amounts;
      gl.uniform1i(surface.at.amountSteps, off.length);
      gl.uniform2f(surface.at.amountStep, step, least);
      gl.uniform3fv(surface.at["offTones[0]"], off.flat());
      gl.uniform3fv(surface.at["onTones[0]"], on.flat());
    }
    this.drawSurface(surface, moving);
    this.aim(this.line, camera);
    gl.uniform2f(this.line.at.size_px, canvas.width, canvas.height);
    for (const [name, { width, ink, front }] of Object.entries(look.lines)) {
      const own = this.lineBuffers.get(name);
      if (!own || !own.count) continue;
      gl.uniform1f(this.line.at.width_px, width * grain);
      gl.uniform1f(this.line.at.front_mm, front);
      gl.uniform4fv(this.line.at.ink, ink);
      gl.bindVertexArray(own.array);
      gl.drawArraysInstanced(gl.TRIANGLE_STRIP, 0, 4, own.count);
    }
    gl.bindVertexArray(null);
  }

  readingTarget() {
    const { gl } = this;
    const frame = gl.createFramebuffer();
    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    for (let k = 0; k < 2; k += 1) {
      const texture = gl.createTexture();
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.texStorage2D(gl.TEXTURE_2D, 1, gl.RGBA32UI, 1, 1);
      gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0 + k, gl.TEXTURE_2D, texture, 0);
    }
    const depth = gl.createRenderbuffer();
    gl.bindRenderbuffer(gl.RENDERBUFFER, depth);
    gl.renderbufferStorage(gl.RENDERBUFFER, gl.DEPTH_COMPONENT24, 1, 1);
    gl.framebufferRenderbuffer(gl.FRAMEBUFFER, gl.DEPTH_ATTACHMENT, gl.RENDERBUFFER, depth);
    gl.drawBuffers([gl.COLOR_ATTACHMENT0, gl.COLOR_ATTACHMENT1]);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    return frame;
  }

  // What lies under a place of the picture (CSS pixels): kind 0 map, 1 not measured, 2 metal.
  read(camera, x, y) {
    const { gl, canvas } = this;
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.readable);
    gl.viewport(0, 0, 1, 1);
    gl.enable(gl.DEPTH_TEST);
    gl.clear(gl.DEPTH_BUFFER_BIT);
    const none = new Uint32Array(4);
    gl.clearBufferuiv(gl.COLOR, 0, none);
    gl.clearBufferuiv(gl.COLOR, 1, none);
    // The one pixel shows a tiny square about the place: engines round corners to a fraction of
    // a pixel, and the smaller the pixel the smaller that rounding.
    const near = camera.copy();
    near.shift(canvas.clientWidth / 2 - x, canvas.clientHeight / 2 - y);
    this.aim(this.reader, near);
    const half = camera.mmPerPx / (2 * FINER);
    gl.uniform2f(this.reader.at.half_mm, half, half);
    this.drawSurface(this.reader, false);
    const bits = [new Uint32Array(4), new Uint32Array(4)];
    bits.forEach((into, k) => {
      gl.readBuffer(gl.COLOR_ATTACHMENT0 + k);
      gl.readPixels(0, 0, 1, 1, gl.RGBA_INTEGER, gl.UNSIGNED_INT, into);
    });
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    const kind = bits[1][3] >>> 16, mark = bits[1][3] & 0xffff;
    if (kind === 0) return null;
    const first = new Float32Array(bits[0].buffer), second = new Float32Array(bits[1].buffer);
    return {
      at: [first[0], first[1], first[2]],
      space: first[3],
      nearest: second[0],
      u: second[1],
      amount: second[2],
      kind: kind - 1,
      zone: mark % 256,
      place: mark >>> 8,
    };
  }
}
