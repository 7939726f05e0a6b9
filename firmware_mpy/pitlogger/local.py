"""What the logger itself makes of its ticks: present degrees, trend, spread and alarms, for page, screen and buzzer.

Everything is in hundredths of a degree C, and nothing of it goes into the record: that is codes alone.
"""

import asyncio
import gc

from micropython import const

from pitlogger import wits
from pitlogger.trend import Trend

_FIRST_MS = const(500)
_INSIDE = const(100)  # an alarm ends that far inside its limit: 1 K, so that noise does not ring it again and again
LOW, HIGH = const(-1), const(1)
NO_LOW, NO_HIGH = const(-100), const(2000)  # settings that stand for no limit


class Present:
    """A channel as it is now: ``value`` [0.01 degC] or None, ``word`` (what is wrong, or ""), ``alarm`` (LOW, 0, HIGH)
    and ``seen_s``, the uptime of the last value, None before the first. ``low`` and ``high`` are its limits or None."""

    def __init__(self, entry, setting, fahrenheit):
        self.entry = entry
        self.place = setting["place"]
        self.kind = setting["kind"]
        self.offset = setting["offset"]
        self.low = _hundredths(setting["low"], NO_LOW, fahrenheit)
        self.high = _hundredths(setting["high"], NO_HIGH, fahrenheit)
        self.value = self.seen_s = None
        self.word = wits.NO_ANSWER
        self.alarm = 0

    def take(self, hot, cold, fault, uptime_s):
        """Take a sample's codes."""
        self.word = wits.word(self.entry, hot, cold, fault)
        value = None if self.word else wits.hundredths(self.entry, hot, cold)
        if value is None:
            self.value = None
            self.word = self.word or (wits.OUT_OF_RANGE if wits.has_table(self.entry) else wits.NO_TABLE)
            return
        self.value = value = value + self.offset
        self.seen_s = uptime_s
        low, high = self.low, self.high
        if low is not None and value < low + (_INSIDE if self.alarm == LOW else 0):
            self.alarm = LOW
        elif high is not None and value > high - (_INSIDE if self.alarm == HIGH else 0):
            self.alarm = HIGH
        else:
            self.alarm = 0


class Local:
    """One task, ``run``: after each tick it reads the sampler's last codes. ``table`` is the channel table."""

    def __init__(self, sampler, table, settings):
        self._sampler = sampler
        fahrenheit = settings["units"] == "F"
        self.channels = [
            Present(entry, setting, fahrenheit) if entry >> 4 else None
            for entry, setting in zip(table, settings["channels"])
        ]
        self.trend = _trend([c is not None for c in self.channels], settings["trend_min"])
        self._ticked = asyncio.Event()

    def tick(self):
        """A tick was taken. Called by the sampler: allocates nothing."""
        self._ticked.set()

    async def run(self):
        """Follow the sampler for ever."""
        while True:
            await self._ticked.wait()
            self._ticked.clear()
            try:
                self.read()
            except MemoryError:  # a tick less in the trend; the record has it
                gc.collect()

    async def remember(self, journal, boot, cause):
        """Fill the trend with what the journal has of the last 24 hours, a frame a turn. What is missing stays so."""
        from pitlogger import forget

        while self.trend.slot < 0:
            await asyncio.sleep_ms(_FIRST_MS)
        await self._sampler.after_tick()
        await _refill(journal, boot, cause, self.channels, self.trend)
        forget(("refill",))
        gc.collect()

    def read(self):
        """Take what the sampler read last. Allocates as little as can be: it is done every period."""
        sampler, trend = self._sampler, self.trend
        uptime_s = sampler.last_uptime() // 1000
        trend.begin(uptime_s)
        for i, channel in enumerate(self.channels):
            if channel is not None:
                hot, cold, fault = sampler.last(i)
                channel.take(hot, cold, fault, uptime_s)
                if channel.value is not None:
                    trend.add(i, channel.value)

    def spread(self):
        """Return hottest less coldest meat place [0.01 K], None with fewer than two that have a value."""
        values = [c.value for c in self.channels if c is not None and c.kind == "meat" and c.value is not None]
        return max(values) - min(values) if len(values) > 1 else None

    def order(self):
        """Return the channels' numbers as a person needs them: coldest meat first, then air, then what is unnamed."""
        ranked = []
        for i, channel in enumerate(self.channels):
            if channel is not None:
                rank = ("meat", "air", "").index(channel.kind)
                # Meat without a value comes behind the meat that has one; the others keep their places.
                cold = (1 << 29 if channel.value is None else channel.value) if rank == 0 else 0
                ranked.append((rank, cold, i))
        return [i for _, _, i in sorted(ranked)]


async def _refill(*what):
    try:
        from pitlogger import refill

        await refill.refill(*what)
    except MemoryError:
        gc.collect()  # the record has it


def _trend(present, minutes):
    """Return a trend with so many minutes a point, or with more where the heap is too full for that."""
    for coarser in (minutes, 5):
        try:
            return Trend(present, coarser * 60)
        except MemoryError:
            gc.collect()
    return Trend(present, 600)


def _hundredths(degrees, none, fahrenheit):
    """Return a limit of the settings in hundredths of a degree C, None for none."""
    if degrees == none:
        return None
    return (degrees - 32) * 500 // 9 if fahrenheit else degrees * 100
