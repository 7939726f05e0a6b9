"""One boot's uptime and UTC.

An anchor says: at this uptime it was UTC t, give or take e. UTC less uptime, the offset, then lies within an interval
there, and since the logger's crystal is off by 100 ppm at most (common practice for boards of this kind; the RP2040's
is given as 30 ppm, from memory), within one that widens by 100 us a second away from there. Where the intervals of all
anchors overlap, at each uptime, is where the offset is: half way, with half the width of the overlap as its limit.

Anchors may contradict each other: a host that has no battery clock may have said the time before it knew it. Those that
agree with most others are kept, of equals the later, because a clock is set right more often than it is set wrong. The
uncertainty then also has in it that the others may be the true ones (``_doubt``).

Between two anchors both edges of the overlap are made of straight lines of slope +-100 ppm with one kink each, so the
whole is kept as its corners. The mid-line is no steeper than the edges: UTC rises with uptime, always, and has an
inverse.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import MessageError, SourceError
from .members import Members
from .messages import anchor_said
from .values import Event

DRIFT = 1e-4  # the most that the logger's seconds are off
# An anchor is less certain than another if its error is so many times as large; jitter on the network is not a reason.
_LESS_CERTAIN = 4.0
# With each anchor more that agrees it is so many times less likely that they are wrong: our own judgement, no source.
_ODDS = 10.0
_ROUNDING = 1e-6  # s; a float that holds UTC has steps of 0.24 us
Floats = NDArray[np.float64]


class Anchor(NamedTuple):
    """At ``uptime_ms`` it was ``utc`` (s since 1970), give or take ``err`` (s, a half width), said by ``source``."""

    uptime_ms: int
    utc: float
    err: float
    source: str


def anchor_of(event: Event) -> Anchor | None:
    """Return the anchor that an event is, or None if it is another. Raises MessageError if its fields do not fit."""
    if event.name != "anchor":
        return None
    said = anchor_said(Members(event.fields, "anchor"), event.uptime_ms)
    return Anchor(said.up_ms, said.utc_ms / 1000, said.err_ms / 1000, said.source)


class Timebase:
    """What uptime of one boot was when, and how well that is known."""

    def __init__(self, corners: Floats, offset: Floats, half_width: Floats) -> None:
        """Use ``fit``. ``corners`` are uptimes in s, ``offset`` and ``half_width`` there in s."""
        self._corners, self._offset, self._half_width = corners, offset, half_width
        self._utc = corners + offset
        self._doubt = 0.0
        self.left_out: tuple[Anchor, ...] = ()
        """Anchors that contradict the others, and are not used."""

    @classmethod
    def fit(cls, anchors: Sequence[Anchor]) -> "Timebase":
        """Return the timebase of one boot from its anchors, at least one, in any order.

        Anchors that cannot all be true are thinned out: the one that contradicts most others goes first; of several
        the least certain; of those alike the earliest. Raises SourceError if there is none, or one is not made of
        numbers.
        """
        if not anchors:
            raise SourceError("no anchor: the time of this boot is not known")
        for anchor in anchors:
            if not (np.isfinite(anchor.utc) and np.isfinite(anchor.err) and anchor.err >= 0):
                raise SourceError(f"anchor {anchor}: its time or its error is not a number that can be used")
        ordered = sorted(set(anchors), key=lambda one: (one.uptime_ms, one.err, one.utc, one.source))
        agree = _agreeing(ordered)
        up, low, high = _intervals([one for one, kept in zip(ordered, agree, strict=True) if kept])
        low, high = _edge(up, low), -_edge(up, -high)
        corners, low, high = _with_kinks(up, low, high)
        base = cls(corners, (low + high) / 2, np.maximum(high - low, 0) / 2)
        base.left_out = tuple(one for one, kept in zip(ordered, agree, strict=True) if not kept)
        if base.left_out:
            base._doubt = _doubt(base, int(agree.sum()))
        return base

    def utc(self, uptime_ms: ArrayLike) -> Floats:
        """Return UTC in s since 1970 for uptimes in ms; rises with uptime."""
        up = np.asarray(uptime_ms, np.float64) / 1000
        offset: Floats = np.interp(up, self._corners, self._offset)
        found: Floats = up + offset
        return found

    def uncertainty(self, uptime_ms: ArrayLike) -> Floats:
        """Return the standard uncertainty in s of ``utc``.

        The offset is anywhere within its limits alike, so it is half their distance by the root of three (JCGM
        100:2008, 4.3.7). Anchors that were left out add what it would be off if they were the true ones.
        """
        up = np.asarray(uptime_ms, np.float64) / 1000
        beyond = np.maximum(np.maximum(self._corners[0] - up, up - self._corners[-1]), 0)
        half: Floats = np.interp(up, self._corners, self._half_width) + DRIFT * beyond
        standard: Floats = np.sqrt(half**2 / 3 + self._doubt**2)
        return standard

    def uptime(self, utc: ArrayLike) -> Floats:
        """Return the uptime in ms (not rounded) at UTC in s: the inverse of ``utc``. Negative before the boot."""
        at = np.asarray(utc, np.float64)
        beyond = np.minimum(at - self._utc[0], 0) + np.maximum(at - self._utc[-1], 0)
        found: Floats = 1000 * (np.interp(at, self._utc, self._corners) + beyond)
        return found


def _intervals(anchors: Sequence[Anchor]) -> tuple[Floats, Floats, Floats]:
    """Return uptime, lowest and highest offset of each anchor, in s."""
    up, utc, err = (np.array([one[field] for one in anchors], np.float64) for field in range(3))
    up = up / 1000
    return up, utc - up - err, utc - up + err


def _edge(up: Floats, low: Floats) -> Floats:
    """Return at each anchor (in order of uptime) the highest of all lower limits, each loosened by its distance."""
    behind = np.maximum.accumulate(low + DRIFT * up) - DRIFT * up
    ahead = np.maximum.accumulate((low - DRIFT * up)[::-1])[::-1] + DRIFT * up
    # Rounding must not lift the edge over the anchor's own limit, nor leave it below.
    return np.maximum(np.maximum(behind, ahead), low)


def _agreeing(anchors: Sequence[Anchor]) -> NDArray[np.bool_]:
    """Say of anchors which to keep, so that every two of them can be true together; then they all can."""
    up, low, high = _intervals(anchors)
    kept = np.ones(len(anchors), bool)
    if (_edge(up, low) <= -_edge(up, -high) + _ROUNDING).all():
        return kept
    apart = low[:, None] - DRIFT * np.abs(up[:, None] - up) > high + _ROUNDING
    apart |= apart.T
    quarrels = apart.sum(axis=1)
    errs = (high - low) / 2
    while quarrels[kept].any():
        most = np.flatnonzero(kept & (quarrels == quarrels[kept].max()))
        worst = most[np.argmax(errs[most])]
        if errs[worst] <= _LESS_CERTAIN * errs[most].min():
            worst = most[0]
        kept[worst] = False
        quarrels = quarrels - apart[worst]
    return kept


def _doubt(base: Timebase, support: int) -> float:
    """Return the standard uncertainty in s that anchors which were left out add, where ``support`` anchors were kept.

    Each group of those left out that agree is one thing that the time may be instead. Its weight against what was
    taken goes by how many more anchors say the latter; by the weights the mean square distance is made.
    """
    up, low, high = _intervals(base.left_out)
    agree = low[:, None] - DRIFT * np.abs(up[:, None] - up) <= high + _ROUNDING
    backers = (agree & agree.T).sum(axis=1)
    weights = _ODDS ** np.minimum(backers - support, 0.0) / backers
    offset = base.utc(1000 * up) - up
    distance = np.maximum(np.abs(low - offset), np.abs(high - offset))
    return float(np.sqrt((weights * distance**2).sum() / (1 + weights.sum())))


def _with_kinks(up: Floats, low: Floats, high: Floats) -> tuple[Floats, Floats, Floats]:
    """Add between every two anchors the points where the lower and the upper edge turn."""
    up, first = np.unique(up, return_index=True)
    low, high = low[first], high[first]
    span, middle = np.diff(up) / 2, (up[1:] + up[:-1]) / 2
    turns = [middle + np.clip(np.diff(edge) * sign / (2 * DRIFT), -span, span) for edge, sign in ((low, -1), (high, 1))]
    corners = np.unique(np.concatenate([up, *turns]))
    place = np.clip(np.searchsorted(up, corners, side="right") - 1, 0, len(up) - 1)
    after = np.minimum(place + 1, len(up) - 1)
    down = np.maximum(low[place] - DRIFT * (corners - up[place]), low[after] - DRIFT * np.abs(up[after] - corners))
    top = np.minimum(high[place] + DRIFT * (corners - up[place]), high[after] + DRIFT * np.abs(up[after] - corners))
    return corners, down, top


def anchors_of(events: Sequence[Event]) -> tuple[list[Anchor], list[str]]:
    """Return the anchors among events, and why others that call themselves so are none."""
    anchors, refused = [], []
    for event in events:
        try:
            anchor = anchor_of(event)
        except MessageError as error:
            refused.append(f"frame {event.key}: {error}")
            continue
        if anchor is not None:
            anchors.append(anchor)
    return anchors, refused
