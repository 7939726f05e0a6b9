"""What the analysis uses of a note: when, what kind of thing a person did, and in some places the words."""

import re
from collections.abc import Iterable
from typing import Protocol

COVERS = ("wrap", "boat", "pan")  # from then on the meat, or part of it, is under a cover
UNWRAP = "unwrap"


class Noted(Protocol):
    """When (ms UTC) and what kind of thing a person did."""

    @property
    def at_ms(self) -> int: ...

    @property
    def kind(self) -> str: ...


class Told(Noted, Protocol):
    """The same with what was written."""

    @property
    def text(self) -> str: ...


def act_of(note: Told) -> str:
    """The kind of a note; free text that says "unwrap" is one of that kind, as many wrote it before there was one."""
    return UNWRAP if note.kind == "text" and UNWRAP in note.text.lower() else note.kind


def notes_for(place: str, places: Iterable[str], notes: Iterable[Told]) -> list[Told]:
    """The notes that hold for one place: one whose text names places of the cook holds for these alone.

    A name counts as a whole word, in capitals or not; of two names of which one begins the other, the longer is meant.
    """
    named = sorted(places, key=len, reverse=True)
    word = re.compile("|".join(rf"(?<!\w){re.escape(name)}(?!\w)" for name in named) or r"(?!)", re.IGNORECASE)
    mine = place.casefold()
    said = ((note, {name.casefold() for name in word.findall(note.text)}) for note in notes)
    return [note for note, names in said if not names or mine in names]
