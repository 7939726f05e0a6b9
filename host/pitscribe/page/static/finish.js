// When it will be done: from a forecast to words, never with more digits than it knows.

import { clock, reference, seconds, temp, unitName } from "./units.js";

export const COLDEST = "coldest"; // the forecast of when the last of the meat places is there

/** The forecast of a place, with its times in UTC s and as they are to be shown; null if there is none. */
export function forecastOf(view, place) {
  const f = (view.snap.forecasts ?? []).find((g) => g.place === place);
  if (!f) return null;
  const told = (iso) => { const t = seconds(iso); return t === null ? null : Math.round(t / f.round_s) * f.round_s; };
  return { ...f, made: seconds(f.made), p10: told(f.p10), p50: told(f.p50), p90: told(f.p90), ifBack: ifBack(f.if_back) };
}

const BACK_S = 900; // when a fire is at its level again is a guess

/** While the fire is low: what the finish hangs on, its times in UTC s and as they are to be shown; null: it is not low. */
function ifBack(b) {
  if (!b || b.p50 === null) return null;
  const told = (iso, s = b.round_s) => { const t = seconds(iso); return t === null ? null : Math.round(t / s) * s; };
  return { at_c: b.back_c, by: told(b.back_by, BACK_S), p10: told(b.p10), p50: told(b.p50), p90: told(b.p90), asItIs: told(b.as_it_is) };
}

/** "about 21:30", or "about 21:30 if the fire is at 254 °F by about 18:00; as it is: never", or "not within 48 h", or why it cannot be said. */
export function median(view, f) {
  const at = (t) => clock(t, reference(view));
  if (f.reached) return `since ${at(f.p50)}`;
  if (f.ifBack) {
    const { at_c, by, p50, asItIs } = f.ifBack;
    return `about ${at(p50)} if the fire is at ${temp(at_c)} ${unitName()} by about ${at(by)}; as it is: ${asItIs === null ? "never" : `about ${at(asItIs)}`}`;
  }
  if (f.p50 === null) return f.why_not ?? "not within 48 h";
  return `about ${at(f.p50)}`;
}

/** "19:45 to 23:15", open at an end that lies beyond 48 h. */
export function range80(view, f) {
  const at = (t) => clock(t, reference(view));
  const q = f.ifBack ?? f;
  if (f.reached || q.p50 === null) return "";
  return `${q.p10 === null ? "before" : at(q.p10)} to ${q.p90 === null ? "more than 48 h from now" : at(q.p90)}`;
}

/** What the answer's card says: {line, more}; nothing where no target is set. */
export function finishWords(view) {
  const { cook } = view.snap;
  if (cook.target_c === null || view.past) return { line: "", more: "" };
  const f = forecastOf(view, COLDEST), at = `${temp(cook.target_c)} ${unitName()}`;
  if (!f) return { line: "", more: "" };
  if (f.reached) return { line: `All meat at ${at} ${median(view, f)}`, more: without(f) };
  if (f.p50 === null && !f.ifBack) return { line: `All meat at ${at}: ${median(view, f)}`, more: without(f) };
  // Always with its time: a forecast that stands while nothing comes any more must not look new.
  const old = `, foretold at ${clock(f.made, view.now)}`;
  const rough = f.wide ? "too early for more than a rough answer: " : "";
  return { line: `All meat at ${at} ${median(view, f)}`, more: [`${rough}four times in five ${range80(view, f)}${old}`, without(f)].filter(Boolean).join("; ") };
}

const without = (f) => (f.without.length ? `without ${f.without.join(", ")}` : "");
