"""When the boots may have begun that no anchor places in time: after the one before, before the one after.

Within one numbering (``ledger.boots``) the order of boots is certain, so a boot began after all that is held of the one
before it was read, and so long before the next one began that what is held of it has room. Where the boots around it
have a time, that makes a window. A boot that began because the logger was reset and not because somebody switched it on
(``boot`` event, ``cause``) began at once: then one boot's time is another's, in both directions. Of boots that came as
files, what was read was read before the file was taken in.

A boot whose window is no wider than four hours is taken to have begun in its middle, give or take half of it; one that
may have been at any time of a night is better not shown than shown at a wrong time (our judgement, no source).
"""

from collections.abc import Iterator, Mapping, Sequence, Set
from itertools import pairwise
from math import inf
from typing import NamedTuple

from pitscribe.ledger.boots import numberings
from pitscribe.ledger.values import BootSpan
from pitscribe.wire.timebase import DRIFT, Anchor, Timebase

NEIGHBOURS = "neighbours"  # the source of an anchor that is made here
MOST_S = 2 * 3600.0  # half of the widest window that is used
RESETS = frozenset({"watchdog", "soft"})  # causes of a boot that begins at once
# What a reset takes at most: a watchdog's patience (8 s at most on the RP2040, data sheet, from memory), and starting.
_RESET_S = 60.0
_SHORT = 4  # events are frames too, so a frame of ticks may be so many times as long as they are on average


class Window(NamedTuple):
    """From when to when something may have been, UTC s."""

    first: float
    last: float

    @property
    def half(self) -> float:
        """Half of its width, s."""
        return (self.last - self.first) / 2

    def within(self, first: float, last: float) -> "Window":
        """What of it is from ``first`` to ``last`` as well."""
        return Window(max(self.first, first), min(self.last, last))


def give_or_take(half_s: float) -> str:
    """Half the width of a window in words: ``45 s``, ``12 min``."""
    if half_s < 10:
        return f"{half_s:.2g} s"
    return f"{half_s:.0f} s" if half_s < 120 else f"{half_s / 60:.0f} min"


ANY_TIME = Window(-inf, inf)


def windows(boots: Sequence[BootSpan], bases: Mapping[int, Timebase], resets: Set[int]) -> dict[int, Window]:
    """When each boot that has no timebase may have begun.

    resets : the boots that began because the logger was reset
    """
    found: dict[int, Window] = {}
    if all(one.boot in bases for one in boots):
        return found
    for row in numberings(boots):
        for chain in _chains(row, bases):
            begins = _narrowed(chain, bases, resets)
            found |= {one.boot: at for one, at in zip(chain, begins, strict=True) if one.boot not in bases}
    return found


def placed(of: Mapping[int, Window]) -> dict[int, Timebase]:
    """The timebases of those boots whose windows are narrow enough."""
    return {
        boot: Timebase.fit([Anchor(0, at.first + at.half, at.half, NEIGHBOURS)])
        for boot, at in of.items() if 0 <= at.half <= MOST_S
    }


def limits(base: Timebase, uptime_ms: int) -> Window:
    """When an uptime of a boot with a timebase may have been: two standard uncertainties either way."""
    at, either_way = float(base.utc(uptime_ms)), 2 * float(base.uncertainty(uptime_ms))
    return Window(at - either_way, at + either_way)


def end(one: BootSpan, begin: Window, bases: Mapping[int, Timebase]) -> Window:
    """When the last that is held of a boot was read."""
    if one.boot in bases:
        return limits(bases[one.boot], one.last_uptime_ms)
    lasted = one.last_uptime_ms / 1000
    return Window(begin.first + lasted * (1 - DRIFT), begin.last + lasted * (1 + DRIFT))


def _chains(row: Sequence[BootSpan], bases: Mapping[int, Timebase]) -> Iterator[Sequence[BootSpan]]:
    """The runs of boots without a timebase in a numbering, each with the boot before and the boot after it."""
    start = None
    for n, one in enumerate(row):
        if one.boot not in bases:
            start = n if start is None else start
        elif start is not None:
            yield row[max(start - 1, 0) : n + 1]
            start = None
    if start is not None:
        yield row[max(start - 1, 0) :]


def _narrowed(chain: Sequence[BootSpan], bases: Mapping[int, Timebase], resets: Set[int]) -> list[Window]:
    """When each boot of a chain may have begun: what each says of the next, then what each says of the one before."""
    begins = [_alone(one, bases) for one in chain]
    neighbours = list(enumerate(pairwise(chain)))
    for n, (one, after) in neighbours:
        ended = end(one, begins[n], bases)
        begins[n + 1] = begins[n + 1].within(ended.first, ended.last + _longest_off(one, after, resets))
    for n, (one, after) in reversed(neighbours):
        lasted, off = one.last_uptime_ms / 1000, _longest_off(one, after, resets)
        earliest, latest = begins[n + 1]
        begins[n] = begins[n].within(earliest - off - lasted * (1 + DRIFT), latest - lasted * (1 - DRIFT))
    return begins


def _alone(one: BootSpan, bases: Mapping[int, Timebase]) -> Window:
    """When a boot began by itself. When a frame came over the network a host may not have known the time yet."""
    if one.boot in bases:
        return limits(bases[one.boot], 0)
    if one.as_file:
        return Window(-inf, (one.last_received_ms - one.last_uptime_ms * (1 - DRIFT)) / 1000)
    return ANY_TIME


def _longest_off(one: BootSpan, after: BootSpan, resets: Set[int]) -> float:
    """How long at most was between the last that is held of a boot and the next boot's begin. [s]

    At a reset what had not been written yet is lost, a frame at most. If frames are missing nobody knows how long the
    boot went on.
    """
    if after.boot not in resets or after.first_sequence - one.first_sequence != one.frames:
        return inf
    whole = one if one.frames > 1 else after
    a_frame = (whole.last_uptime_ms - whole.first_uptime_ms) / max(whole.frames - 1, 1)
    return _RESET_S + _SHORT * a_frame / 1000
