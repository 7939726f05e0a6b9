// The trials: the list of them, or one with its pieces, the next draw, and what it says so far.

import { get, send } from "./api.js";
import { el } from "./answers.js";
import { wireUnits, onUnit, dayClock, isF } from "./units.js";

const $ = (id) => document.getElementById(id);
const number = /^\/trial\/(\d+)$/.exec(location.pathname)?.[1];

const state = (t) => (t.closed === null ? `${t.drawn} of ${t.planned} pieces drawn` : "ended early");

function card(t) {
  const li = el("li"), a = el("a", null, { href: `/trial/${t.id}` });
  a.append(el("b", t.name), el("span", dayClock(t.made), { class: "quiet" }), el("br"), el("span", `${t.question} ${state(t)}`));
  li.append(a);
  return li;
}

async function showList() {
  const { trials } = await get("/api/trials");
  $("trials").replaceChildren(...trials.map(card));
  $("trials-said").textContent = trials.length ? `${trials.length} ${trials.length === 1 ? "trial" : "trials"}` : "None yet. pitscribe trial new, in a terminal, lays one down.";
}

function piece(p) {
  const li = el("li");
  li.append(el("a", p.name, { href: `/cook/${p.cook}` }), p.place ? `, ${p.place}` : "", `: ${p.level}, ${p.number === null ? "chosen" : `drawn as number ${p.number}`}`);
  if (p.dropped !== null) li.append(` (taken out: ${p.dropped})`);
  return li;
}

async function showFindings() {
  if (!number) return;
  const asked = isF() ? "F" : "C";
  const { lines } = await get(`/api/trials/${number}/findings?unit=${asked}`);
  if (asked !== (isF() ? "F" : "C")) return; // the unit was changed meanwhile: another answer is on its way
  let parted = false;
  const said = [];
  for (const line of lines) {
    if (line !== "") said.push(el("p", line, parted ? { class: "part" } : {}));
    parted = line === "";
  }
  $("findings").replaceChildren(...said);
}

async function showTrial() {
  const [t, { cooks }] = await Promise.all([get(`/api/trials/${number}`), get("/api/cooks")]);
  document.querySelector("h1").textContent = t.name;
  document.title = `${t.name} - Pitscribe`;
  $("trials-said").textContent = `${t.question} ${t.factor}: ${t.levels.join(" or ")}. ${state(t)}.`;
  $("pieces").replaceChildren(...(t.pieces.length ? t.pieces.map(piece) : [el("li", "None yet.")]));
  const on = cooks.filter((c) => c.ended === null);
  $("draw-cook").replaceChildren(...on.map((c) => el("option", c.name, { value: c.id })));
  $("draw").hidden = t.closed !== null || t.drawn >= t.planned || on.length === 0;
  $("slips").href = `/trial/${number}/slips`;
  $("slips").hidden = t.tastings === 0;
  $("trial").hidden = false;
}

const told = (where) => (e) => { $(where).textContent = e.message; };

$("draw").addEventListener("submit", async (e) => {
  e.preventDefault();
  try {
    const made = await send("POST", `/api/trials/${number}/draw`, { cook: Number($("draw-cook").value), place: $("draw-place").value });
    $("draw-said").textContent = `${made.name}${made.place ? `, ${made.place}` : ""}: ${made.level}, number ${made.number}.`;
    await Promise.all([showTrial(), showFindings()]);
  } catch (error) { told("draw-said")(error); }
});
$("nav-trials").setAttribute("aria-current", "page");
wireUnits();
onUnit(() => showFindings().catch(told("findings")));
await (number ? showTrial() : showList()).catch(told("trials-said"));
await showFindings().catch(told("findings"));
