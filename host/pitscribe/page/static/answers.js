// The answers, the places, the troubles and the loggers: from a snapshot to words and numbers on the page.

import { temp, delta, signed, span, clock, dayClock, unitName, difference } from "./units.js";

const $ = (id) => document.getElementById(id);
/** An element with text; nothing from outside ever becomes markup. */
export function el(tag, text, attributes = {}) {
  const e = document.createElement(tag);
  if (text !== undefined && text !== null) e.textContent = text;
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  return e;
}
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

/** Is what was read at `t` fresh at `now`? `view.contact` false makes everything stale. */
export const isFresh = (view, item) => view.contact && item.fresh && (view.past || view.now - item.t <= item.stale_after_s);
const readAt = (view, t) => (view.past ? `at ${clock(t)}` : `read ${span(view.now - t)} ago, ${clock(t)}`);

function head(card, words, place) {
  const h = card.querySelector("h2");
  const key = `${words}|${place}`;
  if (h.dataset.shown === key) return;
  h.dataset.shown = key;
  h.replaceChildren(words, ...(place ? [" ", el("b", place)] : []));
}

function showColdest(view) {
  const card = $("coldest"), c = view.snap.coldest, cook = view.snap.cook;
  head(card, view.past ? "Coldest meat at the end" : "Coldest meat", c?.place);
  if (!c) {
    figure(card, null, true);
    put(part(card, "line"), "No meat place can be read");
    put(part(card, "more"), "");
    part(card, "way").hidden = true;
    return;
  }
  const fresh = isFresh(view, c);
  figure(card, temp(c.celsius), fresh);
  let line;
  if (!fresh) line = `not fresh: ${readAt(view, c.t)}`;
  // A stall is over only when heating has been back for a while, so the rate may say otherwise: it is that of now.
  else if (c.stalled_since) line = `stalled for ${span(c.t - c.stalled_since)}${c.rate !== null ? `; now ${signed(c.rate, 1)} ${unitName()} an hour` : ""}`;
  else if (c.rate === null) line = "rate not known yet";
  else line = `${signed(c.rate, 1)} ${unitName()} an hour`;
  put(part(card, "line"), line);
  const target = cook.target_c;
  const togo = target === null ? "" : (c.celsius >= target ? `, target ${temp(target)} ${unitName()} reached` : `, ${delta(target - c.celsius)} ${unitName()} below target ${temp(target)}`);
  put(part(card, "more"), `± ${delta(2 * c.u, 1)}${togo}`);
  const way = part(card, "way");
  way.hidden = target === null;
  if (target !== null) way.firstElementChild.style.width = `${Math.max(0, Math.min(100, (100 * c.celsius) / target))}%`;
}

const ARROWS = { rising: "↑ rising", falling: "↓ falling", steady: "→ steady" };

function showPit(view) {
  const card = $("pit"), p = view.snap.pit;
  head(card, view.past ? "Pit at the end" : "Pit", p?.place);
  if (!p) {
    figure(card, null, true);
    put(part(card, "line"), "No air place can be read");
    put(part(card, "more"), "");
    return;
  }
  const fresh = isFresh(view, p);
  figure(card, temp(p.celsius), fresh);
  const way = ARROWS[p.direction] ?? "";
  const rate = p.rate !== null && p.direction !== "steady" ? ` ${delta(Math.abs(p.rate / 6))} ${unitName()} in 10 min` : "";
  put(part(card, "line"), fresh ? `${way}${rate}` || "direction not known yet" : `not fresh: ${readAt(view, p.t)}`);
  const level = p.level_c === null || !fresh ? "" : `; 30 min: mean ${temp(p.level_c)}, swing ${delta(p.swing_k)}`;
  const each = p.places.map((o) => `${o.place} ${o.fresh || view.past ? "" : "was "}${temp(o.celsius)}`).join(", ");
  put(part(card, "more"), `${p.why_this ? `${p.why_this}; ` : ""}${each}${level}`);
}

function showSpread(view) {
  const card = $("spread"), s = view.snap.spread;
  head(card, view.past ? "Spread at the end" : "Spread", "");
  if (!s) {
    figure(card, null, true);
    put(part(card, "line"), "Not known");
    put(part(card, "more"), view.snap.why_no_spread ?? "");
    return;
  }
  const fresh = isFresh(view, s);
  figure(card, delta(s.kelvin), fresh);
  put(part(card, "line"), fresh ? `${s.leads} leads` : `not fresh: ${readAt(view, s.t)}`);
  if (fresh && s.since) put(part(card, "line"), `${s.leads} leads since ${clock(s.since)}`);
  const most = s.greatest_k === null ? "" : `; greatest ${delta(s.greatest_k)} at ${clock(s.greatest_at)}`;
  put(part(card, "more"), `${s.lags} lags${most}`);
}

function lineSample(kind, style) {
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("width", "30"); svg.setAttribute("height", "10"); svg.setAttribute("aria-hidden", "true");
  const line = document.createElementNS(ns, "line");
  for (const [k, v] of Object.entries({ x1: 0, x2: 30, y1: 5, y2: 5, "stroke-width": 3, stroke: style.colour })) line.setAttribute(k, v);
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
    if (p.celsius !== null) value.append(" ", el("span", `± ${delta(2 * p.u, 1)}`, { class: "pm" }));
    const rate = el("td", fresh && p.rate !== null ? signed(p.rate, 1) : "–", { class: "num" });
    if (rate.textContent === "–") rate.dataset.none = "";
    const age = p.t === null ? "never" : view.past ? clock(p.t) : `${span(view.now - p.t)} ago`;
    const quality = p.quality === "good" && !fresh ? "old" : p.quality;
    const said = { none: "never read", over: "probe taken out" }[quality] ?? quality;
    const read = el("td", `${age}: ${quality === "fault" && p.words ? p.words : said}`, { class: "read" });
    if (rate.textContent === "–" && p.words && quality === "good") rate.title = p.words;
    tr.append(name, value, rate, read);
    return tr;
  });
  $("places").tBodies[0].replaceChildren(...rows);
}

function showTroubles(view) {
  const list = [];
  if (!view.contact) list.push({ key: "contact", grade: "bad", words: "No contact with the host. What stands here is old; the logger goes on recording by itself." });
  list.push(...view.snap.troubles);
  const key = JSON.stringify(list.map((t) => [t.key, t.grade, t.words, t.since]));
  const box = $("troubles");
  if (box.dataset.shown === key) return; // so that a screen reader hears each trouble once
  box.dataset.shown = key;
  box.replaceChildren(...list.map((t) => el("p", t.since ? `${t.words} Since ${view.now - t.since > 43200 ? dayClock(t.since) : clock(t.since)}.` : t.words, { class: `trouble ${t.grade}`, "data-key": t.key })));
}

function showLoggers(view) {
  const dl = $("loggers"), rows = [];
  const row = (dt, dd) => rows.push(el("dt", dt), el("dd", dd));
  for (const l of view.snap.loggers) {
    const parts = [l.online === false ? "away" : l.online ? "online" : "state not known"];
    if (l.last_seen !== null) parts.push(`last heard ${span(view.now - l.last_seen)} ago`);
    parts.push(`${l.frames.toLocaleString()} frames stored`);
    if (l.waiting) parts.push(`${l.waiting} waiting in its journal`);
    if (l.lost) parts.push(`${l.lost} lost`);
    row(l.name || l.logger, parts.join(", "));
  }
  row("Ticks missed", view.snap.missed.toLocaleString());
  if (view.snap.unplaced) row("Without a time", `${view.snap.unplaced.toLocaleString()} frames`);
  if (view.snap.asides.length) row("Kept aside", view.snap.asides.map((a) => `${a.words}: ${a.count.toLocaleString()}`).join("; "));
  for (const [name, value] of Object.entries(view.snap.intake ?? {})) {
    if (value !== null && typeof value !== "object") row(`Intake: ${name.replaceAll("_", " ")}`, String(value));
  }
  row("Host's time", dayClock(view.now));
  dl.replaceChildren(...rows);
}

function showHead(view) {
  const c = view.snap.cook;
  put($("cook-name"), c.name);
  const began = `began ${dayClock(c.started)}`;
  put($("cook-span"), c.ended === null ? `${began}; ${span(view.now - c.started)} so far` : `${began}; lasted ${span(c.ended - c.started)}`);
  document.title = view.snap.coldest && isFresh(view, view.snap.coldest) && !view.past
    ? `${temp(view.snap.coldest.celsius)} ${unitName()} ${view.snap.coldest.place} - Pitscribe` : `${c.name} - Pitscribe`;
  $("end-cook").hidden = c.ended !== null;
  $("reopen-cook").hidden = c.ended === null;
}

/** Show everything but chart and notes. view = {snap, now, contact, past}. */
export function showAnswers(view, styles) {
  showTroubles(view);
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
