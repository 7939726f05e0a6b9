// The list of trials, and the form that lays a new one down; it says at once what so many pieces can tell.

import { get, send } from "./api.js";
import { el } from "./el.js";
import { numberOf, offer, wireForm } from "./forms.js";
import { wireUnits, onUnit, dayClock, difference, isF, unitName } from "./units.js";

const $ = (id) => document.getElementById(id);
const TYPING_MS = 300;
let outcomes = [], mostLevels = 4, asked = 0;

/** How a trial stands, in a few words. */
const state = (t) => (t.closed === null ? `${t.drawn} of ${t.planned} pieces drawn` : t.drawn < t.planned ? "ended early" : "closed");

function card(t) {
  const li = el("li"), a = el("a", null, { href: `/trial/${t.id}` });
  a.append(el("b", t.name), el("span", dayClock(t.made), { class: "quiet" }), el("br"), el("span", `${t.question} ${state(t)}`));
  li.append(a);
  return li;
}

async function showList() {
  const told = await get("/api/trials"), { trials } = told;
  outcomes = told.outcomes;
  mostLevels = told.most_levels;
  $("trials").replaceChildren(...trials.map(card));
  $("trials-said").textContent = trials.length ? `${trials.length} ${trials.length === 1 ? "trial" : "trials"}` : "None yet. A trial asks one question of several cooks, and lets the draw decide.";
  $("ask").open = trials.length === 0;
  offer($("ask-main"), outcomes.map((o) => [o.name, o.name]));
  showUnit();
}

// In which unit a least difference is typed, and how much of the outcome's own unit one of it is.
const unitOf = () => outcomes.find((o) => o.name === $("ask-main").value)?.unit ?? "points";
const TYPED = { K: () => [unitName(), 1 / difference(1)], h: () => ["minutes", 1 / 60], "%": () => ["%", 1], points: () => ["points", 1] };

function showUnit() {
  $("ask-unit").textContent = TYPED[unitOf()]()[0];
  showOutlook();
}

function matters() {
  const typed = numberOf($("ask-matters").value);
  return typeof typed === "number" ? typed * TYPED[unitOf()]()[1] : typed;
}

const blocks = () => document.querySelector('[name="blocks"]:checked').value;
const levels = () => [...$("ask-levels").querySelectorAll("input")].map((i) => i.value.trim());

async function showOutlook() {
  const mine = (asked += 1), query = new URLSearchParams({
    levels: Math.max(2, levels().filter(Boolean).length), main: $("ask-main").value, matters: matters() ?? "", each: numberOf($("ask-each").value) ?? "", blocks: blocks(), unit: isF() ? "F" : "C",
  });
  if (typeof matters() !== "number" || typeof numberOf($("ask-each").value) !== "number") { $("ask-outlook").replaceChildren(); return; }
  let said;
  try { said = (await get(`/api/trials/outlook?${query}`)).lines.map((line) => el("p", sentence(line))); } catch { said = []; } // told when the form is sent
  if (mine === asked) $("ask-outlook").replaceChildren(...said);
}
const sentence = (words) => `${words[0].toUpperCase()}${words.slice(1)}${words.endsWith(".") ? "" : "."}`;

let typing = null;
const soon = () => { clearTimeout(typing); typing = setTimeout(showOutlook, TYPING_MS); };

function oneMoreWay() {
  const n = $("ask-levels").children.length, p = el("p", null, { class: "field" }), id = `ask-level-${n}`;
  p.append(el("label", ["The usual way", "Another way"][n] ?? "And another, if there is one", { for: id }), el("input", null, { id, autocomplete: "off", maxlength: 200, placeholder: ["foil", "paper"][n] ?? "" }));
  $("ask-levels").append(p);
  $("ask-more").hidden = n + 1 >= mostLevels;
  return p;
}

oneMoreWay();
oneMoreWay();
$("ask-more").addEventListener("click", () => oneMoreWay().querySelector("input").focus());
$("ask-form").addEventListener("input", soon);
$("ask-main").addEventListener("change", showUnit);
wireForm($("ask-form"), () => {
  const [first, second, ...more] = levels();
  return send("POST", "/api/trials", {
    name: $("ask-name").value, question: $("ask-question").value, factor: $("ask-factor").value, levels: [first, second, ...more.filter(Boolean)],
    main: $("ask-main").value, matters: matters(), each: numberOf($("ask-each").value), blocks: blocks(),
  });
}, (made) => location.assign(`/trial/${made.id}`));
$("nav-trials").setAttribute("aria-current", "page");
wireUnits();
onUnit(showUnit);
try { await showList(); } catch (e) { $("trials-said").textContent = e.message; }
