// The key below the chart: what is shaded or hatched on it, in words and figures, and the switch of the band.

import { el } from "./el.js";
import { held } from "./chartdata.js";
import { safetySpans, stallSpans } from "./chartspans.js";
import { clock, reference, span, temp, unitName } from "./units.js";

/** "second flat between 40 and 140 °F for 4 h 10 min", of all stretches of a kind of one place. */
function safetyWords(view, what, place, spans) {
  const [one] = spans, hours = span(3600 * spans.reduce((sum, s) => sum + s.hours, 0));
  if (what === "danger zone") return `${place} between ${temp(one.low_c)} and ${temp(one.high_c)} ${unitName()}: ${hours}`;
  if (what === "not hot") return `${place} below ${temp(one.high_c)} ${unitName()} since it was cooked: ${hours}, first at ${clock(one.begin, reference(view))}`;
  return `not known how warm ${place} was: ${hours}`;
}

/** The entries: {look, words}; `look` names the sample in page.css. */
function entries(view) {
  const out = [], spans = safetySpans(view);
  const stalled = [...new Set(stallSpans(view).flatMap((s) => s.names))];
  if (stalled.length) out.push({ look: "stall", words: `stall: ${stalled.join(", ")}` });
  for (const what of ["danger zone", "not hot", "unknown"]) {
    const places = [...new Set(spans.filter((s) => s.what === what).map((s) => s.place))];
    for (const place of places) out.push({ look: what.replace(" ", "-"), words: safetyWords(view, what, place, spans.filter((s) => s.what === what && s.place === place)) });
  }
  if (held.band) out.push({ look: "band", words: "round each line: the uncertainty, 95 %" });
  return out;
}

/** Write the key anew where it has changed. */
export function showKey(view) {
  const list = document.getElementById("chart-key"), all = entries(view), shown = JSON.stringify(all);
  if (list.dataset.shown === shown) return;
  list.dataset.shown = shown;
  list.hidden = !all.length;
  list.replaceChildren(...all.map(({ look, words }) => {
    const li = el("li");
    li.append(el("span", null, { class: `sample ${look}`, "aria-hidden": "true" }), words);
    return li;
  }));
}
