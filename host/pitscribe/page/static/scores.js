// How it turned out: scores of the cook as a whole and of each place, and weights; each is kept as soon as it is given.

import { get, send } from "./api.js";
import { el } from "./answers.js";
import { isF, onUnit } from "./units.js";

const KG = 0.45359237; // of a pound; the United States weigh in pounds where they measure in degF
const WEIGHINGS = [["raw_kg", "as bought"], ["trimmed_kg", "as it went on"], ["cooked_kg", "as it came off"]];
let view = null, box = null, place = "";
let asked = new URLSearchParams(location.hash.slice(1)).get("scores"); // a trial's page links to it so, with the place

const pounds = () => isF();
const shown = (kg) => (kg === null || kg === undefined ? "" : (pounds() ? kg / KG : kg).toFixed(2).replace(/\.?0+$/, ""));

async function keep(work, field) {
  const said = box.querySelector(".wrong");
  try { draw(await work()); said.textContent = ""; box.querySelector(`#${field}`)?.focus(); } catch (e) { said.textContent = e.message; }
}

function scoreRow(cook, aspect, words, told) {
  const p = el("p", null, { class: "score" }), id = `score-${aspect}`;
  const label = el("label", aspect, { for: id }), input = el("input", null, { id, type: "number", min: 0, max: 10, step: 0.5, inputmode: "decimal", "aria-describedby": `${id}-means` });
  input.value = told.scores.find((s) => s.aspect === aspect && s.place === place && !s.taster)?.value ?? "";
  input.addEventListener("change", () => {
    const value = input.value === "" ? null : Number(input.value);
    keep(() => send("POST", `/api/cooks/${cook}/scores`, { aspect, place, value }), id);
  });
  p.append(label, input, el("span", `0 ${words[0]}; 5 ${words[1]}; 10 ${words[2]}`, { class: "quiet small", id: `${id}-means` }));
  return p;
}

function weightRow(cook, told) {
  const held = told.weights.find((w) => w.place === place), row = el("div", null, { class: "row" });
  for (const [key, name] of WEIGHINGS) {
    const p = el("p", null, { class: "field" }), id = `weigh-${key}`, input = el("input", null, { id, inputmode: "decimal", maxlength: 8 });
    input.value = shown(held?.[key]);
    input.addEventListener("change", () => {
      const typed = Number(input.value.replace(",", "."));
      if (input.value.trim() === "") return;
      keep(() => send("POST", `/api/cooks/${cook}/weights`, { place, [key]: pounds() ? typed * KG : typed }), id);
    });
    p.append(el("label", `${name}, ${pounds() ? "lb" : "kg"}`, { for: id }), input);
    row.append(p);
  }
  const out = [row];
  if (held?.cooked_share) out.push(el("p", `${Math.round(100 * held.cooked_share)} % of what went on came off.`, { class: "quiet small" }));
  return out;
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
    where, ...Object.entries(told.anchors).map(([aspect, words]) => scoreRow(cook.id, aspect, words, told)), ...weightRow(cook.id, told),
    el("p", "", { class: "wrong", role: "alert" }), el("p", "Score it before you look at what you changed; better, let somebody score it who does not know.", { class: "quiet small" }),
  );
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
