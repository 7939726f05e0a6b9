"""Was it safe, as far as that can be known: times and temperatures of each meat place against published lines.

Rounded against the user: lethality, hot holding and the temperature inside by the temperature less its expanded
uncertainty, limits on the cold side by the temperature plus it, lines of two units by the stricter one. Unknown is
unknown: a gap, a probe in doubt or flagged readings never count as safe, and are told apart in ``unknown_h``.
``docs/SAFETY.md`` tells what is checked and what is not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pitscribe.cook import safety_clocks as clocks
from pitscribe.cook import safety_heat as heat
from pitscribe.cook import safety_tables as tables
from pitscribe.cook.grid import Cells, FloatArray, Grid
from pitscribe.cook.noted import Noted
from pitscribe.cook.pit import pit_course
from pitscribe.cook.safety_finding import Check, Finding, worst
from pitscribe.cook.safety_seen import COVERAGE, BoolArray, Seen, seen_of
from pitscribe.cook.safety_spans import Span, spans_of
from pitscribe.errors import ReadingError

__all__ = ["Check", "Safety", "kind_of", "safety_of"]

# Words in the names that people give their meats; the first line that fits counts, so the less safe kinds stand first.
_WORDS = (
    ("poultry", ("chicken", "turkey", "duck", "goose", "poultry", "wings", "hen", "quail")),
    ("ground", ("ground", "burger", "patty", "patties", "sausage", "meatloaf", "minced", "mince")),
    ("injected", ("injected", "injection", "tenderised", "tenderized", "rolled", "corned", "pastrami")),
    ("beef", ("beef", "brisket", "packer", "chuck", "tri-tip", "tritip", "short ribs", "plate ribs", "rump")),
)


@dataclass(frozen=True, slots=True)
class Safety:
    """All checks of a cook so far.

    places : of each meat place, in one order;  coldest : each check once, of the place where it stands worst
    kind, assumption : what the meat was taken for, and what that means;  why_not : why nothing could be checked
    spans : the stretches of time that danger zone and hot holding count, see ``safety_spans``
    """

    kind: str
    assumption: str
    coldest: tuple[Check, ...]
    places: Mapping[str, tuple[Check, ...]]
    caution: str
    why_not: str | None
    spans: tuple[Span, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "kind": self.kind, "assumption": self.assumption, "coldest": [c.as_json() for c in self.coldest],
            "places": {name: [c.as_json() for c in of] for name, of in self.places.items()},
            "caution": self.caution, "why_not": self.why_not, "spans": [s.as_json() for s in self.spans],
        }


def kind_of(meats: Sequence[str]) -> str:
    """The kind, of ``safety_tables.KINDS``, that is named in what people call their meats.

    The least safe kind that is named counts. Without a name it is "beef"; with names that say none it is "other".
    """
    named = " ".join(meats).lower().replace(",", " ").replace("(", " ").replace(")", " ")
    if not named.strip():
        return "beef"
    for kind, words in _WORDS:
        if any(f" {word} " in f" {' '.join(named.split())} " for word in words):
            return kind
    return "other"


def safety_of(
    places: Mapping[str, Cells], notes: Sequence[Noted], grid: Grid, kind: str = "beef", *, air: Sequence[Cells] = (),
    doubts: Mapping[str, BoolArray] | None = None,
) -> Safety:
    """Every check of every meat place so far; a pure function of what is given.

    places : cells of each meat place, by name;  air : of the air places, in the order of placements
    kind : one of ``safety_tables.KINDS``; see ``kind_of``. Raises ReadingError for another.
    doubts : of places, minutes that are in doubt by their flags, see ``doubt.doubtful``
    """
    if kind not in tables.KINDS:
        raise ReadingError(f"meat of kind {kind!r}: give one of {', '.join(tables.KINDS)}")
    off = min((note.at_ms / 1000 for note in notes if note.kind in ("pull", "hold")), default=None)
    pit = _pit(air, grid)
    seen = {name: seen_of(places[name], grid, (doubts or {}).get(name)) for name in sorted(places)}
    table = {name: _checks(name, of, kind, pit, off) for name, of in seen.items()}
    coldest = tuple(worst(some) for some in zip(*table.values(), strict=True))
    spans = _spans(seen, table, coldest, kind)
    caution = f"{tables.SEES} {tables.DEFER}"
    return Safety(kind, tables.KINDS[kind], coldest, table, caution, None if table else "no meat place", spans)


def _spans(
    seen: Mapping[str, Seen], table: Mapping[str, tuple[Check, ...]], coldest: Sequence[Check], kind: str
) -> tuple[Span, ...]:
    place = {check.what: check.place for check in coldest}
    if not place:
        return ()
    cooked = {name: _cooked(of, table[name], kind) for name, of in seen.items()}
    return spans_of(seen, cooked, place["danger zone"], place["hot holding"])


def _cooked(seen: Seen, said: Sequence[Check | Finding], kind: str) -> int | None:
    """The minute since which a place is cooked; ``said`` in the order of ``_checks``."""
    since = said[3 if kind in ("beef", "injected") else 3 + len(tables.LOGS)].since
    return None if since is None else int(np.searchsorted(seen.ends, since))


def _pit(air: Sequence[Cells], grid: Grid) -> tuple[FloatArray | None, FloatArray | None]:
    """The pit less and plus its expanded uncertainty; None without an air place."""
    if not air:
        return None, None
    low, high = (
        pit_course([replace(c, celsius=c.celsius + sign * COVERAGE * c.u) for c in air], grid.n) for sign in (-1, 1)
    )
    return low, high


def _checks(
    place: str, seen: Seen, kind: str, pit: tuple[FloatArray | None, FloatArray | None], off: float | None
) -> tuple[Check, ...]:
    """The checks of one place, in one order for all places of a kind."""
    beef = kind in ("beef", "injected")
    limit_h = tables.ZONE_LIMIT_H.get(kind)
    inside = heat.inside_c(seen, tables.CONSUMER_C[kind], tables.CONSUMER_MIN.get(kind, 0))
    found: list[tuple[str, Finding, tables.Source]] = [
        ("danger zone", clocks.zone(seen, limit_h), tables.ZONE if limit_h is None else tables.ZONE_4H),
        ("before the pit is hot", clocks.counter(seen, *pit), tables.COUNTER),
        ("come-up", heat.come_up(seen), tables.COME_UP),
    ]
    for log in tables.LOGS:
        kill = heat.lethality(seen, log, off=off) if beef else _no_table(kind)
        found.append((f"lethality {log:g} log", kill, tables.LETHALITY))
    found.append(("temperature inside", inside, tables.CONSUMER))
    cooked = _cooked(seen, [finding for _, finding, _ in found], kind)
    found.append(("hot holding", clocks.hot_holding(seen, tables.HOT_C, cooked), tables.HOT))
    if kind == "beef":
        roast = clocks.hot_holding(seen, tables.HOT_ROAST_C, cooked)
        found.append(("hot holding of a roast cooked by the table", roast, tables.HOT))
    for line_c, hours in tables.COOL_C:
        found.append((f"cooling within {hours:g} h", clocks.cooling(seen, line_c, hours, cooked), tables.COOL))
    return tuple(finding.check(what, place, seen, source) for what, finding, source in found)


def _no_table(kind: str) -> Finding:
    return Finding("unknown", None, 1.0, "share", f"the table is for beef: {tables.KINDS[kind]}")
