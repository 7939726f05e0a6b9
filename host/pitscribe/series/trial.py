"""A trial as it can be read now: its pieces with their cooks' records, and what was weighed, scored and tasted."""

from collections.abc import Sequence
from dataclasses import dataclass

from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import ASPECTS as ASPECTS
from pitscribe.ledger.trialvalues import OUTCOMES as OUTCOMES
from pitscribe.ledger.trialvalues import Answer, Piece, Score, Tasting, Weights
from pitscribe.ledger.trialvalues import Trial as Trial
from pitscribe.series.reader import load
from pitscribe.series.values import CookRecord


@dataclass(frozen=True, slots=True)
class PieceRecord:
    """One piece with its cook's record; ``scores`` and ``weights`` are those of the cook, at all its places."""

    piece: Piece
    cook: CookRecord
    scores: tuple[Score, ...]
    weights: tuple[Weights, ...]

    @property
    def name(self) -> str:
        """The cook's name, and the place where it is one of several."""
        return self.cook.cook.name + (f", {self.piece.place}" if self.piece.place else "")


@dataclass(frozen=True, slots=True)
class TastingRecord:
    """One tasting and its answers, in the order of the tasters."""

    tasting: Tasting
    answers: tuple[Answer, ...]


@dataclass(frozen=True, slots=True)
class TrialRecord:
    """One trial as the ledger has it, pieces in the order in which they entered it, dropped ones too."""

    trial: Trial
    pieces: tuple[PieceRecord, ...]
    tastings: tuple[TastingRecord, ...]


def whole_cook(record: CookRecord, scores: Sequence[Score], weights: Sequence[Weights]) -> PieceRecord:
    """A cook by itself, as a piece of no trial: so that what is said of pieces can be said of it."""
    return PieceRecord(Piece(0, 0, record.cook.id, "", "", None, 0), record, tuple(scores), tuple(weights))


def load_trial(ledger: Ledger, id_or_name: int | str) -> TrialRecord:
    """Read a trial from the ledger. NotFoundError if there is none."""
    trial = ledger.trial(id_or_name)
    pieces = ledger.pieces(trial.id)
    cooks = {cook_id: load(ledger, cook_id) for cook_id in dict.fromkeys(piece.cook_id for piece in pieces)}
    return TrialRecord(
        trial,
        tuple(
            PieceRecord(p, cooks[p.cook_id], tuple(ledger.scores(p.cook_id)), tuple(ledger.weights(p.cook_id)))
            for p in pieces
        ),
        tuple(TastingRecord(one, tuple(ledger.answers(one.id))) for one in ledger.tastings(trial.id)),
    )
