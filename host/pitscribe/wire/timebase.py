"""One boot's uptime and UTC.

An anchor says: at this uptime it was UTC t, give or take e. UTC less uptime is the *offset*; it grows by the *drift*,
because the logger's crystal is not quite right. ``clockfit`` makes the likeliest course of the offset from the anchors
that are kept, ``agreement`` finds those that cannot be true and how far the time is in doubt because of them.

The course is straight between two anchors and beyond the last, so it is kept as its corners, with their variances. It
is never so steep that UTC would not rise with uptime; so it has an inverse.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import MessageError, SourceError
from .agreement import sort_out
from .clockfit import DRIFT as DRIFT
from .clockfit import WANDER, Course, Said
from .members import Members
from .messages import anchor_said
from .values import Event

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

    def __init__(self, course: Course, doubt: float, kept: Sequence[Anchor], left_out: Sequence[Anchor]) -> None:
        """Use ``fit``. ``doubt``: standard uncertainty in s that the anchors left out add."""
        self._course, self._doubt = course, doubt
        self._utc = course.up + course.offset
        self.kept = tuple(kept)
        """Anchors that agree; the time is made of them."""
        self.left_out = tuple(left_out)
        """Anchors that contradict them, and are not used."""

    @classmethod
    def fit(cls, anchors: Sequence[Anchor]) -> "Timebase":
        """Return the timebase of one boot from its anchors, at least one, in any order; said twice counts once.

        Raises SourceError if there is none, or one is not made of numbers.
        """
        if not anchors:
            raise SourceError("no anchor: the time of this boot is not known")
        for anchor in anchors:
            if not (np.isfinite(anchor.utc) and np.isfinite(anchor.err) and anchor.err >= 0):
                raise SourceError(f"anchor {anchor}: its time or its error is not a number that can be used")
        ordered = sorted(set(anchors), key=lambda one: (one.uptime_ms, one.err, one.utc, one.source))
        course, kept, doubt = sort_out(_said(ordered))
        chosen: tuple[list[Anchor], list[Anchor]] = ([], [])
        for anchor, true in zip(ordered, kept.tolist(), strict=True):
            chosen[not true].append(anchor)
        return cls(course, doubt, *chosen)

    @property
    def drift(self) -> float:
        """By how much UTC runs faster than uptime, as a fraction: 1e-5 is 10 us a second."""
        return self._course.drift

    def utc(self, uptime_ms: ArrayLike) -> Floats:
        """Return UTC in s since 1970 for uptimes in ms; rises with uptime."""
        up = np.asarray(uptime_ms, np.float64) / 1000
        offset: Floats = np.interp(up, self._course.up, self._course.offset)
        before, beyond = self._outside(up)
        found: Floats = up + (offset + self._course.drift * (beyond - before))
        return found

    def uncertainty(self, uptime_ms: ArrayLike) -> Floats:
        """Return the standard uncertainty in s of ``utc``: smallest near the anchors, and growing away from them."""
        up, c = np.asarray(uptime_ms, np.float64) / 1000, self._course
        before, beyond = self._outside(up)
        out = before + beyond
        edge = np.where(before > 0, -c.with_drift[0], c.with_drift[-1])
        square = (c.drift_var * out + 2 * edge + WANDER) * out + self._within(np.clip(up, c.up[0], c.up[-1]))
        standard: Floats = np.sqrt(np.maximum(square, 0) + self._doubt**2)
        return standard

    def uptime(self, utc: ArrayLike) -> Floats:
        """Return the uptime in ms (not rounded) at UTC in s: the inverse of ``utc``. Negative before the boot."""
        at = np.asarray(utc, np.float64)
        beyond = np.minimum(at - self._utc[0], 0) + np.maximum(at - self._utc[-1], 0)
        found: Floats = 1000 * (np.interp(at, self._utc, self._course.up) + beyond / (1 + self._course.drift))
        return found

    def _outside(self, up: Floats) -> tuple[Floats, Floats]:
        """How long before the first anchor, and after the last, uptimes are. [s]"""
        return np.maximum(self._course.up[0] - up, 0), np.maximum(up - self._course.up[-1], 0)

    def _within(self, up: Floats) -> Floats:
        """The variance of the offset between the first and the last anchor. [s^2]

        Of two neighbours that are known with their covariance, a point between takes its shares; what the crystal did
        besides is pinned at both ends, a Brownian bridge.
        """
        c = self._course
        if len(c.up) == 1:
            return np.broadcast_to(c.var[0], up.shape)
        left = np.clip(np.searchsorted(c.up, up, side="right") - 1, 0, len(c.up) - 2)
        gap = c.up[left + 1] - c.up[left]
        share = (up - c.up[left]) / gap
        rest = 1 - share
        ends: Floats = rest**2 * c.var[left] + share**2 * c.var[left + 1] + 2 * share * rest * c.with_next[left]
        return ends + WANDER * gap * share * rest


def _said(anchors: Sequence[Anchor]) -> Said:
    up = np.array([one.uptime_ms for one in anchors], np.float64) / 1000
    utc, err = (np.array([one[field] for one in anchors], np.float64) for field in (1, 2))
    sources = sorted({one.source for one in anchors})
    return Said(up, utc - up, err, np.array([sources.index(one.source) for one in anchors]))


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
