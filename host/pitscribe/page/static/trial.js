// One trial: its pieces, the draw, what is put aside, its tastings (tastings.js), its close, and what it says so far.

import { get, send } from "./api.js";
import { el } from "./el.js";
import { offer, wireForm } from "./forms.js";
import { showTastings, wireTastings } from "./tastings.js";
import { wireUnits, onUnit, isF } from "./units.js";

const $ = (id) => document.getElementById(id);
const number = Number(location.pathname.split("/").pop());
const url = `/api/trials/${number}`;
const PATIENCE_MS = 120000; // its cooks are read whole: a dozen take two seconds, and more on a small computer
let trial = null, figures = null, aside = null;

const nameOf = (p) => (p.place ? `${p.name}, ${p.place}` : p.name);
const levelHow = (p) => `${p.level}, ${p.number === null ? "chosen" : `drawn as number ${p.number}`}`;

function scoreLink(p) {
  const figure = figures?.[p.id], at = p.place ? `#scores=${encodeURIComponent(p.place)}` : "#scores";
  const words = figures === null ? "" : figure === undefined ? `no ${trial.main} yet` : `${trial.main} ${figure}`;
  const rated = trial.scored || trial.main === "yield", todo = figure === undefined ? (trial.main === "yield" ? "Weigh it" : "Score it") : "Change";
  const out = el("span", null, { class: "figure-line" });
  out.append(`${words}${words && rated ? " " : ""}`);
  if (rated) out.append(el("a", todo, { href: `/cook/${p.cook}${at}`, "aria-label": `${todo}: ${nameOf(p)}` }));
  return out;
}

function asideForm(p) {
  const form = el("form", null, { class: "row", novalidate: "" }), field = el("p", null, { class: "field", "data-field": "why" }), id = `why-${p.id}`;
  const input = el("input", null, { id, autocomplete: "off", maxlength: 500 }), back = el("button", "Keep it", { type: "button" });
  field.append(el("label", `Why is ${nameOf(p)} put aside? It stays in the log; for how it turned out it must not be.`, { for: id }), input);
  form.append(field, el("button", "Put it aside", { class: "strong" }), back, el("p", "", { class: "wrong", role: "alert", "data-whole": "" }));
  back.addEventListener("click", () => { aside = null; showPieces(); $(`aside-${p.id}`).focus(); });
  wireForm(form, () => send("POST", `${url}/pieces/${p.id}/drop`, { why: input.value }), async () => {
    aside = null;
    await show();
    $("main").focus();
  });
  return form;
}

function piece(p) {
  const li = el("li"), words = el("span", null, { class: "what" });
  words.append(el("a", p.name, { href: `/cook/${p.cook}` }), `${p.place ? `, ${p.place}` : ""}: ${levelHow(p)}`);
  li.append(words);
  if (p.dropped !== null) {
    li.append(el("span", `put aside: ${p.dropped}`, { class: "quiet" }));
    return li;
  }
  li.append(scoreLink(p));
  if (aside === p.id) { li.append(asideForm(p)); return li; }
  const button = el("button", "Put aside", { type: "button", class: "plain", id: `aside-${p.id}`, "aria-label": `Put ${nameOf(p)} aside` });
  button.addEventListener("click", () => { aside = p.id; showPieces(); $(`why-${p.id}`).focus(); });
  if (trial.closed === null) li.append(button);
  return li;
}

function showPieces() {
  $("pieces").replaceChildren(...(trial.pieces.length ? trial.pieces.map(piece) : [el("li", "None yet.")]));
}

function showPlaces() {
  const cook = trial.cooks.find((c) => c.cook === Number($("draw-cook").value));
  $("draw-places").replaceChildren(...(cook?.places ?? []).map((place) => el("option", null, { value: place })));
}

function showHead() {
  const closed = trial.closed === null ? "" : `, ${trial.drawn < trial.planned ? "ended early" : "closed"}: ${trial.why}`;
  document.querySelector("h1").textContent = trial.name;
  document.title = `${trial.name} - Pitscribe`;
  $("trial-said").textContent = `${trial.question} ${trial.factor}: ${trial.levels.join(" or ")}. ${trial.drawn} of ${trial.planned} pieces drawn${closed}.${trial.pairs && !closed ? ` Drawn in ${trial.levels.length === 2 ? "pairs" : "sets"}: enter the cuts of one cook one after the other.` : ""}`;
  $("says").textContent = closed ? "What it says" : "What it says so far";
  $("trial-seal").textContent = `Seal ${trial.seal}: write it on paper; it shows if plan or draw is ever changed.`;
}

/** Read the trial anew, and its tastings; what it says so far takes longer, and comes after. */
async function show() {
  trial = await get(url);
  const open = trial.closed === null, drawable = open && trial.drawn < trial.planned, on = trial.cooks.filter((c) => !c.over);
  showHead();
  showPieces();
  offer($("draw-cook"), on.map((c) => [c.cook, c.name]));
  showPlaces();
  $("draw").hidden = !drawable || on.length === 0;
  $("draw-none").hidden = !drawable || on.length > 0;
  $("choose-box").hidden = !open || trial.cooks.length === 0;
  offer($("choose-cook"), trial.cooks.map((c) => [c.cook, c.name]));
  offer($("choose-level"), trial.levels.map((level) => [level, level]));
  $("close-box").hidden = !open;
  $("close-words").textContent = trial.drawn < trial.planned ? `Only ${trial.drawn} of ${trial.planned} pieces are drawn: closed now, it has no conclusion for ever.` : "Nothing enters it any more; scores of its cooks can still be given.";
  $("trial").hidden = false;
  await showTastings(trial);
  showFindings().catch(told("findings"));
}

async function showFindings() {
  const asked = isF() ? "F" : "C", said = await get(`${url}/findings?unit=${asked}`, PATIENCE_MS);
  if (asked !== (isF() ? "F" : "C")) return; // the unit was changed meanwhile: another answer is on its way
  let parted = false;
  const out = [];
  for (const line of said.lines) {
    if (line !== "") out.push(el("p", line, parted ? { class: "part" } : {}));
    parted = line === "";
  }
  figures = said.figures;
  $("findings").replaceChildren(...out);
  if (aside === null) showPieces(); // a reason that is being typed stays
}

const told = (where) => (e) => { $(where).textContent = e.message; };

$("draw-cook").addEventListener("change", showPlaces);
async function showEntered(made) {
  $("choose-box").open = false;
  $("draw-said").textContent = `${nameOf(made)}: ${levelHow(made)}.`;
  await show();
}
wireForm($("draw"), () => send("POST", `${url}/draw`, { cook: Number($("draw-cook").value), place: $("draw-place").value }), showEntered);
wireForm($("choose"), () => send("POST", `${url}/pieces`, { cook: Number($("choose-cook").value), place: $("choose-place").value, level: $("choose-level").value }), showEntered);
wireForm($("close"), () => send("POST", `${url}/close`, { why: $("close-why").value }), async () => {
  await show();
  $("main").focus();
});
$("nav-trials").setAttribute("aria-current", "page");
wireUnits();
wireTastings(url, show);
onUnit(() => showFindings().catch(told("findings")));
await show().catch(told("trial-said"));
