"""What really happened in a cook of the bench, found from its noiseless physics with hindsight.

**The stall.** At a place, evaporation takes at least a share X of the heat that the surface gets, and the place heats,
for each kelvin of what the pit drives (air less place), at less than a share Y of what conduction alone gives: the
pace of the same meat with the evaporation turned off, in a pit held at its level, when it was as warm as this. The
detector's measure (its own best pace so far) is not used: a place whose skin is wet from the beginning was never fast.
The pit must give at least a share Z of its usual drive (else it is the fire), and the place must be where water
can hold it: above 45 degC, about the wet bulb of a pit; below where boiling begins to count. A plateau is slow in plain
words too: a thin tip that is slowed from 60 to 20 K/h does not stand.

    sure    X 0.60, Y 0.33, Z 0.75, under 9 K/h, under 85 degC, at least 60 min: who misses it has missed a stall
    maybe   X 0.35, Y 0.60, Z 0.50, under 95 degC, at least 15 min: who calls it is not wrong

Breaks of less than 20 min (an opened lid, a split) are bridged. A stall that goes on after a low fire is no second one
that must be found, though it may be called one. The limits are our judgement, no source.

**Reaching a target.** The first time at which the place itself, not its probe, is at the target [UTC s]; None if it
never was in the cook's hours, or the meat was pulled before.

**The fire.** ``Fade``: begin: when the fire began to starve (nothing burns that would hold the level); in_band: the
last time the air was within its band before it fell through; under: when it passes 25 degF (13.9 K) under the band
(openings apart); back: when somebody brought it back.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pitscribe.series import CookRecord

Array = NDArray[np.float64]
Span = tuple[float, float]

UNDER_K = 25 * 5 / 9  # 25 degF
TARGETS_C = (68.0, 74.0, 82.0, 90.5, 95.0)
BRIDGE_S = 1200.0


@dataclass(frozen=True, slots=True)
class Spans:
    """Stalls of one place: those that it surely had, and (wider, and more) those that one may speak of; UTC s.

    early : for each sure one, since when one may have spoken of it, through a low fire on the way too
    """

    sure: tuple[Span, ...]
    maybe: tuple[Span, ...]
    early: tuple[float, ...] = ()

    def since(self, i: int) -> float:
        """The earliest begin that is right for sure stall ``i`` [UTC s]."""
        begin = self.sure[i][0]
        told = self.early[i] if self.early else begin
        return min([told, begin, *(a for a, b in self.maybe if a <= begin < b)])


@dataclass(frozen=True, slots=True)
class Fade:
    """The fire dying, once. Times in UTC s."""

    begin: float
    in_band: float | None  # None: it was not in its band when it began
    under: float | None  # None: it never fell so far
    back: float | None

    @property
    def leaves_min(self) -> float | None:
        """How long physics left to warn: from the last of the band (or the begin) to 25 degF under it [min]."""
        return None if self.under is None else (self.under - max(self.begin, self.in_band or 0.0)) / 60


@dataclass(frozen=True, slots=True)
class FireTruth:
    """What the fire did. Times in UTC s, degC.

    band : (from, low, high), ascending: the band that the cook means to keep, which changes when it is set anew
    troubled : spans in which the air is more than half of 25 degF under its band, or about to be: no false warning
    """

    band: tuple[tuple[float, float, float], ...]
    splits: tuple[float, ...] = ()
    lids: tuple[float, ...] = ()
    fades: tuple[Fade, ...] = ()
    troubled: tuple[Span, ...] = ()
    until: float = float("inf")  # when the fire stops to matter: pulled, or the end

    def band_at(self, t: float) -> tuple[float, float]:
        """(low, high) at a time."""
        low, high = [(a, b) for at, a, b in self.band if at <= t][-1]
        return low, high


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened; ``reach[place][target]`` UTC s or None. t, air, meat: the noiseless courses (for plots)."""

    stalls: Mapping[str, Spans]
    reach: Mapping[str, Mapping[float, float | None]]
    fire: FireTruth
    hours: float
    t: Array
    air: Mapping[str, Array]
    meat: Mapping[str, Array]
    acts: tuple[tuple[float, str], ...] = ()  # what people did [UTC s], told in a note or not


@dataclass(frozen=True, slots=True)
class BenchCook:
    """One cook: what the analysis gets (``record``), and what was so."""

    name: str
    kind: str
    physics: str  # "slab" or "oval"
    record: CookRecord
    truth: Truth
    traits: Mapping[str, object] = field(default_factory=dict)


def boxcar(y: Array, minutes: float, step_s: float) -> Array:
    """Centred means over ``minutes``, shorter at the ends."""
    m = max(1, int(minutes * 60 / step_s) // 2)
    c = np.concatenate(([0.0], np.cumsum(y)))
    at = np.arange(y.size)
    lo, hi = np.maximum(at - m, 0), np.minimum(at + m + 1, y.size)
    out: Array = (c[hi] - c[lo]) / (hi - lo)
    return out


@dataclass(frozen=True, slots=True)
class Held:
    """The limits that make a stall; see the module's head."""

    share: float
    pace: float
    steady: float
    k_h: float
    highest_c: float
    least_min: float


SURE = Held(0.60, 0.33, 0.75, 9.0, 85.0, 60.0)
MAYBE = Held(0.35, 0.60, 0.50, 1e9, 95.0, 15.0)


@dataclass(frozen=True, slots=True)
class Course:
    """One place by physics; all (n,) at ``t`` [UTC s] in steps of ``step_s``.

    celsius : the place;  air : what heats it [degC];  usual : what the air is when the fire is well [degC]
    heat, spent : what its surface gets, and spends on vapour [W/m2]
    dry : (warmth, pace) ascending: of the same place without evaporation [degC, 1/h]
    """

    t: Array
    step_s: float
    celsius: Array
    air: Array
    usual: Array
    heat: Array
    spent: Array
    dry: tuple[Array, Array]
    until: float  # pulled, or the end [UTC s]


def dry_pace(celsius: Array, air_c: float, step_s: float) -> tuple[Array, Array]:
    """(warmth, pace) of a place that conducts alone in steady air: rate over drive [1/h], where there is drive."""
    rate = np.gradient(celsius, step_s / 3600)
    some = np.flatnonzero((air_c - celsius > 6.0) & (celsius - celsius[0] > 3.0))
    warmth = np.maximum.accumulate(celsius[some])
    return warmth, rate[some] / (air_c - celsius[some])


def stall_spans(course: Course) -> Spans:
    """The stalls of one place, by physics."""
    drive = boxcar(course.air, 40, course.step_s) - course.celsius
    usual = course.usual - course.celsius
    low = drive <= SURE.steady * usual
    sure = _through_low_fire(course.t, _held(course, SURE, drive, usual), low)
    maybe = _held(course, MAYBE, drive, usual)
    through = _through_low_fire(course.t, maybe, low)
    early = [min([a, *(m for m, n in through if m <= a < n)]) for a, _ in sure]
    return Spans(tuple(sure), maybe, tuple(early))


def _through_low_fire(t: Array, spans: Sequence[Span], low: NDArray[np.bool_]) -> list[Span]:
    """Spans joined where what lies between is a pit that gave too little for a while: the same stall goes on."""
    out: list[Span] = []
    for a, b in spans:
        between = (t >= out[-1][1]) & (t < a) if out else np.zeros(low.size, dtype=bool)
        if between.any() and low[between].mean() > 0.25:
            out[-1] = out[-1][0], b
        else:
            out.append((a, b))
    return out


def _held(c: Course, limits: Held, drive: Array, usual: Array) -> tuple[Span, ...]:
    rate = boxcar(np.gradient(c.celsius, c.step_s / 3600), 30, c.step_s)
    heat, spent = boxcar(c.heat, 30, c.step_s), boxcar(c.spent, 30, c.step_s)
    held = (spent > limits.share * heat) & (heat > 0) & (drive > limits.steady * usual) & (drive > 8.0)
    held &= (rate < limits.pace * np.interp(c.celsius, *c.dry) * drive) & (rate < limits.k_h)
    held &= (c.celsius > 45.0) & (c.celsius < limits.highest_c) & (c.t < c.until)
    return tuple((a, b) for a, b in runs(c.t, held, BRIDGE_S) if b - a >= 60 * limits.least_min)


def runs(t: Array, yes: NDArray[np.bool_], bridge_s: float) -> list[Span]:
    """Spans in which ``yes`` holds; shorter breaks are bridged."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], yes.astype(np.int8), [0]))))
    out: list[Span] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        begin, end = float(t[a]), float(t[min(b, t.size - 1)])
        if out and begin - out[-1][1] < bridge_s:
            out[-1] = out[-1][0], end
        else:
            out.append((begin, end))
    return out


def reached(t: Array, celsius: Array, until: float, targets: Sequence[float] = TARGETS_C) -> dict[float, float | None]:
    """When the place first was at each target [UTC s]."""
    out: dict[float, float | None] = {}
    for target in targets:
        at = np.flatnonzero((celsius >= target) & (t < until))
        out[target] = float(t[at[0]]) if at.size else None
    return out


def fire_truth(
    t: Array, quiet: Array, band: Sequence[tuple[float, float, float]], *, fades: Sequence[Span],
    splits: Sequence[float], lids: Sequence[float], until: float, expected: Sequence[Span] = (),
) -> FireTruth:
    """The fire's truth from its noiseless course.

    quiet : the air, without openings of lids (n,);  fades : (begin, back; inf: never)
    expected : spans in which the air is under its band because it was meant so (warming up, turned down)
    """
    low = np.array([b[1] for b in band])[np.searchsorted([b[0] for b in band], t, side="right") - 1]
    found = []
    for begin, back in fades:
        if begin >= until:
            continue
        span = (t >= begin) & (t < min(back, until))
        deep = np.flatnonzero(span & (quiet < low - UNDER_K))
        under = float(t[deep[0]]) if deep.size else None
        within = np.flatnonzero((t <= (under or back)) & (quiet >= low))
        found.append(Fade(begin, float(t[within[-1]]) if within.size else None, under,
                          back if back < until else None))
    poor = (quiet < low - UNDER_K / 2) & (t < until)
    for a, b in expected:
        poor |= (t >= a) & (t < b)
    troubled = [(a - 5400.0, b + 600.0) for a, b in runs(t, poor, BRIDGE_S)]
    troubled += [(f.begin, f.back or f.under or f.begin + 5400.0) for f in found]
    return FireTruth(tuple(band), tuple(x for x in splits if x < until), tuple(x for x in lids if x < until),
                     tuple(found), tuple(sorted(troubled)), until)
