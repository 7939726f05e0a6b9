"""What a trial's tastings say, each judged by itself."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pitscribe.cook.plain import number
from pitscribe.cook.trials.effect import Effect, effect_of
from pitscribe.cook.trials.sensory import GUESS, Tasted, tasted
from pitscribe.cook.trials.serving import Serving, servings
from pitscribe.cook.trials.several import holm
from pitscribe.series.trial import ASPECTS, Rated, TastingRecord, TrialRecord


@dataclass(frozen=True, slots=True)
class Scored:
    """One aspect of a rating: B less A, taster by taster.

    main : it is what decides the trial, said beforehand
    p_together : holds for it alone, or for all the other aspects together (Holm)
    """

    aspect: str
    main: bool
    effect: Effect
    p_together: float

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "aspect": self.aspect, "main": self.main, "effect": self.effect.as_json(),
            "p_together": number(self.p_together),
        }


@dataclass(frozen=True, slots=True)
class TastingSaid:
    """A tasting and its judgement; ``judged`` is None without an answer, and where pieces are scored instead.

    samples : the pieces' names, A and B;  named : how many tasters named A and how many B as the one with more (a pair)
    scored : of a rating, every aspect in which a taster scored both
    """

    record: TastingRecord
    samples: tuple[str, str]
    levels: tuple[str, str]
    judged: Tasted | None = None
    named: tuple[int, int] | None = None
    scored: tuple[Scored, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """As plain values; what is judged stands when it is ``complete``. Codes and orders are not in it."""
        one = self.record.tasting
        return {
            "complete": self.record.complete, "closed": one.closed_ms is not None,
            "tasting": one.id, "kind": one.kind, "asks": one.asks, "tasters": one.tasters,
            "answers": len(self.record.heard), "samples": list(self.samples), "levels": list(self.levels),
            "expects": one.expects, "judged": self.judged.as_json() if self.judged else None,
            "named": list(self.named) if self.named else None, "scored": [each.as_json() for each in self.scored],
            "taken_back": len(self.record.undone),
        }


def tasting_servings(record: TastingRecord) -> tuple[Serving, ...]:
    """Who gets what, by the tasting's own seed."""
    one = record.tasting
    return servings(one.kind, one.seed, one.tasters)


def tasting_said(trial: TrialRecord, record: TastingRecord) -> TastingSaid:
    """Judge one tasting by the answers that are in."""
    one, by_taster = record.tasting, {serving.taster: serving for serving in tasting_servings(record)}
    a, b = (next(p for p in trial.pieces if p.piece.id == number) for number in (one.first, one.second))
    samples, levels, n = (a.name, b.name), (a.piece.level, b.piece.level), len(record.answers)
    if one.kind not in GUESS:
        scored = _scored(trial.trial.main, record.rated, one.first, one.second)
        return TastingSaid(record, samples, levels, scored=scored)
    if not n:
        return TastingSaid(record, samples, levels)
    if one.kind == "triangle":
        right = sum(by_taster[answer.taster].odd == answer.code for answer in record.answers)
        return TastingSaid(record, samples, levels, tasted("triangle", right, n))
    count = Counter(by_taster[answer.taster].sample(answer.code) for answer in record.answers)
    named = count["A"], count["B"]
    if one.expects is None:
        return TastingSaid(record, samples, levels, tasted("paired", named[0], n, sides=2), named)
    right = named[0] if one.expects == one.first else named[1]
    return TastingSaid(record, samples, levels, tasted("paired", right, n), named)


def _scored(main: str, rated: Sequence[Rated], first: int, second: int) -> tuple[Scored, ...]:
    """Each taster is a block of two: without a difference either of the two scores might have been the other's."""
    found: list[tuple[str, Effect]] = []
    for aspect in ASPECTS:
        a, b = ({r.taster: r.value for r in rated if r.aspect == aspect and r.piece == piece}
                for piece in (first, second))
        both = sorted(a.keys() & b.keys())
        y = np.array([value for taster in both for value in (a[taster], b[taster])])
        which = np.tile(np.array([False, True]), len(both))
        effect = effect_of(y, which, np.repeat(np.arange(len(both)), 2)) if both else None
        if effect is not None:
            found.append((aspect, effect))
    besides = [(aspect, effect) for aspect, effect in found if aspect != main]
    together = holm([effect.test.p for _, effect in besides])
    return (
        *(Scored(aspect, True, effect, effect.test.p) for aspect, effect in found if aspect == main),
        *(Scored(aspect, False, effect, p) for (aspect, effect), p in zip(besides, together, strict=True)),
    )
