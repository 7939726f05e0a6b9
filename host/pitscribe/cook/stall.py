"""The stall: heating, relative to what the pit drives, falls well below what it was.

The measure is the *pace*: rate / (air - meat) [1/h], as a share of the best pace that this place has shown. Conduction
alone keeps it constant once the heat has reached the place, right up to the pit's own temperature at the end; a fading
fire lowers rate and drive together. Evaporation at the surface lowers the rate alone. That is the whole idea; the rest
guards against what looks alike for a while (lids, spritzes, wraps, moved probes, a fire that came back).

Everything is one sweep forward over the minutes of the cook, so what is said of a time never depends on later data.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import erf, exp, sqrt
from typing import Protocol

import numpy as np

from pitscribe.cook.drive import Drive, drive_of
from pitscribe.cook.grid import CELL_S, Cells, FloatArray, Grid, cells_of, grid_of
from pitscribe.cook.rates import JUMP_K, jumps_so_far, line_rates
from pitscribe.series import Series

BEGIN_SHARE = 0.40  # "well below what it was": pace under 40 % of the best. Conduction alone stays near 100 %
END_SHARE = 0.50  # over again when it is back at half; the difference is hysteresis
PACE_MIN = 20  # rates for the pace: one step of 0.25 K hides at most 0.4 K/h in it
BEST_MIN = 40  # rates for the best pace: a maximum picks up noise, so it is taken from a longer line, less its u
UNKNOWN_MIN = 30  # minutes without a pace over which nothing is counted or dated back: longer than a call takes
PERSIST_MIN = 10  # longer than an opened lid or a spritz holds back the core
LOWEST_C = 45.0  # a freely wet surface in a pit is at 36 to 50 degC (SOURCES.md section 4): below, nothing plateaus
HIGHEST_C = 93.0  # near boiling a wrapped joint slows for another reason
HIGHEST_UNSEEN_C = 80.0  # without a pit to compare: only about where stalls are (66 to 77 degC, common practice)
LEAST_DRIVE_K = 15.0  # with less the pit hardly heats: the approach at the end, or a hold
STEADY_SHARE = 0.60  # of the usual drive: with less, it is the fire and not the meat that holds heating back
SETTLED_MIN = 6  # after a jump: by then a thick probe has the temperature of its new place, or a spike has gone
COOLS_K_H = 2.0  # evaporation holds the inside, it does not draw it down like this: the pit is colder than it seems
COOLED_K = 4.0  # below the warmest of the stall: it is not stalled but cooling (pulled, the fire out)
# How long what a person did may hold heating back by itself [min]: opened and sprayed; wrapped, iced, set in a pan.
GRACE_MIN = {"lid": 20, "spritz": 20, "rotate": 20, "wrap": 45, "boat": 45, "pan": 45, "ice": 60}
COVERS = ("wrap", "boat", "pan")  # these change the surface for good: the best pace is learned anew
ENDS = ("pull", "hold")


class Noted(Protocol):
    """What is used of a note: when (ms UTC) and what kind of thing a person did."""

    @property
    def at_ms(self) -> int: ...

    @property
    def kind(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Stall:
    """One stall of one place. Times in UTC s; ``end`` is None while it lasts."""

    place: str
    begin: float  # dated back to when the pace fell
    noticed: float  # when it was first said
    end: float | None
    end_noticed: float | None
    plateau_c: float  # median temperature of the stall so far [degC]
    depth: float  # 1 - pace as a share of the best, at its deepest: 1 is no heating at all
    probability: float
    cause: str
    evidence: Mapping[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class _Sweep:
    """Where the sweep stands at one minute."""

    best: float = float("nan")  # best pace so far [1/h]
    cap: float = float("inf")  # a best pace from before a stall or a wrap: later ones are not held to more
    best_from: int = 0  # first cell from which lines for the best pace may start
    run: int = 0  # minutes that speak for a change of state
    unknown: int = 0  # minutes without a pace
    jumped_at: int = -1  # cell of the last jump, until it is known whether it stayed
    before_jump: float = float("nan")
    quiet_until: int = -1  # no call before this cell: a person's act may explain it
    open_at: int = -1  # first cell of the present stall
    warmest: float = float("-inf")
    deepest: float = float("inf")


def find_stalls(
    meat: Series, air: Sequence[Series] = (), notes: Sequence[Noted] = (), *, grid: Grid | None = None
) -> list[Stall]:
    """Stalls of one meat place, in order of time.

    air : the air places in the order of placements (see ``pit``; none: a pit at 121 degC is assumed, less is claimed)
    notes : what people did; a wrap, lid or spritz may explain a dip, a pull or hold ends a stall
    grid : the grid to work on, default one over these series
    """
    on = grid or grid_of([meat, *air])
    return stalls_of(meat.place, cells_of(meat, on), drive_of([cells_of(s, on) for s in air], on.n), notes, on)


def stalls_of(place: str, cells: Cells, drive: Drive, notes: Sequence[Noted], grid: Grid) -> list[Stall]:
    """As ``find_stalls``, from what is already on the grid."""
    return _Walk(place, cells, drive, notes, grid).walk()


class _Walk:
    """The sweep over one place: the pace of each minute, and what is made of it."""

    def __init__(self, place: str, cells: Cells, drive: Drive, notes: Sequence[Noted], grid: Grid) -> None:
        self.place, self.grid, self.drive = place, grid, drive
        self.jumps = jumps_so_far(cells)
        rate, u = line_rates(cells, PACE_MIN, self.jumps)
        best, best_u = line_rates(cells, BEST_MIN, self.jumps)
        self.celsius = cells.celsius
        last = _held(cells.celsius)
        gives_best = (drive.low - last) >= LEAST_DRIVE_K
        with np.errstate(invalid="ignore", divide="ignore"):
            lower = np.where(gives_best, (best - best_u) / (drive.high - last), np.nan)
        self.rate, self.u, self.last = rate.tolist(), u.tolist(), last.tolist()
        self.low, self.usual, self.seen = drive.low.tolist(), drive.usual.tolist(), drive.seen.tolist()
        self.best_pace = lower.tolist()
        self.share = [float("nan")] * grid.n
        self.acts = self._acts_by_cell(notes)
        self.stalls: list[Stall] = []
        self.at = _Sweep()

    def _acts_by_cell(self, notes: Sequence[Noted]) -> dict[int, list[str]]:
        acts: dict[int, list[str]] = {}
        for note in notes:
            k = self.grid.cell(note.at_ms / 1000)
            acts.setdefault(max(k, 0), []).append(note.kind)
        return acts

    def walk(self) -> list[Stall]:
        for k in range(self.grid.n):
            self._heed(k)
            self._learn(k)
            self.share[k] = self._share(k)
            if self.at.open_at < 0:
                self._look_for_begin(k)
            else:
                self._look_for_end(k)
        if self.at.open_at >= 0:
            self._renew(self.grid.n - 1)
        return self.stalls

    def _heed(self, k: int) -> None:
        """Take account of what a person did, or of a probe that moved, in this minute."""
        at = self.at
        for kind in self.acts.get(k, ()):
            at.quiet_until = max(at.quiet_until, k + GRACE_MIN.get(kind, 0))
            if kind in COVERS and at.open_at < 0:
                self._learn_anew(k)
            if kind in ENDS and at.open_at >= 0:
                self._close(k, self.grid.end(k), f"{kind} noted")
        if k and self.jumps[k] != self.jumps[k - 1]:
            at.before_jump = self.last[k - 1] if at.jumped_at < 0 else at.before_jump
            at.jumped_at = k
        elif 0 <= at.jumped_at <= k - SETTLED_MIN:
            stayed = abs(self.last[k] - at.before_jump) > 2 * JUMP_K
            at.jumped_at = -1
            if stayed and at.open_at < 0:
                # Other tissue heats at another pace: nothing that was learned holds for it. (A spike comes back.)
                self._learn_anew(k)
                at.cap = float("inf")

    def _learn_anew(self, k: int) -> None:
        at = self.at
        if at.best == at.best:
            at.cap = min(at.cap, at.best)
        at.best, at.best_from, at.run = float("nan"), k, 0

    def _learn(self, k: int) -> None:
        """Raise the best pace, if this minute's long line shows a better one. Not during a stall."""
        at, pace = self.at, self.best_pace[k]
        if at.open_at >= 0 or pace != pace or pace <= 0 or k - BEST_MIN + 1 < at.best_from:
            return
        if not pace <= at.best:
            at.best = min(pace, at.cap)

    def _share(self, k: int) -> float:
        """This minute's pace as a share of the best; NaN where it is not known."""
        drive = self.low[k] - self.last[k]
        if not drive >= LEAST_DRIVE_K or self.at.best != self.at.best:
            return float("nan")
        share: float = self.rate[k] / (self.at.best * drive)
        return share

    def _count(self, speaks: bool, known: bool) -> bool:
        """Count minutes that speak for a change; a minute against takes two back, long ignorance all."""
        at = self.at
        if not known:
            at.unknown += 1
            at.run = 0 if at.unknown > UNKNOWN_MIN else at.run
            return False
        at.unknown = 0
        at.run = at.run + 1 if speaks else max(0, at.run - 2)
        return at.run >= PERSIST_MIN

    def _look_for_begin(self, k: int) -> None:
        share, at = self.share[k], self.at
        if k <= at.quiet_until:
            return  # what was counted stays: a stall goes on under a spritz
        known = share == share
        speaks = known and self._held_back(k, share)
        if self._count(speaks, known):
            self._open(k)

    def _held_back(self, k: int, share: float) -> bool:
        """This minute speaks for a stall: held back beyond doubt, by the meat and not by the fire."""
        highest = HIGHEST_C if self.seen[k] else HIGHEST_UNSEEN_C
        if not LOWEST_C <= self.last[k] <= highest or self.rate[k] < -COOLS_K_H:
            return False
        drive = self.low[k] - self.last[k]
        steady = drive >= STEADY_SHARE * (self.usual[k] - self.last[k])
        return bool(steady and share + self.u[k] / (self.at.best * drive) < BEGIN_SHARE)

    def _open(self, k: int) -> None:
        first = self._crossing(k, BEGIN_SHARE, below=True)
        at = self.at
        at.open_at, at.run, at.warmest, at.deepest = first, 0, float("-inf"), float("inf")
        begin = self.grid.end(first)
        if self.stalls and self.stalls[-1].end is not None:
            begin = max(begin, self.stalls[-1].end)
        self.stalls.append(Stall(self.place, begin, self.grid.end(k), None, None, float("nan"), 0.0, 0.0, ""))
        self._watch(k)

    def _crossing(self, k: int, level: float, *, below: bool) -> int:
        """The cell at which the pace went under (or over) ``level`` for good: the middle of that minute's line.

        Not dated back across more than half an hour in which the pace was not known.
        """
        i, known = k, k
        while i > 0 and known - i <= UNKNOWN_MIN and not self._beyond(i, level, below=below):
            if self.share[i] == self.share[i]:
                known = i
            i -= 1
        if known - i > UNKNOWN_MIN:
            i = known
        return max(0, i - PACE_MIN // 2)

    def _beyond(self, i: int, level: float, *, below: bool) -> bool:
        return self.share[i] >= level if below else self.share[i] <= level

    def _watch(self, k: int) -> None:
        at = self.at
        if self.last[k] == self.last[k]:
            at.warmest = max(at.warmest, self.last[k])
        if self.share[k] == self.share[k]:
            at.deepest = min(at.deepest, self.share[k])

    def _look_for_end(self, k: int) -> None:
        share, at = self.share[k], self.at
        self._watch(k)
        if self.last[k] < at.warmest - COOLED_K:
            self._close(k, self.grid.end(max(0, k - PACE_MIN // 2)), "it cools")
        elif self._count(share > END_SHARE, share == share):
            over = self._crossing(k, END_SHARE, below=False)
            self._close(k, self.grid.end(max(over, at.open_at)), "it heats again")

    def _close(self, k: int, end: float, how: str) -> None:
        self._renew(k)
        held = self.stalls[-1]
        over = max(held.noticed, end)
        self.stalls[-1] = replace(held, end=over, end_noticed=self.grid.end(k), cause=f"{held.cause}; over: {how}")
        self.at.open_at = -1
        self._learn_anew(k)

    def _renew(self, k: int) -> None:
        """Bring the present stall's figures up to cell ``k``."""
        at, held = self.at, self.stalls[-1]
        span = self.celsius[at.open_at : k + 1]
        span = span[np.isfinite(span)]
        plateau = float(np.median(span)) if span.size else held.plateau_c
        noticed = self.grid.cell(held.noticed - CELL_S / 2)  # it was said at that cell's end
        drive = self.low[noticed] - self.last[noticed]
        lacks = BEGIN_SHARE * at.best * drive - self.rate[noticed]
        hours = (self.grid.end(k) - held.begin) / 3600
        seen = self.seen[noticed]
        evidence = {
            "rate_k_h": self.rate[noticed], "rate_u_k_h": self.u[noticed], "drive_k": drive,
            "pace_per_h": self.rate[noticed] / drive, "best_pace_per_h": at.best,
            "share_of_best": self.share[noticed], "pit_c": self.low[noticed],
        }
        percent = f"{100 * self.share[noticed]:.0f} %"
        cause = f"heats at {percent} of what the pit drove before: evaporation takes up the heat"
        if not seen:
            cause += f" (or the fire is low: no air probe shows it, a pit of {self.low[noticed]:.0f} degC is assumed)"
        likely = _probability(lacks / self.u[noticed], plateau, hours, seen=seen)
        self.stalls[-1] = replace(held, plateau_c=plateau, depth=min(1.0, 1.0 - at.deepest), probability=likely,
                                  cause=cause, evidence=evidence)


def _held(y: FloatArray, minutes: int = 5) -> FloatArray:
    """The last known value, for at most ``minutes``."""
    have = np.where(np.isfinite(y), np.arange(y.size), -1)
    have = np.maximum.accumulate(have) if y.size else have
    fresh = (have >= 0) & (np.arange(y.size) - have <= minutes)
    return np.where(fresh, y[np.maximum(have, 0)], np.nan)


def _probability(z: float, plateau_c: float, hours: float, *, seen: bool) -> float:
    """Our probability that it is a stall: a judgement from three things, not a measured frequency.

    z : by how many standard uncertainties the rate was below the line when it was noticed
    plateau_c : stalls begin at 66 to 77 degC (common practice, no source); further off is less likely
    hours : since it began; what looks alike passes sooner. Without a seen pit a low fire looks the same: at most 0.6.
    """
    noise = 0.5 * (1 + erf(z / sqrt(2)))
    off = max(0.0, 58.0 - plateau_c, plateau_c - 80.0)
    lasting = 1 - 0.4 * exp(-hours)
    return (0.97 if seen else 0.6) * noise * exp(-off / 40) * lasting

