// Talking to the host: JSON in and out, and the event stream with a watch on its silence.

/**
 * The host said no, or nothing: `unheard` is true where what was sent may not have been taken in at all; `field` names
 * the one of what was sent that cannot be.
 */
export class Refused extends Error {
  constructor(words, unheard = false, field = null) { super(words); this.unheard = unheard; this.field = field; }
}

const PATIENCE_MS = 10000;

async function read(response) {
  let body = null;
  try { body = await response.json(); } catch { /* told below */ }
  if (response.status === 401 && body?.enter) location.assign(body.enter); // the session is over
  if (!response.ok) throw new Refused(body?.error ?? `the host answered ${response.status}`, response.status >= 500, body?.field);
  return body;
}

async function ask(url, init) {
  let response;
  try { response = await fetch(url, { signal: AbortSignal.timeout(PATIENCE_MS), ...init }); } catch { throw new Refused("no contact with the host", true); }
  return read(response);
}

/** `patience`: ms within which it must be there; what reads a year of cooks takes its time. */
export const get = (url, patience = PATIENCE_MS) => ask(url, { signal: AbortSignal.timeout(patience) });
export const send = (method, url, body) => ask(url, {
  method, headers: { "Content-Type": "application/json" }, body: JSON.stringify(body ?? {}),
});
/** A file as it is: a phone's photo takes its time over a weak network. */
export const sendFile = (url, file) => ask(url, {
  method: "POST", headers: { "Content-Type": file.type }, body: file, signal: AbortSignal.timeout(180000),
});

const SILENCE_MS = 10000;

/**
 * Listen to the host. `on.snapshot(s)`, `on.change(parts)`, `on.beat({now})`, `on.contact(bool)`.
 * The host sends a beat every few seconds; ten seconds without anything is told as a lost contact, whatever the
 * browser thinks of the connection.
 */
export function listen(on) {
  let source = null;
  let heard = performance.now();
  let contact = true;
  const hear = () => {
    heard = performance.now();
    if (!contact) { contact = true; on.contact(true); }
  };
  const open = () => {
    source = new EventSource("/api/events");
    source.addEventListener("snapshot", (e) => { hear(); on.snapshot(JSON.parse(e.data)); });
    source.addEventListener("change", (e) => { hear(); on.change(JSON.parse(e.data)); });
    source.addEventListener("beat", (e) => { hear(); on.beat(JSON.parse(e.data)); });
  };
  open();
  setInterval(() => {
    if (performance.now() - heard <= SILENCE_MS) return;
    if (contact) { contact = false; on.contact(false); }
    // A stream that hangs half open never reports an error: begin anew.
    if (source.readyState === EventSource.CLOSED || performance.now() - heard > 3 * SILENCE_MS) {
      source.close();
      heard = performance.now() - SILENCE_MS - 1;
      open();
    }
  }, 1000);
  addEventListener("pagehide", () => source.close());
}
