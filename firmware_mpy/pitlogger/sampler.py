"""The sampler: all channels, every period, on a schedule that does not drift. Nothing else may delay it."""

import asyncio
from array import array

from micropython import const

from pitlogger.chips import NO_ANSWER
from pitlogger.frames import Block

_MOST_TICKS = const(255)  # in a frame, the missed ones included
_MOST_LOSSES = const(999)


class Sampler:
    """One task that fills blocks of ticks.

    ``chips`` is a list of drivers, None where a channel has none. ``block_full`` is set when ``take_full`` has
    something; ``on_tick`` is called after each tick taken and must be short. ``missed`` counts ticks not taken,
    ``dropped`` blocks for which there was no room because the recorder did not keep up; ``changes`` counts how often a
    chip began or ceased to answer.
    """

    def __init__(self, chips, period_ms, frame_ticks, clock, uptime, on_tick):
        self._chips = chips
        self._period = period_ms
        self._frame_ticks = frame_ticks
        self._clock = clock
        self._uptime = uptime
        self._on_tick = on_tick
        self._block = Block(frame_ticks, len(chips))
        self._spare = Block(frame_ticks, len(chips))  # type: Block | None
        self._full = None
        self.block_full = asyncio.Event()
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

    def take(self):
        """Sample all channels into the block. Allocates nothing but where a frame is full."""
        block = self._block
        if block.present == self._frame_ticks or block.ticks == _MOST_TICKS:
            block = self._close()
        if not block.ticks:
            block.high, block.low = self.up_high, self.up_low
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
        block.put(codes)

    def miss(self):
        """Record that the tick that is due was not taken. Before the first tick of a frame it is only counted."""
        block = self._block
        self.missed += 1
        if block.ticks and block.ticks < _MOST_TICKS:
            block.missed[block.ticks >> 3] |= 0x80 >> (block.ticks & 7)
            block.ticks += 1

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
        """Whether a full block waits for the recorder, or is with it."""
        return self._full is not None

    def take_full(self):
        """Return the full block, or None. ``release`` gives it back."""
        self.block_full.clear()
        return self._full

    def release(self, block):
        """Take back a block that was encoded."""
        block.clear()
        self._spare, self._full = block, None

    def _change(self, i):
        """A chip answers that did not, or does not that did."""
        self._answers[i] ^= 1
        if not self._answers[i] and self._losses[i] < _MOST_LOSSES:
            self._losses[i] += 1
        self.changes = (self.changes + 1) & 0xFFFFFF

    def _close(self):
        """Hand the block over and return an empty one. With none to spare the ticks in it are given up, and counted."""
        if self._spare is None:
            self.dropped += 1
            self._block.clear()
        else:
            self._full, self._block, self._spare = self._block, self._spare, None
            self.block_full.set()
        return self._block
