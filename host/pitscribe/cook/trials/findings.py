"""All that can be said of one trial: a pure function of its record, as ``analyse`` is of a cook's."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import comb
from typing import Any

import numpy as np

from pitscribe.cook.plain import iso, number
from pitscribe.cook.trials.balance import Differs, differing
from pitscribe.cook.trials.conclusion import STATES, Standing, state_of
from pitscribe.cook.trials.draw import drawn_level, seal
from pitscribe.cook.trials.effect import Effect, effect_of
from pitscribe.cook.trials.facts import ELSE, OUTCOME, Quantity, blind
from pitscribe.cook.trials.power import Needed, needed
from pitscribe.cook.trials.several import holm
from pitscribe.cook.trials.tasted import TastingSaid, tasting_said
from pitscribe.series.trial import ASPECTS, Trial, TrialRecord, Tried

CHOSEN_BLOCK = -1


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two levels in one outcome. ``missing``: pieces of them that count and have no figure of it yet."""

    outcome: Quantity
    main: bool
    levels: tuple[str, str]
    effect: Effect | None
    missing: int
    p_together: float | None = None  # Holm's, over all comparisons of the main outcome, or over all the others
    state: str = "nothing"  # a key of conclusion.STATES

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "outcome": self.outcome.name, "unit": self.outcome.unit, "main": self.main, "levels": list(self.levels),
            "effect": self.effect.as_json() if self.effect else None, "missing": self.missing,
            "p_together": number(self.p_together), "state": self.state, "says": STATES[self.state],
        }


@dataclass(frozen=True, slots=True)
class Findings:
    """A trial's findings."""

    record: TrialRecord
    seal: str
    counted: tuple[int, ...]  # which of the record's pieces count
    complete: bool  # all that were planned are in, each with its figure of the main outcome
    comparisons: tuple[Comparison, ...]  # those of the main outcome first
    needed: Needed
    differs: tuple[tuple[tuple[str, str], tuple[Differs, ...]], ...]  # for each two levels
    tastings: tuple[TastingSaid, ...]
    cautions: tuple[str, ...]  # what weakens it, a sentence each

    @property
    def main(self) -> tuple[Comparison, ...]:
        """The comparisons that decide."""
        return tuple(c for c in self.comparisons if c.main)

    def as_json(self) -> dict[str, Any]:
        """Plain values: ISO 8601 times in UTC, each figure in the unit beside it."""
        t = self.record.trial
        return {
            "id": t.id, "name": t.name, "question": t.question, "factor": t.factor, "levels": list(t.levels),
            "main": t.main, "matters": number(t.matters), "planned": t.planned, "block": t.block, "seal": self.seal,
            "made": iso(t.made_ms / 1000), "closed": None if t.closed_ms is None else iso(t.closed_ms / 1000),
            "closed_why": t.closed_why, "complete": self.complete,
            "pieces": [_piece_json(piece, i in self.counted) for i, piece in enumerate(self.record.pieces)],
            "comparisons": [c.as_json() for c in self.comparisons],
            "needed": self.needed.as_json(),
            "differs": [
                {"levels": list(levels), "by_size": [d.as_json() for d in some]} for levels, some in self.differs
            ],
            "tastings": [one.as_json() for one in self.tastings],
            "cautions": list(self.cautions),
        }


def _piece_json(piece: Tried, counts: bool) -> dict[str, Any]:
    p = piece.piece
    return {
        "piece": p.id, "cook": p.cook_id, "cook_name": piece.cook, "place": p.place, "level": p.level,
        "slot": p.slot, "drawn": p.slot is not None, "entered": iso(p.made_ms / 1000),
        "dropped": None if p.dropped_ms is None else iso(p.dropped_ms / 1000), "why": p.why, "counts": counts,
        "facts": {name: number(value) for name, value in piece.facts.items()},
    }


def findings_of(record: TrialRecord) -> Findings:
    """Everything that can be said of the trial; what cannot has its state."""
    trial = record.trial
    counted = _counted(record.pieces)
    comparisons = _compared(record, counted)
    first = next((c.effect for c in comparisons if c.main and c.effect and c.effect.scatter), None)
    seen = None if first is None or first.scatter is None else (first.scatter, first.dof)
    half = trial.block // len(trial.levels) if trial.block < trial.planned else None
    return Findings(
        record, seal(trial.seed, *trial.plan), counted, _complete(record, counted), comparisons,
        needed(trial.matters, seen, OUTCOME[trial.main].usual, half, comb(len(trial.levels), 2)),
        tuple((pair, _differs(record, counted, pair)) for pair in combinations(trial.levels, 2)),
        tuple(tasting_said(record, one) for one in record.tastings),
        tuple(_cautions(record, counted, comparisons)),
    )


def _counted(pieces: Sequence[Tried]) -> tuple[int, ...]:
    """Those that were not dropped; where any was drawn, the drawn ones alone."""
    kept = [i for i, p in enumerate(pieces) if p.piece.dropped_ms is None]
    drawn = [i for i in kept if pieces[i].piece.slot is not None]
    return tuple(drawn or kept)


def _compared(record: TrialRecord, counted: Sequence[int]) -> tuple[Comparison, ...]:
    trial, pieces = record.trial, [record.pieces[i] for i in counted]
    others = [q for name, q in OUTCOME.items() if name != trial.main and any(name in p.facts for p in pieces)]
    pairs = list(combinations(trial.levels, 2))
    mains = [_comparison(trial, pieces, OUTCOME[trial.main], pair) for pair in pairs]
    rest = [_comparison(trial, pieces, q, pair) for q in others for pair in pairs]
    standing = Standing(
        all(p.piece.slot is not None for p in pieces), _complete(record, counted), trial.closed_ms is not None,
        len(pairs),
    )
    return tuple(
        replace(c, p_together=p, state=state_of(c.effect, standing, main=c.main, p_together=p, matters=trial.matters))
        for some in (mains, rest) for c, p in zip(some, _together(some), strict=True)
    )


def _complete(record: TrialRecord, counted: Sequence[int]) -> bool:
    pieces = [record.pieces[i] for i in counted]
    enough = len({p.piece.slot for p in pieces}) + _dropped(record) >= record.trial.planned
    return enough and all(record.trial.main in p.facts for p in pieces)


def _dropped(record: TrialRecord) -> int:
    return sum(p.piece.slot is not None and p.piece.dropped_ms is not None for p in record.pieces)


def _together(some: Sequence[Comparison]) -> list[float | None]:
    have = [i for i, c in enumerate(some) if c.effect is not None]
    adjusted = holm([c.effect.test.p for c in some if c.effect is not None])
    out: list[float | None] = [None] * len(some)
    for i, p in zip(have, adjusted, strict=True):
        out[i] = p
    return out


def _comparison(trial: Trial, pieces: Sequence[Tried], outcome: Quantity, levels: tuple[str, str]) -> Comparison:
    meant = [p for p in pieces if p.piece.level in levels]
    use = [p for p in meant if outcome.name in p.facts]
    y = np.array([p.facts[outcome.name] for p in use])
    second = np.array([p.piece.level == levels[1] for p in use], dtype=np.bool_)
    block = np.array([_block(trial, p) for p in use], dtype=np.int64)
    found = effect_of(y, second, block) if use else None
    return Comparison(outcome, outcome.name == trial.main, levels, found, len(meant) - len(use))


def _block(trial: Trial, piece: Tried) -> int:
    slot = piece.piece.slot
    return CHOSEN_BLOCK if slot is None else slot // trial.block


def _differs(record: TrialRecord, counted: Sequence[int], levels: tuple[str, str]) -> tuple[Differs, ...]:
    pieces = [record.pieces[i] for i in counted]
    first, second = ([p.facts for p in pieces if p.piece.level == level] for level in levels)
    return differing([q for q in ELSE if q.name != record.trial.main], first, second)


def _cautions(record: TrialRecord, counted: Sequence[int], comparisons: Sequence[Comparison]) -> list[str]:
    trial, out = record.trial, []
    wrong = [p for p in record.pieces if p.piece.slot is not None
             and drawn_level(trial.seed, trial.levels, trial.block, p.piece.slot) != p.piece.level]
    if wrong:
        out.append(f"the log does not say what the draw says, at {wrong[0].name!r}: somebody changed one of them")
    if trial.seed_told:
        out.append("its seed was given by a person: the levels may have been known beforehand")
    aside = [p for i, p in enumerate(record.pieces) if i not in counted and p.piece.dropped_ms is None]
    if aside:
        out.append(f"not counted, since their levels were chosen and not drawn: {_names(aside)}")
    if dropped := [p for p in record.pieces if p.piece.dropped_ms is not None]:
        told = "; ".join(f"{p.name} ({p.piece.level}): {p.piece.why}" for p in dropped)
        out.append(f"taken out: {told}. If a piece was taken out for how it turned out, nothing here holds")
        if _otherwise(record, comparisons):
            out.append("with what was taken out counted in, the conclusion would be another")
    if trial.main in ASPECTS:
        seen = [p for p in (record.pieces[i] for i in counted) if trial.main in p.facts and not blind(p, trial.main)]
        if seen:
            out.append(f"scored by somebody who knew the level, and may have tasted what was hoped for: {_names(seen)}")
    return out


def _otherwise(record: TrialRecord, comparisons: Sequence[Comparison]) -> bool:
    """Whether the state of a main comparison would change if nothing had been dropped."""
    back = tuple(replace(p, piece=replace(p.piece, dropped_ms=None)) for p in record.pieces)
    whole = replace(record, pieces=back)
    again = _compared(whole, _counted(back))
    return [c.state for c in again if c.main] != [c.state for c in comparisons if c.main]


def _names(pieces: Sequence[Tried]) -> str:
    return ", ".join(p.name for p in pieces)
