"""What the hotspot's page is told, and what it may tell us: present values, trend, notes, the phone's time.

``/now`` is JSON, a piece a channel; ``/trend`` is binary, so that no turn is long. To write takes the PIN, with one
exception: a logger that knows no time takes a phone's from anybody, for without one its journal has no hours.
"""

import json
import struct

from micropython import const

from pitlogger.hmac import same
from pitlogger.request import Refused

# The ledger's kinds of note (WIRE.md section 3, event ``note``).
NOTES = ("wrap", "unwrap", "rotate", "spritz", "fuel", "lid", "ice", "boat", "pan", "pull", "hold", "text")
_TEXT_MOST = const(400)  # bytes as JSON: an event has room for 480
_MARK = const(40)  # characters of a note's mark
_POINTS = const(96)  # of the trend in a piece
_TRIES = const(5)  # wrong PINs in a row, after which none is looked at for a minute
_LOCKED_MS = const(60000)
_FILE = const(512)


class Views:
    """``app`` is the application, ``page`` the page's file, ``pin`` the text that a guest must give to write."""

    def __init__(self, app, page, pin, clock):
        self._app = app
        self._page = page
        self._pin = pin.encode()
        self._clock = clock
        self._wrong = 0
        self._locked = 0  # ticks since when no PIN is looked at
        self.asked = clock.ticks_ms()  # when somebody asked last

    def get(self, path, query):
        """Return (content type, pieces) or None."""
        self.asked = self._clock.ticks_ms()
        if path == "/":
            return "text/html; charset=utf-8", self._file()
        if path == "/now":
            return "application/json", self._now()
        if path == "/log":
            return "text/plain; charset=utf-8", ("%d s  %s\n" % line for line in self._app.log.lines())
        if path == "/journal":
            from pitlogger import record  # few will ask for it

            return record.answer(self._app.journal, query)
        if path == "/trend":
            return "application/octet-stream", self._trend(query)
        return None

    def post(self, path, body):
        """Do what a guest asks; return what is to be told, or something to await that returns it. Raises Refused."""
        self.asked = self._clock.ticks_ms()
        app = self._app
        if path == "/time":
            if app.anchors.best is not None:
                self._permit(body)
            try:
                app.phone(body)
            except ValueError as error:
                raise Refused(400, str(error))
            return {"anchor": app.anchors.best}
        if path == "/note":
            self._permit(body)
            kind, text = body.get("kind"), body.get("text", "")
            if kind not in NOTES or not isinstance(text, str) or not _fits(text):
                raise Refused(400, "a note has one of the known kinds and not too long a text")
            if kind == "text" and not text.strip():
                raise Refused(400, "the note says nothing")
            mark = body.get("mark")
            mark = mark[:_MARK] if isinstance(mark, str) else None
            uptime = app.note(kind, text.strip(), app.uptime.now(), mark)
            if uptime is None:
                raise Refused(503, "the journal cannot be written: the note is not kept")
            return {"up": uptime}
        if path == "/save":
            self._permit(body)
            return self._save()
        if path == "/pin":
            self._permit(body)
            return {}
        raise Refused(404, "there is no such page here")

    async def _save(self):
        up = await self._app.recorder.save()
        if up is None:
            raise Refused(503, "the journal cannot be written")
        return {"up": up}

    def _permit(self, body):
        """Raise Refused unless the PIN is right."""
        if self._wrong >= _TRIES:
            if self._clock.ticks_diff(self._clock.ticks_ms(), self._locked) < _LOCKED_MS:
                raise Refused(429, "too many wrong PINs: wait a minute")
            self._wrong = 0
        pin = body.get("pin")
        if not isinstance(pin, str) or not pin:
            raise Refused(403, "this takes the PIN")
        if not same(pin.encode(), self._pin):
            self._wrong += 1
            self._locked = self._clock.ticks_ms()
            raise Refused(403, "the PIN is wrong")
        self._wrong = 0

    def _file(self):
        buf = bytearray(_FILE)
        view = memoryview(buf)
        with open(self._page, "rb") as f:
            count = f.readinto(buf)
            while count:
                yield view[:count]
                count = f.readinto(buf)

    def _now(self):
        """Give the present as JSON, a piece a channel: each is made in a turn of its own."""
        app, local = self._app, self._app.local
        head = json.dumps(app.brief())
        yield head[:-1] + ',"spread":%s,"order":%s,"channels":[' % (json.dumps(local.spread()), local.order())
        for i, channel in enumerate(local.channels):
            yield ("," if i else "") + (json.dumps(_channel(channel, local.trend.extremes(i))) if channel else "null")
        yield '],"notes":%s}' % json.dumps([note[:3] for note in app.notes])

    def _trend(self, query):
        """Give a head of 12 bytes (slot of the first point, their number, seconds a point, channels), then the points
        of each channel that is there as little-endian int16 in 0.1 degC, -32768 for none."""
        trend = self._app.local.trend
        first, end = trend.first(), max(trend.slot, 0)  # before the first tick the slot is -1
        if query.startswith("from="):
            try:
                first = min(max(first, int(query[5:])), end)
            except ValueError:
                raise Refused(400, "from must be a whole number")
        channels = [i for i, c in enumerate(self._app.local.channels) if c is not None]
        mask = 0
        for i in channels:
            mask |= 1 << i
        return self._points(trend, first, end, channels, struct.pack("<iHHB3x", first, end - first, trend.step_s, mask))

    def _points(self, trend, first, end, channels, head):
        yield head
        for i in channels:
            at = first
            while at < end:
                piece = trend.piece(i, at, min(_POINTS, end - at))
                yield piece
                at += len(piece) // 2


def _fits(text):
    """Return whether a text is short enough for the journal, and all letters (half of a surrogate pair is none)."""
    return len(json.dumps(text).encode()) <= _TEXT_MOST and not any(0xD800 <= ord(c) < 0xE000 for c in text)


def _channel(channel, extremes):
    return {
        "place": channel.place,
        "kind": channel.kind,
        "c": channel.value,
        "word": channel.word,
        "seen_s": channel.seen_s,
        "alarm": channel.alarm,
        "low": channel.low,
        "high": channel.high,
        "ends": extremes,
    }
