// Small parts that every view uses: words, elements, asking the server.
export const words = JSON.parse(document.getElementById("words").textContent);
export const lang = document.documentElement.lang;
export const part = (id) => document.getElementById(id);

export function say(key, values = {}) {
  return Object.entries(values).reduce((text, [name, value]) => text.replace(`{${name}}`, value), words[key]);
}

// Texts only ever become text: nothing that a file or a case is called can become markup.
export function make(tag, settings = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(settings)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name === "text") made.textContent = value;
    else made.setAttribute(name, value);
  }
  made.append(...children);
  return made;
}

export class Refusal extends Error {
  constructor(told) {
    super([told.where, told.what, told.next_step].filter(Boolean).join(" · "));
  }
}

export async function ask(path, settings = {}) {
  const url = path + (path.includes("?") ? "&" : "?") + `lang=${lang}`;
  let answer;
  try {
    answer = await fetch(url, settings);
  } catch {
    throw new Refusal({ what: words.unreachable });
  }
  if (answer.ok) return answer.json();
  const text = await answer.text();
  try {
    throw new Refusal(JSON.parse(text));
  } catch (error) {
    throw error instanceof Refusal ? error : new Refusal({ what: answer.status === 403 ? words.unreachable : text });
  }
}

export const post = (path, data) =>
  ask(path, { method: "POST", body: JSON.stringify(data), headers: { "content-type": "application/json" } });

export function notice(text) {
  part("notice").textContent = text || "";
  part("notice").hidden = !text;
  if (text) part("notice").scrollIntoView({ block: "nearest" });
}

export const handIn = (file) =>
  ask(`/api/scans?name=${encodeURIComponent(file.name)}`, { method: "PUT", body: file });

const SCANS = /\.(stl|ply|obj|off|3mf|glb|gz)$/i;
export function scansOnly(files) {
  const odd = [...files].find((file) => !SCANS.test(file.name));
  if (odd) throw new Refusal({ what: say("not_a_scan", { name: odd.name }) });
  return [...files];
}

export function fillUnits(select) {
  const named = ["mm", "cm", "m", "um", "inch"].map((unit) => make("option", { value: unit, text: unit }));
  select.append(make("option", { value: "", text: words.unit_file }), ...named);
}
