// One cook, live or past: asks the host, listens to it, and hands each snapshot to those who show it.

import { get, listen } from "./api.js";
import { showAnswers, say } from "./answers.js";
import { el } from "./el.js";
import { showTroubles } from "./troubles.js";
import { openNote, wireNotes, showNotes, offerKept } from "./notes.js";
import { follow, redraw, wireChart } from "./chart.js";
import { stylesOf } from "./chartlook.js";
import { showDetails, unfold, wireDetails } from "./details.js";
import { wirePaper } from "./paper.js";
import { wirePlaces } from "./places.js";
import { wireSettings } from "./settings.js";
import { showAlerts, wireAlerts } from "./alerts.js";
import { showPhotos, wirePhotos } from "./photos.js";
import { showScores, wireScores } from "./scores.js";
import { wireEnds } from "./ends.js";
import { hostTime } from "./hosttime.js";
import { showStart, wireStart } from "./start.js";
import { wireUnits, onUnit, fixOffset, clocksChange } from "./units.js";

const $ = (id) => document.getElementById(id);
const asked = location.pathname.match(/^\/cook\/(\d+)$/)?.[1] ?? null;
// now: the host's time, carried on by this machine's clock while nothing is heard; aged: whether ages can be told.
const view = { snap: null, now: 0, contact: true, past: false, aged: true };

const time = hostTime();

function hearTime(now) {
  view.now = time.hear(now);
  view.aged = true;
  document.documentElement.dataset.clock = time.asOurs() ? "as ours" : "other";
}

function carryOn() {
  view.aged = time.asOurs();
  if (view.aged) view.now = time.carried();
}

function show(chart = true) {
  const { snap } = view;
  if (!snap) return;
  view.past = snap.cook !== null && snap.cook.ended !== null;
  $("cook-view").hidden = snap.cook === null;
  $("start-view").hidden = snap.cook !== null;
  if (snap.cook) showClocks(snap.cook);
  showTroubles(view);
  showAnswers(view, stylesOf(snap.places));
  if (snap.cook === null) { document.title = "Pitscribe"; showStart(); return; }
  showNotes(view);
  showDetails(view);
  showAlerts(view);
  showScores(view);
  showPhotos(view);
  say(view);
  if (chart) follow(view);
}

function showClocks(cook) {
  fixOffset(cook.started);
  const zone = clocksChange(cook.started, cook.ended ?? view.now);
  $("clock-said").hidden = !zone;
  if (zone) $("clock-said").textContent = `The clocks change within this cook. All its times here are by the clock at its start, ${zone}.`;
}

function take(snap) {
  // A page that shows one cook leaves snapshots of another alone, and its own clock goes on.
  hearTime(snap.now);
  if (asked !== null && String(snap.cook?.id) !== asked) return;
  // Whoever watched a cook that has ended meanwhile goes on looking at it.
  if (asked === null && snap.cook === null && view.snap?.cook) { location.replace(`/cook/${view.snap.cook.id}`); return; }
  view.snap = snap;
  show();
}

async function fetchSnapshot() {
  try {
    const snap = await get(asked === null ? "/api/snapshot" : `/api/snapshot?cook=${asked}`);
    take(snap);
  } catch (e) {
    if (!view.snap) $("troubles").replaceChildren(el("p", `The host does not tell: ${e.message}`, { class: "trouble bad" }));
  }
}

// What the stream has told so far: a change of it is against that, whatever was asked for besides.
let streamed = null;

function wireLive() {
  listen({
    snapshot: (snap) => { streamed = snap; take(snap); },
    change: (parts) => { streamed = { ...streamed, ...parts }; take(streamed); },
    beat: ({ now }) => { hearTime(now); show(false); },
    contact: (there) => {
      view.contact = there;
      if (!there) carryOn();
      show(false);
      redraw();
      if (there) fetchSnapshot().then(offerKept);
    },
  });
  setInterval(() => { if (!view.contact) { carryOn(); show(false); } }, 5000);
}

$(asked === null ? "nav-live" : "main").setAttribute(...(asked === null ? ["aria-current", "page"] : ["data-cook", asked]));
wireUnits();
onUnit(() => { show(false); redraw(); });
wireNotes({ view: () => view, changed: fetchSnapshot });
wireChart();
wireDetails();
wireAlerts();
wireScores();
wirePhotos(fetchSnapshot);
document.addEventListener("open-note", (e) => openNote(e.detail));
document.addEventListener("unfold", (e) => unfold(e.detail));
wireSettings(view, fetchSnapshot);
wirePlaces(view, fetchSnapshot);
wireEnds(view);
wirePaper(view, () => show(false));
wireStart(fetchSnapshot);
await fetchSnapshot();
wireLive();
offerKept();
