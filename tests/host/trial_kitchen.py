"""Trials for the tests, made of plain values: what was planned, drawn and scored, without a ledger."""

from collections.abc import Mapping, Sequence

import numpy as np

from pitscribe.cook.trials.draw import drawn_level
from pitscribe.cook.trials.facts import facts_of
from pitscribe.ledger.trialvalues import Piece, Score, Trial, Weights
from pitscribe.ledger.values import Cook, Note
from pitscribe.series import CookRecord, Series
from pitscribe.series.trial import PieceRecord, TrialRecord

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
START_MS = 1_780_142_400_000  # 2026-05-30 12:00 UTC


def trial(planned: int = 8, block: int | None = None, levels: Sequence[str] = ("foil", "paper"), **changes) -> Trial:
    """A plan: does paper keep the flat moister?"""
    usual = {
        "id": 1, "name": "wrap", "question": "Does paper keep it moister?", "factor": "wrap", "levels": tuple(levels),
        "main": "moisture", "matters": 1.0, "planned": planned, "block": block or planned, "seed": "a seed",
        "seed_told": False, "made_ms": START_MS,
    }
    return Trial(**{**usual, **changes})


def cook_record(
    number: int, places: Sequence[Series] = (), notes: Sequence[Note] = (), hours: float = 12.0
) -> CookRecord:
    """A cook a week; of plain values."""
    began = START_MS + 7 * number * DAY_MS
    cook = Cook(number, f"cook {number}", began, began + round(hours * HOUR_MS), None)
    return CookRecord(cook, tuple(places), tuple(notes), 0, 0)


def piece(
    plan: Trial, number: int, scores: Mapping[str, float] | float | None, *, level: str | None = None,
    blind: bool = True, place: str = "", cook: CookRecord | None = None, weights: Sequence[Weights] = (),
) -> PieceRecord:
    """The ``number``-th piece (from 0): with the level of the draw, or with one that was chosen."""
    slot = number if level is None else None
    given = level or drawn_level(plan.seed, plan.levels, plan.block, number)
    some = {} if scores is None else scores if isinstance(scores, Mapping) else {plan.main: scores}
    told = tuple(Score(i, number, place, a, v, "", blind, "", START_MS) for i, (a, v) in enumerate(some.items()))
    entered = Piece(number + 1, plan.id, number, place, given, slot, START_MS)
    return PieceRecord(entered, cook or cook_record(number), told, tuple(weights))


def tried(plan: Trial, scores: Sequence[float | None]) -> TrialRecord:
    """A trial whose drawn pieces have these scores, in the order of the draw."""
    return trial_of(plan, [piece(plan, i, value) for i, value in enumerate(scores)])


def trial_of(plan: Trial, pieces: Sequence[PieceRecord]) -> TrialRecord:
    """A trial of these pieces, without a tasting."""
    return TrialRecord(plan, tuple(one.tried(facts_of) for one in pieces), ())


def by_level(plan: Trial, scores: Mapping[str, Sequence[float]]) -> TrialRecord:
    """A trial of which each level's pieces have these scores, in the order in which the draw brought them."""
    left = {level: list(values) for level, values in scores.items()}
    drawn = [drawn_level(plan.seed, plan.levels, plan.block, i) for i in range(plan.planned)]
    return tried(plan, [left[level].pop(0) for level in drawn])


def flat_series(place: str, kind: str, began_s: float, hours: float, celsius: float, rise_k_h: float = 0.0) -> Series:
    """A place read every 30 s that rises evenly from ``celsius``."""
    t = began_s + np.arange(0.0, hours * 3600, 30.0)
    y = celsius + rise_k_h * (t - began_s) / 3600
    return Series(place, kind, t, y, np.full(t.size, 0.5), np.zeros(t.size, np.uint32))
