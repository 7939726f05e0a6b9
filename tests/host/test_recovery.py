"""A damaged ledger: what is good of it comes over, nothing that is not, and the rest is said to be missing."""

import contextlib
import json
import random
import shutil
import signal
import sqlite3
import subprocess
import sys

import pytest
from chaos.harm import KINDS, PAGE, harm
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_rig import LOGGER, anchor, ticks

from pitscribe.cli import main
from pitscribe.clock import SetClock
from pitscribe.commands.homelock import only_host
from pitscribe.ledger.carve import carved
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.recovery import recover
from pitscribe.wire.frames import check

CLOCK = SetClock(1_780_000_000.0)
# Of ordinary lengths, and such that reach over to a page of their own.
FRAMES = [*(ticks(n, n=255 if n % 40 == 7 else 16) for n in range(500)), anchor(500, 1_780_000_000_000)]
NOTES = [f"note {n}" for n in range(40)]


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """A ledger that was left open by a host that was killed: its file and its log."""
    folder = tmp_path_factory.mktemp("lived")
    ledger = Ledger(folder / "one.sqlite", CLOCK)
    for at in range(0, 400, 50):
        ledger.store_frames([(check(f), f) for f in FRAMES[at : at + 50]], "mqtt")
    cook = ledger.start_cook("one")
    for text in NOTES:
        ledger.add_note(cook.id, None, "text", text)
    ledger._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    ledger.store_frames([(check(f), f) for f in FRAMES[400:]], "mqtt")
    ledger.add_probe("green", "K")
    killed = tmp_path_factory.mktemp("killed") / "ledger.sqlite"
    for end in ("", "-wal"):
        shutil.copy(f"{ledger.path}{end}", f"{killed}{end}")
    ledger.close()
    return killed


def harmed(lived, folder, kind, seed):
    for end in ("", "-wal"):
        shutil.copy(f"{lived}{end}", folder / f"ledger.sqlite{end}")
    if kind:
        harm(folder / "ledger.sqlite", kind, random.Random(seed))
    return folder / "ledger.sqlite"


@settings(max_examples=8, deadline=None)
@given(st.sampled_from(KINDS), st.integers(0, 10_000))
def test_every_frame_whose_bytes_are_still_there_comes_over_and_none_that_never_was(
    lived, tmp_path_factory, kind, seed
):
    folder = tmp_path_factory.mktemp("harmed")
    path = harmed(lived, folder, kind, seed)
    left = path.read_bytes() + (log.read_bytes() if (log := folder / "ledger.sqlite-wal").exists() else b"")
    recover(path, folder / "new.sqlite", CLOCK)
    new = Ledger(folder / "new.sqlite", CLOCK, check_pages=True)
    held = {stored.frame for stored in new.frames(LOGGER)}
    assert held <= set(FRAMES)
    assert {frame for frame in FRAMES if frame in left} <= held
    assert new.frame_count() == len(held)
    assert new._read("PRAGMA foreign_key_check") == []
    new.close()
    assert {p.name for p in folder.iterdir()} <= {"ledger.sqlite", "ledger.sqlite-wal", "new.sqlite"}


def test_all_that_a_sound_ledger_holds_comes_over_as_it_was(world, tmp_path):
    """Held to a dump of both, but for what is counted anew."""
    ledger = world.ledger
    ledger.add_note(world.cook.id, None, "wrap", "butcher paper")
    recover(ledger.path, tmp_path / "new.sqlite", CLOCK)
    assert dump(tmp_path / "new.sqlite") == dump(ledger.path)


def dump(path):
    with contextlib.closing(sqlite3.connect(path)) as db:
        return sorted(line for line in db.iterdump() if "sqlite_sequence" not in line)


def test_the_log_of_a_killed_host_is_read_as_well(lived, tmp_path):
    assert {one.head.key.sequence for one in carved(lived)} == set(range(501))
    path = harmed(lived, tmp_path, "no header", 1)
    found = recover(path, tmp_path / "new.sqlite", CLOCK)
    assert found.frames == 501
    assert found.rows["probes"] == 1  # which is in the log alone


@pytest.mark.parametrize("kind", ["no header", "no first page", "no list of tables"])
def test_without_a_header_a_first_page_or_a_list_of_tables_the_cooks_come_over_too(lived, tmp_path, kind):
    path = harmed(lived, tmp_path, "no log", 1)
    harm(path, kind, random.Random(1))
    if kind == "no list of tables":
        data = bytearray(path.read_bytes())
        at = data.index(b"CREATE TABLE cooks") // PAGE * PAGE
        data[at : at + PAGE] = bytes(PAGE)
        path.write_bytes(data)
    found = recover(path, tmp_path / "new.sqlite", CLOCK)
    assert found.mended == kind.removeprefix("no ")
    new = Ledger(tmp_path / "new.sqlite", CLOCK)
    assert [note.text for note in new.notes(new.cook("one").id)] == NOTES
    assert new.add_note(new.cook("one").id, None, "text", "more").id == len(NOTES) + 1
    new.close()


def test_notes_of_a_cook_that_is_lost_get_one_that_stands_for_it(lived, tmp_path):
    path = harmed(lived, tmp_path, None, 0)
    forget(path, "cooks")
    found = recover(path, tmp_path / "new.sqlite", CLOCK)
    assert found.cooks == ["cook 1, recovered"]
    assert found.aside == {}
    new = Ledger(tmp_path / "new.sqlite", CLOCK)
    assert [note.text for note in new.notes(1)] == NOTES
    assert new.cook("1").started_ms == new.notes(1)[0].at_ms
    new.close()


def test_what_belonged_to_something_that_is_lost_is_kept_aside(world, tmp_path):
    forget(world.ledger.path, "probes")
    places = world.ledger._read("SELECT place FROM placements ORDER BY place")
    found = recover(world.ledger.path, tmp_path / "new.sqlite", CLOCK)
    assert found.aside == {"placements": len(places)}
    new = Ledger(tmp_path / "new.sqlite", CLOCK)
    assert new.asides() == {"recovered": len(places)}
    assert sorted((json.loads(item.data)["place"],) for item in new.aside_items("recovered")) == places
    new.close()


def forget(path, table):
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute(f"DELETE FROM {table}")
        db.commit()


# the command


def test_check_does_not_touch_the_log_of_a_killed_host(home, capsys):
    """SQLite drops what is behind a torn place in it as soon as the ledger is opened for writing."""
    harm(home / "ledger.sqlite", "torn log", random.Random(3))
    before = {path.name: path.read_bytes() for path in home.iterdir()}
    run(home, capsys, "check", "--all")
    assert {path.name: path.read_bytes() for path in home.iterdir() if not path.name.endswith("-shm")} == before


@pytest.fixture
def home(lived, tmp_path):
    made = tmp_path / "home"
    made.mkdir(mode=0o700)
    harmed(lived, made, None, 0)
    return made


def run(home, capsys, *words):
    status = main(["--home", str(home), *words])
    out = capsys.readouterr()
    return status, out.out + out.err


def test_command_puts_the_new_one_in_its_place_keeps_the_damaged_one_and_says_what_is_missing(home, capsys):
    damaged = bytearray((home / "ledger.sqlite").read_bytes())
    at = damaged.index(FRAMES[100]) // PAGE * PAGE
    damaged[at : at + PAGE] = bytes(PAGE)
    (home / "ledger.sqlite").write_bytes(damaged)
    status, told = run(home, capsys, "recover")
    assert status == 0, told
    assert "are missing; its journal may still have them: pitscribe pull PORT" in told
    (kept,) = home.glob("ledger.sqlite.damaged-*Z")
    assert kept.read_bytes() == damaged
    assert kept.with_name(kept.name + "-wal").exists()
    assert sorted(p.name for p in home.iterdir() if p.name.startswith((".", "ledger.sqlite-"))) == []
    assert "pages, indexes and rows are sound" in run(home, capsys, "check", "--all")[1]
    (home / "ledger.sqlite").write_bytes(damaged)
    status, told = run(home, capsys, "check")
    assert status == 1
    assert "is damaged" in told
    assert "pitscribe recover" in told


def test_a_recovery_that_is_killed_before_the_new_one_is_in_place_is_done_again_with_the_log(home, capsys):
    harm(home / "ledger.sqlite", "no header", random.Random(1))
    code = (
        "import os, signal, sys; from pathlib import Path; from pitscribe.cli import main\n"
        "Path.replace = lambda *_: os.kill(os.getpid(), signal.SIGKILL)\n"
        "main(['--home', sys.argv[1], 'recover', '--anyway'])"
    )
    assert subprocess.run([sys.executable, "-c", code, home], check=False).returncode == -signal.SIGKILL
    assert not (home / "ledger.sqlite-wal").exists()
    status, told = run(home, capsys, "recover")
    assert status == 0, told
    assert "501 frames with a good CRC, and what people wrote: 1 cook, 40 notes, 1 probe" in told
    assert len(list(home.glob("*.damaged-*Z"))) == 1
    assert not list(home.glob(".*"))


def test_a_list_of_tables_that_is_no_text_is_damage_and_no_fault_of_pitscribes(home, capsys):
    """SQLite quotes it in its complaint, which Python cannot decode then."""
    data = bytearray((home / "ledger.sqlite").read_bytes())
    at = data.index(b"cooksCREATE TABLE cooks") if b"cooksCREATE TABLE cooks" in data else 0
    data[at : at + len(b"cooks")] = b"\xc5ooks"
    data[data.index(b"CREATE TABLE cooks", at) + 4] = 0xC5
    (home / "ledger.sqlite").write_bytes(data)
    assert "wrong   ledger:" in (told := run(home, capsys, "check")[1])
    assert "fault in pitscribe itself" not in told
    assert "is damaged" in run(home, capsys, "cooks")[1]
    status, told = run(home, capsys, "recover")
    assert status == 0
    assert "501 frames with a good CRC, and what people wrote: 1 cook, 40 notes" in told


def test_command_leaves_a_sound_ledger_a_served_one_a_later_one_and_what_is_none_alone(home, capsys):
    path = home / "ledger.sqlite"
    assert "is sound" in run(home, capsys, "recover")[1]
    before = path.read_bytes()
    with only_host(home):
        assert "is served already" in run(home, capsys, "recover")[1]
    path.write_bytes(b"a shopping list\n" * 1000)
    (home / "ledger.sqlite-wal").unlink(missing_ok=True)
    assert "nothing of a ledger was found in it; it stays as it is" in run(home, capsys, "recover")[1]
    assert path.read_bytes() == b"a shopping list\n" * 1000
    later = bytearray(before)
    later[60:64] = (99).to_bytes(4, "big")
    path.write_bytes(later)
    assert "update Pitscribe first" in run(home, capsys, "recover")[1]
    assert path.read_bytes() == later
