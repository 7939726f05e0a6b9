"""The sampler: all channels, every period, on a schedule that does not drift. Nothing else may delay it."""

import asyncio
from array import array

from micropython import const

from pitlogger.chips import NO_ANSWER
from pitlogger.stretch import STRETCH, Stretch

_MOST_TICKS = const(255)  # in a frame, the missed ones included
_MOST_LOSSES = const(999)
_LOAD_MS = const(400)  # more than any module takes to load
_LOOK_MS = const(5)


class Sampler:
    """One task that fills stretches of ticks.

    ``chips`` is a list of drivers, None where a channel has none; ``frame_ticks`` the most in a frame: a stretch has
    no more, and at most 64. ``full`` is set when ``take_full`` has something, and cleared by who takes it; ``on_tick``
    is called after each tick taken and must be short. ``missed`` counts ticks not taken, ``dropped`` stretches for
    which there was no room because the recorder did not keep up; ``changes`` counts how often a chip began or ceased
    to answer.
    """

    def __init__(self, chips, period_ms, frame_ticks, clock, uptime, on_tick):
        self._chips = chips
        self._period = period_ms
        self._ticks = min(frame_ticks, STRETCH)
        self._clock = clock
        self._uptime = uptime
        self._on_tick = on_tick
        self._stretch = Stretch(self._ticks, len(chips))
        self._spare = Stretch(self._ticks, len(chips))  # type: Stretch | None
        self._full = None
        self.full = asyncio.Event()
        self.beats = 0  # ticks that came due, taken or not
        self.missed = 0
        self.dropped = 0
        self.changes = 0
        self._answers = bytearray(len(chips))
        self._losses = array("H", bytes(2 * len(chips)))
        self._row = array("i", bytes(4 * 3 * len(chips)))  # hot, cold, fault of each channel, as the last tick had them
        self._last_high = self._last_low = 0
        self.up_high = self.up_low = 0  # uptime of the tick that is due, two halves of 24 bits

    def configure(self):
        """Configure every chip. One that does not answer shows as a fault at its first tick and is tried again."""
        for chip in self._chips:
            if chip is not None:
                try:
                    chip.configure()
                except OSError:
                    pass

    async def run(self):
        """Sample for ever. Tick k is due at the start plus (k + 1) periods: a chip so has time for its first value."""
        clock, period = self._clock, self._period
        self._uptime.advance()
        self.up_high, self.up_low = self._uptime.high, self._uptime.low
        due = clock.ticks_ms()
        while True:
            due = clock.ticks_add(due, period)
            self.up_low += period
            if self.up_low >= 0x1000000:
                self.up_low -= 0x1000000
                self.up_high += 1
            await asyncio.sleep_ms(max(0, clock.ticks_diff(due, clock.ticks_ms())))
            if clock.ticks_diff(clock.ticks_ms(), due) > period // 2:
                self.miss()
            else:
                self.take()
                self._on_tick()
            self.beats = (self.beats + 1) & 0xFFFFFF
            self._uptime.advance()

    async def after_tick(self, piece_ms=_LOAD_MS):
        """Wait until a tick was just taken: for what takes so long in one piece, such as to load a module. Where a
        tenth of the period is longer than that, any time will do."""
        beats = self.beats
        await asyncio.sleep_ms(0)
        while self.beats == beats and self._period < 10 * piece_ms:
            await asyncio.sleep_ms(_LOOK_MS)

    def take(self):
        """Sample all channels into the stretch. Allocates nothing but where that is full."""
        stretch = self._stretch
        if stretch.present == self._ticks or stretch.ticks == _MOST_TICKS:
            stretch = self._close()
        if not stretch.ticks:
            stretch.high, stretch.low = self.up_high, self.up_low
        codes = self._row
        at = i = 0
        self._last_high, self._last_low = self.up_high, self.up_low
        for chip in self._chips:
            if chip is not None:
                try:
                    chip.read(codes, at)
                except OSError:
                    codes[at] = codes[at + 1] = 0
                    codes[at + 2] = NO_ANSWER
                if (codes[at + 2] < NO_ANSWER) != self._answers[i]:
                    self._change(i)
            at += 3
            i += 1
        stretch.put(codes)

    def miss(self):
        """Record that the tick that is due was not taken. Before the first tick of a stretch it is only counted."""
        stretch = self._stretch
        self.missed += 1
        if stretch.ticks and stretch.ticks < _MOST_TICKS:
            stretch.missed[stretch.ticks >> 3] |= 0x80 >> (stretch.ticks & 7)
            stretch.ticks += 1

    def last_uptime(self):
        """Return the uptime of the last tick taken. [ms]"""
        return self._last_high << 24 | self._last_low

    def last(self, channel):
        """Return [hot, cold, fault] of a channel at the last tick taken, or None where there is no chip."""
        if self._chips[channel] is None:
            return None
        return list(self._row[3 * channel : 3 * channel + 3])

    def word(self, channel):
        """Return how a channel's chip is, in a word or three.

        ``ok``; ``absent``: it never answered; ``lost 2``: it does not answer, for the second time; ``back 2``: it
        answers again. In front of it what the chip says it is, if it can say so; nothing where there is no chip.
        """
        chip = self._chips[channel]
        if chip is None:
            return ""
        losses, here = self._losses[channel], self._answers[channel]
        text = ("back %d" if here else "lost %d") % losses if losses else "ok" if here else "absent"
        name = getattr(chip, "name", "")
        return name + " " + text if name else text

    @property
    def waiting(self):
        """Whether a full stretch waits for the recorder, or is with it."""
        return self._full is not None

    def take_full(self):
        """Return the full stretch, or None. ``release`` gives it back."""
        return self._full

    def hand_over(self):
        """Let the recorder have the stretch that was begun, as if it were full; not while another one waits."""
        if self._spare is not None and self._stretch.ticks:
            self._full, self._stretch, self._spare = self._stretch, self._spare, None

    def release(self, stretch):
        """Take back a stretch that was encoded."""
        stretch.clear()
        self._spare, self._full = stretch, None

    def _change(self, i):
        """A chip answers that did not, or does not that did."""
        self._answers[i] ^= 1
        if not self._answers[i] and self._losses[i] < _MOST_LOSSES:
            self._losses[i] += 1
        self.changes = (self.changes + 1) & 0xFFFFFF

    def _close(self):
        """Hand the stretch over and return an empty one. With none to spare its ticks are given up, and counted."""
        if self._spare is None:
            self.dropped += 1
            self._stretch.clear()
        else:
            self.hand_over()
            self.full.set()
        return self._stretch
