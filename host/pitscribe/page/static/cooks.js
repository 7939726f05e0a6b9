// The list of cooks, newest first: find, lay some beside each other, take one away; each opens in the live cooks' view.
// What is asked for stands in the address, so that it can be sent on, and the browser's way back works.

import { get, send } from "./api.js";
import { el } from "./el.js";
import { wireUnits, onUnit, clock, dayClock, delta, isF, span, temp, unitName } from "./units.js";

const $ = (id) => document.getElementById(id);
const MOST = 4; // that one can still tell apart
const form = $("cooks-find");
const ASKS = ["words", "state", "year", "scored", "cut", "trial", "logger"];
const chosen = new Set(), spreads = new Map();
let answer = null, turn = 0;

// what is asked for, in the address and in the form

const page = () => Number(new URLSearchParams(location.search).get("page") ?? 1) || 1;
const field = (name) => form.elements.namedItem(name);

/** The address of what the form asks for. */
function address(number = 1) {
  const asked = new URLSearchParams();
  for (const name of ASKS) if (field(name).value.trim()) asked.set(name, field(name).value.trim());
  if (number > 1) asked.set("page", number);
  return `/cooks${asked.size ? `?${asked}` : ""}`;
}

function fillForm() {
  const asked = new URLSearchParams(location.search);
  for (const name of ASKS) {
    const value = asked.get(name) ?? "", input = field(name);
    if (input.matches("select") && ![...input.options].some((o) => o.value === value)) input.append(el("option", value, { value }));
    input.value = value;
  }
}

/** Put what there is to choose from into a select; one that leaves no choice is not shown. */
function offer(name, options, any) {
  const select = field(name), held = select.value;
  select.replaceChildren(el("option", any, { value: "" }), ...options.map(([value, text]) => el("option", text, { value })));
  if (held && !options.some(([value]) => String(value) === held)) select.append(el("option", held, { value: held }));
  select.value = held;
  select.closest(".field").hidden = options.length < 2 && !held;
}

function offerAll({ years, cuts, trials, loggers }) {
  offer("year", years.map((y) => [y, y]), "any");
  offer("cut", cuts.map((c) => [c, c]), "any");
  offer("logger", loggers.map((l) => [l.id, l.name]), "any");
  offer("trial", trials.map((t) => [t.id, t.name]), "any");
  if (trials.length === 1) field("trial").closest(".field").hidden = false; // in it or not is a choice
}

const chosenText = (name) => field(name).selectedOptions[0].textContent;

/** What is asked for, in words that follow "No cook ". */
function askedFor() {
  const words = field("words").value.trim(), said = [];
  if (words) said.push(`has “${words}”`);
  if (field("cut").value) said.push(`has the cut “${chosenText("cut")}”`);
  if (field("year").value) said.push(`is of ${field("year").value}`);
  if (field("scored").value) said.push(field("scored").value === "yes" ? "has a score" : "has no score");
  if (field("trial").value) said.push(`is in the trial “${chosenText("trial")}”`);
  if (field("logger").value) said.push(`was read by “${chosenText("logger")}”`);
  if (field("state").value) said.push(field("state").value === "on" ? "has not ended" : "has ended");
  return said.length < 3 ? said.join(" and ") : `${said.slice(0, -1).join(", ")} and ${said.at(-1)}`;
}

// one cook

function facts(c) {
  const over = c.ended !== null, lines = [over ? `lasted ${span(c.ended - c.started)}, until ${clock(c.ended, c.started)}` : "not ended"];
  if (c.overall) {
    const { points, most, words, remark } = c.overall;
    lines.push(`overall ${Number(points.toFixed(1))} of ${most}: ${remark ? `“${remark}”` : words}`);
  }
  const more = [`${c.notes} ${c.notes === 1 ? "note" : "notes"}`];
  if (c.target_c !== null) more.push(`target ${temp(c.target_c)} ${unitName()}`);
  return [...lines, [...more, ...c.meats].join(", ")];
}

function tellSpread(line, spread) {
  const u = unitName();
  line.removeAttribute("data-waits");
  line.textContent = spread === null ? "no spread: fewer than two meat places"
    : `spread up to ${delta(spread.greatest_k)} ${u}${spread.degree_hours > 0 ? `, ${delta(spread.degree_hours)} ${u}·h above ${delta(spread.limit_k)}` : ""}`;
}

// A whole cook is read for its spread, so that is asked for when the card is near.
const near = new IntersectionObserver((seen) => {
  for (const { isIntersecting, target } of seen) {
    if (!isIntersecting) continue;
    near.unobserve(target);
    get(`/api/cooks/${target.dataset.cook}/glance`).then(({ spread }) => {
      spreads.set(target.dataset.cook, spread);
      tellSpread(target, spread);
    }).catch((e) => { target.textContent = e.message; });
  }
}, { rootMargin: "300px" });

function card(c) {
  const li = el("li"), a = el("a", null, { href: `/cook/${c.id}` });
  const picture = el("img", null, { src: `/api/cooks/${c.id}/picture.svg`, alt: "", loading: "lazy", width: 240, height: 80 });
  const lines = facts(c).map((text) => el("span", text, { class: "fact" })), spread = el("span", "spread …", { class: "fact", "data-cook": c.id, "data-waits": "" });
  if (spreads.has(String(c.id))) tellSpread(spread, spreads.get(String(c.id))); else near.observe(spread);
  lines.splice(1, 0, spread);
  a.append(picture, el("b", c.name), el("span", dayClock(c.started), { class: "quiet" }), ...lines);
  const row = el("p", null, { class: "row" }), label = el("label"), box = el("input", null, { type: "checkbox" });
  box.checked = chosen.has(c.id);
  box.addEventListener("change", () => { if (box.checked) chosen.add(c.id); else chosen.delete(c.id); showChosen(); });
  label.append(box, ` compare`, el("span", ` ${c.name}`, { class: "unseen" }));
  row.append(label, el("a", "Report", { href: `/cook/${c.id}/report?unit=${isF() ? "F" : "C"}`, "aria-label": `Report of ${c.name}` }));
  if (c.ended !== null) {
    const away = el("button", "Take away", { type: "button", class: "plain", "aria-label": `Take away ${c.name}` });
    away.addEventListener("click", () => askDrop(c));
    row.append(away);
  }
  li.append(a, row);
  return li;
}

// the list

function showChosen() {
  const n = chosen.size, link = $("cooks-compare");
  link.hidden = n < 2 || n > MOST;
  link.href = `/compare?cooks=${[...chosen].join(",")}&unit=${isF() ? "F" : "C"}`;
  link.textContent = `Lay ${n} cooks beside each other`;
  $("cooks-none").hidden = n === 0;
  $("cooks-chosen").textContent = n === 1 ? "1 chosen; choose one more to compare." : n > MOST ? `${n} chosen: ${MOST} are the most.` : "";
}

function showPages() {
  $("cooks-pages").hidden = answer.pages === 1;
  $("cooks-page").textContent = `Page ${answer.page} of ${answer.pages}`;
  for (const [id, number] of [["cooks-newer", answer.page - 1], ["cooks-older", answer.page + 1]]) {
    const there = number >= 1 && number <= answer.pages;
    $(id).hidden = !there;
    if (there) { $(id).href = address(number); $(id).dataset.page = number; }
  }
}

function show() {
  if (!answer) return;
  const { found, all, cooks } = answer;
  near.disconnect();
  $("cooks").replaceChildren(...cooks.map(card));
  const sum = `${all} ${all === 1 ? "cook" : "cooks"}, the newest first`;
  $("cooks-said").textContent = !all ? "None yet. The live page starts one."
    : found === all ? sum : found ? `${found} of ${sum}` : `No cook ${askedFor()}.`;
  $("cooks-clear").hidden = found === all;
  showPages();
  showChosen();
}

/** Ask for what the address says. */
async function load() {
  const mine = ++turn, asked = new URLSearchParams(location.search);
  for (const [name, value] of [...asked]) if (value === "") asked.delete(name);
  asked.set("page", page());
  try {
    const told = await get(`/api/cooks?${asked}`);
    if (mine !== turn) return; // something else is asked for meanwhile
    answer = told;
    spreads.clear();
    offerAll(told.choices);
    show();
  } catch (e) {
    if (mine !== turn) return;
    $("cooks-said").textContent = e.message;
    $("cooks-clear").hidden = false;
    $("cooks").replaceChildren();
    $("cooks-pages").hidden = true;
  }
}

/** Go where the form, or a page's number, leads: what is typed on does not fill the browser's way back. */
function go(to, typing = false) {
  if (to === `${location.pathname}${location.search}`) return;
  history[typing ? "replaceState" : "pushState"](null, "", to);
  load();
}

// taking one away

const dialog = $("drop-dialog");
let leaving = null;
async function askDrop(c) {
  leaving = c;
  const yes = $("drop-yes");
  $("drop-h").textContent = `Take away “${c.name}”?`;
  dialog.querySelector(".wrong").textContent = "";
  try {
    const { words } = await get(`/api/cooks/${c.id}/leaving`);
    $("drop-words").textContent = `The cook of ${dayClock(c.started)} goes for good, with ${words}. What the loggers read stays in the ledger. Nothing brings the rest back.`;
    yes.hidden = false;
  } catch (e) {
    $("drop-words").textContent = `It stays: ${e.message}.`;
    yes.hidden = true;
  }
  dialog.showModal();
}

$("drop-form").addEventListener("submit", async (e) => {
  e.preventDefault();
  try {
    const { name, words } = await send("DELETE", `/api/cooks/${leaving.id}`);
    chosen.delete(leaving.id);
    dialog.close();
    await load();
    $("cooks-dropped").textContent = `“${name}” is gone, with ${words}.`;
    $("main").focus();
  } catch (error) { dialog.querySelector(".wrong").textContent = error.message; }
});
$("drop-no").addEventListener("click", () => dialog.close());

let typing = null;
form.addEventListener("submit", (e) => { e.preventDefault(); go(address()); });
form.addEventListener("change", (e) => { if (e.target.name !== "words") go(address()); });
field("words").addEventListener("input", () => { clearTimeout(typing); typing = setTimeout(() => go(address(), true), 250); });
$("cooks-clear").addEventListener("click", (e) => { e.preventDefault(); clearTimeout(typing); form.reset(); for (const name of ASKS) field(name).value = ""; go("/cooks"); });
$("cooks-none").addEventListener("click", () => { chosen.clear(); show(); });
for (const id of ["cooks-newer", "cooks-older"]) $(id).addEventListener("click", (e) => { e.preventDefault(); go(address(Number($(id).dataset.page))); scrollTo(0, 0); $("main").focus({ preventScroll: true }); });
addEventListener("popstate", () => { fillForm(); load(); });
$("nav-cooks").setAttribute("aria-current", "page");
wireUnits();
onUnit(show);
fillForm();
await load();
