// What wants a person: degraded states, the fire, safety; and advice. The words are the host's, the figures are put in here.

import { isFresh, when } from "./answers.js";
import { el } from "./el.js";
import { clock, delta, seconds, temp, unitName } from "./units.js";

const $ = (id) => document.getElementById(id);

/** The figures behind a trouble that the cook itself makes; its words hold none, for each reader has a unit. */
function figuresOf(view, trouble) {
  const { fire, hint, pit } = view.snap;
  if (trouble.about === "fire" && fire?.warning) {
    const now = pit && isFresh(view, pit) ? ` The pit is at ${temp(pit.celsius)} ${unitName()}.` : "";
    return `${now}${fire.warning.about ? ` ${temp(fire.warning.trouble_c)} ${unitName()} by about ${when(view, seconds(fire.warning.about))}.` : ""}`;
  }
  if (trouble.about === "hint" && hint) {
    return ` ${hint.place} is ${delta(hint.lead_k)} ${unitName()} ahead of the others (limit ${delta(hint.limit_k)}), ${hint.slope_k_h > 0 ? "growing" : "shrinking"} by ${delta(Math.abs(hint.slope_k_h), 1)} an hour.`;
  }
  return "";
}

const ADVICE = ["hint", "stalls", "forecasts"]; // what a person may do, and need not at once: below the answers
const FOLDS = { fire: "fire", safety: "safety", stalls: "stalls", forecasts: "finish", hint: "phases" };

function troubleRow(view, t) {
  const caution = t.about === "hint" ? view.snap.hint?.caution ?? "" : "", words = caution ? t.words.replace(caution, "").trim() : t.words;
  const row = el("p", `${words}${figuresOf(view, t)}${t.since ? ` Since ${clock(t.since, view.now)}.` : ""}`, { class: `trouble ${t.grade}`, "data-key": t.key });
  if (caution) row.append(el("span", ` ${caution}`, { class: "small" }));
  if (!FOLDS[t.about]) return row;
  const more = el("button", "More", { type: "button", class: "plain", "aria-label": `More about: ${t.words.split(".")[0]}` });
  more.addEventListener("click", () => document.dispatchEvent(new CustomEvent("unfold", { detail: FOLDS[t.about] })));
  row.append(" ", more);
  return row;
}

/** Show what wants a person: what is urgent above the answers, advice below them. */
export function showTroubles(view) {
  const list = [];
  if (!view.contact) list.push({ key: "contact", grade: "bad", words: "No contact with the host. What stands here is old. If it has power, the logger goes on recording." });
  list.push(...view.snap.troubles);
  const urgent = (t) => t.grade === "bad" || !ADVICE.includes(t.about);
  fillTroubles(view, $("troubles"), list.filter(urgent));
  fillTroubles(view, $("asks"), list.filter((t) => !urgent(t)));
}

/** One box of them; left as it is while they stay the same, so that a screen reader hears each once. */
function fillTroubles(view, box, list) {
  const key = JSON.stringify([list.map((t) => [t.key, t.grade, t.words, t.since, figuresOf(view, t)]), unitName()]);
  if (box.dataset.shown === key) return;
  box.dataset.shown = key;
  box.replaceChildren(...list.map((t) => troubleRow(view, t)));
}
