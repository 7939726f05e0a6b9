"""When a place reaches its target: a distribution, from an ensemble of pieces that this cook has taught.

``learn`` (conditioning.py) takes the ensemble through the cook so far, ``cook_on`` goes on from there. One thing is
done to its times: nobody cooks for two days, so members whose cook would take much longer than cooks do count less.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from pitscribe.cook.conditioning import LEAST_MIN, Learned, learn
from pitscribe.cook.cook_on import AS_IT_IS, HORIZON_H, Ahead, Plan, cook_on, first_reach
from pitscribe.cook.doubt import rest_words
from pitscribe.cook.drive import USUAL_MIN
from pitscribe.cook.fire_back import BoolArray, Courses, IfBack, courses_of, is_low, last, middle, stays
from pitscribe.cook.grid import Cells, FloatArray, Grid
from pitscribe.cook.noted import Told
from pitscribe.cook.pit_ahead import COLD_K, LIT_MIN, Stand, stand_of
from pitscribe.cook.plain import iso, number, span

COLDEST = "coldest"  # the name under which the last of all meat places to reach its target is forecast
SILENT_MIN = 60  # past this the ensemble goes on without the place's readings no more
# A whole cook takes 12 to 20 h (common practice, no source), a small piece less; how much less likely it is to be still
# longer is our allowance: at 18 h half as likely as at 13, at 24 h an eleventh. It takes back what the broad
# priors of drying alone would have: one cook in five of a day and more.
LONG_H, LONG_SD, LEAST_WEIGHT = 13.0, 0.28, 0.03
LEVELS = (0.1, 0.25, 0.5, 0.75, 0.9)  # of the fan
FAN_S = 1800.0
WIDE = 0.75  # our allowance: four hours to go, give or take an hour and a half
ROUNDS_S = (300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0)
SEED = 20_260_614
NOT_WITHIN = f"more likely than not it is not there within {HORIZON_H:.0f} h"
TOO_COLD = f"{NOT_WITHIN}: the pit is too cold for it"


@dataclass(frozen=True, slots=True)
class Fan:
    """What the place may do: t (n,), UTC s; celsius (len(LEVELS), n), degC: at each time, quantiles of the courses."""

    t: FloatArray
    celsius: FloatArray
    levels: tuple[float, ...] = LEVELS

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        rows = [[number(round(float(v), 1)) for v in row] for row in self.celsius]
        return {"t": [iso(float(x)) for x in self.t], "levels": list(self.levels), "celsius": rows}


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a place reaches a target. Times in UTC s; a quantile is None if it lies not within 48 h of ``made``."""

    made: float
    place: str  # a meat place, or COLDEST: when the last of them is there
    target_c: float
    p10: float | None
    p50: float | None
    p90: float | None
    reached: bool  # then all three are the time at which it was
    why_not: str | None  # why p50 is None
    without: tuple[str, ...] = ()  # COLDEST: places that nothing can be said of, and that are left out
    fan: Fan | None = None
    if_back: IfBack | None = None  # while the fire is low: what the finish hangs on; the three above are over both

    @property
    def round_s(self) -> float:
        """To how much a time is to be rounded when it is told: about a sixth of the width, 5 min to 2 h [s]."""
        return ROUNDS_S[0] if self.reached else _round_s(self.made, self.p10, self.p50, self.p90)

    @property
    def wide(self) -> bool:
        """Too early for more than a rough answer: the interval is wider than ``WIDE`` of the time to the median."""
        if self.reached or self.p50 is None:
            return False
        return self.p90 is None or self.p10 is None or self.p90 - self.p10 > WIDE * (self.p50 - self.made)

    def told(self, t: float | None) -> float | None:
        """A time as it is to be shown: rounded to ``round_s`` [UTC s]."""
        return None if t is None else round(t / self.round_s) * self.round_s

    def as_json(self) -> dict[str, Any]:
        """As plain values; the quantiles exact, ``round_s`` beside them for who shows them."""
        return {
            "made": iso(self.made), "place": self.place, "target_c": number(self.target_c), "p10": iso(self.p10),
            "p50": iso(self.p50), "p90": iso(self.p90), "reached": self.reached, "why_not": self.why_not,
            "without": list(self.without), "wide": self.wide, "round_s": self.round_s,
            "if_back": None if self.if_back is None else self.if_back.as_json(),
        }


def _round_s(made: float, p10: float | None, p50: float | None, p90: float | None) -> float:
    if p50 is None:
        return ROUNDS_S[0]
    width = HORIZON_H * 3600 if p90 is None else p90 - (p10 or made)
    return max((r for r in ROUNDS_S if r <= width / 6), default=ROUNDS_S[0])


def forecasts_of(
    places: Mapping[str, Cells], air: Sequence[Cells], notes: Sequence[Told], grid: Grid,
    targets_c: Sequence[float], plan: Plan = AS_IT_IS,
) -> tuple[Forecast, ...]:
    """For each target: a forecast of every meat place, in the order of names, and last of the coldest.

    places : cells of the meat places by name;  air : of the air places, in the order of placements (may be none)
    notes : what was done so far;  targets_c : degC (the caller refuses absurd ones)
    """
    return foretell(learn(places, air, notes, grid), places, targets_c, grid, plan)


def foretell(
    known: Learned, places: Mapping[str, Cells], targets_c: Sequence[float], grid: Grid, plan: Plan = AS_IT_IS
) -> tuple[Forecast, ...]:
    """As ``forecasts_of``, from what was learned: several plans may share that."""
    why_not = {name: _why_not(known, name) for name in known.names}
    done = {(name, target): _reached_at(places[name], grid, target) for name in known.names for target in targets_c}
    needed = any(done[name, t] is None and not why_not[name] for name in known.names for t in targets_c)
    hottest = max(targets_c)
    stand = stand_of(known.pit, hottest) if known.pit_seen else None
    run = cook_on(known, hottest, plan) if needed else None
    low = [t for t in targets_c if run is not None and is_low(stand, t, plan)]
    still = cook_on(known, hottest, replace(plan, pit_c=stand.now)) if stand is not None and any(
        stays(stand, t) for t in low) else None
    out: list[Forecast] = []
    for target in targets_c:
        some = {name: done[name, target] for name in known.names if done[name, target] is not None or not why_not[name]}
        waits = _waits(known, run, target, some)
        cold = _is_cold(known, stand, target, plan)
        pit = _Pit(cold, None, {}) if stand is None or run is None or target not in low else _Pit(
            cold, courses_of(stand, run, target),
            _waits(known, still, target, some) if still is not None and stays(stand, target) else {})
        for i, name in enumerate(known.names):
            fan = _fan(known, run, [i]) if run is not None and name in waits else None
            out.append(_forecast(known, name, target, waits.get(name), done[name, target], why_not[name], fan, pit))
        each = out[-len(known.names) :] if known.names else []
        out.append(_not_before(_coldest(known, target, waits, done, run, pit), each))
    return tuple(out)


def _waits(
    known: Learned, run: Ahead | None, target: float, done: Mapping[str, float | None]
) -> dict[str, FloatArray]:
    """Of places, how long each member takes to the target (``_wait``), and of the last of them."""
    waits = {name: _wait(known, run, name, target, at) for name, at in done.items()}
    return waits | ({COLDEST: np.max(np.stack(list(waits.values())), axis=0)} if waits else {})


def _not_before(coldest: Forecast, each: Sequence[Forecast]) -> Forecast:
    """The last place is there no sooner than any: held for each quantile, which are of differently weighted members."""
    if coldest.reached or coldest.p10 is None:
        return coldest
    said = [coldest, *(f for f in each if f.place not in coldest.without)]
    p10, p50, p90 = last([f.p10 for f in said]), last([f.p50 for f in said]), last([f.p90 for f in said])
    why_not = coldest.why_not or (NOT_WITHIN if p50 is None else None)
    backs = [f.if_back for f in said if f.if_back is not None]
    if_back = None if coldest.if_back is None else replace(
        coldest.if_back, p10=last([b.p10 for b in backs]), p50=last([b.p50 for b in backs]),
        p90=last([b.p90 for b in backs]), as_it_is=last([b.as_it_is for b in backs]))
    return replace(coldest, p10=p10, p50=p50, p90=p90, why_not=why_not, if_back=if_back)


def _why_not(known: Learned, name: str) -> str | None:
    if known.minutes[name] < LEAST_MIN:
        return f"fewer than {LEAST_MIN} good minutes" + (" yet" if known.minutes[name] else "")
    if known.rests_min[name]:
        return rest_words(known.rests_min[name])
    if known.silent_min[name] > max(SILENT_MIN, known.late_min[name]):
        return f"no good sample for {span(60.0 * known.silent_min[name])}"
    return "the meat was pulled" if known.pulled else None


def _reached_at(cells: Cells, grid: Grid, target: float) -> float | None:
    """When the mean of three good minutes was first at the target [UTC s]; None: not yet."""
    have = np.flatnonzero(np.isfinite(cells.celsius))
    if have.size < 3:
        return None
    y = cells.celsius[have]
    mean = (y[2:] + y[1:-1] + y[:-2]) / 3
    at = np.flatnonzero(mean >= target)
    return grid.end(int(have[int(at[0]) + 1])) if at.size else None


def _wait(known: Learned, run: Ahead | None, name: str, target: float, done: float | None) -> FloatArray:
    """How long each member takes to the target [s from now], (members,); negative: it was reached so long ago."""
    members = known.ensemble.theta.shape[2]
    if done is not None or run is None:
        return np.full(members, (done or known.now) - known.now)
    row = known.names.index(name)
    # What the probe reads is not what the place is: by so much, all cook long.
    off = known.u[name] * np.random.default_rng((SEED, row)).normal(size=(members,))
    one = replace(run, start=run.start[row : row + 1], tips=run.tips[:, row : row + 1])
    wait: FloatArray = first_reach(one, target + off)[0]
    return wait


class _Pit(NamedTuple):
    """cold : usually too cold for the target, or planned so;  low : the courses of a low pit, None: it is not low.

    still : of each place and the coldest, how long each member takes in a low pit that stays as it is [s]; none: never
    """

    cold: bool
    low: Courses | None
    still: Mapping[str, FloatArray]


def as_cooks_go(wait: FloatArray, elapsed_s: float, *, cold: BoolArray | bool = False) -> FloatArray:
    """Times to go, of members that count by how long their whole cook would take.

    wait : (members,), s from now, inf: not within the horizon. Returns as many, ascending.
    cold : bool (members,) or of all: the pit is too cold for the target: those that never get there count fully
    """
    order = np.argsort(wait, kind="stable")
    ordered = wait[order]
    hours = np.minimum(ordered, HORIZON_H * 3600) / 3600 + elapsed_s / 3600
    beyond = np.log(np.maximum(hours / LONG_H, 1.0)) / LONG_SD
    weight = LEAST_WEIGHT + (1 - LEAST_WEIGHT) * np.exp(-0.5 * beyond**2)
    weight = np.where(np.broadcast_to(cold, wait.shape)[order] & ~np.isfinite(ordered), 1.0, weight)
    upto = np.cumsum(weight)
    at = np.searchsorted(upto, (np.arange(wait.size) + 0.5) / wait.size * upto[-1])
    likely: FloatArray = ordered[np.minimum(at, wait.size - 1)]
    return likely


def _is_cold(known: Learned, stand: Stand | None, target: float, plan: Plan) -> bool:
    """Whether the pit, as it usually is or is planned, is too cold for the target."""
    if plan.pit_c is not None:
        return plan.pit_c <= target + COLD_K
    lit = np.isfinite(known.pit[-USUAL_MIN:]).sum() >= LIT_MIN
    return bool(lit and stand is not None and stand.usual <= target + COLD_K)


def _coldest(
    known: Learned, target: float, waits: Mapping[str, FloatArray], done: Mapping[tuple[str, float], float | None],
    run: Ahead | None, pit: _Pit,
) -> Forecast:
    names = [name for name in known.names if name in waits]
    without = tuple(name for name in known.names if name not in waits)
    times = [done[name, target] for name in names]
    at = max((t for t in times if t is not None), default=None) if names and None not in times and not without else None
    why = None if waits else ("no meat place" if not known.names else "nothing can be said of any place")
    rows = [known.names.index(name) for name in names]
    fan = _fan(known, run, rows) if run is not None and rows else None
    return _forecast(known, COLDEST, target, waits.get(COLDEST), at, why, fan, pit, without)


def _forecast(
    known: Learned, place: str, target: float, wait: FloatArray | None, done: float | None, why_not: str | None,
    fan: Fan | None, pit: _Pit, without: tuple[str, ...] = (),
) -> Forecast:
    now = known.now
    if done is not None:
        return Forecast(now, place, target, done, done, done, True, None, without, fan)
    if wait is None:
        return Forecast(now, place, target, None, None, None, False, why_not, without, None)
    elapsed = now - known.began
    cold = pit.cold if pit.low is None else pit.cold | pit.low.left
    p10, p50, p90 = _quantiles(now, as_cooks_go(wait, elapsed, cold=cold))
    if p50 is None:
        why_not = TOO_COLD if np.all(cold) or (pit.low is not None and pit.low.left.mean() > 0.5) else NOT_WITHIN
    if_back = None if pit.low is None else _if_back(now, wait, elapsed, pit.low, pit.still.get(place))
    return Forecast(now, place, target, p10, p50, p90, False, why_not, without, fan, if_back)


def _quantiles(now: float, wait: FloatArray) -> tuple[float | None, float | None, float | None]:
    q = np.quantile(wait, (0.1, 0.5, 0.9), method="inverted_cdf")
    p10, p50, p90 = (now + float(x) if x <= HORIZON_H * 3600 else None for x in q)
    return p10, p50, p90


def _if_back(
    now: float, wait: FloatArray, elapsed: float, low: Courses, still: FloatArray | None
) -> IfBack | None:
    """What a finish hangs on; None: too few courses of the pit bring it back."""
    if low.back_c is None:
        return None
    quantiles = _quantiles(now, as_cooks_go(wait[~low.left], elapsed))
    as_it_is = None if still is None else middle(still, HORIZON_H * 3600)
    return IfBack(low.back_c, now + low.back_s, *quantiles, None if as_it_is is None else now + as_it_is,
                  _round_s(now, *quantiles))


def _fan(known: Learned, run: Ahead, rows: Sequence[int]) -> Fan:
    """Quantiles of the courses of a place, or of the coldest of several, each half hour."""
    t = np.arange(0.0, run.t[-1] + 1.0, FAN_S)
    some = replace(run, start=run.start[rows], tips=run.tips[:, rows])
    return Fan(known.now + t, np.quantile(some.at(t).min(axis=1), LEVELS, axis=1))
