"""What can still be done in a cook, and what each choice would make of its finish: wrap now, the pit to another level.

The making alone, for a command and a page alike; ``plan_text`` puts it into words.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pitscribe.cook.analysis import check_target
from pitscribe.cook.conditioning import Learned, learn
from pitscribe.cook.cook_on import Plan
from pitscribe.cook.doubt import meat_cells
from pitscribe.cook.grid import Cells, Grid, cells_of, grid_of
from pitscribe.cook.plain import iso, number
from pitscribe.cook.plan import WhatIf, what_ifs
from pitscribe.errors import ReadingError
from pitscribe.series import CookRecord


@dataclass(frozen=True, slots=True)
class Choices:
    """The choices of a cook as it stood at ``at``, the present course first; none: ``why_not`` says why.

    at : its newest sample [UTC s], None without any;  by : when it should be done [UTC s], None: nobody said
    """

    cook: str
    at: float | None
    target_c: float
    by: float | None
    what_ifs: tuple[WhatIf, ...]
    why_not: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values. ``sooner_s``: by how much the median is before that of the present course."""
        return {
            "cook": self.cook, "at": iso(self.at), "target_c": number(self.target_c), "by": iso(self.by),
            "why_not": self.why_not, "choices": [self._one(what_if) for what_if in self.what_ifs],
        }

    def _one(self, what_if: WhatIf) -> dict[str, Any]:
        return {
            "wrap_now": bool(what_if.plan.wrap), "pit_c": number(what_if.plan.pit_c),
            "forecast": what_if.forecast.as_json(), "chance": number(what_if.chance),
            "sooner_s": number(self.sooner(what_if)),
        }

    def sooner(self, what_if: WhatIf) -> float | None:
        """By how much a choice is sooner there than the present course, by the medians [s]; None: not known."""
        usual, other = self.what_ifs[0].forecast.p50, what_if.forecast.p50
        return None if usual is None or other is None else usual - other


def choices_of(
    record: CookRecord, *, target_c: float | None = None, pits_c: Sequence[float] = (), by: float | None = None
) -> Choices:
    """What to wrap now, or to bring the pit to other levels, would make of the finish; a pure function of the record.

    target_c : what the coldest place is to reach [degC]; default the cook's own
    pits_c : levels of the pit to look at [degC];  by : UTC s, when all places should be there
    Raises ReadingError for an absurd target or level, and where there is no target.
    """
    target = record.cook.target_c if target_c is None else target_c
    check_target(target)
    if target is None:
        raise ReadingError(f"{record.cook.name}: no target is known; say when the meat is done")
    grid = grid_of(record.places)
    meat = meat_cells(record.meat, grid)
    known = learn(meat, [cells_of(s, grid) for s in record.air], record.notes, grid)
    at = max((float(s.t[-1]) for s in record.places if s.t.size), default=None)
    made = what_ifs(known, meat, target, grid, _plans(known, pits_c), by=by)
    return Choices(record.cook.name, at, target, by, *_useful(made, meat, grid))


def _plans(known: Learned, pits_c: Sequence[float]) -> list[Plan]:
    """Wrap now, each level, and both; what is covered already cannot be wrapped again."""
    pits = [Plan(pit_c=pit) for pit in dict.fromkeys(pits_c)]
    if known.covered:
        return pits
    return [Plan(wrap=True), *pits, *(Plan(pit_c=plan.pit_c, wrap=True) for plan in pits)]


def _useful(made: tuple[WhatIf, ...], meat: dict[str, Cells], grid: Grid) -> tuple[tuple[WhatIf, ...], str | None]:
    """(what there is to choose from, None), or (nothing, why)."""
    now = made[0].forecast
    if now.reached:
        return (), "the target was reached"
    if not grid.n or not meat:
        return (), "no sample yet" if meat else "no meat place"
    # A course that does not get there is the very case in which another one may.
    silent = all(what_if.forecast.p50 is None for what_if in made) and now.why_not is not None
    return ((), now.why_not) if silent else (made, None)
