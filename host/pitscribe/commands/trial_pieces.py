"""Pieces as a person names them: ``Saturday``, ``12``, or ``Saturday:left`` for one place of a cook."""

from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import Piece, Tasting, Trial
from pitscribe.ledger.values import Cook


def cook_and_place(ledger: Ledger, text: str) -> tuple[Cook, str]:
    """The cook, and the place of it or "". A cook whose own name has the colon is found first. NotFoundError."""
    try:
        return ledger.cook(text), ""
    except NotFoundError:
        cook, mark, place = text.rpartition(":")
        if not mark or not cook:
            raise
    if not place.strip():
        raise ConfigError(f"{text!r}: say which place, as in {cook}:flat")
    return ledger.cook(cook), place.strip()


def meant_piece(ledger: Ledger, trial: Trial, text: str) -> Piece:
    """The piece of the trial that is meant. NotFoundError, ConfigError."""
    cook, place = cook_and_place(ledger, text)
    return ledger.piece(trial.id, cook.id, place)


def piece_name(ledger: Ledger, piece: Piece) -> str:
    """The cook's name, and the place of it."""
    return ledger.cook(piece.cook_id).name + (f", {piece.place}" if piece.place else "")


def meant_tasting(ledger: Ledger, trial: Trial, number: int | None) -> Tasting:
    """The tasting of that number; without one, the latest of the trial. NotFoundError."""
    tastings = ledger.tastings(trial.id)
    if not tastings:
        raise NotFoundError(f"trial {trial.name!r} has no tasting yet; lay one down with: pitscribe trial taste")
    found = [t for t in tastings if number in (None, t.id)]
    if not found:
        there = ", ".join(str(t.id) for t in tastings)
        raise NotFoundError(f"trial {trial.name!r} has no tasting {number}, but {there}")
    return found[-1]
