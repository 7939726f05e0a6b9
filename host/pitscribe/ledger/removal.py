"""Taking a cook away that was begun or imported by mistake: what goes with it, what stays, and when it may not go."""

from dataclasses import dataclass

from pitscribe.errors import ConfigError
from pitscribe.ledger.photobook import Photobook
from pitscribe.ledger.toldbook import Toldbook
from pitscribe.ledger.trialbook import Trialbook
from pitscribe.ledger.values import Cook

# What is counted for whoever is asked, by table: one of it, several of it. Sheets are counted as columns.
_COUNTED = {
    "notes": ("note", "notes"), "placements": ("placement", "placements"), "scores": ("score", "scores"),
    "weights": ("set of weights", "sets of weights"), "sheets": ("imported column", "imported columns"),
    "photos": ("photo", "photos"),
}
_WITHDRAWN = {"notes": "withdrawn_ms", "scores": "withdrawn_ms", "weights": "withdrawn_ms", "photos": "erased_ms"}
# In this order: what refers to something goes before it.
_GO = ("told", "weights", "scores", "sheets", "notes", "placements")


@dataclass(frozen=True, slots=True)
class Leaving:
    """A cook that may be taken away, and how many there are of everything that goes with it."""

    cook: Cook
    counts: dict[str, int]  # by table

    def words(self) -> str:
        """What goes, as a person is asked or told it: "2 notes and 1 score"."""
        parts = [f"{n} {_COUNTED[table][n > 1]}" for table, n in self.counts.items() if n]
        return " and ".join(part for part in (", ".join(parts[:-1]), *parts[-1:]) if part) or "nothing but its name"


class Removal(Trialbook, Toldbook, Photobook):
    """The part of the ledger that can forget a cook."""

    def leaving(self, cook_id: int) -> Leaving:
        """What would go with a cook. ConfigError if it may not: it has not ended, or a trial has it."""
        cook = self.cook(cook_id)
        if cook.ended_ms is None:
            raise ConfigError(f"cook {cook.name!r} is going on; end it first, then it can be taken away")
        sql = "SELECT name FROM trials WHERE id IN (SELECT trial_id FROM pieces WHERE cook_id = ?) ORDER BY id"
        if trials := [repr(row[0]) for row in self._read(sql, (cook.id,))]:
            raise ConfigError(
                f"cook {cook.name!r} is in trial {', '.join(trials)}, and what entered a trial stays, whatever became "
                "of it: else one could take away what does not please"
            )
        return Leaving(cook, {table: self._count(table, cook.id) for table in _COUNTED})

    def drop_cook(self, cook_id: int) -> Leaving:
        """Take a cook away for good with its placements, notes, scores, weights, photos and imported columns.

        What the loggers read stays, for raw is the truth, and so do the probes; a note that a logger journalled is
        that logger's again. ConfigError if it may not go, see ``leaving``; then all of it stays.
        """
        gone = self.leaving(cook_id)
        for photo in self.photos(cook_id):  # first, for their files go only after a commit
            self.erase_photo(photo.id)
        with self._write() as db:
            self.leaving(cook_id)  # asked again under the lock: somebody may have reopened or drawn it
            db.execute(
                "DELETE FROM note_past WHERE note_id IN (SELECT id FROM notes WHERE cook_id = ?)", (cook_id,)
            )
            for table in _GO:
                db.execute(f"DELETE FROM {table} WHERE cook_id = ?", (cook_id,))
            db.execute("DELETE FROM cooks WHERE id = ?", (cook_id,))
        return gone

    def _count(self, table: str, cook_id: int) -> int:
        counts = f" AND {_WITHDRAWN[table]} IS NULL" if table in _WITHDRAWN else ""
        return int(self._read(f"SELECT count(*) FROM {table} WHERE cook_id = ?{counts}", (cook_id,))[0][0])
