// The day: checks done here, and what is on record.
import { ask, lang, make, part, words } from "./parts.js";

export async function showDay() {
  const checks = await ask("/api/checks");
  const today = new Date().toDateString();
  const groups = [["today", (one) => one === today], ["older", (one) => one !== today]].map(([key, fits]) => {
    const rows = checks.filter((one) => fits(new Date(one.made).toDateString())).map(dayLine);
    return rows.length ? [make("h2", { text: words[key] }), make("table", {}, make("tbody", {}, ...rows))] : [];
  });
  const filed = (await ask("/api/register")).map((one) => make("tr", {},
    make("td", { text: new Date(one.checked_at_utc).toLocaleString(lang, { dateStyle: "short", timeStyle: "short" }) }),
    make("th", { scope: "row", text: one.case_number || `${words.no_case} (${one.key.slice(0, 12)})` }),
    make("td", { text: words[`stage_${one.stage}`] }), make("td", { text: words[`verdict_${one.verdict.replaceAll(" ", "_")}`] ?? one.verdict }), make("td", { text: one.who ?? "" })));
  if (filed.length) groups.unshift([make("h2", { text: words.on_record }), make("table", {}, make("tbody", {}, ...filed))]);
  part("checks").replaceChildren(...(groups.flat().length ? groups.flat() : [make("p", { text: words.no_checks })]));
}

function savings(one) {
  const kinds = one.state === "done" && one.verdict ? [["report.pdf", "save_report"], ["bench.pdf", "save_bench"], ["all.zip", "save_all"]] : [];
  return kinds.map(([name, word]) => make("a", { class: "button", href: `/checks/${one.number}/${name}`, download: "", text: words[word] }));
}

function dayLine(one) {
  const made = new Date(one.made).toLocaleString(lang, { dateStyle: "short", timeStyle: "short" });
  const link = make("a", { href: `#check/${one.number}`, text: one.case || one.files[0] });
  return make("tr", {}, make("td", { text: made }), make("th", { scope: "row" }, link), make("td", { text: words[`state_${one.state}`] }), make("td", { text: one.verdict }), make("td", {}, ...savings(one)));
}
