"""What is wanted of a cook: kept in the ledger, changed by command and page at any time, and heeded by the analysis."""

import json
import sqlite3
from dataclasses import replace
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st
from page_world import make_world

from pitscribe.clock import SetClock
from pitscribe.commands.aims import parse_band
from pitscribe.cook.analysis import analyse
from pitscribe.cook.safety_tables import KINDS
from pitscribe.errors import ConfigError, StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.store import APPLICATION_ID, MIGRATIONS
from pitscribe.ledger.values import MEAT_KINDS, Cook
from pitscribe.series import load
from pitscribe.watch.live import Watch

NOW = 1_780_000_000
BAND = (107.0, 135.0)


@pytest.fixture
def ledger(tmp_path):
    made = Ledger(tmp_path / "ledger.sqlite", SetClock(NOW))
    yield made
    made.close()


# ledger


def test_settings_are_kept_and_each_is_changed_alone(ledger):
    cook = ledger.start_cook("Sunday", target_c=95.0, band_c=BAND, meats=["packer, 6.4 kg"], meat_kind="injected")
    assert cook == Cook(1, "Sunday", NOW * 1000, None, 95.0, ("packer, 6.4 kg",), BAND, "injected")
    assert ledger.set_cook(1, band_c=(100.0, 120.0)) == replace(cook, band_c=(100.0, 120.0))
    assert ledger.set_cook(1) == replace(cook, band_c=(100.0, 120.0))
    changed = ledger.set_cook(1, name="Monday", target_c=None, band_c=None, meats=[], meat_kind=None)
    assert changed == Cook(1, "Monday", NOW * 1000, None, None)
    assert ledger.cook("Monday") == changed
    assert json.loads(json.dumps(cook.as_json()))["band_c"] == [107.0, 135.0]


@pytest.mark.parametrize(("settings", "named"), [
    ({"band_c": (135.0, 107.0)}, "135 to 107 degC"), ({"band_c": (120.0, 120.0)}, "lower and a higher"),
    ({"band_c": (float("nan"), 120.0)}, "band nan"), ({"band_c": (100.0, 500.0)}, "10 to 400 degC"),
    ({"meat_kind": "fish"}, "fish"), ({"meats": ["a\nb"]}, "printable"), ({"meats": ["x"] * 21}, "20 are the most"),
    ({"target_c": 203.0}, "86 to 212 F"), ({"name": " "}, "name"),
])
def test_settings_that_cannot_be_are_refused_and_change_nothing(ledger, settings, named):
    cook = ledger.start_cook("Sunday", band_c=BAND)
    with pytest.raises(ConfigError, match=named):
        ledger.set_cook(cook.id, **({"target_c": 90.0} | settings))
    assert ledger.cook(cook.id) == cook


@pytest.mark.parametrize("change", [
    "band_low_c = 100, band_high_c = 90", "band_low_c = NULL", "band_high_c = NULL", "meat_kind = 'fish'",
    "band_high_c = 900", "band_low_c = 'warm'",
])
def test_the_schema_holds_no_band_and_no_kind_that_cannot_be(ledger, change):
    ledger.start_cook("Sunday", band_c=BAND)
    with pytest.raises(StoreError, match="does not take this"), ledger._write() as db:
        db.execute(f"UPDATE cooks SET {change}")


def test_the_kinds_of_meat_are_those_that_safety_tells_apart():
    assert set(MEAT_KINDS) == set(KINDS)


def test_a_file_of_version_3_opens_and_its_cooks_are_as_they_were(tmp_path):
    path = tmp_path / "ledger.sqlite"
    with sqlite3.connect(path) as db:
        for name in ("schema.sql", "schema_2.sql", "schema_3.sql"):
            db.executescript(files("pitscribe.ledger").joinpath(name).read_text(encoding="utf-8"))
        db.execute("INSERT INTO cooks (name, started_ms, target_c, meats) VALUES ('old', 5000, 93.5, '[\"butt\"]')")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("PRAGMA user_version = 3")
    db.close()
    for _ in range(2):
        ledger = Ledger(path, SetClock(NOW))
        assert ledger.cook(1) == Cook(1, "old", 5000, None, 93.5, ("butt",))
        ledger.close()
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS) >= 4
        (sql,) = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'cooks'").fetchone()
        assert sql.endswith("STRICT")
    db.close()


# command


def test_the_command_sets_changes_and_takes_away(command):
    start = ("cook", "start", "Sunday", "--target", "203F", "--band", "225-275F", "--cut", "packer, 6.4 kg", "--cut")
    assert command(*start, "point")[0] == 0
    (said,) = json.loads("\n".join(command("cooks", "--json")[1]))
    assert said["band_c"] == pytest.approx([107.22, 135.0], abs=0.01)
    assert said["meats"] == ["packer, 6.4 kg", "point"]
    status, out, _ = command("cook", "set", "--band", "none", "--cut", "none", "--meat-kind", "poultry",
                             "--name", "Hen")
    assert status == 0
    assert out[1].strip() == "target 203 F, no band, no cuts named (as poultry)"
    (said,) = json.loads("\n".join(command("cooks", "--json")[1]))
    assert (said["name"], said["band_c"], said["meats"], said["meat_kind"]) == ("Hen", None, [], "poultry")
    assert said["target_c"] == pytest.approx(95.0)


@pytest.mark.parametrize(("arguments", "named"), [
    ((), "--band"), (("--band", "250"), "225-275F"), (("--band", "275-225F"), "lower and a higher"),
    (("--target", "nine"), "nine"),
])
def test_a_change_that_says_nothing_or_makes_no_sense_is_refused_in_one_line(command, arguments, named):
    command("cook", "start", "Sunday")
    status, out, err = command("cook", "set", *arguments)
    assert (status, out, len(err)) == (1, [], 1)
    assert named in err[0]


@given(st.integers(10, 300), st.integers(1, 90), st.sampled_from(["F", "C", ""]), st.sampled_from(["-", " to ", " - "]))
def test_a_band_is_read_in_the_unit_that_is_written_once_or_twice(low, width, letter, between):
    once, twice = (f"{low}{x}{between}{low + width}{letter}" for x in ("", letter))
    assert parse_band(once, "F") == parse_band(twice, "F")
    wanted = (low, low + width) if letter == "C" else ((low - 32) / 1.8, (low + width - 32) / 1.8)
    assert parse_band(once, "F") == pytest.approx(wanted)


# page


def test_the_page_sets_changes_and_takes_away(world, client):
    made = client.post("/api/cooks", json={"name": "Ribs", "band_c": [107, 121.5], "meats": ["rack"]})
    assert made.status_code == 201
    assert (made.json()["band_c"], made.json()["meats"]) == ([107.0, 121.5], ["rack"])
    path = f"/api/cooks/{made.json()['id']}"
    changed = client.patch(path, json={"name": "Beef ribs", "target_c": 95, "meat_kind": "beef", "band_c": None})
    assert changed.status_code == 200
    assert changed.json() == world.ledger.cook("Beef ribs").as_json()
    assert (changed.json()["target_c"], changed.json()["meat_kind"], changed.json()["band_c"]) == (95.0, "beef", None)
    assert client.patch(path, json={"target_c": None}).json()["target_c"] is None
    assert client.patch("/api/cooks/99", json={"target_c": 90}).status_code == 404


@pytest.mark.parametrize("body", [
    {"band_c": [107]}, {"band_c": [135, 107]}, {"band_c": [107, "x"]}, {"band_c": "107-135"}, {"band_c": [1e9, 2e9]},
    {"meats": "rack"}, {"meats": [7]}, {"meats": ["x"] * 21}, {"meat_kind": "fish"}, {"meat_kind": 7}, {"name": None},
    {"target_c": 203}, {"bands": [107, 135]}, {"band_c": [107, None]}, {"band_c": [True, 135]},
])
def test_what_the_page_cannot_set_is_refused_and_changes_nothing(world, client, body):
    answer = client.patch("/api/cooks/1", json=body)
    assert answer.status_code == 400
    assert answer.json()["error"]
    assert world.ledger.cook(1) == world.cook


# analysis


def test_the_analysis_judges_the_fire_by_the_cooks_band_and_safety_by_its_kind_of_meat(world):
    record = load(world.ledger, 1)
    plain = analyse(record)
    assert not plain.fire.band.given
    assert plain.safety.kind == "beef"
    cook = replace(record.cook, band_c=(150.0, 180.0), meat_kind="poultry", meats=("packer",))
    said = analyse(replace(record, cook=cook))
    assert (said.fire.band.low_c, said.fire.band.high_c, said.fire.band.given) == (150.0, 180.0, True)
    assert said.safety.kind == "poultry"


def test_a_setting_that_is_changed_is_in_the_next_snapshot(tmp_path):
    world = make_world(tmp_path, hours=2)
    watch = Watch(world.ledger, world.clock)
    assert not watch.now().body["fire"]["band"]["given"]
    world.ledger.set_cook(1, band_c=BAND, meat_kind="ground", target_c=70.0)
    body = watch.now().body
    assert body["cook"]["band_c"] == [107.0, 135.0]
    assert body["fire"]["band"]["given"]
    assert body["safety"]["kind"] == "ground"
    world.ledger.close()
