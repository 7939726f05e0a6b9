"""Kinds of note: the ledger's table of notes brought up to date, and the same kinds wherever they are listed."""

import re
import sqlite3
from pathlib import Path

import pytest

from pitscribe.clock import SetClock
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.store import APPLICATION_ID, MIGRATIONS
from pitscribe.ledger.values import NOTE_KINDS

NOW = 1_780_000_000.0
ROOT = Path(__file__).resolve().parents[2]


def old_file(path: Path) -> None:
    """A ledger of version 8 with a note that was changed, one that was withdrawn, and one whose row has gone."""
    with sqlite3.connect(path) as db:
        for script in MIGRATIONS[:8]:
            db.executescript(script())
        db.execute("INSERT INTO cooks (name, started_ms) VALUES ('old', 1779999000000)")
        rows = [(1, 6000, "wrap", "paper", None), (2, 7000, "lid", "", 8000), (3, 9000, "text", "unwrapped", None)]
        for row in [*rows, (4, 9500, "fuel", "", None)]:
            db.execute("INSERT INTO notes (id, cook_id, at_ms, kind, text, made_ms, withdrawn_ms) "
                       "VALUES (?1, 1, ?2, ?3, ?4, ?2, ?5)", row)
        db.execute("DELETE FROM notes WHERE id = 4")
        db.execute("INSERT INTO note_past VALUES (1, 6500, 5900, 'boat', 'foil')")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("PRAGMA user_version = 8")
    db.close()


def rows_of(path: Path, sql: str) -> list[tuple[object, ...]]:
    with sqlite3.connect(path) as db:
        found = db.execute(sql).fetchall()
    db.close()
    return found


NOTES = "SELECT id, cook_id, at_ms, kind, text, made_ms, withdrawn_ms, frame_id FROM notes ORDER BY id"


def test_a_file_of_version_8_keeps_every_note_and_what_it_said_before(tmp_path):
    path = tmp_path / "ledger.sqlite"
    old_file(path)
    before, past = rows_of(path, NOTES), rows_of(path, "SELECT * FROM note_past")
    Ledger(path, SetClock(NOW)).close()
    assert rows_of(path, NOTES) == before
    assert len(before) == 3
    assert rows_of(path, "SELECT * FROM note_past") == past
    assert rows_of(path, "PRAGMA foreign_key_check") == []
    assert rows_of(path, "PRAGMA integrity_check") == [("ok",)]


def test_a_number_that_a_note_once_had_is_not_given_again(tmp_path):
    path = tmp_path / "ledger.sqlite"
    old_file(path)
    ledger = Ledger(path, SetClock(NOW))
    assert ledger.add_note(1, None, "unwrap").id == 5
    ledger.close()


def test_what_was_said_before_still_points_to_its_note(tmp_path):
    path = tmp_path / "ledger.sqlite"
    old_file(path)
    Ledger(path, SetClock(NOW)).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA foreign_keys = ON")
        with pytest.raises(sqlite3.IntegrityError):
            db.execute("INSERT INTO note_past VALUES (77, 1, 1, 'lid', '')")
        with pytest.raises(sqlite3.IntegrityError):
            db.execute("DELETE FROM notes WHERE id = 1")
    db.close()


def test_a_kind_that_nobody_knows_is_refused(tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite", SetClock(NOW))
    cook = ledger.start_cook("one")
    with pytest.raises(ConfigError, match="unwrap"):
        ledger.add_note(cook.id, None, "unwrapped")
    ledger.close()


def quoted(path: str, pattern: str) -> set[str]:
    """The words of the first list in a file that the pattern finds."""
    found = re.search(pattern, (ROOT / path).read_text(encoding="utf-8"), re.DOTALL)
    assert found, path
    return set(re.findall(r"[a-z]+", found[1]))


@pytest.mark.parametrize(
    ("path", "pattern"),
    [
        ("host/pitscribe/page/static/notes.js", r"KINDS = \[(.*?)\]"),
        ("firmware_mpy/page/index.html", r"KINDS=\[(.*?)\]"),
        ("firmware_mpy/pitlogger/rules.py", r"note_kind (\S+) fuel"),
    ],
)
def test_every_place_that_lists_the_kinds_has_the_same_ones(path, pattern):
    assert quoted(path, pattern) == set(NOTE_KINDS) - {"text"}


def test_the_logger_takes_the_kinds_that_the_ledger_knows():
    assert quoted("firmware_mpy/pitlogger/views.py", r"NOTES = \((.*?)\)") == set(NOTE_KINDS)
