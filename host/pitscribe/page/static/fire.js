// The fire in words: where it is against its band, what is wrong, and when the next split is likely due.

import { clock, degrees, delta, reference, seconds, temp, unitName } from "./units.js";

const at = (view, iso) => clock(seconds(iso), reference(view));

/** "in its band, 225 to 275 °F"; by the level of the last half hour. */
export function bandWords(fire) {
  if (!fire?.band) return "";
  const { low_c: low, high_c: high, given } = fire.band, name = given ? "the band" : "its usual";
  const band = `${temp(low)} to ${temp(high)} ${unitName()}`;
  const level = fire.level_c;
  if (level === null || Math.round(degrees(level)) === Math.round(degrees(low))) return `${name} is ${band}`;
  if (level < low) return `${delta(low - level)} under ${name}, ${band}`;
  if (level > high) return `${delta(level - high)} over ${name}, ${band}`;
  return `in ${name}, ${band}`;
}

const STATES = { fading: "The fire is fading", out: "The fire is going out", over: "", "not up yet": "Not up to its band yet" };

/** The state where it is not well: "The fire is fading; 200 °F by about 03:40". */
export function stateWords(view, fire) {
  if (!fire) return "";
  const w = fire.warning, words = STATES[fire.state] ?? "";
  if (!w) return words;
  return `${words}${w.about ? `: ${temp(w.trouble_c)} ${unitName()} by about ${at(view, w.about)}` : ""}`;
}

/** "next split due about 02:10 (01:50 to 02:40)", or nothing. */
export function fuelWords(view, fire) {
  const r = fire?.rhythm;
  if (!r || view.past || r.due_p50 === null) return "";
  return `next fuel due about ${at(view, r.due_p50)} (${at(view, r.due_p10)} to ${at(view, r.due_p90)})`;
}
