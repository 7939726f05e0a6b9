// What an act did, by the analysis: to the spread, to the rates of leader and laggard, and to the pit.

import { clock, delta, reference, seconds, signed, unitName } from "./units.js";

const NEAR_S = 60; // acts within some minutes are one to the analysis, at the time of the first
const at = (view, iso) => clock(seconds(iso), reference(view));
const EFFECTS = [["spread", "spread"], ["leader_rate", "rate of the leader, an hour"], ["laggard_rate", "rate of the laggard, an hour"], ["pit", "pit"]];

/** What one act did, 45 min after it or as far as is known: {head, lines}. */
export function effectOf(view, act) {
  const after = act.after.at(-1);
  const head = `${act.kinds.join(" and ")} at ${at(view, act.at)}`;
  if (!after) return { head, lines: ["what it did is not known yet"] };
  if (after.why_not) return { head, lines: [after.why_not] };
  const lines = EFFECTS.map(([key, name]) => {
    const e = after[key];
    if (!e || e.effect === null) return "";
    const moved = `${signed(e.effect, 1)} ± ${delta(e.u95, 1)} ${unitName()}`;
    return `${name} ${moved}${e.told ? "" : ": no more than chance"}`;
  }).filter(Boolean);
  return { head: `${head}, ${after.minutes} min later`, lines };
}

/** In a few words what a note's act did, as far as it stands out from chance; "" for what is not known (yet). */
export function effectWords(view, note) {
  const act = view.snap.interventions.find((a) => a.kinds.includes(note.kind) && Math.abs(seconds(a.at) - note.at) < NEAR_S);
  const after = act?.after.at(-1);
  if (!after || after.why_not) return "";
  const told = EFFECTS.filter(([key]) => after[key]?.told).map(([key, name]) => `${name} ${signed(after[key].effect, 1)} ± ${delta(after[key].u95, 1)}`);
  return told.length ? `${after.minutes} min later: ${told.join("; ")} ${unitName()}` : `${after.minutes} min later: nothing beyond chance`;
}
