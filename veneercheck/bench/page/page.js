// The views of the page: hand two scans in, follow a check, read its answer, look back over the day.
import { Arches } from "./arch.js";
import { openCorrect, startCorrect } from "./correct.js";
import { showDay } from "./day.js";
import { fillLimits, openLimits, startLimits } from "./limits.js";
import { labAgain, labSaid, startLab } from "./lab.js";
import { openPlace, startPlace } from "./pick.js";
import { startRepeat, takeRepeated } from "./repeat.js";
import { ask, fillUnits, handIn, lang, make, notice, part, post, say, scansOnly, words } from "./parts.js";

const STEPS = ["read", "align", "measure", "divide", "write", "draw"];
const BEADS_MM = [0.2, 0.3, 0.4, 0.5, 0.6];
const LOOK_MS = 500;
const FRAMEWORK = /frame|ger(ü|u)e?st|cut|redu|metal/i;
const WAXUP = /wax|wachs|full|voll|cont|kont/i;
const scans = { framework: null, waxup: null };
const slots = Object.fromEntries([...document.querySelectorAll(".slot[data-role]")].map((slot) => [slot.dataset.role, slot]));
const bridge = new Arches(part("arches"), part("chosen"));
let shown = null, timer = 0, drawn = "";

// ---- a new check

function fillSlot(role) {
  const scan = scans[role], slot = slots[role];
  slot.classList.toggle("full", Boolean(scan?.scan));
  slot.querySelector("[data-part=file]").textContent = scan ? (scan.scan ? scan.name : words.taking) : words.missing;
  slot.querySelector("[data-part=choose]").textContent = scan ? words.change : words.choose;
}

function tellNames() {
  const told = [scans.framework, scans.waxup].flatMap((scan) => scan?.told ?? []);
  part("told").replaceChildren(...told.map((text) => make("p", { text })));
}

async function take(role, file) {
  scans[role] = { name: file.name };
  fillSlot(role);
  try {
    scans[role] = await handIn(file);
  } catch (refusal) {
    scans[role] = null;
    notice(refusal.message);
  }
  fillSlot(role);
  tellNames();
}

// Which is which: by what the files are called, and only where that is plain.
function roles(files) {
  const [one, other] = files;
  const score = (file) => Number(FRAMEWORK.test(file.name)) - Number(WAXUP.test(file.name));
  const plain = score(one) !== score(other);
  part("order").textContent = plain ? words.recognised : words.guess_order;
  return score(one) >= score(other) ? { framework: one, waxup: other } : { framework: other, waxup: one };
}

async function takeDropped(list, role) {
  notice("");
  try {
    const files = scansOnly(list);
    if (files.length > 2) throw new Error(words.too_many_files);
    if (files.length === 2) {
      const found = roles(files);
      await Promise.all([take("framework", found.framework), take("waxup", found.waxup)]);
    } else if (files.length === 1) {
      const named = WAXUP.test(files[0].name) && !FRAMEWORK.test(files[0].name) ? "waxup" : "framework";
      const free = scans[named] ? (scans.framework ? "waxup" : "framework") : named;
      part("order").textContent = "";
      await take(role ?? free, files[0]);
    }
  } catch (refusal) {
    notice(refusal.message);
  }
}

function wish() {
  const some = document.querySelector("[name=surfaces]:checked").value === "some";
  const picked = [...part("surfaces").querySelectorAll(":checked")].map((box) => box.value);
  return {
    framework: scans.framework.scan, waxup: scans.waxup.scan, lang,
    number: part("number").value, units: bridge.units, pontics: bridge.pontics,
    surfaces: some ? picked : [], metal_stops: part("stops").value, stage: part("stage").value,
    profile: part("profile").value || null, unit: part("unit").value || null,
    beads_mm: Number(part("beads").value) || null, ...labSaid(),
  };
}

async function start() {
  const missing = ["framework", "waxup"].filter((role) => !scans[role]?.scan);
  if (missing.length) {
    notice(say("need_two", { missing: missing.map((role) => words[role]).join(", ") }));
    slots[missing[0]].querySelector("input").focus();
    return;
  }
  await send(wish());
}

async function send(data) {
  notice("");
  try {
    const { number } = await post("/api/checks", data);
    location.hash = `check/${number}`;
  } catch (refusal) {
    notice(refusal.message);
  }
}

function swap() {
  [scans.framework, scans.waxup] = [scans.waxup, scans.framework];
  part("order").textContent = "";
  fillSlot("framework");
  fillSlot("waxup");
}

// ---- one check

const anew = (found, more) => ({
  after: found.number, lang, number: found.asked.case ?? "", units: found.asked.units ?? [],
  pontics: found.asked.pontics ?? [], surfaces: found.asked.veneered?.surfaces ?? [],
  metal_stops: found.asked.veneered?.metal_stops ?? "ask", stage: found.asked.stage ?? "wax",
  occlusal: found.asked.frame?.occlusal ?? null, buccal: found.asked.frame?.buccal ?? null,
  teeth: found.asked.frame?.teeth ?? null, by_unit: found.asked.veneered?.units ?? null,
  painted: found.painted ? "painted" : null, landmarks: found.asked.landmarks ?? [],
  profile: found.profile, beads_mm: found.beads_mm, unit: found.unit,
  ...labAgain(found), ...more,
});

async function look(number) {
  clearTimeout(timer);
  let found;
  try {
    found = await ask(`/api/checks/${number}`);
  } catch (refusal) {
    notice(refusal.message);
    timer = setTimeout(() => look(number), 4 * LOOK_MS);
    return;
  }
  if (location.hash !== `#check/${number}`) return;
  if (part("notice").textContent === words.unreachable) notice("");
  shown = found;
  showCheck(found);
  if (found.state === "waiting" || found.state === "running") timer = setTimeout(() => look(number), LOOK_MS);
}

function showCheck(found) {
  const under_way = found.state === "waiting" || found.state === "running";
  put("check-title", found.case || `${words.no_case} (${found.number})`);
  put("check-files", `${words.framework}: ${found.files[0]} · ${words.waxup}: ${found.files[1]}`);
  part("progress").hidden = !under_way;
  if (under_way) showProgress(found);
  showEnd(found);
  part("answer").hidden = !found.sentences;
  if (found.sentences) showAnswer(found, under_way);
}

// A text that did not change is not written again: a screen reader would read it again.
function put(id, text) {
  if (part(id).textContent !== text) part(id).textContent = text;
}

function showProgress(found) {
  const number = Math.max(1, STEPS.indexOf(found.step) + 1);
  const waiting = found.state === "waiting";
  part("bar").value = waiting ? 0 : number;
  put("step", waiting ? say("waiting", found) : say("step", { number, count: STEPS.length, words: words[`step_${found.step}`] }));
  const left = found.left_s === null ? words.left_unknown
    : found.left_s < 2 ? words.left_soon : say("left_seconds", { seconds: Math.ceil(found.left_s) });
  put("left", waiting ? "" : left);
}

function showEnd(found) {
  const bad = ["refused", "fault", "cancelled", "interrupted"].includes(found.state);
  part("ended").hidden = !bad;
  if (!bad) return;
  put("ended-words", say(`told_${found.state}`, { what: found.end.what ?? "" }));
  const why = found.state === "refused" ? [found.end.where, found.end.what, found.end.next_step] : [];
  put("ended-why", why.filter(Boolean).join(" "));
  part("ended-unit").hidden = found.state !== "refused";
}

function showAnswer(found, under_way) {
  const now = JSON.stringify([found.number, found.sentences, found.zones, found.compared]);
  if (now !== drawn) {
    drawn = now;
    const [first, ...more] = found.sentences;
    part("verdict").textContent = first;
    part("worst").textContent = found.worst;
    part("verdict-more").replaceChildren(...more.map((text) => make("p", { text })));
    const status = new Map(["still", "new"].flatMap((kind) => (found.compared?.[kind] ?? []).map((id) => [id, kind])));
    const zones = found.zones.map((zone) => zoneLine(zone, status.get(zone.id)));
    part("zones").replaceChildren(...(zones.length ? zones : [make("li", { text: words.nothing_listed })]));
    showQuestions(found.questions);
    showCompared(found.compared, found.after);
    part("swapped").hidden = !found.swapped;
    part("unsure").hidden = found.swapped || !["failed", "doubtful"].includes(found.alignment);
    put("unsure-words", words[`unsure_${found.alignment}`] ?? "");
  }
  showFiles(found);
  const page = found.files_ready.includes("report.html") && found.state !== "running";
  part("correct-link").href = `#correct/${found.number}`;
  part("compare-link").href = `/checks/${found.number}/compare.html`;
  part("compare-link").hidden = !found.files_ready.includes("compare.html");
  part("place-link").href = `#place/${found.number}`;
  put("drawing", under_way ? words.drawing : "");
  const address = inside(found.number);
  if (page && part("report").dataset.shows !== address) {
    part("report").dataset.shows = address;
    part("report").src = address;
  }
  part("report").hidden = !page;
}

function zoneLine(zone, kind) {
  const sign = make("button", { type: "button", class: `sign${zone.firm ? " firm" : ""}`, "aria-label": say("show", { id: zone.id }), text: zone.id, onclick: () => showZone(zone.id) });
  const badge = kind ? [make("span", { class: "badge", text: kind === "new" ? words.appeared : words.still })] : [];
  return make("li", { "data-zone": zone.id }, sign, make("div", {},
    make("p", { class: "action", text: zone.action }),
    make("p", { text: zone.where }),
    make("p", { class: "more", text: `${zone.words} · ${zone.firm ? words.firm : words.undecided} · ${words.worst} ${zone.worst} ` }, ...badge)));
}

// The report without what stands on this page already.
function inside(number) { return `/checks/${number}/report.html?inside=1`; }

// Once more where it is chosen already: the model may have been turned since.
function showZone(id) {
  const { location } = part("report").contentWindow;
  for (const hash of ["#", `#place-${id}`]) location.replace(inside(shown.number) + hash);
  choose(id);
  part("report").scrollIntoView({ block: "nearest" });
}

function choose(id) {
  for (const line of part("zones").children) {
    const own = Number(line.dataset.zone) === id;
    line.classList.toggle("chosen", own);
    line.querySelector(".sign")?.setAttribute("aria-pressed", String(own));
  }
}

// The report is shut in without an origin of its own: it is known by its window.
addEventListener("message", (event) => {
  if (event.source === part("report").contentWindow) choose(event.data?.zone);
});

function showQuestions(questions) {
  part("questions").replaceChildren();
  if (!questions.length) return;
  const list = make("ul", {}, ...questions.map((text) => make("li", { text })));
  part("questions").append(make("h2", { text: words.asked }), list);
}

function showCompared(compared, after) {
  part("compared").hidden = !compared;
  if (!compared) return;
  const gone = compared.gone.map((zone) => make("li", { text: `${zone.words}: ${zone.where}` }));
  const counts = [["gone", compared.gone.length], ["still", compared.still.length], ["appeared", compared.new.length]];
  part("compared").replaceChildren(
    make("h2", { text: words.compared }),
    make("p", { class: "action", text: counts.map(([key, count]) => `${words[key]}: ${count || words.none}`).join(" · ") }),
    make("ul", {}, ...gone), make("a", { class: "button", href: `#check/${after}`, text: words.earlier }));
}

const FILES = [["report.pdf", "save_report"], ["bench.pdf", "save_bench"], ["summary.png", "save_summary"], ["contact.pdf", "save_contact"], ["report.html?save=1", "save_page"], ["zones.csv", "save_zones"]];
function showFiles(found) {
  const ready = FILES.filter(([name]) => found.files_ready.includes(name.split("?")[0]));
  const key = `${found.number} ${ready.map(([name]) => name)} ${found.state}`;
  if (part("downloads").dataset.shows === key) return;
  part("downloads").dataset.shows = key;
  const address = `/checks/${found.number}/`;
  const links = ready.map(([name, word]) => make("a", { class: "button", href: address + name, download: "", text: words[word] }));
  if (found.state === "done") links.push(make("a", { class: "button", href: `${address}all.zip`, download: "", text: words.save_all }));
  if (ready.some(([name]) => name.startsWith("report.html"))) links.push(make("a", { class: "button", href: `${address}report.html`, target: "_blank", rel: "noopener", text: words.full }));
  if (found.register && found.state === "done") links.push(make("a", { class: "button", href: `${address}record?lang=${lang}`, text: words.record }));
  part("downloads").replaceChildren(...links);
}

async function trimmed(list) {
  notice("");
  try {
    const [file, more] = scansOnly(list);
    if (more) throw new Error(words.too_many_files);
    const { scan } = await handIn(file);
    await send(anew(shown, { framework: scan, painted: null, landmarks: [] })); // another scan, another frame
  } catch (refusal) {
    notice(refusal.message);
  }
}

// ---- views, dropping, beginning

const OPENERS = { day: showDay, limits: openLimits, new: () => fillLimits(part("profile")) };

// On a narrow page the rest of the menu opens below its row.
function openRest(open) {
  part("rest").classList.toggle("open", open);
  part("more").setAttribute("aria-expanded", String(open));
}

async function show() {
  clearTimeout(timer);
  openRest(false);
  const [view, number] = (location.hash.slice(1) || first()).split("/");
  const known = document.querySelector(`section[data-view="${CSS.escape(view)}"]`) ? view : "new";
  for (const section of document.querySelectorAll("section[data-view]")) section.hidden = section.dataset.view !== known;
  for (const link of document.querySelectorAll(".top nav a")) {
    if (link.hash === `#${known}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  part("language").href = `/?lang=${lang === "en" ? "de" : "en"}${location.hash}`;
  notice("");
  document.querySelector(`section[data-view=${known}] h1`).focus({ preventScroll: true });
  scrollTo(0, 0);
  if (known === "check") return open(number);
  try {
    if (known === "correct" || known === "place") {
      shown = await ask(`/api/checks/${number}`);
      return await (known === "place" ? openPlace : openCorrect)(shown);
    }
    await OPENERS[known]?.();
  } catch (refusal) {
    notice(refusal.message);
  }
}

// Who comes for the first time is shown how to scan.
const first = () => (localStorage.getItem("card") ? "new" : "card");

function open(number) {
  drawn = "";
  for (const id of ["progress", "ended", "answer", "report"]) part(id).hidden = true;
  delete part("report").dataset.shows;
  for (const id of ["check-title", "check-files", "step", "left"]) put(id, "");
  return look(number);
}

const onCheck = () => location.hash.startsWith("#check/") && !part("answer").hidden;
const hasFiles = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");

function startDropping() {
  let inside = 0;
  const veil = (there) => { part("veil").hidden = !there; };
  addEventListener("dragenter", (event) => { if (hasFiles(event)) { inside += 1; veil(true); } });
  addEventListener("dragleave", () => { inside = Math.max(0, inside - 1); veil(inside > 0); });
  addEventListener("dragover", (event) => event.preventDefault());
  addEventListener("drop", (event) => {
    event.preventDefault();
    inside = 0;
    veil(false);
    const files = event.dataTransfer?.files ?? [];
    if (!files.length) return;
    if (location.hash.startsWith("#repeat")) return takeRepeated(files);
    if (onCheck() && files.length === 1) return trimmed(files);
    if (!location.hash.startsWith("#new")) location.hash = "new";
    return takeDropped(files, event.target.closest?.(".slot[data-role]")?.dataset.role);
  });
}

function begin() {
  const later = BEADS_MM.map((mm) => make("option", { value: mm, text: say("beads_later", { mm: mm.toLocaleString(lang) }) }));
  part("beads").append(make("option", { value: "", text: words.beads_none }), ...later);
  document.querySelectorAll("select[data-units]").forEach(fillUnits);
  for (const [role, slot] of Object.entries(slots)) {
    const field = slot.querySelector("input[type=file]");
    field.addEventListener("change", () => takeDropped(field.files, role).finally(() => { field.value = ""; }));
  }
  for (const choice of document.querySelectorAll("[name=surfaces]")) {
    choice.addEventListener("change", () => { part("surfaces").hidden = choice.value !== "some" || !choice.checked; });
  }
  part("swap").addEventListener("click", swap);
  part("start").addEventListener("click", start);
  part("cancel").addEventListener("click", () => post(`/api/checks/${shown.number}/cancel`, {}).then(() => look(shown.number), (refusal) => notice(refusal.message)));
  part("again").addEventListener("click", () => send(anew(shown, { unit: part("unit-again").value || shown.unit })));
  part("swap-again").addEventListener("click", () => send(anew(shown, { framework: "waxup", waxup: "framework", painted: null, landmarks: [] })));
  part("trimmed-file").addEventListener("change", (event) => trimmed(event.target.files).finally(() => { event.target.value = ""; }));
  part("card-done").addEventListener("click", () => localStorage.setItem("card", "seen"));
  part("print").addEventListener("click", () => print());
  startLimits();
  startLab();
  startRepeat();
  startCorrect((said) => send(anew(shown, said)));
  startPlace((said) => send(anew(shown, said)));
  startDropping();
  part("more").addEventListener("click", () => openRest(!part("rest").classList.contains("open")));
  addEventListener("keydown", (event) => { if (event.key === "Escape") openRest(false); });
  addEventListener("hashchange", show);
  show();
}

begin();
