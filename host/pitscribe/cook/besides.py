"""Cooks beside each other: the figures of each with their uncertainty, and by how much they differ.

A difference of two cooks is of two single events: it says how they differed, not why. Its uncertainty is that of the
two figures, as if nothing were common to them; errors of a probe that read both partly cancel, so it is rather too
large than too small. What a factor does only a trial can tell (``trials``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from typing import Any

from pitscribe.cook.origins import Align, Origin
from pitscribe.cook.plain import iso, number
from pitscribe.metrology.coverage import NORMAL_95


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of one cook, in its row's unit; None where ``why_not`` says why. ``u``: standard; None: not known."""

    value: float | None
    u: float | None = None
    why_not: str = ""

    @property
    def u95(self) -> float | None:
        """Half width of the interval that holds 95 %."""
        return None if self.u is None else NORMAL_95 * self.u

    @property
    def told(self) -> bool | None:
        """Whether it can be told from nothing; None: its uncertainty, or itself, is not known."""
        return None if self.value is None or self.u95 is None else abs(self.value) > self.u95

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {"value": number(self.value), "u": number(self.u), "u95": number(self.u95), "why_not": self.why_not}


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity of all the cooks. unit : "degC", "K", "K h", "h", "%", "points" or "kg";  figures : one a cook."""

    name: str
    unit: str
    figures: tuple[Figure, ...]

    @property
    def differences(self) -> tuple[Figure, ...]:
        """Of each cook but the first: it less the first, in the row's unit (K for degC)."""
        first, *others = self.figures
        return tuple(_less(other, first) for other in others)

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "name": self.name, "unit": self.unit, "figures": [f.as_json() for f in self.figures],
            "differences": [d.as_json() | {"told": d.told} for d in self.differences],
        }


def _less(one: Figure, other: Figure) -> Figure:
    if one.value is None or other.value is None:
        return Figure(None, None, "not known of both")
    u = None if one.u is None or other.u is None else hypot(one.u, other.u)
    return Figure(one.value - other.value, u)


@dataclass(frozen=True, slots=True)
class Besides:
    """Cooks beside each other. origins : from where the time of each is counted;  rows : what can be said of any.

    target_c : the one that all are timed to [degC], the first cook's that has one; None: none has
    """

    names: tuple[str, ...]
    align: Align
    origins: tuple[Origin, ...]
    rows: tuple[Row, ...]
    target_c: float | None

    def as_json(self) -> dict[str, Any]:
        """As plain values: degC, K, hours."""
        return {
            "cooks": list(self.names),
            "align": {"note": self.align.note, "celsius": number(self.align.celsius), "place": self.align.place},
            "origins": [{"at": iso(o.t), "u_s": number(o.u_s)} for o in self.origins],
            "target_c": number(self.target_c), "rows": [row.as_json() for row in self.rows], "caution": CAUTION,
        }


CAUTION = (
    "One cook each: these are differences between the cooks, not the effect of what was changed. Meat, weather and "
    "fire differ as well; to ask what a change does, cook several of each and draw which gets it (pitscribe trial)."
)


def beside(
    names: Sequence[str], align: Align, origins: Sequence[Origin], figures: Sequence[Mapping[tuple[str, str], Figure]],
    target_c: float | None,
) -> Besides:
    """Rows of what is known of at least one cook, in the order of the first cook's figures.

    figures : of each cook, by (name, unit), as ``figures.figures_of`` gives them
    """
    keys = list(dict.fromkeys(key for some in figures for key in some))
    rows = [Row(*key, tuple(some.get(key, Figure(None, None, "not noted")) for some in figures)) for key in keys]
    known = tuple(row for row in rows if any(f.value is not None for f in row.figures))
    return Besides(tuple(names), align, tuple(origins), known, target_c)
