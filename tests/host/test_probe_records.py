"""A probe's history in the ledger: kept as measured, in order, never taken away; and files of version 1 open."""

import sqlite3
from dataclasses import replace
from importlib.resources import files

import pytest
from intake_rig import LOGGER

from pitscribe.clock import SetClock
from pitscribe.errors import ConfigError, NotFoundError, StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.store import APPLICATION_ID, MIGRATIONS

NOW = 1_780_000_000.0
NOW_MS = round(NOW * 1000)


@pytest.fixture
def ledger(tmp_path):
    made = Ledger(tmp_path / "ledger.sqlite", SetClock(NOW))
    yield made
    made.close()


def test_a_file_of_version_1_opens_and_keeps_all_that_was_in_it(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with sqlite3.connect(path) as db:
        db.executescript(files("pitscribe.ledger").joinpath("schema.sql").read_text(encoding="utf-8"))
        db.execute("INSERT INTO probes (name, tc, tolerance) VALUES ('green', 'K', 'iec-1')")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("PRAGMA user_version = 1")
    db.close()
    for _ in range(2):  # and a second time, when there is nothing left to do
        ledger = Ledger(path, SetClock(NOW))
        (probe,) = ledger.probes()
        assert (probe.name, probe.tolerance) == ("green", "iec-1")
        ledger.add_probe_record(probe.id, "calibration", NOW_MS, {"points": []})
        ledger.close()
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)
        assert db.execute("SELECT count(*) FROM probe_records").fetchone()[0] == 2
    db.close()


def test_a_probes_history_comes_back_by_time_of_measurement_with_nothing_lost(ledger):
    probe, other = ledger.add_probe("green", "T", "iec-1"), ledger.add_probe("red", "K")
    late = ledger.add_probe_record(probe.id, "calibration", NOW_MS, {"a": [1.5, None]}, channel=(LOGGER, 3))
    early = ledger.add_probe_record(probe.id, "calibration", NOW_MS - 9000, {}, remark=" stirred\nwell ")
    air = ledger.add_probe_record(probe.id, "air", NOW_MS - 5000, {"tau": 12.0})
    ledger.add_probe_record(other.id, "plunge", NOW_MS, {})
    assert ledger.probe_records(probe.id) == [early, air, late]
    assert ledger.probe_records(probe.id, "calibration") == [early, late]
    assert ledger.probe_records(other.id, "air") == []
    assert (early.remark, early.logger, early.channel, early.entered_ms) == ("stirred\nwell", None, None, NOW_MS)
    assert (late.body, late.logger, late.channel) == ({"a": [1.5, None]}, LOGGER, 3)


def test_of_two_records_of_one_instant_the_one_entered_later_is_the_later(ledger):
    probe = ledger.add_probe("green", "K")
    made = [ledger.add_probe_record(probe.id, "calibration", NOW_MS, {"n": n}) for n in range(3)]
    assert ledger.probe_records(probe.id, "calibration") == made


def test_a_withdrawn_record_comes_only_when_it_is_asked_for_and_is_kept_as_it_was(ledger):
    probe = ledger.add_probe("green", "K")
    first, second = (ledger.add_probe_record(probe.id, "calibration", NOW_MS, {"n": n}) for n in range(2))
    gone = ledger.withdraw_probe_record(probe.id, second.id)
    assert gone == replace(second, withdrawn_ms=NOW_MS)
    assert ledger.probe_records(probe.id) == [first]
    assert ledger.probe_records(probe.id, "calibration", withdrawn=True) == [first, gone]
    assert ledger.restore_probe_record(probe.id, second.id) == second
    assert ledger.probe_records(probe.id) == [first, second]
    other = ledger.add_probe("red", "K")
    for attempt in (ledger.withdraw_probe_record, ledger.restore_probe_record):
        with pytest.raises(NotFoundError, match="no record 2 of this probe; it has none"):
            attempt(other.id, second.id)


@pytest.mark.parametrize(
    ("arguments", "named", "words"),
    [
        (("mood", NOW_MS, {}), {}, "record kind 'mood'"),
        (("calibration", 1000, {}), {}, "is not between the years"),
        (("calibration", NOW_MS, {}), {"channel": (LOGGER, 9)}, "channel 9"),
        (("calibration", NOW_MS, {}), {"remark": "x" * 4001}, "4000 letters"),
        (("calibration", NOW_MS, {}), {"remark": "\x1b[2J"}, "no control"),
    ],
)
def test_a_record_that_cannot_be_is_refused_and_nothing_is_kept(ledger, arguments, named, words):
    probe = ledger.add_probe("green", "K")
    with pytest.raises(ConfigError, match=words):
        ledger.add_probe_record(probe.id, *arguments, **named)
    assert ledger.probe_records(probe.id) == []
    assert ledger.loggers() == []


def test_a_record_of_no_probe_and_a_probe_of_no_name_are_refused(ledger):
    with pytest.raises(NotFoundError, match="no probe of number 7"):
        ledger.add_probe_record(7, "air", NOW_MS, {})
    with pytest.raises(NotFoundError, match="no probe 'green'"):
        ledger.probe("green")
    with pytest.raises(ConfigError, match="that is a type"):
        ledger.add_probe("K", "K")


def test_the_schema_itself_refuses_half_a_channel(ledger):
    probe = ledger.add_probe("green", "K")
    with pytest.raises(StoreError, match="does not take this"), ledger._write() as db:
        db.execute(
            "INSERT INTO probe_records (probe_id, kind, made_ms, entered_ms, channel, body) "
            "VALUES (?, 'air', 1, 1, 2, '{}')",
            (probe.id,),
        )
