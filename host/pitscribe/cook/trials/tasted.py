"""What a trial's tastings say, each judged by itself."""

from collections import Counter
from dataclasses import dataclass
from typing import Any

from pitscribe.cook.trials.sensory import GUESS, Tasted, tasted
from pitscribe.cook.trials.serving import Serving, servings
from pitscribe.series.trial import TastingRecord, TrialRecord


@dataclass(frozen=True, slots=True)
class TastingSaid:
    """A tasting and its judgement; ``judged`` is None without an answer, and where pieces are scored instead.

    samples : the pieces' names, A and B;  named : how many tasters named A and how many B as the one with more (a pair)
    """

    record: TastingRecord
    samples: tuple[str, str]
    levels: tuple[str, str]
    judged: Tasted | None
    named: tuple[int, int] | None

    def as_json(self) -> dict[str, Any]:
        """As plain values; what is judged stands when it is ``complete``. Codes and orders are not in it."""
        one = self.record.tasting
        return {
            "complete": len(self.record.answers) == one.tasters,
            "tasting": one.id, "kind": one.kind, "asks": one.asks, "tasters": one.tasters,
            "answers": len(self.record.answers), "samples": list(self.samples), "levels": list(self.levels),
            "expects": one.expects, "judged": self.judged.as_json() if self.judged else None,
            "named": list(self.named) if self.named else None,
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
    if one.kind not in GUESS or not n:
        return TastingSaid(record, samples, levels, None, None)
    if one.kind == "triangle":
        right = sum(by_taster[answer.taster].odd == answer.code for answer in record.answers)
        return TastingSaid(record, samples, levels, tasted("triangle", right, n), None)
    count = Counter(by_taster[answer.taster].sample(answer.code) for answer in record.answers)
    named = count["A"], count["B"]
    if one.expects is None:
        return TastingSaid(record, samples, levels, tasted("paired", named[0], n, sides=2), named)
    right = named[0] if one.expects == one.first else named[1]
    return TastingSaid(record, samples, levels, tasted("paired", right, n), named)
