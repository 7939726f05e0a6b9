// The answers, the places and the loggers: from a snapshot to words and numbers on the page.

import { el } from "./el.js";
import { bandWords, fuelWords, stateWords } from "./fire.js";
import { finishWords } from "./finish.js";
import { degrees, temp, delta, signed, span, clock, dayClock, unitName, difference, reference } from "./units.js";

const $ = (id) => document.getElementById(id);
function put(node, text) { if (node.textContent !== text) node.textContent = text; }
function part(card, name) { return card.querySelector(`[data-part="${name}"]`); }

function figure(card, text, fresh) {
  const value = part(card, "value");
  if (text === null) {
    value.replaceChildren("–");
  } else if (value.dataset.shown !== text + unitName()) {
    value.replaceChildren(text, el("span", unitName(), { class: "unit" }));
  }
  value.dataset.shown = text === null ? "" : text + unitName();
  card.classList.toggle("stale", text !== null && !fresh);
}

/** Is what was read at `t` fresh: of a past cook, when its readings end? `view.contact` false makes everything stale. */
export const isFresh = (view, item) => view.contact && item.fresh && (view.past ? view.snap.newest ?? item.t : view.now) - item.t <= item.stale_after_s;
/** Clock time, with the day if it is not that of the cook's start (a past cook) or of now. */
export const when = (view, t) => clock(t, reference(view));
/** How long ago; only the clock time where the host's time is not known any more, and does not go as ours does. */
const ago = (view, t) => (view.aged && !view.past ? `${span(view.now - t)} ago` : `at ${when(view, t)}`);
const readAt = (view, t) => (view.past ? `at ${when(view, t)}` : view.aged ? `read ${ago(view, t)}, ${when(view, t)}` : `read ${ago(view, t)}`);
/** "+9.3 ± 1.2 °F" of a rate and its standard uncertainty, over `hours`. */
const rated = (rate, u, hours = 1, digits = 1) => `${signed(rate * hours, digits)}${u === null || u === undefined ? "" : ` ± ${delta(2 * u * hours, digits)}`} ${unitName()}`;
const WAITING = "waiting for the first frame (up to 32 s)";

/** What of a kind cannot be read, where the host says it: "3 of 4 meat places; tip cannot be read". */
function share(item) {
  const unread = item?.unread ?? [];
  if (!unread.length || !item.of) return "";
  return `${item.of} of ${item.total} meat places; ${unread.join(", ")} cannot be read`;
}

/** What the host cannot say of a card's matter, and why. `told` are beginnings of what the card says itself. */
function showCannot(view, card, about, told, first = "") {
  const p = part(card, "cannot");
  const said = (view.snap.cannot_say ?? []).filter((c) => c.about === about && !told.some((t) => c.what.startsWith(t)));
  const lines = [...(first ? [first] : []), ...said.map((c) => `Cannot say ${c.what}: ${c.why}.`)];
  put(p, lines.join(" "));
  p.hidden = !lines.length;
}

function head(card, words, place) {
  const h = card.querySelector("h2");
  const key = `${words}|${place}`;
  if (h.dataset.shown === key) return;
  h.dataset.shown = key;
  h.replaceChildren(words, ...(place ? [" ", el("b", place)] : []));
}

function blank(view, card, line, more = "") {
  figure(card, null, true);
  put(part(card, "line"), view.snap.waiting ? WAITING : line);
  put(part(card, "more"), view.snap.waiting ? "" : more);
}

/** Why a card has no rate or direction, in the host's words; nothing of a value that is not fresh. */
const noRate = (what, why, fresh) => (fresh && why ? `No ${what}: ${why}.` : "");
/** No "yet" where a reason stands below, nor for a cook that is over. */
const notKnown = (view, what, why) => `${what} not known${view.past || why ? "" : " yet"}`;

function showColdest(view) {
  const card = $("coldest"), c = view.snap.coldest, cook = view.snap.cook;
  head(card, view.past ? "Coldest meat at the end" : "Coldest meat", c?.place);
  const fresh = c && isFresh(view, c), why = c?.rate === null ? c.words : "";
  showCannot(view, card, "coldest", ["rate of", "present temperature", "coldest"], noRate("rate", why, fresh));
  const done = finishWords(view);
  for (const [name, text] of [["finish", done.line], ["finish-more", done.more]]) { put(part(card, name), text); part(card, name).hidden = !text; }
  const way = part(card, "way");
  way.hidden = !c || cook.target_c === null;
  if (!c) { blank(view, card, "No meat place can be read"); return; }
  figure(card, temp(c.celsius), fresh);
  const rate = c.rate === null ? "" : `${rated(c.rate, c.rate_u)} an hour`;
  let line;
  if (!fresh) line = `not fresh: ${readAt(view, c.t)}`;
  // A stall is over only when heating has been back for a while, so the rate may say otherwise: it is that of now.
  else if (c.stalled_since) line = `stalled for ${span(c.t - c.stalled_since)}${rate && `; ${view.past ? "last" : "now"} ${rate}`}`;
  else line = rate || notKnown(view, "rate", why);
  put(part(card, "line"), line);
  const target = cook.target_c;
  // The difference of what is shown: 185 to 200 are 15, whatever the digits behind say.
  const less = target === null ? 0 : Math.round(degrees(target)) - Math.round(degrees(c.celsius));
  const togo = target === null ? "" : c.celsius >= target ? `target ${temp(target)} ${unitName()} reached` : `${less} ${unitName()} below target ${temp(target)}`;
  put(part(card, "more"), [`± ${delta(c.u95, 1)}${togo && `, ${togo}`}`, share(c)].filter(Boolean).join("; "));
  if (target !== null) way.firstElementChild.style.width = `${Math.max(0, Math.min(100, (100 * c.celsius) / target))}%`;
}

const ARROWS = { rising: "↑ rising", falling: "↓ falling", steady: "→ steady" };

function showPit(view) {
  const card = $("pit"), p = view.snap.pit;
  head(card, view.past ? "Pit at the end" : "Pit", p?.place);
  const fresh = p && isFresh(view, p), why = p && !p.direction ? p.why_no_direction ?? p.words : "";
  showCannot(view, card, "pit", ["rate of", "present temperature"], noRate("direction", why, fresh));
  if (!p) { blank(view, card, "No air place can be read"); return; }
  figure(card, temp(p.celsius), fresh);
  const slope = p.slope ?? p.rate, u = p.slope === undefined ? p.rate_u : p.slope_u;
  const moves = slope !== null && p.direction !== "steady";
  const way = p.direction ? `${ARROWS[p.direction]}${moves ? ` ${rated(Math.abs(slope), u, 1 / 6).replace("+", "")} in 10 min` : ""}` : notKnown(view, "direction", why);
  put(part(card, "line"), fresh ? way : `not fresh: ${readAt(view, p.t)}`);
  const fire = view.snap.fire, state = view.past ? "" : stateWords(view, fire);
  put(part(card, "band"), [state, bandWords(fire)].filter(Boolean).join("; "));
  put(part(card, "fuel"), fuelWords(view, fire));
  const level = p.level_c === null || !fresh ? "" : `; 30 min: mean ${temp(p.level_c)}, swing ${delta(p.swing_k)}`;
  const each = p.places.map((o) => oneAir(view, o)).join(", ");
  put(part(card, "more"), `${p.why_this ? `${p.why_this}; ` : ""}${each}${level}`);
}

/** "grate 250", or "grate was 250 at 14:10" of one that cannot be read at the end or now. */
function oneAir(view, one) {
  const place = view.snap.places.find((q) => q.place === one.place && q.kind === "air") ?? one;
  if (place.t === undefined ? one.fresh : isFresh({ ...view, contact: true }, place)) return `${one.place} ${temp(one.celsius)}`;
  return `${one.place} was ${temp(one.celsius)}${place.t ? ` at ${when(view, place.t)}` : ""}`;
}

function showSpread(view) {
  const card = $("spread"), s = view.snap.spread;
  head(card, view.past ? "Spread at the end" : "Spread", "");
  showCannot(view, card, "spread", s ? [] : ["spread"]);
  if (!s) { blank(view, card, "Not known", view.snap.why_no_spread ?? ""); return; }
  const fresh = isFresh(view, s), alike = s.alike || delta(s.kelvin, 1) === "0.0";
  figure(card, delta(s.kelvin), fresh);
  const leads = alike ? "all alike" : s.since ? `${s.leads} leads since ${when(view, s.since)}` : `${s.leads} leads`;
  put(part(card, "line"), fresh ? leads : `not fresh: ${readAt(view, s.t)}`);
  const most = s.greatest_k === null ? "" : `greatest ${delta(s.greatest_k)} at ${when(view, s.greatest_at)}`;
  put(part(card, "more"), [`± ${delta(2 * s.u, 1)}`, alike ? "" : `${s.lags} lags`, most, share(s)].filter(Boolean).join("; "));
}

function lineSample(kind, style) {
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("width", "30"); svg.setAttribute("height", "10"); svg.setAttribute("aria-hidden", "true");
  const line = document.createElementNS(ns, "line");
  for (const [k, v] of Object.entries({ x1: 0, x2: 30, y1: 5, y2: 5, "stroke-width": 1.3 * style.width, stroke: style.colour })) line.setAttribute(k, v);
  if (style.dashes) line.setAttribute("stroke-dasharray", style.dashes);
  svg.append(line);
  return svg;
}

function showPlaces(view, styles) {
  const rows = view.snap.places.map((p) => {
    const fresh = p.celsius !== null && isFresh(view, p);
    const tr = el("tr");
    if (p.celsius !== null && !fresh) tr.className = "stale";
    const name = el("th", null, { scope: "row" });
    name.append(lineSample(p.kind, styles[p.place]), p.place, el("span", ` ${p.kind}`, { class: "pm" }));
    const value = el("td", null, { class: "num" });
    value.append(el("span", p.celsius === null ? "–" : `${temp(p.celsius, 1)} ${unitName()}`, { class: "reading" }));
    if (p.celsius !== null) value.append(" ", el("span", `± ${delta(p.u95, 1)}`, { class: "pm" }));
    const none = !fresh || p.rate === null;
    const rate = el("td", none ? "–" : signed(p.rate, 1), { class: "num" });
    if (none) rate.dataset.none = "";
    else if (p.rate_u !== null && p.rate_u !== undefined) rate.append(" ", el("span", `± ${delta(2 * p.rate_u, 1)}`, { class: "pm" }));
    const age = p.t === null ? "" : view.past ? `at ${when(view, p.t)}` : ago(view, p.t);
    const quality = p.quality === "good" && !fresh ? "old" : p.quality;
    const said = { none: "never read", over: "probe taken out" }[quality] ?? quality;
    const why = none && p.words && quality === "good" ? `; no rate: ${p.words}` : "";
    const state = view.snap.waiting && p.t === null ? WAITING : quality === "fault" && p.words ? p.words : said;
    const read = el("td", `${age && `${age}: `}${state}${why}`, { class: "read" });
    tr.append(name, value, rate, read);
    return tr;
  });
  $("places").tBodies[0].replaceChildren(...rows);
  put($("places-now"), view.past ? "Last" : "Now");
  const rest = (view.snap.cannot_say ?? []).filter((c) => !["coldest", "pit", "spread"].includes(c.about) && !/^(rate of|present temperature)/.test(c.what));
  put($("places-cannot"), rest.map((c) => `Cannot say ${c.what}: ${c.why}.`).join(" "));
  $("places-cannot").hidden = !rest.length;
}

function showLoggers(view) {
  const dl = $("loggers"), rows = [];
  const row = (dt, dd) => rows.push(el("dt", dt), el("dd", dd));
  for (const l of view.snap.loggers) {
    const parts = [l.online === false ? "away" : l.online ? "online" : "state not known"];
    if (l.last_seen !== null) parts.push(`last heard ${ago({ ...view, past: false }, l.last_seen)}`);
    parts.push(`${l.frames.toLocaleString()} frames stored`);
    if (l.waiting) parts.push(`${l.waiting} waiting in its journal`);
    if (l.lost) parts.push(`${l.lost} lost`);
    row(l.name || l.logger, parts.join(", "));
  }
  row("Ticks missed", view.snap.missed.toLocaleString());
  if (view.snap.unplaced) row("Without a time", `${view.snap.unplaced.toLocaleString()} frames`);
  if (view.snap.asides.length) row("Kept aside", view.snap.asides.map((a) => `${a.words}: ${a.count.toLocaleString()}`).join("; "));
  const { connected, queue } = view.snap.intake ?? {};
  if (connected !== undefined) row("Message broker", connected ? "in contact" : "no contact: nothing comes in by radio");
  if (view.snap.intake?.store_ok === false) row("Ledger", "cannot be written to");
  if (queue) row("Being stored", `${queue.toLocaleString()} messages wait`);
  row("Host's time", view.aged ? dayClock(view.now) : `${dayClock(view.now)} when last heard`);
  dl.replaceChildren(...rows);
}

function showHead(view) {
  const c = view.snap.cook;
  put($("cook-name"), c.name);
  const began = `began ${dayClock(c.started)}`;
  put($("cook-cuts"), c.meats.join("; "));
  put($("cook-span"), c.ended === null ? `${began}${view.aged ? `; ${span(view.now - c.started)} so far` : ""}` : `${began}; lasted ${span(c.ended - c.started)}`);
  document.title = view.snap.coldest && isFresh(view, view.snap.coldest) && !view.past
    ? `${temp(view.snap.coldest.celsius)} ${unitName()} ${view.snap.coldest.place} - Pitscribe` : `${c.name} - Pitscribe`;
  $("end-cook").hidden = c.ended !== null;
  $("reopen-cook").hidden = c.ended === null;
}

/** Show everything but troubles, chart, notes and details. view = {snap, now, contact, past}. */
export function showAnswers(view, styles) {
  if (!view.snap.cook) return;
  showHead(view);
  showColdest(view);
  showPit(view);
  showSpread(view);
  showPlaces(view, styles);
  showLoggers(view);
}

let saidAt = -Infinity, saidKey = "";
/** What a screen reader hears: when something changed in kind, and else the numbers every five minutes. */
export function say(view) {
  const { coldest: c, pit: p, spread: s } = view.snap;
  if (!c || view.past) return;
  const fresh = isFresh(view, c);
  const key = [c.place, Boolean(c.stalled_since), fresh, s?.leads, Math.floor(difference(c.celsius) / 10)].join("|");
  const due = performance.now() - saidAt > 300000;
  if (!due && (key === saidKey || performance.now() - saidAt < 30000)) return;
  saidAt = performance.now(); saidKey = key;
  const bits = [`Coldest meat ${c.place} ${fresh ? "" : "was "}${temp(c.celsius)} ${unitName()}${c.stalled_since ? ", stalled" : ""}`];
  if (p) bits.push(`pit ${temp(p.celsius)}${p.direction ? `, ${p.direction}` : ""}`);
  if (s) bits.push(`spread ${delta(s.kelvin)}`);
  $("said").textContent = `${bits.join("; ")}.`;
}
