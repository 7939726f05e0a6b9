"""The application: sampler, recorder, journal and uplink, wired together. All hardware and files are handed in."""

import asyncio
import gc
import json

from micropython import const

from pitlogger import FIRMWARE, forget
from pitlogger.care import Care, Health, Senses
from pitlogger.chips import table
from pitlogger.journal import Journal
from pitlogger.log import Log
from pitlogger.recorder import Recorder
from pitlogger.sampler import Sampler
from pitlogger.timebase import Anchors, Uptime

_WATCH_MS = const(1000)
_LINES, _LINE = const(3), const(60)  # complaints told in the state, and characters of each
_NOTES = const(5)  # that are remembered
_RATE_BYTES = const(2000)  # some frames: from then on the rate is worth telling


class App:
    """One logger.

    ``settings`` and ``complaints`` as ``settings.read`` gives them; ``chips`` a driver or None for each channel;
    ``clock`` a module with ``ticks_ms``, ``ticks_add`` and ``ticks_diff``; ``cause`` of this boot as in WIRE.md section
    3; ``wlan`` a station or None; ``watchdog`` something to ``feed`` or None. The journal's folder is in ``settings``.
    ``console`` is (standard input, standard output) as in ``sys`` or None; ``file`` is where the settings are kept.
    ``care`` is a ``care.Care`` where the caller has one already; ``senses`` a ``care.Senses``; ``ap`` an access point
    or None.
    """

    def __init__(
        self, settings, complaints, chips, logger, clock, cause, wlan, watchdog, console=None, file="config.json",
        care=None, senses=None, ap=None, set_clock=None
    ):
        self.care = care or Care(cause)
        self._networks = (wlan, ap, settings, logger, clock, set_clock, self)
        self.radio = None if self.care.safe else _radio(*self._networks)  # what may be at fault is not even loaded
        if self.radio is not None:
            self.radio.load()
        if console is not None and settings["usb"]:
            import pitlogger.usb  # noqa: F401  # before anything large is made: to compile a module takes room

        self._settings = settings
        self._complaints = _few(complaints)
        self._table = table(settings["channels"])
        self._clock = clock
        self.uptime = Uptime(clock)
        self.log = Log(self.uptime)
        self._senses = senses or Senses()
        newest = settings["keep"] == "newest"
        self.journal = Journal(settings["journal"], logger, settings["journal_kb"] * 1024, newest)
        self.anchors = Anchors(self.journal.boot)
        self.sampler = Sampler(chips, settings["period_ms"], settings["frame_ticks"], clock, self.uptime, self._on_tick)
        self.recorder = Recorder(self.sampler, self.journal, logger, self._table, settings, self.uptime, self._tell)
        self.notes = []  # [uptime, kind, text, mark] of the last ones: the page shows them, whenever it is opened
        self._health = Health(self.sampler, settings["period_ms"], clock, watchdog, self.care, self.log)
        self._well = asyncio.Event()  # safe mode, if there was one, is over
        self._words = None  # how the chips were when they were last looked at
        self.net = self.uplink = self.local = self.hotspot = None
        self.file = file
        self.usb = self.panel = None
        if console is not None and settings["usb"]:
            from pitlogger.usb import Usb  # a board that is not asked by this road does not pay for it

            self.usb = Usb(console[0], console[1], self.journal, logger, settings["secret"], clock, self)
        for line in complaints:
            self.log.add(line)
        self._record_boot()

    async def run(self):
        """Run for ever. Any exception that gets out of here is a fault of the firmware: the caller resets the board."""
        self.sampler.configure()
        tasks = [self.sampler.run(), self.recorder.run(), self._watch(), self._network()]
        if self.usb is not None:
            tasks.append(self.usb.run())
        if self.panel is not None:
            tasks.append(self.panel.run())
        await asyncio.gather(*tasks)

    @property
    def lost(self):
        """Frames given up, in this boot and those before."""
        return self.recorder.lost

    # -- what the uplink and USB ask for ------------------------------------------------------------------------------

    def now(self):
        """The ``now`` message of WIRE.md section 5."""
        sampler = self.sampler
        codes = [sampler.last(i) for i in range(len(self._table))]
        return _message(
            {"boot": self.journal.boot, "up": sampler.last_uptime(), "table": list(self._table), "codes": codes}
        )

    def state(self):
        """The ``state`` message, and four members of our own: ``settings`` (the first complaints); ``refused`` and
        ``denied`` (messages from the host that made no sense, or came without a code made with our secret, since the
        radio last became a guest); ``trouble`` (why the connection before this one ended)."""
        settings, journal, uplink = self._settings, self.journal, self.uplink
        return _message(
            {
                "online": True,
                "boot": journal.boot,
                "up": self.uptime.now(),
                "name": settings["name"],
                "firmware": FIRMWARE,
                "period_ms": settings["period_ms"],
                "table": list(self._table),
                "missed": self.sampler.missed,
                "journal": {
                    "first": journal.first,
                    "next": journal.next,
                    "cursor": journal.cursor,
                    "lost": self.lost,
                    "ok": journal.ok,
                    "free_kb": journal.free() // 1024,
                    "hours": self.hours(),
                },
                "anchor": self.anchors.best,
                "settings": self._complaints,
                "auth": bool(settings["secret"]),
                "denied": uplink.denied if uplink else 0,
                "refused": uplink.refused if uplink else 0,
                "trouble": uplink.trouble[:_LINE] if uplink else "",
                "chips": self._chip_words(),
                "safe": self.care.safe,
                "board": self._senses.read(),
            }
        )

    def hours(self):
        """Return how many hours of frames the journal can still take at the rate of this boot so far, to a tenth.

        None while that rate is not known.
        """
        journal = self.journal
        if journal.written < _RATE_BYTES:
            return None
        return self.uptime.now() // 1000 * journal.free() // journal.written // 360 / 10

    def will(self):
        """The last will: what the broker says for us when we are gone."""
        return _message({"online": False, "boot": self.journal.boot})

    def mark(self):
        """Something that changes when the state is worth telling before its time."""
        return (
            self.sampler.missed, self.lost, self.journal.ok, self.anchors.best,
            self.uplink.denied if self.uplink else 0, self.sampler.changes,
        )

    def order(self, message):
        """Do what the host orders; an order that is not known is left alone. ValueError on one that cannot be."""
        if message["order"] == "time":
            self._record_anchor(self.anchors.answer(message, self.uptime.now()))
        elif message["order"] == "sound" and self.panel is not None:
            self.panel.sound(message["pattern"], message["s"])

    def settings(self):
        """The settings of this boot, with secrets."""
        return self._settings

    async def set(self, given):
        """Put whole settings in place for the next start; return what is wrong with them, then nothing was done."""
        for left in (2, 1, 0):
            try:
                changed, wrong = await self._change(given)
                break
            except MemoryError:  # the radio may be at a change of part, which takes room for a moment
                if not left:
                    raise
                gc.collect()
                await asyncio.sleep_ms(1000)
        if changed is not None:
            self.recorder.event("setting", {"keys": changed, "from": "usb"}, self.uptime.now())
        return wrong

    async def _change(self, given):
        """Do it with modules that are loaded for that, one after a tick."""
        pause = self.sampler.after_tick
        try:
            await pause()
            import pitlogger.settings  # noqa: F401

            await pause()
            from pitlogger.amend import change

            return await change(self.file, given, self._settings, pause)
        finally:
            forget(("amend", "settings"))

    def anchor(self, anchor):
        """Take an anchor of another source than the host's order: {"up", "utc_ms", "err_ms", "from"}."""
        self._record_anchor(self.anchors.take(anchor, self.uptime.now()))

    def _record_anchor(self, anchor):
        if anchor is not None:
            if self.net is not None:
                self.net.tell_time(anchor)
            fields = {"utc_ms": anchor["utc_ms"], "err_ms": anchor["err_ms"], "from": anchor["from"]}
            self.recorder.event("anchor", fields, anchor["up"])

    # -- what the hotspot's page asks for -----------------------------------------------------------------------------

    def follow(self):
        """Begin to make degrees of the ticks, if that has not begun: a board that shows them to nobody does not pay."""
        if self.local is None:
            from pitlogger.local import Local

            self.local = Local(self.sampler, self._table, self._settings)
            asyncio.create_task(self.local.run())
            asyncio.create_task(self.local.remember(self.journal, self.journal.boot, self.care.cause))

    def brief(self):
        """How the logger is, as the page shows it beside its channels."""
        settings, journal, anchor = self._settings, self.journal, self.anchors.best
        return {
            "v": 1,
            "name": settings["name"],
            "units": settings["units"],
            "boot": journal.boot,
            "up": self.uptime.now(),
            "period_ms": settings["period_ms"],
            "missed": self.sampler.missed,
            "lost": self.lost,
            "ok": journal.ok,
            "waiting": journal.next - journal.cursor,
            "hours": self.hours(),
            "anchor": anchor,
            "safe": self.care.safe,
        }

    def note(self, kind, text, uptime, mark=None):
        """Journal what a person did or saw; return its uptime, None if it is not on flash. One that comes again with
        its mark, because the answer to it was lost, is there already. A save follows: what a person saw is in the ticks
        around it, and a box that has no more than a button is switched off after a note."""
        for known in self.notes:
            if mark is not None and known[3] == mark:
                return known[0]
        self.notes.append((uptime, kind, text[:40], mark))
        written = False
        try:
            self.recorder.ask()  # like the line above before it is on flash: what takes memory may fail, and then the
            written = self.recorder.event("note", {"kind": kind, "text": text}, uptime)  # note is asked for again
        finally:
            if not written:
                self.notes.pop()
        if len(self.notes) > _NOTES:
            self.notes.pop(0)
        return uptime if written else None

    def phone(self, answer):
        """Take the time from a phone, said as the host says it. ValueError if it cannot be."""
        self._record_anchor(self.anchors.answer(answer, self.uptime.now(), "phone"))

    # -- tasks --------------------------------------------------------------------------------------------------------

    def _on_tick(self):
        if self.uplink is not None:
            self.uplink.tick()
        if self.usb is not None:
            self.usb.tick()
        if self.panel is not None:
            self.panel.tick()
        if self.local is not None:
            self.local.tick()

    async def _watch(self):
        """Feed the watchdog while all is well, and log what the chips do."""
        while True:
            if self._health.look():
                self._well.set()
                self._tell()
            try:
                self._log_chips()
            except MemoryError:  # a line less
                gc.collect()
            await asyncio.sleep_ms(_WATCH_MS)

    def _log_chips(self):
        words = self._chip_words()
        for i, word in enumerate(words):
            if self._words is not None and word != self._words[i]:
                self.log.add("channel %d: %s" % (i, word))
        self._words = words

    async def _network(self):
        """All that has to do with a network; in safe mode when that is over."""
        if self.care.safe:
            await self._well.wait()
            self.radio = _radio(*self._networks)
        if self.radio is not None:
            await self.radio.run()

    def take(self, net, hotspot):
        """The radio has another part: one of the two, or None of them."""
        self.net, self.hotspot = net, hotspot
        self.uplink = None if net is None else net.uplink
        if net is not None and self.anchors.best is not None:
            net.tell_time(self.anchors.best)

    def _chip_words(self):
        return [self.sampler.word(i) for i in range(len(self._table))]

    def _record_boot(self):
        """Journal and log how this boot came about."""
        fields = {"firmware": FIRMWARE, "cause": self.care.cause, "name": self._settings["name"]}
        fields.update(self.care.fields())
        self.log.add("boot %d, %s" % (self.journal.boot, self.care.cause))
        for item in self.care.fields().items():
            self.log.add("%s: %s" % item)
        self.recorder.event("boot", fields, self.uptime.now())

    def _tell(self):
        if self.uplink is not None:
            self.uplink.wake()
        if self.usb is not None:
            self.usb.wake()


def _radio(wlan, ap, settings, logger, clock, set_clock, app):
    """Return the radio, None where there is none."""
    if wlan is None and ap is None:
        return None
    from pitlogger.radio import Radio

    return Radio(wlan, ap, settings, logger, clock, set_clock, app)


def _few(lines):
    """Return the first lines, cut short: the state, which the broker keeps, is to stay under 1.5 KB."""
    few = [line[:_LINE] for line in lines[:_LINES]]
    if len(lines) > _LINES:
        few.append("and %d more, on the console" % (len(lines) - _LINES))
    return few


def _message(body):
    body["v"] = 1
    return json.dumps(body, separators=(",", ":")).encode()
