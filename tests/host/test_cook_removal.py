"""A cook that was a mistake is taken away, and nothing else with it."""

import sqlite3

import numpy as np
import pytest
from page_world import make_world

from pitscribe.clock import SetClock
from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photofile import Picture
from pitscribe.series import load

CSV = "time,grate,flat\n" + "".join(f"2026-05-30T{6 + i // 60:02}:{i % 60:02}:00,250,{60 + i}\n" for i in range(120))


def contents(path):
    """Every row of every table, as bytes and numbers: the whole ledger."""
    with sqlite3.connect(path) as db:
        names = [row[0] for row in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
        return {name: sorted(db.execute(f"SELECT * FROM {name}").fetchall(), key=repr) for name in names}


def referring(path, table):
    """The (table, column) pairs that refer to a table's rows."""
    with sqlite3.connect(path) as db:
        names = [row[0] for row in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        return {(n, key[3]) for n in names for key in db.execute(f"PRAGMA foreign_key_list({n})") if key[2] == table}


def everything_about(ledger, cook, at):
    """Something of every kind that the ledger may hold of a cook."""
    note = ledger.add_note(cook.id, at, "wrap", "in paper")
    ledger.change_note(note.id, text="in two layers of paper")
    ledger.remove_note(ledger.add_note(cook.id, at, "lid").id)
    ledger.score(cook.id, "overall", 7.0)
    ledger.score(cook.id, "overall", 8.0, remark="better warm")
    ledger.weigh(cook.id, raw_kg=6.4)
    ledger.tell(cook.id, [("stall:flat", "stall", "flat stalls", False)])
    for shade in (1, 2):
        picture = Picture(bytes([shade]) * 300, 20, 10, None)
        ledger.add_photo(cook.id, picture, at=at, words="the bark")
    ledger.erase_photo(ledger.photos(cook.id)[0].id)


@pytest.fixture
def world(tmp_path):
    """One cook with frames and everything else, that goes on."""
    made = make_world(tmp_path, hours=1)
    everything_about(made.ledger, made.cook, made.ledger.now_ms())
    yield made
    made.ledger.close()


def with_mistake(world):
    """A second cook on the same loggers, with something of every kind, ended."""
    ledger, now = world.ledger, world.ledger.now_ms()
    wrong = ledger.start_cook("Saterday", at=now - 600_000)
    placed = ledger.placements(world.cook.id)[2]
    ledger.place(wrong.id, placed.probe, placed.logger, 6, "flat", "meat")
    t = 1_780_000_000.0
    ledger.add_sheet(wrong.id, "grate", "air", np.array([t, t + 60]), np.array([100.0, np.nan]), "x.csv", "digest")
    everything_about(ledger, wrong, now)
    return ledger.end_cook(wrong.id)


def test_taking_a_cook_away_leaves_the_rest_of_the_ledger_as_it_was_row_by_row_and_bit_by_bit(world):
    before, files = contents(world.ledger.path), set(world.ledger.photo_folder.iterdir())
    assert before["frames"]
    assert before["note_past"]
    wrong = with_mistake(world)
    gone = world.ledger.drop_cook(wrong.id)
    assert gone.words() == (
        "1 note, 1 placement, 1 score, 1 set of weights, 1 imported column and 1 photo"
    )
    after = contents(world.ledger.path)
    # The counters alone go on, so that no other cook ever gets its number.
    assert after.pop("sqlite_sequence") != before.pop("sqlite_sequence")
    assert after == before
    assert set(world.ledger.photo_folder.iterdir()) == files
    assert world.ledger.start_cook("Another").id > wrong.id
    with pytest.raises(NotFoundError):
        world.ledger.cook(wrong.id)


def test_the_test_above_has_a_row_in_every_table_that_refers_to_a_cook(world):
    """So that a table that is added later is taken into account: a trial's pieces alone keep a cook."""
    wrong, path = with_mistake(world), world.ledger.path
    tables = referring(path, "cooks")
    assert len(tables) >= 6
    with sqlite3.connect(path) as db:
        for table, column in tables - {("pieces", "cook_id")}:
            assert db.execute(f"SELECT 1 FROM {table} WHERE {column} = ?", (wrong.id,)).fetchone(), table
    assert referring(path, "notes") == {("note_past", "note_id")}
    for table in ("scores", "weights", "sheets", "told", "placements", "photos"):
        assert not referring(path, table), table


def test_what_the_loggers_read_stays_and_can_be_a_cook_again(world):
    ended = world.ledger.end_cook(world.cook.id)
    flat = next(s for s in load(world.ledger, ended.id).places if s.place == "flat")
    placed = next(p for p in world.ledger.placements(ended.id) if p.place == "flat")
    frames = contents(world.ledger.path)["frames"]
    world.ledger.drop_cook(ended.id)
    assert contents(world.ledger.path)["frames"] == frames
    again = world.ledger.start_cook("Saturday", at=ended.started_ms)
    world.ledger.place(again.id, placed.probe, placed.logger, placed.channel, "flat", "meat")
    world.ledger.end_cook(again.id, ended.ended_ms)
    (same,) = load(world.ledger, again.id).places
    assert same.celsius.tobytes() == flat.celsius.tobytes()


def test_a_note_made_at_the_logger_is_the_loggers_again_after_the_cook_that_changed_it_has_gone(world):
    row = world.ledger.frames(0x00C0FFEE)[0].row
    wrong = with_mistake(world)
    world.ledger.add_note(wrong.id, None, "lid", "said otherwise", frame_id=row)
    assert row in world.ledger.frames_with_notes()
    world.ledger.drop_cook(wrong.id)
    assert row not in world.ledger.frames_with_notes()


def test_a_cook_that_goes_on_or_is_in_a_trial_stays_whole_and_says_why(world):
    ledger, wrong = world.ledger, with_mistake(world)
    with pytest.raises(ConfigError, match=r"'Two briskets' is going on; end it first"):
        ledger.drop_cook(world.cook.id)
    trial = ledger.new_trial(
        "Boat", question="Is it juicier?", factor="boat", levels=["no", "yes"], main="moisture", matters=1.0,
        planned=4, block=2, seed="oak",
    )
    piece = ledger.enter(trial.id, wrong.id, "", "no", None)
    before, files = contents(ledger.path), set(ledger.photo_folder.iterdir())
    with pytest.raises(ConfigError, match=r"'Saterday' is in trial 'Boat'"):
        ledger.drop_cook(wrong.id)
    assert contents(ledger.path) == before
    assert set(ledger.photo_folder.iterdir()) == files
    ledger.drop_piece(piece.id, "the fire went out")
    with pytest.raises(ConfigError, match="is in trial 'Boat'"):
        ledger.drop_cook(wrong.id)


def test_a_table_that_was_imported_by_mistake_can_be_taken_away_and_imported_again(command, tmp_path):
    (tmp_path / "wrong.csv").write_text(CSV)
    imports = "import", tmp_path / "wrong.csv", "--unit", "F", "--air", "grate", "--meat", "flat"
    assert command(*imports)[0] == 0
    status, _, complaint = command("cooks", "--drop", "wrong")
    assert status == 1
    assert "nobody is here to be asked; to take cook 1 away all the same add --yes" in complaint[0]
    status, out, _ = command("cooks", "--drop", "wrong", "--yes")
    assert status == 0
    assert out[-1] == "taken away, with 2 imported columns; what the loggers read stays in the ledger"
    assert command("cooks")[1] == ["no cook yet; begin one with: pitscribe cook start NAME"]
    status, out, _ = command(*imports)
    assert status == 0
    assert command("cooks")[1][0].split()[0] == "2"


@pytest.mark.parametrize(("typed", "stays"), [("yes", False), (" YES ", False), ("y", True), ("", True)])
def test_who_is_asked_must_say_yes_in_full(command, monkeypatch, typed, stays):
    asked = []
    command("cook", "start", "Saterday")
    command("cook", "end")
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", lambda question: asked.append(question) or typed)
    status, out, _ = command("cooks", "--drop", "Saterday")
    assert status == 0
    assert "Saterday" in out[0]
    assert asked == ["take it away for good, with nothing but its name? yes or no: "]
    assert out[-1] == "it stays" if stays else out[-1].startswith("taken away")
    assert bool(command("cooks")[1][0].count("Saterday")) is stays


def test_a_cook_that_is_not_there_or_goes_on_is_refused_before_anybody_is_asked(command):
    command("cook", "start", "Saturday")
    assert "there is no cook 'Sunday'" in command("cooks", "--drop", "Sunday", "--yes")[2][0]
    assert "is going on; end it first" in command("cooks", "--drop", "Saturday", "--yes")[2][0]


def test_of_a_cook_that_was_taken_away_meanwhile_nothing_is_told(world):
    """Whoever tells alerts goes by what it saw last, and that may be a moment old."""
    wrong = with_mistake(world)
    world.ledger.drop_cook(wrong.id)
    before = contents(world.ledger.path)
    assert world.ledger.tell(wrong.id, [("stall:flat", "stall", "flat stalls", False)], ["spread"]) == []
    assert contents(world.ledger.path) == before


def test_another_process_that_had_the_ledger_open_sees_it_gone(world):
    """A host that runs beside the command: its ledger is another connection to the same file."""
    wrong, other = with_mistake(world), Ledger(world.ledger.path, SetClock(world.clock.at))
    assert other.cook(wrong.id) == wrong
    world.ledger.drop_cook(wrong.id)
    with pytest.raises(NotFoundError):
        other.cook(wrong.id)
    other.close()
