// How it turned out: scores of the cook as a whole and of each place, and weights; each is kept as soon as it is given.

import { get, send } from "./api.js";
import { el } from "./el.js";
import { isF, onUnit } from "./units.js";

const KG = 0.45359237; // of a pound; the United States weigh in pounds where they measure in degF
const WEIGHINGS = [["raw_kg", "as bought"], ["trimmed_kg", "as it went on"], ["cooked_kg", "as it came off"]];
let view = null, box = null, place = "";
let asked = new URLSearchParams(location.hash.slice(1)).get("scores"); // a trial's page links to it so, with the place

const pounds = () => isF();
const shown = (kg) => (kg === null || kg === undefined ? "" : (pounds() ? kg / KG : kg).toFixed(2).replace(/\.?0+$/, ""));

let saving = Promise.resolve(); // one after the other, so that no older answer comes last

/** Keep what a field says. The person is in the next field by now: no field that waits or is being typed in is touched. */
function keep(input, work) {
  const said = box.querySelector(".wrong");
  input.dataset.waits = "yes";
  saving = saving.then(async () => {
    try { last = await work(); said.textContent = ""; } catch (e) { said.textContent = e.message; return; } finally { delete input.dataset.waits; }
    if (input.isConnected) fillIn(last, input);
  });
}

/** Show in each field what is known, but where somebody types; `saved`: it is told what became of it. */
function fillIn(told, saved = null) {
  for (const input of box.querySelectorAll("[data-aspect], [data-weighing]")) {
    if (input.dataset.waits || (input === document.activeElement && input !== saved)) continue;
    const { aspect, weighing } = input.dataset;
    input.value = aspect ? told.scores.find((s) => s.aspect === aspect && s.place === place && !s.taster)?.value ?? "" : shown(told.weights.find((w) => w.place === place)?.[weighing]);
  }
  const share = told.weights.find((w) => w.place === place)?.cooked_share;
  box.querySelector("[data-part=share]").textContent = share ? `${Math.round(100 * share)} % of what went on came off.` : "";
}

function scoreRow(cook, aspect, words) {
  const p = el("p", null, { class: "score" }), id = `score-${aspect}`;
  const label = el("label", aspect, { for: id }), input = el("input", null, { id, "data-aspect": aspect, type: "number", min: 0, max: 10, step: 0.5, inputmode: "decimal", "aria-describedby": `${id}-means` });
  input.addEventListener("change", () => {
    const value = input.value === "" ? null : Number(input.value), of = place;
    keep(input, () => send("POST", `/api/cooks/${cook}/scores`, { aspect, place: of, value }));
  });
  p.append(label, input, el("span", `0 ${words[0]}; 5 ${words[1]}; 10 ${words[2]}`, { class: "quiet small", id: `${id}-means` }));
  return p;
}

function weightRow(cook) {
  const row = el("div", null, { class: "row" });
  for (const [key, name] of WEIGHINGS) {
    const p = el("p", null, { class: "field" }), id = `weigh-${key}`, input = el("input", null, { id, "data-weighing": key, inputmode: "decimal", maxlength: 8 });
    input.addEventListener("change", () => {
      const typed = Number(input.value.replace(",", ".")), of = place;
      if (input.value.trim() === "") return;
      keep(input, () => send("POST", `/api/cooks/${cook}/weights`, { place: of, [key]: pounds() ? typed * KG : typed }));
    });
    p.append(el("label", `${name}, ${pounds() ? "lb" : "kg"}`, { for: id }), input);
    row.append(p);
  }
  return row;
}

let last = null;
function draw(told) {
  last = told;
  const { cook, places } = view.snap, meat = places.filter((p) => p.kind === "meat").map((p) => p.place);
  if (place && !meat.includes(place)) meat.push(place); // one without a probe
  const choose = el("select", null, { id: "score-place" });
  choose.append(el("option", "the cook as a whole", { value: "" }), ...meat.map((name) => el("option", name, { value: name })));
  choose.value = place;
  choose.addEventListener("change", () => { place = choose.value; draw(last); box.querySelector("#score-place").focus(); });
  const where = el("p", null, { class: "field" });
  where.append(el("label", "Of", { for: "score-place" }), choose);
  box.querySelector("div").replaceChildren(
    where, ...Object.entries(told.anchors).map(([aspect, words]) => scoreRow(cook.id, aspect, words)), weightRow(cook.id), el("p", "", { class: "quiet small", "data-part": "share" }),
    el("p", "", { class: "wrong", role: "alert" }), el("p", "Score it before you look at what you changed; better, let somebody score it who does not know.", { class: "quiet small" }),
  );
  fillIn(told);
}

/** The page shows another snapshot; the first one unfolds it for who came for it. */
export function showScores(now) {
  view = now;
  if (asked === null || !view.snap.cook) return;
  [place, asked] = [asked, null];
  box.open = true;
  box.querySelector("summary").focus({ preventScroll: true });
  box.scrollIntoView({ block: "start" });
}

/** Wire the fold; it is read when it is opened. */
export function wireScores() {
  box = document.querySelector('#details [data-of="scores"]');
  box.addEventListener("toggle", async () => {
    if (!box.open || !view?.snap?.cook) return;
    try { draw(await get(`/api/cooks/${view.snap.cook.id}/scores`)); } catch (e) { box.querySelector(".wrong").textContent = e.message; }
  });
  onUnit(() => { if (box.open && last) draw(last); });
}
