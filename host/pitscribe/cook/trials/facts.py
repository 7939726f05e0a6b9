"""What a piece's record says of it: the outcomes that a trial may be about, and what might explain them instead."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pitscribe.cook.acts import ENDS
from pitscribe.cook.doubt import meat_cells
from pitscribe.cook.evenness import evenness
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.pit import pit_course
from pitscribe.series import CookRecord
from pitscribe.series.trial import ASPECTS, PieceRecord, Score, Tried

FIRST_MIN = 10  # the start temperature is the median of a place's first so many good minutes
DAY_S, HOUR_S = 86_400.0, 3600.0


@dataclass(frozen=True, slots=True)
class Quantity:
    """Something that a piece has a figure of.

    unit : "points", "degC", "K", "h", "%", "kg", "days" or "times"
    usual : by how much pieces alike differ, one standard deviation, in that unit: our allowance, no source; used
        until the trial's own pieces say better
    before : settled before the factor could act on it, so that it cannot be a consequence
    """

    name: str
    unit: str
    usual: float
    before: bool = False


OUTCOME = {
    **{aspect: Quantity(aspect, "points", 1.0) for aspect in ASPECTS},
    "evenness": Quantity("evenness", "K", 2.0),  # mean spread over the cook: less is more even
    "duration": Quantity("duration", "h", 1.5),
    "yield": Quantity("yield", "%", 3.0),
}
ELSE = (
    Quantity("date", "days", 30.0, before=True),
    Quantity("start temperature", "degC", 3.0, before=True),
    Quantity("weight as it went on", "kg", 0.7, before=True),
    Quantity("pit mean", "degC", 5.0),
    Quantity("time of the wrap", "h", 1.0),
    Quantity("times the lid was opened", "times", 3.0),
    Quantity("length of the hold", "h", 1.0),
    OUTCOME["duration"],
)


def facts_of(piece: PieceRecord) -> dict[str, float]:
    """Every outcome and every other quantity that is known of the piece, by name, in its unit; no key: not known."""
    found: dict[str, float | None] = {
        **{aspect: score_of(piece.scores, aspect, piece.piece.place) for aspect in ASPECTS},
        "yield": _yield(piece), "weight as it went on": _weight(piece, "trimmed_kg"),
        "date": piece.cook.cook.started_ms / 1000 / DAY_S,
        **_acts(piece.cook), **_readings(piece.cook, piece.piece.place),
    }
    return {name: value for name, value in found.items() if value is not None and np.isfinite(value)}


def score_of(scores: Sequence[Score], aspect: str, place: str = "") -> float | None:
    """Of the tasters' latest words on one place the mean; of a whole cook the mean over its places. None: no word."""
    latest: dict[str, dict[str, float]] = {}
    for score in scores:
        if score.aspect == aspect and (not place or score.place == place):
            latest.setdefault(score.place, {})[score.taster] = score.value
    places = [float(np.mean(list(by_taster.values()))) for by_taster in latest.values()]
    return float(np.mean(places)) if places else None


def blind(piece: Tried, aspect: str) -> bool:
    """Whether every score of the piece in that aspect was given blind."""
    return all(
        s.blind for s in piece.scores if s.aspect == aspect and (not piece.piece.place or s.place == piece.piece.place)
    )


def _weight(piece: PieceRecord, which: str) -> float | None:
    """The piece's own, or of a whole cook that of the whole, or the sum where every cut was weighed."""
    wanted = piece.piece.place
    some = [w for w in piece.weights if w.place == wanted] or [w for w in piece.weights if not wanted]
    values = [getattr(w, which) for w in some]
    return float(sum(values)) if values and None not in values else None


def _yield(piece: PieceRecord) -> float | None:
    on, off = _weight(piece, "trimmed_kg"), _weight(piece, "cooked_kg")
    return None if on is None or off is None else 100.0 * off / on


def _heated_until(cook: CookRecord) -> float | None:
    """When it was pulled or its hold began, or the cook was ended [UTC s]; None while it is going on."""
    ends = [note.at_ms for note in cook.notes if note.kind in ENDS]
    if ends:
        return min(ends) / 1000
    return None if cook.cook.ended_ms is None else cook.cook.ended_ms / 1000


def _acts(cook: CookRecord) -> dict[str, float | None]:
    began, until, ended = cook.cook.started_ms / 1000, _heated_until(cook), cook.cook.ended_ms
    wraps = [note.at_ms / 1000 for note in cook.notes if note.kind == "wrap"]
    held = any(note.kind in ENDS for note in cook.notes)
    over = until is not None
    return {
        "duration": (until - began) / HOUR_S if until is not None else None,
        "time of the wrap": (min(wraps) - began) / HOUR_S if wraps else None,
        "times the lid was opened": float(sum(n.kind == "lid" for n in cook.notes)) if over and cook.notes else None,
        "length of the hold": (ended / 1000 - until) / HOUR_S if held and ended is not None and until is not None
        else None,
    }


def _readings(cook: CookRecord, place: str) -> dict[str, float | None]:
    """What the series say, from the cook's start until it was pulled; evenness of the whole cook alone."""
    until = _heated_until(cook)
    heated = cook if until is None else cook.until(until)
    grid = grid_of(heated.places)
    air = [cells_of(s, grid) for s in heated.air]
    meat = meat_cells(heated.meat, grid)
    pit = pit_course(air, grid.n)
    even = evenness(meat, grid).spread_k if until is not None and not place else np.empty(0)
    starts = [_first(cells.celsius) for name, cells in meat.items() if place in ("", name)]
    return {
        "pit mean": _mean(pit), "evenness": _mean(even),
        "start temperature": min((s for s in starts if s is not None), default=None),
    }


def _first(celsius: Sequence[float] | np.ndarray) -> float | None:
    good = np.asarray(celsius)[np.isfinite(celsius)][:FIRST_MIN]
    return float(np.median(good)) if good.size else None


def _mean(values: np.ndarray) -> float | None:
    return float(np.nanmean(values)) if np.isfinite(values).any() else None
