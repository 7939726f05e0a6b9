// What stands behind the answers: finish, stalls, fire, acts, evenness, safety and doneness, each folded away until it
// is asked for. The words and figures are the analysis's; here they are only put into the person's unit and clock.

import { el } from "./el.js";
import { effectOf } from "./effects.js";
import { bandWords, fuelWords, stateWords } from "./fire.js";
import { COLDEST, forecastOf, median, range80 } from "./finish.js";
import { clock, delta, reference, seconds, signed, span, temp, unitName } from "./units.js";

const at = (view, iso) => (iso === null ? "" : clock(seconds(iso), reference(view)));
const SURE = (p) => `${Math.round(100 * p)} %`;
// The analysis's own words hold degF with degC behind it, or one unit alone: they are left as they are.

/** A table with a head row; cells are texts. Nothing for no rows. */
function table(caption, head, rows) {
  if (!rows.length) return null;
  const t = el("table"), tr = el("tr");
  t.append(el("caption", caption, { class: "unseen" }));
  tr.append(...head.map((h) => el("th", h, { scope: "col" })));
  const thead = el("thead"), body = el("tbody");
  thead.append(tr);
  for (const row of rows) {
    const r = el("tr");
    r.append(...row.map((cell, i) => el(i ? "td" : "th", cell, i ? {} : { scope: "row" })));
    body.append(r);
  }
  t.append(thead, body);
  const box = el("div", null, { class: "scroll", tabindex: "0", role: "region", "aria-label": caption });
  box.append(t);
  return box;
}

const quiet = (text) => (text ? el("p", text, { class: "quiet small" }) : null);

function finish(view) {
  const { cook, forecasts } = view.snap;
  if (cook.target_c === null) return [quiet("Give the cook a target to have its finish foretold.")];
  const names = (forecasts ?? []).map((f) => f.place);
  const rows = names.map((name) => {
    const f = forecastOf(view, name);
    return [name === COLDEST ? "all of them" : name, median(view, f), range80(view, f) || (f.reached ? "reached" : "–")];
  });
  const made = names.length ? forecastOf(view, names[0]).made : null;
  return [
    table(`When each place is at ${temp(cook.target_c)} ${unitName()}`, ["Place", "At target", "Four times in five"], rows),
    quiet(made === null ? "No forecast yet." : `Foretold at ${clock(made, reference(view))}, from this cook and from how its pit has been held so far. What nobody has noted yet, a wrap or a fire that goes out, is not in it.`),
  ];
}

function stalls(view) {
  const rows = view.snap.stalls.map((s) => [
    s.place, at(view, s.begin), s.end === null ? (view.past ? "to the end" : "goes on") : at(view, s.end),
    `${temp(s.plateau_c)} ${unitName()}`, SURE(s.probability), s.cause,
  ]);
  const slow = view.snap.slowdowns.filter((s) => s.end === null && !view.past).map((s) => `${s.place} heats slowly since ${at(view, s.begin)}, and that is no stall: ${s.cause}.`);
  return [
    table("Stalls", ["Place", "From", "To", "Near", "Sure", "Why"], rows) ?? quiet("No stall so far."),
    ...slow.map(quiet),
  ];
}

const FIRES = { fuel: "fuel took", opened: "lid or door opened", spike: "spike", fading: "fading", out: "going out", back: "back" };

function fire(view) {
  const f = view.snap.fire;
  if (!f) return [quiet("No air place.")];
  const held = f.known_s ? [["in its band", f.in_band_s], ["under it", f.below_s], ["over it", f.above_s]].map(([w, s]) => `${w} ${Math.round((100 * s) / f.known_s)} %`).join(", ") : "";
  const rows = f.events.slice(-12).reverse().map((e) => [FIRES[e.kind] ?? e.kind, at(view, e.at), at(view, e.noticed), e.end === null ? "" : at(view, e.end), SURE(e.probability), e.why]);
  const g = f.gradients.map((x) => gradient(x));
  return [
    el("p", [stateWords(view, f), bandWords(f), held && `${held} of ${span(f.known_s)}`, fuelWords(view, f)].filter(Boolean).join("; ")),
    quiet(f.why_not), quiet(f.rhythm.word ?? f.rhythm.why_not), ...g.map(quiet),
    table("What the fire did, the latest first", ["What", "When", "Noticed", "Over", "Sure", "Why"], rows),
  ];
}

/** The difference of two air places along the grate. */
function gradient(g) {
  if (g.mean_k === null) return `${g.place} against ${g.reference}: ${g.why_not}.`;
  const much = `${delta(Math.abs(g.mean_k))} ± ${delta(2 * g.u_k)} ${unitName()}`;
  if (g.hot === null) return `${g.place} and ${g.reference} differ by ${much} over two hours: no more than their uncertainty.`;
  return `${g.hot} is ${much} hotter than ${g.hot === g.place ? g.reference : g.place}, over two hours.`;
}

function acts(view) {
  const all = [...view.snap.interventions].reverse();
  if (!all.length) return [quiet("Nothing has been noted whose effect could be told.")];
  const list = el("ul", null, { class: "acts" });
  for (const act of all.slice(0, 20)) {
    const { head, lines } = effectOf(view, act), li = el("li");
    li.append(el("b", head), ` ${lines.join("; ")}`);
    list.append(li);
  }
  return [list, quiet("Against what the hour before let one expect; ± holds 95 %.")];
}

const PHASES = { before: "before the stall", stall: "in the stall", between: "between stalls", after: "after the stall", wrapped: "wrapped", hold: "hold" };

function phases(view) {
  const rows = view.snap.phases.map((p) => [
    PHASES[p.kind] ?? p.kind, at(view, p.begin), p.mean_k === null ? p.why_not ?? "–" : `${delta(p.mean_k, 1)} ${unitName()}`,
    p.greatest_k === null ? "–" : `${delta(p.greatest_k, 1)}`, p.degree_hours_above === null ? "–" : delta(p.degree_hours_above, 0), p.leader ?? "–", p.laggard ?? "–",
  ]);
  return [table(`Spread by phase, ${unitName()}`, ["Phase", "From", "Mean spread", "Greatest", `${unitName()}·h over the limit`, "Leads", "Lags"], rows) ?? quiet("No phase yet.")];
}

const sentences = (text) => text.match(/.*?[.;:!?](?=\s+[A-Z]|$)/gs)?.map((s) => s.trim()) ?? [text];

function safety(view) {
  const s = view.snap.safety;
  if (!s) return [quiet("Nothing is known yet.")];
  const rows = s.coldest.map((c) => [c.what, c.stands, c.place, c.why]);
  const sources = [...new Set(s.coldest.map((c) => c.source))];
  const cautions = [...new Set(s.coldest.flatMap((c) => sentences(c.caution)))]; // each sentence once: several lines share some
  return [
    quiet(`Judged as ${s.assumption}.`),
    table("Food safety at the place where each line stands worst", ["Line", "Stands", "Where", "Why"], rows),
    el("p", cautions.join(" "), { class: "small" }),
    quiet(`Sources: ${sources.join("; ")}.`),
  ];
}

function doneness(view) {
  const d = view.snap.doneness;
  if (!d?.places?.length) return [quiet("Nothing is known yet.")];
  const lines = d.places[0].minutes_above.map((m) => m.celsius);
  const rows = d.places.map((p) => [
    p.place, ...p.minutes_above.map((m) => (m.minutes ? span(60 * m.minutes) : "–")),
    p.index_h === null ? "–" : `${p.index_h.toFixed(1)} h (${p.index_low_h.toFixed(1)} to ${p.index_high_h.toFixed(1)})`, carried(p.carry_over),
  ]);
  return [
    table("Time at temperature", ["Place", ...lines.map((c) => `over ${temp(c)}`), "As much as at 194 °F (90 °C)", "Carries over"], rows),
    quiet("A relative index with a wide range, no measure of tenderness: probe the meat."),
  ];
}

const carried = (c) => (!c || c.likely_k === null ? "–" : `+${delta(c.likely_k)} (${delta(c.low_k)} to ${delta(c.high_k)})${c.pulled ? " since the pull" : ", if pulled now"}`);

const PARTS = {
  finish: [finish, ["forecasts", "cook"]], stalls: [stalls, ["stalls", "slowdowns"]], fire: [fire, ["fire"]], acts: [acts, ["interventions"]],
  phases: [phases, ["phases"]], safety: [safety, ["safety"]], doneness: [doneness, ["doneness"]],
};

function fill(view, name) {
  const box = document.querySelector(`#details [data-of="${name}"]`);
  if (!box.open) return;
  const [make, keys] = PARTS[name], body = box.querySelector("div");
  const key = JSON.stringify([keys.map((k) => view.snap[k]), unitName(), view.past]);
  if (body.dataset.shown === key) return;
  body.dataset.shown = key;
  body.replaceChildren(...make(view).filter(Boolean));
}

let current = null;
/** Bring what is unfolded up to date. */
export function showDetails(view) {
  current = view;
  for (const name of Object.keys(PARTS)) fill(view, name);
}

/** Wire the folds; each is filled when it is opened. */
export function wireDetails() {
  for (const name of Object.keys(PARTS)) {
    document.querySelector(`#details [data-of="${name}"]`).addEventListener("toggle", () => { if (current) fill(current, name); });
  }
}

/** Unfold one and bring it into sight. */
export function unfold(name) {
  const box = document.querySelector(`#details [data-of="${name}"]`);
  if (!box) return;
  box.open = true;
  box.querySelector("summary").focus({ preventScroll: true });
  box.scrollIntoView({ block: "start", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
}
