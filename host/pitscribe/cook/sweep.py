"""One sweep forward over the minutes of a place: where a stall begins and ends, and what else holds heating back."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pitscribe.cook import slow
from pitscribe.cook.acts import ENDS, GRACE_MIN, WORDS, acts_by_cell
from pitscribe.cook.grid import CELL_S, FloatArray, Grid
from pitscribe.cook.likely import likely
from pitscribe.cook.noted import Told
from pitscribe.cook.pace import BEST_MIN, LEAST_DRIVE_K, PACE_MIN, Pace
from pitscribe.cook.plain import degrees
from pitscribe.cook.rates import JUMP_K

BEGIN_SHARE = 0.50  # "well below what it was": pace under half of the best. Conduction alone stays near 100 %
END_SHARE = 0.55  # over again when it is back at more; the difference is hysteresis
UNKNOWN_MIN = 30  # minutes without a pace over which nothing is counted or dated back: longer than a call takes
PERSIST_MIN = 10  # longer than an opened lid or a spritz holds back the core
LOWEST_C = 45.0  # a freely wet surface in a pit is at 36 to 50 degC (SOURCES.md section 4): below, nothing plateaus
HIGHEST_C = 93.0  # near boiling a wrapped joint slows for another reason
HIGHEST_UNSEEN_C = 80.0  # without a pit to compare: only about where stalls are (66 to 77 degC, common practice)
STEADY_SHARE = 0.70  # of the usual drive: with less, it is the fire and not the meat that holds heating back
LOW_SHARE = 0.50  # of the usual drive: with less for LOW_MIN, a stall cannot be told from the dead fire any more
LOW_MIN = 20
LEAST_TO_SAY = 0.5  # less likely ones are left unsaid: precision 0.953 to 0.972 (60 held cooks, seed 4711), recall kept
# A fire that is fed by hand heaves: what heats again for a while and has gained no more than this is the same stall.
GOES_ON_MIN, GOES_ON_K = 90, 3.0
SETTLED_MIN = 6  # after a jump: by then a thick probe has the temperature of its new place, or a spike has gone
COOLS_K_H = 2.0  # evaporation holds the inside, it does not draw it down like this: the pit is colder than it seems
COOLED_K = 4.0  # below the warmest of the stall: it is not stalled but cooling (pulled, the fire out)


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
class _At:
    """Where the sweep stands at one minute."""

    best: float = float("nan")  # best pace so far [1/h]
    best_from: int = 0  # first cell from which lines for the best pace may start
    run: int = 0  # minutes that speak for a change of state
    unknown: int = 0  # minutes without a pace
    low: int = 0  # minutes of a low fire in a stall
    hot: int = 0  # minutes near boiling in a stall
    jumped_at: int = -1  # cell of the last jump, until it is known whether it stayed
    before_jump: float = float("nan")
    quiet_until: int = -1  # no call before this cell: a person's act may explain it
    quiet_for: str = slow.WELL
    ended: str = slow.WELL  # it was pulled, or is held, as somebody noted
    ended_at: int = -1
    ended_c: float = float("nan")  # what the pit usually was then
    set_down: bool = False  # since then the pit has been clearly lower
    open_at: int = -1  # first cell of the present stall
    closed_at: int = -1  # cell in which the last stall was seen to end: it heated again, or the fire was low
    warmest: float = float("-inf")
    deepest: float = float("inf")


class Sweep:
    """The sweep over one place; ``walk`` it once. ``stalls``: what it found; ``why``: what holds each minute back."""

    def __init__(self, place: str, celsius: FloatArray, pace: Pace, notes: Sequence[Told], grid: Grid) -> None:
        self.place, self.celsius, self.pace, self.grid = place, celsius, pace, grid
        self.share = [float("nan")] * grid.n
        self.why = [slow.WELL] * grid.n
        self.acts = acts_by_cell(notes, grid)
        self.stalls: list[Stall] = []
        self.at = _At()

    def walk(self) -> "Sweep":
        for k in range(self.grid.n):
            self._heed(k)
            self._learn(k)
            self.share[k] = self._share(k)
            self.why[k] = self._why(k)
            if self.at.open_at < 0:
                self._look_for_begin(k)
            else:
                self._look_for_end(k)
        if self.at.open_at >= 0:
            self._renew(self.grid.n - 1)
        return self

    def _heed(self, k: int) -> None:
        """Take account of what a person did, or of a probe that moved, in this minute."""
        at = self.at
        for kind in self.acts.get(k, ()):
            if k + GRACE_MIN.get(kind, 0) > max(k, at.quiet_until):
                at.quiet_until, at.quiet_for = k + GRACE_MIN[kind], WORDS[kind]
            if kind in ENDS:
                at.ended, at.ended_at, at.ended_c, at.set_down = ENDS[kind], k, self.pace.usual[k], False
                if at.open_at >= 0:
                    self._close(k, self.grid.end(k), f"{kind} noted")
        last, jumps = self.pace.last, self.pace.jumps
        if k and jumps[k] != jumps[k - 1]:
            at.before_jump = last[k - 1] if at.jumped_at < 0 else at.before_jump
            at.jumped_at = k
        elif 0 <= at.jumped_at <= k - SETTLED_MIN:
            stayed = abs(last[k] - at.before_jump) > 2 * JUMP_K
            at.jumped_at = -1
            if stayed and at.open_at < 0:
                # Other tissue heats at another pace: nothing that was learned holds for it. (A spike comes back.)
                # A wrap changes the surface alone, and what the inside once showed holds on.
                at.best, at.best_from, at.run = float("nan"), k, 0

    def _learn(self, k: int) -> None:
        """Raise the best pace, if this minute's long line shows a better one. Not during a stall."""
        at, pace = self.at, self.pace.surest[k]
        if at.open_at >= 0 or pace != pace or pace <= 0 or k - BEST_MIN + 1 < at.best_from:
            return
        if not pace <= at.best:
            at.best = pace

    def _share(self, k: int) -> float:
        """This minute's pace as a share of the best; NaN where it is not known."""
        drive = self.pace.drive(k)
        if not drive >= LEAST_DRIVE_K or self.at.best != self.at.best:
            return float("nan")
        share: float = self.pace.rate[k] / (self.at.best * drive)
        return share

    def _why(self, k: int) -> str:
        """What holds this minute back: ``slow.STALL`` beyond doubt the meat, ``slow.WELL`` nothing, else the cause."""
        pace, at, share = self.pace, self.at, self.share[k]
        if at.ended and k - at.ended_at > PACE_MIN and (share > END_SHARE or self._cooks_on(k)):
            at.ended = slow.WELL  # it is back on the fire
        if at.ended:
            return at.ended
        if at.jumped_at >= 0:
            return slow.MOVED
        if pace.fire(k) < LOW_SHARE:
            return slow.FIRE_LOW
        if pace.rate[k] < -COOLS_K_H:
            return slow.COOLS
        if pace.drive(k) < LEAST_DRIVE_K:
            return slow.NEAR_PIT
        if not share + pace.u[k] / (at.best * pace.drive(k)) < BEGIN_SHARE:
            return slow.WELL
        if not pace.fire(k) >= STEADY_SHARE:
            return slow.FIRE_LOW
        if pace.last[k] < LOWEST_C:
            return slow.TOO_COLD
        if pace.last[k] > (HIGHEST_C if pace.seen[k] else HIGHEST_UNSEEN_C):
            return slow.TOO_HOT
        return at.quiet_for if k <= at.quiet_until else slow.STALL

    def _cooks_on(self, k: int) -> bool:
        """Whether the pit, which was set down for a hold, drives again as before it, and the place surely heats."""
        at, pace = self.at, self.pace
        before = at.ended_c - pace.last[k]
        if before < LEAST_DRIVE_K or pace.last[k] != pace.last[k]:
            return False
        drives = pace.drive(k) >= STEADY_SHARE * before
        at.set_down = at.set_down or not drives
        return at.set_down and drives and pace.rate[k] > 2 * pace.u[k]

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
        if k <= self.at.quiet_until:
            return  # what was counted stays: a stall goes on under a spritz
        if self._count(self.why[k] == slow.STALL, self.share[k] == self.share[k]):
            first = self._crossing(k, self._before_it)
            if self._goes_on(first, k):
                self._reopen(k)
            elif self._probability(first, k) >= LEAST_TO_SAY:
                self._open(first, k)

    def _before_it(self, i: int) -> bool:
        """Whether minute ``i`` is none of the stall that is there: it heated, or a dead fire or a hold held it back."""
        return self.share[i] >= BEGIN_SHARE or self.pace.fire(i) < LOW_SHARE or self.why[i] in ENDS.values()

    def _goes_on(self, first: int, k: int) -> bool:
        """Whether what begins at ``first`` is the last stall still, which only seemed to be over."""
        at = self.at
        if at.closed_at < 0 or at.best_from != at.closed_at:  # in other tissue since: another stall
            return False
        end = self.grid.cell((self.stalls[-1].end or 0.0) - CELL_S / 2)
        return first - end <= GOES_ON_MIN and self.pace.last[k] - self.pace.last[end] <= GOES_ON_K

    def _reopen(self, k: int) -> None:
        at, held = self.at, self.stalls[-1]
        at.open_at = max(0, self.grid.cell(held.begin - CELL_S / 2))
        at.run, at.low, at.hot, at.warmest, at.deepest = 0, 0, 0, float("-inf"), 1.0 - held.depth
        self.stalls[-1] = replace(held, end=None, end_noticed=None)
        self._watch(k)

    def _probability(self, first: int, k: int) -> float:
        """How likely what began at cell ``first`` is one that lasts, by what is known at ``k``."""
        span, shares = self.celsius[first : k + 1], [s for s in self.share[first : k + 1] if s == s]
        plateau = float(np.median(span[np.isfinite(span)]))  # this minute's is finite, or nothing would be counted
        depth = 1.0 - min(shares, default=1.0)
        return likely(depth, plateau, (k - first) * CELL_S / 3600, seen=bool(self.pace.seen[k]))

    def _open(self, first: int, k: int) -> None:
        at = self.at
        at.open_at, at.run, at.low, at.hot, at.warmest, at.deepest = first, 0, 0, 0, float("-inf"), float("inf")
        begin = self.grid.end(first)
        if self.stalls and self.stalls[-1].end is not None:
            begin = max(begin, self.stalls[-1].end)
        self.stalls.append(Stall(self.place, begin, self.grid.end(k), None, None, float("nan"), 0.0, 0.0, ""))
        self._watch(k)

    def _crossing(self, k: int, other: Callable[[int], bool]) -> int:
        """The last cell before ``k`` that was ``other``: the middle of its line; not across half an hour unknown."""
        i, known = k, k
        while i > 0 and known - i <= UNKNOWN_MIN and not other(i):
            if self.share[i] == self.share[i]:
                known = i
            i -= 1
        if known - i > UNKNOWN_MIN:
            i = known
        return max(0, i - PACE_MIN // 2)

    def _watch(self, k: int) -> None:
        at = self.at
        if self.pace.last[k] == self.pace.last[k]:
            at.warmest = max(at.warmest, self.pace.last[k])
        if self.share[k] == self.share[k]:
            at.deepest = min(at.deepest, self.share[k])

    def _look_for_end(self, k: int) -> None:
        share, at = self.share[k], self.at
        self._watch(k)
        at.low = at.low + 1 if self.pace.fire(k) < LOW_SHARE else 0
        at.hot = at.hot + 1 if self.pace.last[k] > HIGHEST_C else 0
        if self.pace.last[k] < at.warmest - COOLED_K:
            self._close(k, self.grid.end(max(0, k - PACE_MIN // 2)), "it cools")
        elif at.hot >= PERSIST_MIN:
            self._close(k, self.grid.end(k - PERSIST_MIN), "it is near boiling, where evaporation holds nothing up")
        elif at.low >= LOW_MIN:
            self._close(k, self.grid.end(k - LOW_MIN), "the fire is low, and holds heating back itself")
            at.closed_at = k
        elif self._count(share > END_SHARE, share == share):
            over = self._crossing(k, lambda i: self.share[i] <= END_SHARE)
            self._close(k, self.grid.end(max(over, at.open_at)), "it heats again")
            at.closed_at = k

    def _close(self, k: int, end: float, how: str) -> None:
        """End the present stall. The best pace stands: a second stall is one against what the place once showed."""
        self._renew(k)
        held = self.stalls[-1]
        over = max(held.noticed, end)
        self.stalls[-1] = replace(held, end=over, end_noticed=self.grid.end(k), cause=f"{held.cause}; over: {how}")
        self.at.open_at, self.at.best_from, self.at.run, self.at.closed_at = -1, k, 0, -1

    def _renew(self, k: int) -> None:
        """Bring the present stall's figures up to cell ``k``."""
        at, held, pace = self.at, self.stalls[-1], self.pace
        span = self.celsius[at.open_at : k + 1]
        span = span[np.isfinite(span)]
        plateau = float(np.median(span)) if span.size else held.plateau_c
        noticed = self.grid.cell(held.noticed - CELL_S / 2)  # it was said at that cell's end
        drive, share = pace.drive(noticed), self.share[noticed]
        evidence = {
            "rate_k_h": pace.rate[noticed], "rate_u_k_h": pace.u[noticed], "drive_k": drive,
            "pace_per_h": pace.rate[noticed] / drive, "best_pace_per_h": at.best,
            "share_of_best": share, "pit_c": pace.low[noticed],
        }
        cause = f"heats at {100 * share:.0f} % of what the pit drove before: evaporation takes up the heat"
        seen = pace.seen[noticed]
        if not seen:
            assumed = f"{degrees(pace.low[noticed], 'F')} ({pace.low[noticed]:.0f} C)"
            cause += f" (or the fire is low: no air probe shows it, a pit of {assumed} is assumed)"
        hours = (self.grid.end(k) - held.begin) / 3600
        depth = min(1.0, 1.0 - at.deepest)
        self.stalls[-1] = replace(held, plateau_c=plateau, depth=depth, cause=cause, evidence=evidence,
                                  probability=likely(depth, plateau, hours, seen=seen))
