"""The finish: forecasts at 25, 50, 75 and 90 % of the true time to the target, beside four baselines.

Every meat place and the coldest (the last of them) is a case; a cook has one target, which changes from cook to cook.
Cases of one cook are not independent: means are over cooks, of each cook's mean over its cases. All forecasts are
scored as the distribution of their three quantiles (``crps.of_quantiles``); one that says "not within 48 h" is taken to
mean 48 h. A case is left out, and counted, where nothing is said (with a reason) or the probe shows the target reached
already (its offset, up to a kelvin or two: no forecast any more).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pitscribe.cook.forecast import COLDEST, forecasts_of
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.series import CookRecord

from . import bootstrap, crps
from .baselines import MOST_S, Quantiles, Residuals, ToGo, climatology, persistence, slowest, to_go
from .sensing import T0
from .truth import BenchCook

SHARES = (0.25, 0.5, 0.75, 0.9)
FIRST = 0.1  # a look before the first mark, for persistence
TARGETS = (95.0, 90.5, 90.5, 82.0, 95.0, 74.0)
OURS = "pitscribe"
BASELINES = ("linear", "newton", "climatology", "persistence")


@dataclass(frozen=True, slots=True)
class Case:
    """One place (or the coldest) of one cook, and when it reached the target [UTC s]."""

    cook: int
    place: str
    target_c: float
    at: float


def cases(held: Sequence[BenchCook]) -> list[Case]:
    """What there is to foretell; a cook whose coldest place never reached its target gets the next lower one."""
    out = []
    for i, cook in enumerate(held):
        first = TARGETS[i % len(TARGETS)]
        for target in [first, *sorted((t for t in set(TARGETS) if t < first), reverse=True)]:
            at = {place: reach[target] for place, reach in cook.truth.reach.items()}
            known = [x for x in at.values() if x is not None]
            if len(known) == len(at):
                out += [Case(i, place, target, x) for place, x in at.items() if x is not None]
                if len(at) > 1:
                    out.append(Case(i, COLDEST, target, max(known)))
                break
    return out


def ours(record: CookRecord, target_c: float) -> Mapping[str, Quantiles | None]:
    """What the product says; None: nothing (with a reason), or reached already."""
    grid = grid_of(record.places)
    meat = {s.place: cells_of(s, grid) for s in record.meat}
    said = forecasts_of(meat, [cells_of(s, grid) for s in record.air], record.notes, grid, (target_c,))
    out: dict[str, Quantiles | None] = {}
    for f in said:
        far = f.made + MOST_S
        silent = f.reached or (f.p50 is None and "48 h" not in (f.why_not or "")) or bool(f.without)
        out[f.place] = None if silent else Quantiles(f.p10 or far, f.p50 or far, f.p90 or far)
    return out


Forecaster = Callable[[CookRecord, float], Mapping[str, Quantiles | None]]


@dataclass
class Row:
    """Scores of one method at one mark; by cook: lists of minutes (and of 0 or 1 for inside)."""

    off: dict[int, list[float]] = field(default_factory=dict)
    crps: dict[int, list[float]] = field(default_factory=dict)
    inside: dict[int, list[float]] = field(default_factory=dict)
    width: dict[int, list[float]] = field(default_factory=dict)

    def add(self, case: Case, q: Quantiles) -> None:
        """Add one case."""
        minutes = {
            "off": abs(q.p50 - case.at) / 60, "crps": crps.of_quantiles(*q, case.at) / 60,
            "inside": float(q.p10 <= case.at <= q.p90), "width": (q.p90 - q.p10) / 60,
        }
        for name, value in minutes.items():
            getattr(self, name).setdefault(case.cook, []).append(value)

    def each(self, name: str) -> list[float]:
        """Each cook's mean, in the order of cooks; the same cooks for every method at a mark."""
        return [float(np.mean(v)) for _, v in sorted(getattr(self, name).items())]

    def mean(self, name: str) -> float:
        """Mean over cooks of each cook's mean."""
        per = self.each(name)
        return float(np.mean(per)) if per else float("nan")


@dataclass
class FinishScore:
    """Rows by (mark, method); how many cases there were, and how many were left out."""

    rows: dict[tuple[float, str], Row] = field(default_factory=dict)
    cooks: int = 0
    cases: int = 0
    left_out: int = 0
    worst: list[tuple[float, str]] = field(default_factory=list)  # crps [min] of ours, in words

    def row(self, share: float, method: str) -> Row:
        return self.rows.setdefault((share, method), Row())

    def best_baseline(self, share: float) -> tuple[str, float]:
        """The baseline with the least CRPS at a mark, and that [min]."""
        return min(((b, self.row(share, b).mean("crps")) for b in BASELINES), key=lambda x: x[1])

    def gain(self, share: float) -> float:
        """By which share our CRPS is below the best baseline's."""
        return 1 - self.row(share, OURS).mean("crps") / self.best_baseline(share)[1]

    def gain_span(self, share: float, baseline: str) -> bootstrap.Interval:
        """95 % interval over cooks of the gain beside one baseline."""
        mine, others = self.row(share, OURS).each("crps"), self.row(share, baseline).each("crps")
        return bootstrap.of_means(mine, others, figure=lambda a, b: 1 - a / b)

    def inside_span(self, share: float) -> bootstrap.Interval:
        """95 % interval over cooks of how often our 80 % interval holds."""
        return bootstrap.of_means(self.row(share, OURS).each("inside"), figure=lambda a: a)


def _pick(told: Mapping[str, ToGo], place: str) -> ToGo | None:
    if place == COLDEST:
        return slowest(told) if told else None
    return told.get(place)


def residuals(tune: Sequence[BenchCook]) -> dict[str, Residuals]:
    """How far linear and Newton are usually off, from the split "tune"."""
    looks = []
    for case in cases(tune):
        for share in SHARES:
            elapsed = share * (case.at - T0)
            told = _pick(to_go(tune[case.cook].record.until(T0 + elapsed), case.target_c), case.place)
            if told is not None:
                looks.append((elapsed, told.linear, told.newton, case.at - T0 - elapsed))
    elapsed_s, linear, newton, true = np.array(looks).T
    return {"linear": Residuals.of(elapsed_s, linear, true), "newton": Residuals.of(elapsed_s, newton, true)}


def score(held: Sequence[BenchCook], tune: Sequence[BenchCook], forecaster: Forecaster = ours) -> FinishScore:
    """The score of a forecaster and of the four baselines on the same cases."""
    usual, total = residuals(tune), FinishScore()
    every = cases(held)
    total.cooks = len({c.cook for c in every})
    took = {target: [(c.cook, _like(c.place), c.at - T0) for c in _all_cases(held, target)] for target in set(TARGETS)}
    for case in every:
        record = held[case.cook].record
        others = [s for cook, like, s in took[case.target_c] if cook != case.cook and like == _like(case.place)]
        before = forecaster(record.until(T0 + FIRST * (case.at - T0)), case.target_c).get(case.place)
        for share in SHARES:
            elapsed = share * (case.at - T0)
            now, total.cases = T0 + elapsed, total.cases + 1
            then = record.until(now)
            mine = forecaster(then, case.target_c).get(case.place)
            told = _pick(to_go(then, case.target_c), case.place)
            if mine is None or told is None:
                total.left_out += 1
                continue
            prior = climatology(others, T0, elapsed)
            total.row(share, OURS).add(case, mine)
            total.row(share, "linear").add(case, usual["linear"].spread(now, elapsed, told.linear))
            total.row(share, "newton").add(case, usual["newton"].spread(now, elapsed, told.newton))
            total.row(share, "climatology").add(case, prior)
            total.row(share, "persistence").add(case, persistence(before or prior, now))
            total.worst.append((crps.of_quantiles(*mine, case.at) / 60, _words(held, case, share, mine)))
            before = mine
    total.worst.sort(reverse=True)
    return total


def _all_cases(held: Sequence[BenchCook], target: float) -> list[Case]:
    """Every place of every cook that reached a target, and the last of them where all did."""
    out = []
    for i, cook in enumerate(held):
        at = [(place, reach[target]) for place, reach in cook.truth.reach.items()]
        some = [Case(i, place, target, x) for place, x in at if x is not None]
        out += some
        if len(some) == len(at):
            out.append(Case(i, COLDEST, target, max(c.at for c in some)))
    return out


def _like(place: str) -> str:
    return place if place in ("tip", COLDEST) else "thick"


def _words(held: Sequence[BenchCook], case: Case, share: float, q: Quantiles) -> str:
    hours = ", ".join(f"{(x - T0) / 3600:.1f}" for x in q)
    return (f"{held[case.cook].name} {case.place} to {case.target_c:g} at {100 * share:.0f} %: told {hours}, "
            f"was {(case.at - T0) / 3600:.1f} h")
