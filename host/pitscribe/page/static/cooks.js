// The list of cooks, newest first; each opens in the view that live cooks have.

import { get } from "./api.js";
import { el } from "./answers.js";
import { wireUnits, onUnit, dayClock, span, temp, unitName } from "./units.js";

const $ = (id) => document.getElementById(id);
let answer = null;

function show() {
  if (!answer) return;
  const items = answer.cooks.map((c) => {
    const li = el("li"), a = el("a", null, { href: `/cook/${c.id}` });
    a.append(el("b", c.name), el("span", dayClock(c.started), { class: "quiet" }), el("br"));
    const state = c.ended === null ? "not ended" : `lasted ${span(c.ended - c.started)}`;
    const more = [state, `${c.notes} ${c.notes === 1 ? "note" : "notes"}`];
    if (c.target_c !== null) more.push(`target ${temp(c.target_c)} ${unitName()}`);
    a.append(el("span", more.join(", ")));
    li.append(a);
    return li;
  });
  $("cooks").replaceChildren(...items);
  $("cooks-said").textContent = items.length ? `${items.length} ${items.length === 1 ? "cook" : "cooks"}, the newest first` : "None yet. The live page starts one.";
}

$("nav-cooks").setAttribute("aria-current", "page");
wireUnits();
onUnit(show);
try { answer = await get("/api/cooks"); show(); } catch (e) { $("cooks-said").textContent = e.message; }
