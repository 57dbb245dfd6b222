// What the laboratory says of a case beside its scans: materials, lots, notes, a scan of the die.
import { ask, handIn, notice, part, scansOnly, words } from "./parts.js";

const MATERIALS = ["alloy", "opaquer", "composite"], TEXTS = ["alloy", "composite", "shade", "notes"];
let die = null;

export function labSaid() {
  const texts = TEXTS.map((name) => [name, part(`lab-${name}`).value]);
  const lots = MATERIALS.map((name) => [name, part(`lot-${name}`).value]);
  return { ...Object.fromEntries(texts), lots: Object.fromEntries(lots), die: die?.scan ?? null };
}

// The same again, for a check after another one.
export function labAgain({ asked }) {
  const texts = TEXTS.map((name) => [name, asked[name] ?? ""]);
  return { ...Object.fromEntries(texts), lots: asked.lots ?? {}, die: asked.scans?.die ? "die" : null };
}

async function takeDie(files) {
  notice("");
  try {
    const [file] = scansOnly(files);
    if (file) die = await handIn(file);
  } catch (refusal) {
    notice(refusal.message);
  }
  part("die-taken").textContent = die ? die.name : words.missing;
  tellNames();
}

// As on the command line: what seems to be a name is warned of, before anything is checked.
async function tellNames() {
  const typed = [part("number").value, part("lab-notes").value].filter(Boolean);
  try {
    const found = await Promise.all(typed.map((text) => ask(`/api/names?text=${encodeURIComponent(text)}`)));
    part("lab-told").textContent = [...new Set([...found.flatMap((one) => one.told), ...(die?.told ?? [])])].join(" ");
  } catch (refusal) {
    notice(refusal.message);
  }
}

export function startLab() {
  part("die-file").addEventListener("change", ({ target }) => takeDie(target.files).finally(() => { target.value = ""; }));
  for (const id of ["number", "lab-notes"]) part(id).addEventListener("change", tellNames);
}
