// The laboratory's limits: every value in words with where it comes from; a change is a new version.
import { ask, make, notice, part, post, say, words } from "./parts.js";

let sets = [];

export async function fillLimits(select) {
  sets = await ask("/api/limits");
  const before = select.value;
  select.replaceChildren(...sets.map((one) => make("option", { value: one.name, text: called(one) })));
  if (sets.some((one) => one.name === before)) select.value = before;
}

const called = (one) => (one.version ? `${one.name}, ${say("limits_version", { version: one.version })}` : words.built_in);

function show() {
  const one = sets.find((known) => known.name === part("limits-from").value) ?? sets[0];
  part("limits-name").value = one.version ? one.name : "";
  const rows = one.values.map(({ key, called: text, value, certainty }) => {
    const id = `limit_${key.replace(".", "_")}`;
    const field = make("input", { id, type: "number", min: 0, max: 20, step: "any", value, required: "", "data-key": key });
    const from = make("td", { text: certainty });
    field.addEventListener("input", () => {
      from.textContent = Number(field.value) === value ? certainty : say("limits_changed", { was: value });
    });
    return make("tr", {}, make("th", { scope: "row" }, make("label", { for: id, text: text[0].toUpperCase() + text.slice(1) })), make("td", {}, field), from);
  });
  const head = make("tr", {}, ...[words.limits_title, "mm", words.limits_where].map((text) => make("th", { scope: "col", text })));
  part("limits-values").replaceChildren(make("table", {}, make("thead", {}, head), make("tbody", {}, ...rows)));
}

async function keep(event) {
  event.preventDefault();
  const values = {};
  for (const field of part("limits-values").querySelectorAll("input")) values[field.dataset.key] = Number(field.value);
  try {
    const kept = await post("/api/limits", { name: part("limits-name").value, values });
    notice("");
    await fillLimits(part("limits-from"));
    part("limits-from").value = kept.name;
    show();
    part("limits-told").textContent = say("limits_kept", kept);
  } catch (refusal) {
    notice(refusal.message);
  }
}

export async function openLimits() {
  await fillLimits(part("limits-from"));
  part("limits-told").textContent = "";
  show();
}

export function startLimits() {
  part("limits-from").addEventListener("change", show);
  part("limits").addEventListener("submit", keep);
}
