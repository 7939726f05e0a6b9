"""What the screen shows, a page at a time. Each is a module of its own, in memory only while it is shown.

A page's ``draw(pages)`` is a generator that yields between its turns. An old number is never shown as a fresh one:
without a reading of the last ticks there are two dashes, what is wrong, and how long ago the last one was. The dot in
the corner changes at each drawing: a screen that stands has none.
"""

import sys

from framebuf import MONO_HLSB
from micropython import const

from pitlogger import forget
from pitlogger.wits import fahrenheit

LOAD_MS = const(400)  # to load a page, where it has to be compiled: estimated, see README.md
_NAMES = ("numbers", "channels", "trend", "network", "join", "health")
_JOIN = const(4)
_FRESH_TICKS = const(3)  # periods, after which a reading is old,
_FRESH_S = const(3)  # and at least so long
_SHORT = {"no answer": "silent", "out of range": "range", "short to ground": "short", "short to supply": "short",
          "input fault": "fault"}  # fmt: skip

# Small pictures of our own: their numbers, and a row a byte, the left end in the highest bit.
_GUEST, _HOST, _CLOCK, _JOURNAL = const(0), const(1), const(2), const(3)
_BELL, _SNOOZE, _ABOVE, _BELOW = const(4), const(5), const(6), const(7)
_ROWS = (
    b"\x00\x03\x03\x1b\x1b\xdb\xdb\x00"  # bars: on a known network
    b"\x3c\x42\x99\x24\x00\x18\x18\x00"  # waves from a point: a network of its own
    b"\x3c\x42\x89\x89\x8d\x81\x42\x3c"  # the face of a clock
    b"\x7e\x42\x5a\x42\x5a\x42\x7e\x00"  # a page with lines: the journal
    b"\x18\x3c\x3c\x3c\x7e\xff\x18\x00"  # a bell: an alarm
    b"\xf0\x20\x40\xf0\x0f\x02\x04\x0f"  # two letters z: it sleeps
    b"\x10\x38\x7c\xfe\x38\x38\x38\x00"  # an arrow up: above the limit
    b"\x38\x38\x38\xfe\x7c\x38\x10\x00"  # an arrow down: below it
)
_PICTURE = [b"", 8, 8, MONO_HLSB]


class Pages:
    """``app`` is the application, ``alarms`` an ``alarms.Alarms``; ``canvas`` a ``framebuf.FrameBuffer``."""

    def __init__(self, app, settings, alarms, canvas):
        self.app = app
        self.in_f = settings["units"] == "F"
        self.canvas = canvas
        self.up_s = 0
        self.kept = None  # what a page keeps from one drawing to the next
        self._alarms = alarms
        self._fresh_s = _FRESH_S + _FRESH_TICKS * settings["period_ms"] // 1000
        self._page = 0
        self._loaded = "panel.page_numbers"

    def turn(self):
        """Go on to the next page; the code is passed over where there is no network to join."""
        self._page = (self._page + 1) % len(_NAMES)
        if self._page == _JOIN and self.app.hotspot is None:
            self._page += 1
        self.kept = None

    def draw(self, message, dot):
        """Draw the page, with a message over it if there is one: lines, or None. Yields, now and then how many ms the
        next turn may take, if that is many."""
        name = "panel.page_" + _NAMES[self._page]
        if name != self._loaded:
            if self._loaded:
                forget((self._loaded, "panel.digits"))
            self._loaded = ""
            yield LOAD_MS
            try:
                __import__("pitlogger." + name)
            except (MemoryError, OSError, ImportError):  # or the flash had it not to give: tried again at the next
                self.canvas.fill(0)
                self.canvas.text("not loaded", 24, 28)
                return
            self._loaded = name
        self.up_s = self.app.uptime.now() // 1000
        self.canvas.fill(0)
        yield from sys.modules["pitlogger." + name].draw(self)
        if message is not None:
            self._tell(message)
        self.canvas.fill_rect(126, 62, 2, 2, dot)

    # -- what the pages have in common --------------------------------------------------------------------------------

    def icons(self):
        """Draw the state, from the right: network, clock, journal; alarms and their silence where there are any."""
        app, alarms = self.app, self._alarms
        host = app.hotspot is not None
        there = bool(app.hotspot.where) if host else app.net is not None and app.net.wifi.up.is_set()
        self._icon(_HOST if host else _GUEST, 120, 0, there)
        self._icon(_CLOCK, 110, 0, app.anchors.best is not None)
        self._icon(_JOURNAL, 100, 0, app.journal.ok)
        if alarms.active:
            self._icon(_BELL, 90, 0)
        if alarms.snoozes(self.up_s):
            self._icon(_SNOOZE, 80, 0)

    def two(self):
        """Return the numbers of the coldest meat and of the first place in the air, or of the first two there are."""
        channels = self.app.local.channels
        order = self.app.local.order()
        meat = next((i for i in order if channels[i].kind == "meat"), None)
        pit = next((i for i in order if channels[i].kind == "air"), None)
        rest = [i for i in order if i not in (meat, pit)] + [None, None]
        if meat is None:
            meat = rest.pop(0)
        return meat, rest[0] if pit is None else pit

    def value(self, channel):
        """Return what a channel reads [0.01 degree of the user's], None where that is not of the last ticks."""
        if channel.value is None or self.up_s - channel.seen_s > self._fresh_s:
            return None
        return fahrenheit(channel.value) if self.in_f else channel.value

    def word(self, channel):
        """Return what is wrong with a channel that has no value, in 8 letters at most."""
        return _SHORT.get(channel.word, channel.word) or "stopped"

    def name(self, number):
        """Return what a channel is called."""
        return plain(self.app.local.channels[number].place) or "place %d" % (number + 1)

    def alarm(self, channel, x, y):
        """Draw an arrow where a limit is passed."""
        if channel.alarm:
            self._icon(_ABOVE if channel.alarm > 0 else _BELOW, x, y)

    def lines(self, lines):
        """Draw lines of text in turns; of more than there is room for, others at each drawing."""
        if len(lines) > 8:
            self.kept = ((self.kept or 0) + 1) % (2 * (len(lines) - 7))
            lines = lines[self.kept // 2 :][:8]
        pitch, y = min(10, 64 // max(1, len(lines))), 0
        for line in lines:
            self.canvas.text(plain(line)[:16], 0, y)
            y += pitch
            yield
        if len(lines) < 8:
            self.icons()

    def _icon(self, number, x, y, good=True):
        """Draw a picture; struck through where it is not ``good``."""
        canvas = self.canvas
        _PICTURE[0] = _ROWS[8 * number : 8 * number + 8]
        canvas.blit(_PICTURE, x, y)
        if not good:
            canvas.line(x, y, x + 6, y + 6, 0)
            canvas.line(x + 1, y, x + 7, y + 6, 1)

    def _tell(self, message):
        """Draw some lines in a frame, over what is there."""
        canvas, high = self.canvas, 10 * len(message)
        y = 32 - high // 2
        canvas.fill_rect(0, y - 5, 128, high + 9, 0)
        canvas.rect(0, y - 5, 128, high + 9, 1)
        for line in message:
            line = plain(line)[:15]
            canvas.text(line, 64 - 4 * len(line), y)
            y += 10


def plain(text):
    """Return a text in letters that the built-in font has."""
    return "".join(c if " " <= c <= "~" else "?" for c in text)


def wrapped(text, most=16):
    """Return a text in lines."""
    return [text[i : i + most] for i in range(0, len(text), most)]
