// The view that turns: wires camera, painter, section and readings to pointer, finger and keys.

const FLIGHT_MS = 450;
const COARSE_MM = 0.45;
const REST_MS = 160;
const FINE_MS = 350;
const MOVING_SHARE = 0.5;
const FINEST = 2;
const COVERAGE = 2;
const READABLE = -20;
const LIKE_APART_MM = 3, SPECK_MM = 0.7;
const BYTE = 256;
const NUMBER = 40, HIGH = 30; // px: a wider sign is a name; a sign's height
const ALONG = 0.7, SAME_VIEW = 0.999;
// A zone's centre is a mean, and may lie so far under the surface.
const LIFTED_MM = 0.6;

class View {
  constructor(root, plan, words, data) {
    this.root = root;
    this.plan = plan;
    this.words = words;
    this.words.number = (value, digits) => value.toFixed(digits).replace("-", "−").replace(".", words.decimal);
    this.framework = readMesh(data, plan.framework);
    this.contour = plan.contour && readMesh(data, plan.contour);
    this.die = plan.die && readMesh(data, plan.die);
    this.node = (name) => root.querySelector(`[data-part="${name}"]`);
    this.canvas = this.node("canvas");
    this.painter = new Painter(this.canvas);
    this.reading = 0;
    this.points = [];
    this.figures = {};
    this.prepare(data);
    this.labels();
    this.camera = this.standard("occlusal");
    this.section = new SectionDrawing(this.node("section"), words);
    this.wire();
    this.size();
    this.setReading(0);
    this.cutAt();
  }

  prepare(data) {
    const { plan, framework } = this;
    const count = plan.framework.vertices;
    const nowhere = new Float32Array(count).fill(NaN);
    const [space, beside, alone, u, metal, given] = ["space", "beside", "nearest", "u", "metal", "amount"].map(
      (name) => (plan.values[name] ? readValues(data, plan.values[name], framework) : nowhere));
    const nearest = alone.map((value, i) => (beside[i] === beside[i] ? space[i] + beside[i] : value));
    const [region, finding, zone, place, part] = plan.codes.map((start) => readCodes(data, start, framework));
    const meant = new Float32Array(count), layer = new Float32Array(count), shown = new Float32Array(count);
    const reading = new Float32Array(4 * count), mark = new Float32Array(2 * count);
    for (let i = 0; i < count; i += 1) {
      layer[i] = space[i] - plan.taken;
      meant[i] = region[i] === 2 || region[i] === 3 || finding[i] === 3 ? 1 : 0;
      const readable = layer[i] === layer[i] ? layer[i] : nearest[i] - plan.taken;
      shown[i] = shownLayer(readable, finding[i], plan);
      reading[4 * i + 1] = orNothing(space[i]);
      reading[4 * i + 2] = orNothing(nearest[i]);
      reading[4 * i + 3] = orNothing(u[i]);
      mark[2 * i] = zone[i] + BYTE * place[i];
      mark[2 * i + 1] = zone[i] ? plan.listed[zone[i]] : 0;
    }
    calm(shown, finding, meant, framework.faces);
    evenBorders(shown, finding, meant, framework.faces, plan.limits);
    for (let i = 0; i < count; i += 1) reading[4 * i] = orNothing(shown[i]);
    const amount = Float32Array.from(averaged(Float32Array.from(given, (one) => one || 0), framework.faces));
    const normals = vertexNormals(framework.places, framework.faces);
    const known = (i) => meant[i] && shown[i] === shown[i];
    // Triangles with a map come first, then those not measured, then the bare metal.
    const sort = (faces) => {
      const kinds = new Uint8Array(faces.length / 3), ranges = [0, 0, 0];
      for (let f = 0; f < kinds.length; f += 1) {
        const a = faces[3 * f], b = faces[3 * f + 1], c = faces[3 * f + 2];
        kinds[f] = known(a) && known(b) && known(c) ? 0 : meant[a] && meant[b] && meant[c] ? 1 : 2;
        ranges[kinds[f]] += 3;
      }
      const index = new Uint32Array(faces.length), next = [0, ranges[0], ranges[0] + ranges[1]];
      for (let f = 0; f < kinds.length; f += 1) {
        const at = next[kinds[f]];
        for (let k = 0; k < 3; k += 1) index[at + k] = faces[3 * f + k];
        next[kinds[f]] += 3;
      }
      return { index, ranges };
    };
    this.full = sort(framework.faces);
    this.painter.upload([[framework.places, 3], [normals, 3], [reading, 4], [mark, 2], [amount, 1]], this.full,
      sort(coarse(framework.places, framework.faces, COARSE_MM)));
    const every = (values, width, k) => {
      const one = new Float32Array(count);
      for (let i = 0; i < count; i += 1) one[i] = values[width * i + k];
      return one;
    };
    const where = (test) => Float32Array.from(region, (_, i) => (test(i) ? 1 : 0));
    const [nx, ny, nz] = [0, 1, 2].map((k) => every(normals, 3, k));
    // What a section tells: bare metal is not dimensioned, but what stands out of the contour is.
    this.along = {
      space, layer, nearest, metal, meant, shown, amount, nx, ny, nz,
      told: where((i) => region[i] === 2 || finding[i] === 3),
      fitting: where((i) => part[i] === 1), model: where((i) => part[i] === 2),
    };
    const mapped = { places: framework.places, faces: this.full.index.subarray(0, this.full.ranges[0]) };
    const smooth = smoothed(meant, framework.faces, 1, 2);
    this.painter.setLines("limits", joined(plan.limits.map(
      (limit) => isolines(mapped.places, mapped.faces, (i) => shown[i], limit))));
    this.levels(mapped, (i) => shown[i], plan.steps.edges.slice(1, -1), normals, "steps", 2);
    if (plan.amounts) {
      const { levels, least } = plan.amounts;
      this.levels(mapped, (i) => amount[i], levels, normals, "amountSteps", 1);
      this.painter.setLines("amounts", joined([least, -least].map((edge) => isolines(mapped.places, mapped.faces, (i) => amount[i], edge))));
    }
    if (plan.beads) this.painter.setLines("beads", rings(plan.beads));
    this.painter.setLines("finish", isolines(framework.places, framework.faces, (i) => smooth[i], 0.5));
    const end = this.full.ranges[0] + this.full.ranges[1];
    this.painter.setLines("unmeasured", border(this.full.index.subarray(this.full.ranges[0], end), framework.places));
    if (this.contour) {
      const raw = vertexNormals(this.contour.places, this.contour.faces);
      this.contourNormals = smoothed(raw, this.contour.faces, 3, 3);
    }
  }

  // Thin lines between the steps, and places on them for their figures, well apart on the surface.
  levels(mapped, value, levels, normals, name, digits) {
    const lines = [], figures = [];
    for (const level of levels) {
      const ends = [];
      const found = isolines(mapped.places, mapped.faces, value, level, null, (a) => ends.push(a));
      lines.push(found);
      const like = [];
      for (let i = 0; i < found.length; i += 6) {
        const at = [0, 1, 2].map((k) => (found[i + k] + found[i + 3 + k]) / 2);
        if (like.some((other) => away3(at, other) < LIKE_APART_MM) || speck(found, at)) continue;
        like.push(at);
        figures.push({ at, normal: point(normals, ends[i / 3]), text: this.words.number(Math.abs(level), digits) });
      }
    }
    this.painter.setLines(name, joined(lines));
    this.figures[name] = figures.map((one) => {
      const figure = document.createElement("span");
      figure.className = "figure";
      figure.textContent = one.text;
      figure.hidden = true;
      this.node("labels").prepend(figure);
      return { ...one, figure };
    });
  }

  standard(name) {
    const [toward, up] = this.plan.views[name];
    const { low, high } = this.plan;
    const middle = [0, 1, 2].map((k) => (low[k] + high[k]) / 2);
    const reach = [0, 1, 2].map((k) => (high[k] - low[k]) / 2 + 1.5);
    const camera = new Camera(middle, toward, up, 1);
    const half = (way) => Math.abs(way[0]) * reach[0] + Math.abs(way[1]) * reach[1] + Math.abs(way[2]) * reach[2];
    const { clientWidth, clientHeight } = this.canvas;
    camera.mmPerPx = 2 * Math.max(half(camera.right) / clientWidth, half(camera.up) / clientHeight);
    return camera;
  }

  fly(target) {
    const from = this.camera.copy(), start = performance.now();
    const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
    const step = (now) => {
      const share = still ? 1 : Math.min((now - start) / FLIGHT_MS, 1);
      this.camera.between(from, target, share * share * (3 - 2 * share));
      if (share === 1) Object.assign(this.camera, target.copy());
      this.other?.follow(this);
      if (share === 1) { this.settle(); return; }
      this.ask(true);
      requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }

  // Turn to a zone, cut through it and tell its measures.
  flyToZone(id) {
    const zone = this.select(id);
    if (!zone) return;
    this.chooseAxis(this.axisFor(zone.normal));
    const [occlusal, buccal] = this.plan.views.occlusal;
    const level = Math.abs(dot(zone.normal, occlusal)) > 0.9;
    const target = new Camera(zone.centre, zone.normal, level ? buccal : occlusal, 1);
    target.mmPerPx = zone.field / Math.min(this.canvas.clientWidth, this.canvas.clientHeight);
    this.fly(target);
    this.say(zone.words);
    this.cutThrough(zone.centre);
  }

  // Mark a zone in the list and tell its measures; nothing is marked without one.
  select(id) {
    const zone = this.plan.zones.find((one) => one.id === id);
    this.chosen = zone ? id : null;
    this.root.querySelectorAll("a[data-zone]").forEach((link) => {
      const own = Number(link.dataset.zone) === this.chosen;
      if (own) link.setAttribute("aria-current", "true"); else link.removeAttribute("aria-current");
      const row = link.closest("tr");
      row?.classList.toggle("chosen", own);
      const box = row?.closest(".zones");
      if (own && box && box.scrollHeight > box.clientHeight) {
        const off = row.getBoundingClientRect().top - box.getBoundingClientRect().top;
        box.scrollTop += off - Math.max(0, Math.min(16, box.clientHeight - row.clientHeight));
      }
    });
    for (const one of this.plan.zones) one.sign.classList.toggle("chosen", one.id === this.chosen);
    // The page that this one stands in marks it, too.
    if (parent !== window && document.documentElement.classList.contains("inside")) parent.postMessage({ zone: this.chosen }, location.origin);
    this.node("measures").textContent = zone ? `${zone.id} · ${zone.measures}` : "";
    return zone;
  }

  // The section across the bridge shows a place whole unless that faces along it.
  axisFor(normal) {
    const { mesial, buccal } = this.plan.axes;
    return Math.abs(dot(normal, mesial.way)) > ALONG && Math.abs(dot(normal, buccal.way)) <= ALONG ? "buccal" : "mesial";
  }

  labels() {
    const layer = this.node("labels");
    this.signs = [...this.plan.zones, ...this.plan.questions, ...this.plan.spots];
    // Under all signs, so that none is crossed.
    for (const spot of this.plan.spots) {
      spot.leader = document.createElement("span");
      spot.leader.className = "leader";
      layer.append(spot.leader);
    }
    for (const zone of this.signs) {
      const sign = document.createElement("span");
      sign.className = zone.firm ? "sign firm" : "sign";
      sign.classList.toggle("named", this.plan.spots.includes(zone));
      sign.textContent = zone.id;
      layer.append(sign);
      zone.sign = sign;
    }
  }

  // Draw once in the next frame; `moving` takes the coarse copy of the mesh.
  ask(moving) {
    this.moving = moving;
    if (moving) {
      this.fine = false;
      this.before = null;
    }
    if (this.asked) return;
    this.asked = requestAnimationFrame(() => { this.asked = 0; this.draw(); });
  }

  settle() {
    clearTimeout(this.rest);
    this.before = null;
    this.outline();
    this.ask(false);
    this.rest = setTimeout(() => { this.fine = true; this.ask(false); }, FINE_MS);
  }

  rested() {
    this.ask(true);
    clearTimeout(this.rest);
    this.rest = setTimeout(() => this.settle(), REST_MS);
    this.other?.follow(this);
  }

  // Two views of one frame look from the same place and cut in the same plane.
  follow({ camera }) {
    Object.assign(this.camera, camera.copy());
    this.ask(true);
    clearTimeout(this.rest);
    this.rest = setTimeout(() => this.settle(), REST_MS);
  }

  cutAlike({ node }) {
    this.chooseAxis(node("axis").value);
    this.node("slider").value = node("slider").value;
    this.cutAt();
  }

  outline() {
    if (!this.contour) return;
    const { toward } = this.camera, normals = this.contourNormals;
    const facing = (i) => normals[3 * i] * toward[0] + normals[3 * i + 1] * toward[1] + normals[3 * i + 2] * toward[2];
    const rim = isolines(this.contour.places, this.contour.faces, facing, 0);
    this.painter.setLines("contour", inFront(rim, this.contour.places, this.camera));
  }

  draw() {
    this.fit();
    const dark = document.body.classList.contains("dark");
    const ink = [0.1, 0.1, 0.1, 1], own = this.reading;
    const lines = this.moving ? {} : {
      finish: { width: 2.6, ink, front: 0.08 },
      unmeasured: { width: 1.2, ink, front: 0.08 },
      beads: { width: 1.4, ink, front: 0.12 },
      cut: { width: 2.2, ink: [0.55, 0.16, 0.27, 1], front: 0.1 },
    };
    lines.distance = { width: 2.4, ink, front: 100 };
    if (own === 0) {
      lines.limits = { width: 1.8, ink, front: 0.06 };
      lines.steps = { width: 1, ink, front: 0.05 };
    }
    if (own === 4) {
      lines.amounts = { width: 1.8, ink, front: 0.06 };
      lines.amountSteps = { width: 1, ink, front: 0.05 };
    }
    if (this.contour && this.showContour && !this.moving) {
      lines.contour = { width: 1.3, ink: dark ? [0.85, 0.82, 0.76, 1] : [0.35, 0.33, 0.3, 1], front: 100 };
    }
    const { plan } = this;
    this.painter.draw(this.camera, {
      background: dark ? [0.078, 0.067, 0.059] : [1, 1, 1],
      shown: own,
      limits: [...plan.limits, plan.top],
      taken: plan.taken,
      uTop: plan.uTop,
      steps: plan.steps,
      amounts: plan.amounts,
      ambient: this.relief ? RELIEF : EVEN,
      lines,
    }, this.moving);
    this.place();
    this.drawn?.(this.canvas);
  }

  place() {
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (!this.moving && !this.before) this.before = before(this.framework.places, this.camera);
    const stood = [];
    for (const zone of this.signs) {
      const [x, y] = this.camera.project(zone.centre, width, height);
      // A number never shows through what stands before its place, as a sprue may.
      const seen = dot(zone.normal, this.camera.toward) > 0.15 && x > 0 && y > 0 && x < width && y < height
        && (this.moving || this.before(sum(zone.centre, zone.normal, LIFTED_MM), 0));
      zone.sign.hidden = !seen;
      if (seen) zone.wide ||= zone.sign.offsetWidth;
      const left = this.leftOf(zone, x, width);
      let top = y - 40;
      if (seen && zone.wide > NUMBER) {
        // A name stands over what would lie under it.
        while (stood.some((one) => Math.abs(one.top - top) < 32 && one.left < left + zone.wide && left < one.left + one.wide)) top -= 34;
      }
      Object.assign(zone, { left, top });
      if (seen) stood.push(zone);
      zone.sign.style.transform = `translate(${left}px, ${top}px)`;
      if (!zone.leader) continue;
      // From the place, marked by a dot, to the nearest point of the name's lower edge.
      zone.foot = left + Math.max(8, Math.min(x - left, zone.wide - 8));
      const [aside, up] = [zone.foot - x, top + HIGH - y];
      zone.leader.hidden = !seen;
      zone.leader.style.width = `${Math.hypot(aside, up)}px`;
      zone.leader.style.transform = `translate(${x}px, ${y}px) rotate(${Math.atan2(up, aside)}rad)`;
    }
    this.placeFigures(width, height);
    const scale = [0.2, 0.5, 1, 2, 5, 10, 20].filter((mm) => mm / this.camera.mmPerPx < 150).pop() || 0.2;
    this.node("scale").style.width = `${scale / this.camera.mmPerPx}px`;
    this.node("scale-words").textContent = `${String(scale).replace(".", this.words.decimal)} mm`;
  }

  // Where a sign begins: beside its place; a name stays within the view.
  leftOf({ wide }, x, width) {
    return wide > NUMBER ? Math.max(2, Math.min(x + 14, width - wide - 2)) : x + 14;
  }

  // The figures of the lines that are seen, none over another or over a number; none while moving.
  placeFigures(width, height) {
    const shown = this.moving ? "" : { 0: "steps", 4: "amountSteps" }[this.reading];
    const taken = this.signs.filter((zone) => !zone.sign.hidden)
      .map(({ left, top, wide }) => [left + wide / 2, top + 15, Math.max(wide - NUMBER, 0) / 2]);
    const kept = new Map();
    for (const [name, figures] of Object.entries(this.figures)) {
      for (const one of figures) {
        let seen = name === shown && dot(one.normal, this.camera.toward) > 0.35;
        if (seen) {
          const [x, y] = this.camera.project(one.at, width, height);
          const like = kept.get(one.text) || [];
          seen = x > 24 && y > 14 && x < width - 24 && y < height - 14
            && taken.every(([a, b, wide = 0]) => Math.abs(a - x) > 46 + wide || Math.abs(b - y) > 24)
            && like.every(([a, b]) => Math.hypot(a - x, b - y) > 170)
            && this.before(one.at, 0);
          if (seen) {
            taken.push([x, y]);
            kept.set(one.text, [...like, [x, y]]);
            one.figure.style.transform = `translate(${x}px, ${y}px) translate(-50%, -50%)`;
          }
        }
        one.figure.hidden = !seen;
      }
    }
  }

  size() {
    this.settle();
  }

  // Fewer pixels while the picture moves: without a graphics card every pixel is paid for.
  fit() {
    const own = Math.min(devicePixelRatio || 1, FINEST);
    const grain = this.moving ? own * MOVING_SHARE : this.fine ? FINEST : own;
    const width = Math.max(1, Math.round(this.canvas.clientWidth * grain));
    const height = Math.max(1, Math.round(this.canvas.clientHeight * grain));
    if (this.canvas.width !== width) this.canvas.width = width;
    if (this.canvas.height !== height) this.canvas.height = height;
  }

  setReading(index) {
    this.reading = index;
    this.root.querySelectorAll("[data-reading]").forEach((button) => {
      button.setAttribute("aria-pressed", String(Number(button.dataset.reading) === index));
    });
    this.legend();
    this.ask(false);
  }

  legend() {
    const { words, plan } = this;
    const more = this.reading === 1 || this.reading === 2 ? plan.taken : 0;
    const ends = [0, plan.limits[0], plan.limits[1], plan.top].map((mm) => mm + more);
    const own = this.reading, { amounts } = plan;
    this.node("scale-u").hidden = own !== 3;
    this.node("scale-bands").hidden = own > 2;
    if (amounts) this.node("scale-amount").hidden = own !== 4;
    this.root.querySelectorAll("[data-of]").forEach((one) => { one.hidden = (one.dataset.of === "4") !== (own === 4); });
    const box = this.node("ticks");
    if (own === 4) this.ticks(box, [-amounts.end, 0, ...amounts.levels, amounts.end], -amounts.end, amounts.end, 1);
    else this.ticks(box, own === 3 ? [] : plan.steps.edges.map((mm) => mm + more), more, plan.top + more, 2);
    this.node("legend-words").textContent = own === 4
      ? `${words.work_add} ← ${words.work_nothing} → ${words.work_take_off}, mm`
      : own === 3 ? `${words.legend_u} 0 – ${words.number(plan.uTop, 2)} mm`
        : `${words.readings[own]}: ${words.thin} < ${words.number(ends[1], 2)} mm ≤ ${words.enough} ≤ ${words.number(ends[2], 2)} mm < ${words.thick}`;
  }

  // Figures under the legend's bar, from `low` to `high`; those that would touch another are left out.
  ticks(box, values, low, high, digits) {
    box.replaceChildren();
    const kept = [], place = (value) => (100 * (value - low)) / (high - low);
    for (const value of new Set(values.length ? [values[0], values[values.length - 1], ...values] : [])) {
      if (kept.every((other) => Math.abs(place(value) - place(other)) >= 9.5)) kept.push(value);
    }
    for (const value of kept.sort((a, b) => a - b)) {
      const tick = document.createElement("span");
      tick.textContent = this.words.number(Math.abs(value), digits);
      tick.style.left = `${place(value)}%`;
      box.append(tick);
    }
  }

  say(text) { this.node("reading").textContent = text; }

  // Words for what lies under a place of the picture.
  describe(found) {
    const { words, plan } = this;
    if (!found) return words.nothing;
    const where = plan.places[found.place] ? `${plan.places[found.place]} · ` : "";
    if (found.kind === 2) return where + words.metal;
    if (found.kind === 1) return where + words.unmeasured;
    const n = (value) => words.number(value, 2);
    const parts = found.space > READABLE ? [
      `${words.readings[0]} ${n(found.space - plan.taken)} ± ${n(COVERAGE * found.u)} mm`,
      `${words.readings[1]} ${n(found.space)} mm`,
    ] : [words.no_ray];
    if (found.nearest > READABLE) parts.push(`${words.readings[2]} ${n(found.nearest)} mm`);
    if (plan.amounts && Math.abs(found.amount) >= plan.amounts.least) {
      parts.unshift(`${found.amount > 0 ? words.work_take_off : words.work_add} ${words.number(Math.abs(found.amount), 1)} mm`);
    }
    const zone = plan.zones.find((one) => one.id === found.zone);
    parts.push(zone ? zone.words : words.no_zone);
    return where + parts.join(" · ");
  }

  readAt(x, y) {
    const found = this.painter.read(this.camera, x, y);
    this.say(this.describe(found));
    return found;
  }

  tap(x, y) {
    if (this.measuring) this.measure(x, y);
    else {
      const found = this.readAt(x, y);
      this.select(found ? found.zone : 0);
      if (found) this.cutThrough(found.at);
    }
  }

  hover(here) {
    this.pointed = here;
    if (this.waiting || this.measuring) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = 0;
      if (!this.moving) this.readAt(...this.pointed);
    });
  }

  measure(x, y) {
    const found = this.painter.read(this.camera, x, y);
    if (!found) return;
    if (this.points.length === 2) this.points = [];
    this.points.push(found.at);
    const [a, b] = this.points;
    this.painter.setLines("distance", Float32Array.from([...a, ...(b || a)]));
    const far = b ? Math.hypot(...sum(a, b, -1)) : 0;
    this.say(b ? `${this.words.distance} ${this.words.number(far, 2)} mm` : this.words.second_point);
    this.ask(false);
  }

  axis() { return this.plan.axes[this.node("axis").value]; }

  cutThrough(place) {
    const slider = this.node("slider");
    const { way } = this.axis();
    slider.value = dot(place, way);
    this.cutAt();
    this.other?.cutAlike(this);
  }

  chooseAxis(name) {
    if (name) this.node("axis").value = name;
    const { low, high, way } = this.axis();
    const slider = this.node("slider"), worst = this.plan.zones[0];
    Object.assign(slider, { min: low, max: high, step: 0.05 });
    slider.value = worst ? dot(worst.centre, way) : (low + high) / 2;
    this.cutAt();
  }

  cutAt() {
    const axis = this.axis(), { way } = axis;
    const at = Number(this.node("slider").value);
    const offset = (places) => (i) => places[3 * i] * way[0] + places[3 * i + 1] * way[1] + places[3 * i + 2] * way[2] - at;
    const framework = cut(this.framework, offset, this.along);
    this.section.draw(framework, cut(this.contour, offset), cut(this.die, offset), axis, this.plan);
    this.painter.setLines("cut", framework.segments);
    this.ask(this.moving);
  }

  wire() {
    this.showContour = true;
    const on = (name, kind, act) => this.node(name).addEventListener(kind, act);
    this.root.querySelectorAll("[data-reading]").forEach((button) => {
      button.addEventListener("click", () => this.setReading(Number(button.dataset.reading)));
    });
    this.root.querySelectorAll("[data-view]").forEach((button) => {
      button.addEventListener("click", () => this.fly(this.standard(button.dataset.view)));
    });
    this.root.querySelectorAll("a[data-zone]").forEach((row) => {
      row.addEventListener("click", (event) => {
        event.preventDefault();
        this.canvas.scrollIntoView({ block: "nearest" });
        this.flyToZone(Number(row.dataset.zone));
      });
    });
    const asked = () => {
      if (location.hash.startsWith("#place-")) this.flyToZone(Number(location.hash.replace("#place-", "")));
    };
    addEventListener("hashchange", asked);
    requestAnimationFrame(asked);
    const toggle = (name, act) => on(name, "click", () => {
      const now = this.node(name).getAttribute("aria-pressed") !== "true";
      this.node(name).setAttribute("aria-pressed", String(now));
      act(now);
      this.ask(false);
    });
    toggle("contour", (now) => { this.showContour = now; });
    toggle("relief", (now) => { this.relief = now; });
    toggle("dark", (now) => { document.body.classList.toggle("dark", now); });
    toggle("distance", (now) => {
      this.measuring = now;
      this.points = [];
      this.painter.setLines("distance", new Float32Array(0));
      this.say(now ? this.words.first_point : this.words.hint);
    });
    on("shot", "click", () => this.screenshot());
    on("axis", "change", () => { this.chooseAxis(); this.other?.cutAlike(this); });
    on("slider", "input", () => { this.cutAt(); this.other?.cutAlike(this); });
    this.chooseAxis();
    new Pointer(this);
    this.canvas.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.size()).observe(this.canvas);
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const names = Object.keys(this.plan.views);
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const { key } = event;
    const middle = [this.canvas.clientWidth / 2, this.canvas.clientHeight / 2];
    if (arrows[key]) {
      const [x, y] = arrows[key];
      if (event.shiftKey) this.camera.shift(-40 * x, -40 * y); else this.camera.turn(-0.12 * x, -0.12 * y);
      this.rested();
    } else if (key === "+" || key === "=" || key === "-") {
      this.camera.mmPerPx *= key === "-" ? 1.15 : 1 / 1.15;
      this.rested();
    } else if (names[Number(key) - 1]) this.fly(this.standard(names[Number(key) - 1]));
    else if (key === "r") this.setReading((this.reading + 1) % (this.plan.amounts ? 5 : 4));
    else if (key === "c") this.node("contour").click();
    else if (key === "l") this.node("relief").click();
    else if (key === "d") this.node("dark").click();
    else if (key === "m") this.node("distance").click();
    else if (key === "s") this.screenshot();
    else if (key === "n") this.next();
    else if (key === "Enter" || key === " ") {
      this.tap(...middle);
    } else return;
    event.preventDefault();
  }

  next() {
    const { zones } = this.plan;
    if (!zones.length) return;
    this.turnOf = ((this.turnOf ?? -1) + 1) % zones.length;
    this.flyToZone(zones[this.turnOf].id);
  }

  // The picture as it stands, with the words that make it stand alone.
  screenshot() {
    this.moving = false;
    this.draw();
    const { width, height } = this.canvas;
    const sheet = document.createElement("canvas");
    const grain = width / this.canvas.clientWidth;
    const line = 26 * grain;
    Object.assign(sheet, { width, height: height + 6 * line });
    const pen = sheet.getContext("2d");
    pen.fillStyle = "#ffffff";
    pen.fillRect(0, 0, sheet.width, sheet.height);
    pen.drawImage(this.canvas, 0, line * 1.4);
    pen.fillStyle = "#1a1a1a";
    pen.font = `600 ${16 * grain}px system-ui, sans-serif`;
    pen.fillText(`${this.plan.title} · ${this.viewName()[1]}`, 10 * grain, line);
    pen.font = `${14 * grain}px system-ui, sans-serif`;
    const bottom = height + line * 1.4;
    this.scaleBar(pen, 10 * grain, bottom + 0.3 * line, grain);
    const told = [this.node("legend-words").textContent, ...this.plan.footing];
    told.forEach((one, i) => pen.fillText(one, 10 * grain, bottom + (2.1 + i) * line, width - 20 * grain));
    const bar = this.node("scale").getBoundingClientRect().width * grain;
    pen.fillRect(width - bar - 10 * grain, bottom + 0.4 * line, bar, 3 * grain);
    pen.textAlign = "right";
    pen.fillText(this.node("scale-words").textContent, width - 10 * grain, bottom + 1.2 * line);
    this.numbers(pen, grain, line * 1.4);
    const link = document.createElement("a");
    link.download = [this.plan.file[0], this.viewName()[0], `${this.plan.file[1]}.png`].join("-");
    link.href = sheet.toDataURL("image/png");
    link.click();
  }

  // What the picture shows: the standard view that it is taken from, or the chosen zone; for a file, for words.
  viewName() {
    const { views, names, zones } = this.plan;
    const name = Object.keys(views).find((one) => dot(views[one][0], this.camera.toward) > SAME_VIEW);
    const zone = zones.find((one) => one.id === this.chosen);
    if (zone && dot(zone.normal, this.camera.toward) > SAME_VIEW) return [`zone-${zone.id}`, zone.words.split(" · ")[0]];
    return name ? [name, names[name]] : ["view", this.words.free_view];
  }

  // The legend's own bar.
  scaleBar(pen, x, y, grain) {
    const bar = this.node("scale-bands"), wide = bar.naturalWidth * grain, high = bar.naturalHeight * grain;
    if (this.reading === 3) {
      const fade = pen.createLinearGradient(x, 0, x + wide, 0);
      fade.addColorStop(0, "#f6efe2");
      fade.addColorStop(1, "#40342a");
      pen.fillStyle = fade;
      pen.fillRect(x, y, wide, high);
      pen.fillStyle = "#1a1a1a";
    } else pen.drawImage(bar, x, y, wide, high);
    pen.strokeRect(x, y, wide, high);
  }

  numbers(pen, grain, top) {
    pen.textAlign = "center";
    const seen = this.signs.filter((one) => !one.sign.hidden);
    pen.fillStyle = pen.strokeStyle = "#1a1a1a";
    pen.lineWidth = 2 * grain;
    for (const zone of seen.filter((one) => one.leader)) {
      const [x, y] = this.camera.project(zone.centre, this.canvas.clientWidth, this.canvas.clientHeight);
      pen.beginPath();
      pen.moveTo(zone.foot * grain, (zone.top + HIGH) * grain + top);
      pen.lineTo(x * grain, y * grain + top);
      pen.stroke();
      pen.beginPath();
      pen.arc(x * grain, y * grain + top, 4 * grain, 0, 7);
      pen.fill();
    }
    pen.lineWidth = 1;
    for (const zone of seen) {
      const half = zone.wide / 2, at = [(zone.left + half) * grain, (zone.top + 15) * grain + top];
      pen.beginPath();
      pen.font = `600 ${(zone.leader ? 13 : 16) * grain}px system-ui, sans-serif`;
      if (zone.leader) pen.rect(at[0] - half * grain, at[1] - 15 * grain, 2 * half * grain, HIGH * grain);
      else pen.arc(...at, 15 * grain, 0, 7);
      pen.fillStyle = zone.firm ? "#1a1a1a" : "#ffffff";
      pen.fill();
      pen.strokeStyle = "#1a1a1a";
      pen.stroke();
      pen.fillStyle = zone.firm ? "#ffffff" : "#1a1a1a";
      pen.fillText(zone.id, at[0], at[1] + 6 * grain);
    }
  }
}

// Whether a line is so short that its figure would cover it: nothing of it lies farther off.
function speck(line, at) {
  for (let i = 0; i < line.length; i += 3) {
    const far = Math.hypot(line[i] - at[0], line[i + 1] - at[1], line[i + 2] - at[2]);
    if (far > SPECK_MM && far < 2 * SPECK_MM) return false;
  }
  return true;
}

function away3(a, b) { return Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]); }

// A ring on the surface for each retention bead.
function rings({ feet, radius }) {
  const found = [], steps = 14;
  for (const [x, y, z, ...normal] of feet) {
    const aside = unit(Math.abs(normal[0]) < 0.8 ? cross(normal, [1, 0, 0]) : cross(normal, [0, 1, 0]));
    const above = cross(normal, aside);
    const at = (k) => {
      const turn = (2 * Math.PI * k) / steps, [c, s] = [radius * Math.cos(turn), radius * Math.sin(turn)];
      return [0, 1, 2].map((i) => [x, y, z][i] + c * aside[i] + s * above[i]);
    };
    for (let k = 0; k < steps; k += 1) found.push(...at(k), ...at(k + 1));
  }
  return Float32Array.from(found);
}

function joined(lines) {
  const whole = new Float32Array(lines.reduce((total, one) => total + one.length, 0));
  let at = 0;
  for (const one of lines) { whole.set(one, at); at += one.length; }
  return whole;
}

function orNothing(value) { return value === value ? value : NOT_MEASURED; }

// The side of the limits that the judgement took: the same rule as in the stills.
function shownLayer(layer, finding, plan) {
  const aside = 1e-3, [least, greatest] = plan.limits;
  if (finding === 1 || finding === 3) return Math.min(layer, least - aside);
  if (finding === 2) return Math.max(layer, greatest + aside);
  return Math.max(Math.min(layer, greatest - aside), least + aside);
}

// Where nothing was found, even the noise that would fray every line: the same rule as in the stills.
function calm(shown, finding, meant, faces) {
  const plain = Float32Array.from(shown, (one, i) => (meant[i] && finding[i] === 0 && one === one ? 1 : 0));
  const share = averaged(plain, faces);
  const mean = averaged(Float64Array.from(shown, (one, i) => (plain[i] ? one : 0)), faces);
  for (let i = 0; i < shown.length; i += 1) if (plain[i]) shown[i] = mean[i] / Math.max(share[i], 1e-3);
}

// Let a limit pass within the triangles, not along their edges: the same rule as in the stills.
function evenBorders(shown, finding, meant, faces, limits) {
  const aside = 1e-3, border = 0.2, all = 1 - 1e-6, around = averaged(meant, faces);
  for (const [kind, limit, sign] of [[1, limits[0], -1], [2, limits[1], 1]]) {
    const own = Float32Array.from(finding, (one, i) => (one === kind ? meant[i] : 0));
    if (!own.includes(1)) continue;
    const inside = averaged(own, faces);
    for (let i = 0; i < shown.length; i += 1) {
      const share = inside[i] / Math.max(around[i], aside);
      const beside = meant[i] && share > 0 && share < all && (finding[i] === kind || finding[i] === 0);
      if (!beside || shown[i] !== shown[i]) continue;
      const way = finding[i] === kind ? 1 : -1;
      shown[i] = limit + way * sign * Math.max((share - 0.5) * way * border, aside);
    }
  }
}

// The mean over a vertex's triangles, twice.
function averaged(values, faces, rounds = 2) {
  if (rounds === 0) return values;
  const sum = new Float64Array(values.length), uses = new Float32Array(values.length);
  for (let f = 0; f < faces.length; f += 3) {
    const mean = (values[faces[f]] + values[faces[f + 1]] + values[faces[f + 2]]) / 3;
    for (let k = f; k < f + 3; k += 1) {
      sum[faces[k]] += mean;
      uses[faces[k]] += 1;
    }
  }
  return averaged(sum.map((total, i) => total / Math.max(uses[i], 1)), faces, rounds - 1);
}

// Whether a place, the numbers from `i` on in `a`, lies in front of a body's corners.
function before(places, { right, up, toward }) {
  const cell = 0.5, hidden = 0.3, wide = 512;
  const nearest = new Float32Array(wide * wide).fill(-Infinity);
  const at = (a, i) => {
    const column = Math.round((a[i] * right[0] + a[i + 1] * right[1] + a[i + 2] * right[2]) / cell) + wide / 2;
    const row = Math.round((a[i] * up[0] + a[i + 1] * up[1] + a[i + 2] * up[2]) / cell) + wide / 2;
    return column < 0 || row < 0 || column >= wide || row >= wide ? -1 : row * wide + column;
  };
  const depth = (a, i) => a[i] * toward[0] + a[i + 1] * toward[1] + a[i + 2] * toward[2];
  for (let i = 0; i < places.length; i += 3) {
    const cellOf = at(places, i);
    if (cellOf >= 0) nearest[cellOf] = Math.max(nearest[cellOf], depth(places, i));
  }
  return (a, i) => {
    const cellOf = at(a, i);
    if (cellOf < 0) return false;
    let around = nearest[cellOf];
    for (const step of [-wide - 1, -wide, 1 - wide, -1, 1, wide - 1, wide, wide + 1]) {
      around = Math.min(around, nearest[cellOf + step] ?? -Infinity);
    }
    return depth(a, i) >= around - hidden;
  };
}

// Drop the pieces of an outline that the body itself hides, such as the rims of its hollows.
function inFront(segments, places, camera) {
  const seen = before(places, camera), kept = [];
  for (let i = 0; i < segments.length; i += 6) if (seen(segments, i)) kept.push(...segments.subarray(i, i + 6));
  return Float32Array.from(kept);
}

// Edges that only one triangle of a set uses.
function border(index, places) {
  const uses = new Map();
  for (let f = 0; f < index.length; f += 3) {
    for (let k = 0; k < 3; k += 1) {
      const a = index[f + k], b = index[f + ((k + 1) % 3)];
      const key = Math.min(a, b) * 4194304 + Math.max(a, b);
      uses.set(key, (uses.get(key) || 0) + 1);
    }
  }
  const found = [];
  for (const [key, used] of uses) {
    if (used === 1) found.push(...point(places, Math.floor(key / 4194304)), ...point(places, key % 4194304));
  }
  return Float32Array.from(found);
}

async function start(box) {
  const parse = (name) => JSON.parse(document.getElementById(`${box.id}-${name}`).textContent);
  const stages = ["stage", "stage-section"].map((name) => box.querySelector(`[data-part=${name}]`));
  const without = box.querySelector("[data-part=without]");
  const show = (turning) => {
    for (const one of stages) one.hidden = !turning;
    without.classList.toggle("replaced", turning);
  };
  try {
    // The still stays until the model can take its place.
    const data = await unpack(`${box.id}-data`);
    show(true);
    box.view = new View(box, parse("plan"), parse("words"), data);
    box.dataset.ready = "yes";
  } catch (error) {
    show(false);
    box.dataset.ready = "no";
    box.dataset.why = String(error && error.message);
  }
}

// What is folded on the screen is open on paper.
addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((one) => { one.open = true; }));

const started = [...document.querySelectorAll(".first-screen")].map(start);
