// The list of cooks, newest first: search, filter, and lay some beside each other; each opens in the live cooks' view.

import { get } from "./api.js";
import { el } from "./answers.js";
import { wireUnits, onUnit, dayClock, isF, span, temp, unitName } from "./units.js";

const $ = (id) => document.getElementById(id);
const MOST = 4; // that one can still tell apart
let answer = null;
const chosen = new Set();

/** Whether a cook has all words that were typed, in its name, cuts or day, and is of the kind that was asked for. */
function fits(cook) {
  const text = `${cook.name} ${cook.meats.join(" ")} ${dayClock(cook.started)}`.toLowerCase();
  const words = $("cooks-search").value.toLowerCase().split(/\s+/).filter(Boolean);
  const kind = $("cooks-kind").value;
  return words.every((w) => text.includes(w)) && (kind === "" || (kind === "on") === (cook.ended === null));
}

function card(c) {
  const li = el("li"), a = el("a", null, { href: `/cook/${c.id}` });
  const picture = el("img", null, { src: `/api/cooks/${c.id}/picture.svg`, alt: "", loading: "lazy", width: 240, height: 80 });
  a.append(picture, el("b", c.name), el("span", dayClock(c.started), { class: "quiet" }), el("br"));
  const more = [c.ended === null ? "not ended" : `lasted ${span(c.ended - c.started)}`, `${c.notes} ${c.notes === 1 ? "note" : "notes"}`];
  if (c.target_c !== null) more.push(`target ${temp(c.target_c)} ${unitName()}`);
  a.append(el("span", [...more, ...c.meats].join(", ")));
  const line = el("p", null, { class: "row" }), label = el("label"), box = el("input", null, { type: "checkbox" });
  box.checked = chosen.has(c.id);
  box.addEventListener("change", () => { if (box.checked) chosen.add(c.id); else chosen.delete(c.id); showChosen(); });
  label.append(box, ` compare`, el("span", ` ${c.name}`, { class: "unseen" }));
  line.append(label, el("a", "Report", { href: `/cook/${c.id}/report?unit=${isF() ? "F" : "C"}`, "aria-label": `Report of ${c.name}` }));
  li.append(a, line);
  return li;
}

function showChosen() {
  const n = chosen.size, link = $("cooks-compare");
  link.hidden = n < 2 || n > MOST;
  link.href = `/compare?cooks=${[...chosen].join(",")}&unit=${isF() ? "F" : "C"}`;
  link.textContent = `Lay ${n} cooks beside each other`;
  $("cooks-chosen").textContent = n === 1 ? "Choose one more to compare." : n > MOST ? `${n} chosen: ${MOST} are the most.` : "";
}

function show() {
  if (!answer) return;
  const found = answer.cooks.filter(fits), n = answer.cooks.length;
  $("cooks").replaceChildren(...found.map(card));
  const all = n ? `${n} ${n === 1 ? "cook" : "cooks"}, the newest first` : "None yet. The live page starts one.";
  $("cooks-said").textContent = found.length === n ? all : `${found.length} of ${all}`;
  showChosen();
}

$("nav-cooks").setAttribute("aria-current", "page");
wireUnits();
onUnit(show);
$("cooks-search").form.addEventListener("submit", (e) => e.preventDefault());
$("cooks-search").addEventListener("input", show);
$("cooks-kind").addEventListener("change", show);
try { answer = await get("/api/cooks"); show(); } catch (e) { $("cooks-said").textContent = e.message; }
