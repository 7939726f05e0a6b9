"""What each intervention did: to the spread, to the leader's and the laggard's rates, and to the pit.

An intervention is what a person did and noted (``ACTS``); notes within a few minutes are one. It is judged after 15 and
after 45 min against what would have been without it (``compare``), and only when that time is over. Where another act
lies too near, it cannot be told which of them did it, and it is said so.

The spread before and after is taken over the same places: those that were good in both, and whose reading did not
jump between (a probe that moved says nothing of the meat).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pitscribe.cook.compare import GUARD_MIN, Change
from pitscribe.cook.courses import Courses
from pitscribe.cook.grid import CELL_S, Cells, Grid
from pitscribe.cook.noted import Told
from pitscribe.cook.phases import OFF
from pitscribe.cook.plain import difference, iso, signed

ACTS = ("rotate", "wrap", "unwrap", "spritz", "ice", "boat", "pan", "lid", "fuel")
# These come again and again and belong to a cook's usual scatter: they do not hide what another act did.
USUAL = ("lid", "fuel")
TOGETHER_S = 300.0  # a lid is opened, the meat turned and sprayed, within so long: one intervention (our allowance)
HORIZONS = (15, 45)  # minutes: a first look, and about when what was done outside is felt inside

NOT_YET = "not yet"


@dataclass(frozen=True, slots=True)
class After:
    """What can be said so many minutes after an intervention. Changes are None where they cannot be told."""

    minutes: int
    known_at: float  # UTC s, when these minutes are over
    spread: Change | None  # K
    leader_rate: Change | None  # of the place that led before [K/h]
    laggard_rate: Change | None  # of the place that lagged before
    pit: Change | None  # level, degC
    leader: str | None  # who leads then
    laggard: str | None
    left_out: tuple[str, ...]  # places that the spread is not taken over, and why
    overlaps: tuple[str, ...]  # what else was done from 45 min before: "spritz 20 min later"
    separable: bool  # False: one of ``overlaps`` may have done it as well
    why_not: str | None  # why nothing, or not the spread, can be said; "not yet" before ``known_at``

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        changes = {w: getattr(self, w) for w in ("spread", "leader_rate", "laggard_rate", "pit")}
        return {
            "minutes": self.minutes, "known_at": iso(self.known_at),
            **{what: c.as_json() if c else None for what, c in changes.items()},
            "leader": self.leader, "laggard": self.laggard, "left_out": list(self.left_out),
            "overlaps": list(self.overlaps), "separable": self.separable, "why_not": self.why_not,
        }


@dataclass(frozen=True, slots=True)
class Intervention:
    """Something that was done, and what came of it; ``after`` has one for each of ``HORIZONS``."""

    at: float  # UTC s, of its first note
    kinds: tuple[str, ...]  # in order of the notes
    leader: str | None  # who led before
    laggard: str | None
    after: tuple[After, ...]

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "at": iso(self.at), "kinds": list(self.kinds), "leader": self.leader, "laggard": self.laggard,
            "after": [a.as_json() for a in self.after],
        }


def interventions_of(
    notes: Sequence[Told], places: Mapping[str, Cells], air: Sequence[Cells], grid: Grid, *, common_k: float = 0.0
) -> tuple[Intervention, ...]:
    """Every intervention so far, in order of time.

    notes : of the cook so far;  places : cells of each meat place, by name
    air : cells of the air places in the order of placements (none: nothing is said of the pit)
    common_k : see ``evenness``
    """
    acts = _acts(notes)
    if not acts or not grid.n:
        return ()
    off = min((n for n in notes if n.kind in OFF), key=lambda n: n.at_ms, default=None)
    courses = Courses(places, air, grid, [grid.cell(a.at) for a in acts if not a.usual], common_k)
    return tuple(_intervention(act, acts, off, courses) for act in acts)


@dataclass(frozen=True, slots=True)
class _Act:
    at: float
    kinds: tuple[str, ...]

    @property
    def usual(self) -> bool:
        return all(kind in USUAL for kind in self.kinds)


def _acts(notes: Sequence[Told]) -> list[_Act]:
    """The notes that are acts, those within ``TOGETHER_S`` of the first as one."""
    acts: list[_Act] = []
    for note in sorted((n for n in notes if n.kind in ACTS), key=lambda n: n.at_ms):
        at = note.at_ms / 1000
        if acts and at <= acts[-1].at + TOGETHER_S:
            kinds = acts[-1].kinds
            acts[-1] = _Act(acts[-1].at, kinds if note.kind in kinds else (*kinds, note.kind))
        else:
            acts.append(_Act(at, (note.kind,)))
    return acts


def _intervention(act: _Act, acts: Sequence[_Act], off: Told | None, courses: Courses) -> Intervention:
    k = courses.grid.cell(act.at)
    order = courses.order(k - GUARD_MIN, courses.places)
    leader = order[-1] if order else None
    laggard = order[0] if len(order) > 1 else None
    after = []
    for minutes in HORIZONS:
        overlaps, separable = _overlaps(act, acts, minutes)
        why_not = _why_not(act, k, minutes, off, courses.grid)
        if why_not:
            nothing = None, None, None, None, None, None, ()
            after.append(After(minutes, act.at + 60 * minutes + CELL_S, *nothing, overlaps, separable, why_not))
        else:
            after.append(_after(k, minutes, (leader, laggard), courses, (overlaps, separable)))
    return Intervention(act.at, act.kinds, leader, laggard, tuple(after))


def _after(
    k: int, minutes: int, who: tuple[str | None, str | None], courses: Courses, beside: tuple[tuple[str, ...], bool]
) -> After:
    """What came of an intervention in minute ``k``, whose minutes are over. ``who`` led and lagged before."""
    names, left_out = courses.comparable(k, minutes)
    rates = [courses.rate(name, k, minutes) if name and name in names else None for name in who]
    spread = courses.spread(names, k, minutes) if len(names) >= 2 else None
    why_not = None
    if spread is None:
        few = "fewer than two meat places were good before and after"
        why_not = "; ".join((few if len(courses.places) > 1 else "a spread needs two meat places", *left_out))
    now = courses.order(k + minutes, names)
    leader, laggard = (now[-1] if now else None), (now[0] if len(now) > 1 else None)
    known_at = courses.grid.end(k + minutes)
    pit = courses.pit(k, minutes)
    return After(minutes, known_at, spread, rates[0], rates[1], pit, leader, laggard, left_out, *beside, why_not)


def _overlaps(act: _Act, acts: Sequence[_Act], minutes: int) -> tuple[tuple[str, ...], bool]:
    """What else was done around it, and whether its own effect can be told apart from that."""
    words, separable = [], True
    for other in acts:
        off = (other.at - act.at) / 60
        if other is act or not -HORIZONS[-1] <= off <= minutes:
            continue
        words.append(f"{' and '.join(other.kinds)} {abs(off):.0f} min {'later' if off > 0 else 'before'}")
        separable &= other.usual and not act.usual
    return tuple(words), separable


def _why_not(act: _Act, k: int, minutes: int, off: Told | None, grid: Grid) -> str | None:
    """Why nothing can be said of it yet, or at all; None if something can."""
    if k < 0:
        return "it was done before the first reading"
    if off is not None and off.at_ms / 1000 <= act.at + 60.0 * minutes:
        return f"{off.kind} noted {'before' if off.at_ms / 1000 <= act.at else 'meanwhile'}"
    if k + minutes >= grid.n:
        return NOT_YET
    if grid.end(k + minutes) - act.at > (minutes + 2) * CELL_S:
        return "no reading for a long time after it"
    return None


def intervention_line(done: Intervention, unit: str, when: Callable[[float], str | None] = iso) -> str:
    """One intervention in one line: "rotate at 3:10: spread 11.2 to 4.1 F in 45 min; ...".

    unit : "F" or "C";  when : how a time [UTC s] is written
    """
    words = f"{' and '.join(done.kinds)} at {when(done.at)}: "
    known = [a for a in done.after if a.why_not is None]
    if not known:
        first = done.after[0]
        if first.why_not == NOT_YET:
            return f"{words}not known before {when(first.known_at)}"
        return f"{words}what it did cannot be told: {first.why_not}"
    at = known[-1]
    change = at.spread
    if change is None:  # it has one, or a why_not
        return words
    words += f"spread {difference(change.before, unit)[:-2]} to {difference(change.after, unit)} in {at.minutes} min"
    by = f"{signed(change.effect, unit)[:-2]} ± {difference(change.u95, unit)}"
    if not at.separable:
        return f"{words}; not separable from {', '.join(at.overlaps)}"
    if not change.told:
        return f"{words}; no effect that can be told ({by})"
    without = f"{difference(change.expected, unit)[:-2]} was to be expected without it"
    return f"{words}; {without}: {by}"
