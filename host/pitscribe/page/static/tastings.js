// The blind tastings of a trial, for the one who sets them out: slips, answers that were told, and the closing. What is
// shown here names codes and never says which sample one of them is; the plating list alone does, on a page of its own.

import { get, send } from "./api.js";
import { el } from "./el.js";
import { numberOf, offer, wireForm } from "./forms.js";
import { dayClock } from "./units.js";

const $ = (id) => document.getElementById(id);
const TYPING_MS = 300, LOOK_MS = 3000;
let base = "", again = null, trial = null, asked = 0, shown = "", goesOn = false;
const closing = new Set(); // of which tastings the fold that closes them is open

const nameOf = (p) => (p.place ? `${p.name}, ${p.place}` : p.name);
const kind = () => document.querySelector('[name="kind"]:checked').value;

function slipRow(one, slip) {
  const tr = el("tr"), said = el("td"), open = one.closed === null;
  tr.append(el("th", String(slip.taster), { scope: "row" }), el("td", slip.codes.join(" ")), said);
  if (slip.said !== null) {
    said.append(el("span", `${slip.said} `));
    if (open) {
      const back = el("button", "Take back", { type: "button", class: "plain", "aria-label": `Take back what taster ${slip.taster} said` });
      back.addEventListener("click", () => act(one, () => send("DELETE", `${base}/tastings/${one.id}/answers/${slip.taster}`)));
      said.append(back);
    }
  } else if (open) {
    // In a window of its own: from the taster's form no way leads back to this page.
    said.append(el("a", "Open its form", { href: `/taste#${slip.word}`, target: "_blank", rel: "noopener", "aria-label": `Open the form of taster ${slip.taster}` }), el("span", ` ${slip.word}`, { class: "quiet word" }));
  } else said.append(el("span", "no answer", { class: "quiet" }));
  return tr;
}

function slipTable(one) {
  const table = el("table"), head = el("tr"), body = el("tbody"), thead = el("thead");
  head.append(...["Taster", "Codes, left to right", "Said"].map((h) => el("th", h, { scope: "col" })));
  thead.append(head);
  body.append(...one.slips.map((slip) => slipRow(one, slip)));
  table.append(el("caption", `Slips of tasting ${one.id}`, { class: "unseen" }), thead, body);
  return table;
}

/** For what a taster wrote on paper: who, and which code. */
function answerForm(one) {
  const left = one.slips.filter((s) => s.said === null);
  if (one.closed !== null || one.kind === "rating" || !left.length) return null;
  const form = el("form", null, { class: "row", novalidate: "" }), who = el("select", null, { id: `who-${one.id}` }), code = el("select", null, { id: `code-${one.id}` });
  offer(who, left.map((s) => [s.taster, `taster ${s.taster}`]));
  const codes = () => offer(code, [["", "–"], ...left.find((s) => s.taster === Number(who.value)).codes.map((c) => [c, c])]);
  who.addEventListener("change", codes);
  codes();
  for (const [field, label, control] of [["taster", "From paper: who", who], ["code", "named", code]]) {
    const p = el("p", null, { class: "field", "data-field": field });
    p.append(el("label", label, { for: control.id }), control);
    form.append(p);
  }
  form.append(el("button", "Write it down"), el("p", "", { class: "wrong", role: "alert", "data-whole": "" }));
  wireForm(form, () => send("POST", `${base}/tastings/${one.id}/answers`, { taster: Number(who.value), code: code.value }), async () => {
    await again();
    ($(`who-${one.id}`) ?? $(`tasting-${one.id}`)).focus();
  });
  return form;
}

function closeFold(one) {
  if (one.closed !== null) return null;
  const fold = el("details"), left = one.slips.length - one.heard, button = el("button", "Close it", { type: "button" });
  fold.open = closing.has(one.id);
  fold.addEventListener("toggle", () => { if (fold.open) closing.add(one.id); else closing.delete(one.id); });
  fold.append(el("summary", "Close this tasting"), el("p", `${left ? `${left} ${left === 1 ? "taster has" : "tasters have"} not answered. ` : ""}It is judged by the answers that are in, and none comes in or is taken back after that.`, { class: "quiet" }), button);
  button.addEventListener("click", () => act(one, () => send("POST", `${base}/tastings/${one.id}/close`)));
  return fold;
}

function tasting(one) {
  const box = el("article", null, { id: `tasting-${one.id}`, tabindex: "-1", "aria-labelledby": `tasting-${one.id}-name` }), links = el("p", null, { class: "row" });
  for (const [words, path] of [["Slips, to print", "slips"], ["Which code is which, for the one who plates", "plating"]]) links.append(el("a", words, { href: `/trial/${trial.id}/${path}?tasting=${one.id}`, target: "_blank", rel: "noopener" }));
  box.append(el("h3", `Tasting ${one.id}: ${one.kind}${one.asks ? ` in ${one.asks}` : ""}`, { id: `tasting-${one.id}-name` }), el("p", one.words, { role: "status" }), links);
  const fold = el("details"), trace = one.undone.map((u) => el("li", `taster ${u.taster}: ${u.said}, taken back ${dayClock(u.at)}`));
  fold.open = one.closed === null;
  fold.append(el("summary", `Slips and answers: ${one.heard} of ${one.slips.length}`), slipTable(one));
  if (trace.length) { const list = el("ul", null, { class: "quiet small" }); list.append(...trace); fold.append(list); }
  fold.append(...[answerForm(one)].filter(Boolean));
  box.append(fold, ...[closeFold(one)].filter(Boolean), el("p", "", { class: "wrong", role: "alert" }));
  return box;
}

async function act(one, work) {
  try {
    await work();
    await again();
    $(`tasting-${one.id}`).focus();
  } catch (e) { $(`tasting-${one.id}`).lastElementChild.textContent = e.message; }
}

const whole = () => trial.pieces.filter((p) => p.dropped === null);

function showList(tastings) {
  shown = JSON.stringify(tastings);
  goesOn = tastings.some((one) => one.closed === null);
  $("tastings").replaceChildren(...(tastings.length ? [...tastings].reverse().map(tasting) : [el("p", whole().length < 2 ? "None yet: a tasting is of two pieces." : "None yet.", { class: "quiet" })]));
}

/** What guests hand in meanwhile comes by itself, but never under the hands of who is at work in the list. */
async function look() {
  const at = document.activeElement, busy = $("tastings").contains(at) && at.matches("a, button, select, summary");
  if (!goesOn || busy || document.hidden) return;
  try {
    const { tastings } = await get(`${base}/tastings`);
    if (JSON.stringify(tastings) !== shown && at === document.activeElement) showList(tastings);
  } catch { /* the next look may hear more */ }
}

/** Show the tastings of a trial, and whose pieces another can be set out of. */
export async function showTastings(now) {
  trial = now;
  const { tastings } = await get(`${base}/tastings`), pieces = whole();
  showList(tastings);
  $("set-out-box").hidden = pieces.length < 2;
  const some = pieces.map((p) => [p.id, `${nameOf(p)}: ${p.level}`]), fresh = $("set-out-first").options.length === 0;
  offer($("set-out-first"), some);
  offer($("set-out-second"), some);
  if (fresh && some.length > 1) $("set-out-second").value = pieces.find((p) => p.level !== pieces[0].level)?.id ?? pieces[1].id;
  showKind();
}

const chosen = (id) => $(id).selectedOptions[0];
function showKind() {
  $("set-out-pair").hidden = kind() !== "paired";
  offer($("set-out-expects"), [["", "nobody can say"], ...["set-out-first", "set-out-second"].map(chosen).filter(Boolean).map((o) => [o.value, o.textContent])]);
  showOutlook();
}

async function showOutlook() {
  const mine = (asked += 1), tasters = numberOf($("set-out-tasters").value);
  let words = "";
  if (typeof tasters === "number") {
    const query = new URLSearchParams({ kind: kind(), tasters, expected: $("set-out-expects").value && kind() === "paired" ? 1 : 0 });
    try { ({ words } = await get(`/api/tastings/outlook?${query}`)); } catch { /* told when the form is sent */ }
  }
  if (mine === asked) $("set-out-outlook").textContent = words && `${words[0].toUpperCase()}${words.slice(1)}.`;
}

/** Wire the form; `show()` reads the whole trial anew. */
export function wireTastings(url, show) {
  base = url;
  again = show;
  const form = $("set-out");
  offer($("set-out-asks"), ["moisture", "tenderness", "bark", "flavour", "overall"].map((a) => [a, a]));
  let typing = null;
  setInterval(look, LOOK_MS);
  form.addEventListener("change", showKind);
  form.addEventListener("input", () => { clearTimeout(typing); typing = setTimeout(showOutlook, TYPING_MS); });
  wireForm(form, () => {
    const pair = kind() === "paired" ? { asks: $("set-out-asks").value } : {};
    if (kind() === "paired" && $("set-out-expects").value) pair.expects = Number($("set-out-expects").value);
    return send("POST", `${base}/tastings`, {
      kind: kind(), first: Number($("set-out-first").value), second: Number($("set-out-second").value), tasters: numberOf($("set-out-tasters").value), ...pair,
    });
  }, async (made) => {
    $("set-out-box").open = false;
    await again();
    $(`tasting-${made.id}`).focus();
  });
}
