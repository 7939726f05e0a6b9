"""A trial as it can be read now: its pieces with what their cooks' records say, and what was scored and tasted."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import ASPECTS as ASPECTS
from pitscribe.ledger.trialvalues import OUTCOMES as OUTCOMES
from pitscribe.ledger.trialvalues import Answer, Piece, Tasting, Undone, Weights
from pitscribe.ledger.trialvalues import Rated as Rated
from pitscribe.ledger.trialvalues import Score as Score
from pitscribe.ledger.trialvalues import Trial as Trial
from pitscribe.series.reader import load
from pitscribe.series.values import CookRecord


@dataclass(frozen=True, slots=True)
class Tried:
    """One piece as a trial keeps it: not its cook's record, of which a year of cooks would not fit into memory.

    cook : the cook's name
    facts : what the record says of the piece, by name
    scores : those of the cook, at all its places
    """

    piece: Piece
    cook: str
    facts: Mapping[str, float]
    scores: tuple[Score, ...]

    @property
    def name(self) -> str:
        """The cook's name, and the place where it is one of several."""
        return self.cook + (f", {self.piece.place}" if self.piece.place else "")


@dataclass(frozen=True, slots=True)
class PieceRecord:
    """One piece with its cook's record; ``scores`` and ``weights`` are those of the cook, at all its places."""

    piece: Piece
    cook: CookRecord
    scores: tuple[Score, ...]
    weights: tuple[Weights, ...]

    def tried(self, facts_of: "FactsOf") -> Tried:
        """What a trial keeps of it."""
        return Tried(self.piece, self.cook.cook.name, facts_of(self), self.scores)


FactsOf = Callable[[PieceRecord], Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class TastingRecord:
    """One tasting and its answers, in the order of the tasters.

    answers : of a triangle or a pair;  rated : of a rating
    undone : what was taken back, or said anew
    """

    tasting: Tasting
    answers: tuple[Answer, ...]
    rated: tuple[Rated, ...] = ()
    undone: tuple[Undone, ...] = ()

    @property
    def heard(self) -> frozenset[int]:
        """The tasters who have answered."""
        return frozenset({one.taster for one in self.answers} | {one.taster for one in self.rated})

    @property
    def complete(self) -> bool:
        """Whether it may be judged: it was closed, or everybody has answered."""
        return self.tasting.closed_ms is not None or len(self.heard) == self.tasting.tasters


@dataclass(frozen=True, slots=True)
class TrialRecord:
    """One trial as the ledger has it, pieces in the order in which they entered it, dropped ones too."""

    trial: Trial
    pieces: tuple[Tried, ...]
    tastings: tuple[TastingRecord, ...]


def whole_cook(record: CookRecord, scores: Sequence[Score], weights: Sequence[Weights]) -> PieceRecord:
    """A cook by itself, as a piece of no trial: so that what is said of pieces can be said of it."""
    return PieceRecord(Piece(0, 0, record.cook.id, "", "", None, 0), record, tuple(scores), tuple(weights))


def load_trial(ledger: Ledger, id_or_name: int | str, facts_of: FactsOf) -> TrialRecord:
    """Read a trial from the ledger, one cook after the other. NotFoundError if there is none.

    facts_of : what is kept of a piece's record (``cook.trials.facts.facts_of``)
    """
    trial = ledger.trial(id_or_name)
    pieces = ledger.pieces(trial.id)
    tried: dict[int, Tried] = {}
    for cook_id in dict.fromkeys(piece.cook_id for piece in pieces):
        tried |= {one.piece.id: one for one in _of_cook(ledger, cook_id, pieces, facts_of)}
    return TrialRecord(
        trial,
        tuple(tried[piece.id] for piece in pieces),
        tuple(tasting_record(ledger, one) for one in ledger.tastings(trial.id)),
    )


def load_tastings(ledger: Ledger, trial: Trial) -> TrialRecord:
    """A trial with its tastings, and with nothing of what its cooks' records say: so none of them is read."""
    pieces = tuple(Tried(p, ledger.cook(p.cook_id).name, {}, ()) for p in ledger.pieces(trial.id))
    return TrialRecord(trial, pieces, tuple(tasting_record(ledger, one) for one in ledger.tastings(trial.id)))


def tasting_record(ledger: Ledger, one: Tasting) -> TastingRecord:
    """A tasting with what was answered."""
    answers, rated, undone = ledger.answers(one.id), ledger.rated(one), ledger.undone(one)
    return TastingRecord(one, tuple(answers), tuple(rated), tuple(undone))


def _of_cook(ledger: Ledger, cook_id: int, pieces: Sequence[Piece], facts_of: FactsOf) -> list[Tried]:
    """The pieces that this cook is in the trial; its record is gone when they are made."""
    record = load(ledger, cook_id)
    scores, weights = tuple(ledger.scores(cook_id)), tuple(ledger.weights(cook_id))
    return [PieceRecord(p, record, scores, weights).tried(facts_of) for p in pieces if p.cook_id == cook_id]
