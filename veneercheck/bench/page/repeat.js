// Repeated scans of one unchanged body: the laboratory's own noise and seating, kept as limits.
import { handIn, make, notice, part, post, say, scansOnly, words } from "./parts.js";

let scans = [];

function show() {
  part("repeat-taken").replaceChildren(...scans.map((scan) => make("li", { text: scan.name })));
}

export async function takeRepeated(files) {
  notice("");
  try {
    for (const file of scansOnly(files)) {
      scans.push(await handIn(file));
      show();
    }
  } catch (refusal) {
    notice(refusal.message);
  }
}

async function start() {
  notice("");
  const button = part("repeat-start");
  button.disabled = true;
  part("repeat-told").replaceChildren(make("p", { text: words.state_running }));
  try {
    const found = await post("/api/repeatability", {
      scans: scans.map((scan) => scan.scan), shared_frame: part("repeat-shared").checked, name: part("repeat-name").value,
    });
    part("repeat-told").replaceChildren(...found.words.map((text) => make("p", { text })));
    part("repeat-kept").textContent = found.kept ? say("limits_kept", found.kept) : words.repeat_not_kept;
    scans = [];
    show();
  } catch (refusal) {
    part("repeat-told").replaceChildren();
    notice(refusal.message);
  }
  button.disabled = false;
}

export function startRepeat() {
  part("repeat-files").addEventListener("change", (event) => takeRepeated(event.target.files).finally(() => { event.target.value = ""; }));
  part("repeat-start").addEventListener("click", start);
}
