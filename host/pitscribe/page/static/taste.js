// A taster's form. It knows the slip's word, the task and the codes; of what they are codes, nobody tells it.

import { wireDoor } from "./door.js";
import { el } from "./el.js";

const $ = (id) => document.getElementById(id);
let form = null;

function code(number) {
  const label = el("label", null, { class: "code" });
  label.append(el("input", null, { type: "radio", name: "code", value: number }), number);
  return label;
}

function aspect({ name, words }) {
  const box = el("div", null, { class: "aspect" });
  box.append(el("b", name), el("span", `0 ${words[0]}; 5 ${words[1]}; ${form.most} ${words[2]}`, { class: "quiet small" }));
  for (const number of form.codes) {
    const id = `score-${number}-${name}`, part = el("div"), choose = el("select", null, { id, "data-code": number, "data-aspect": name });
    choose.append(el("option", "–", { value: "" }), ...Array.from({ length: form.most + 1 }, (_, n) => el("option", String(n), { value: n })));
    part.append(el("label", number, { for: id, "aria-label": `${name} of ${number}` }), choose);
    box.append(part);
  }
  return box;
}

function show(told) {
  form = told;
  document.querySelector("h1").textContent = `Tasting ${told.tasting}, taster ${told.taster}`;
  $("slip-form").hidden = true;
  $("task").textContent = told.task;
  $("codes").replaceChildren($("codes").firstElementChild, ...(told.kind === "rating" ? told.aspects.map(aspect) : told.codes.map(code)));
  $("answer-form").hidden = told.answered;
  $("done").textContent = told.answered ? "This slip has answered. Thank you: hand the device back." : "";
  $("main").focus();
}

function handedIn() {
  const slip = $("slip").value, chosen = document.querySelector("#codes input:checked");
  if (form.kind !== "rating") {
    if (!chosen) throw new Error("choose one of your plates; if you cannot tell, guess");
    return { slip, code: chosen.value };
  }
  const given = [...document.querySelectorAll("#codes select")].filter((one) => one.value !== "");
  return { slip, scores: given.map((one) => ({ code: one.dataset.code, aspect: one.dataset.aspect, value: Number(one.value) })) };
}

$("codes").addEventListener("change", (e) => {
  $("said").textContent = ""; // what was told is being mended
  if (e.target.name === "code") $("hand-in").textContent = `Hand in ${e.target.value}`;
});
wireDoor($("slip-form"), "/api/taste", () => ({ slip: $("slip").value }), show);
wireDoor($("answer-form"), "/api/taste/answer", handedIn, show);
// The word stands behind the address's "#", which a browser sends to nobody; here it is taken out of sight at once.
const word = location.hash.slice(1);
if (word) {
  history.replaceState(null, "", location.pathname);
  $("slip").value = word;
  $("slip-form").requestSubmit();
}
