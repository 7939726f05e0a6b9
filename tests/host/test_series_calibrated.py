"""A probe's history in a cook's series: as known now, as calibrated then, on this channel and on another."""

import json
import sqlite3

import numpy as np
import pytest
from series_world import LOGGER, T0_MS, TABLE, Logger, open_ledger, same, store

from pitscribe.errors import ConfigError
from pitscribe.metrology.calibration import Point, Through, body_of
from pitscribe.series import Reader, load

BEGAN = T0_MS + 10_000
DAY_MS = 86_400_000


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(tmp_path, at_ms=T0_MS + DAY_MS) as ledger:
        yield ledger


@pytest.fixture
def cook(ledger):
    cook = ledger.start_cook("brisket", at=T0_MS)
    for channel, (name, tc, place) in enumerate((("blue", "K", "flat"), ("green", "T", "point"))):
        ledger.place(cook.id, ledger.add_probe(name, tc), LOGGER, channel, place, "meat")
    logger = Logger()
    logger.boot(1)
    logger.anchor(1, 500, BEGAN + 500)
    for i in range(10):
        logger.ticks(1, BEGAN, 8 * i)
    store(ledger, *logger.made)
    return cook


def calibrate(ledger, name, offset, made, channel=(LOGGER, 0)):
    """Ice and boiling water, both read ``offset`` too low."""
    points = [Point("ice", -offset, 0.01, 50.0, 0.0, 0.02), Point("boil", 99.0 - offset, 0.01, 50.0, 99.0, 0.03)]
    body = body_of(points, Through(*TABLE[channel[1]], 25.0))
    return ledger.add_probe_record(ledger.probe(name).id, "calibration", made, body, channel=channel)


def open_ledger_of(ledger):
    """The file itself, for what no version of ours would write."""
    return sqlite3.connect(ledger.path)


def added(after, before):
    return after.celsius - before.celsius


def flat(ledger, cook, **named):
    return load(ledger, cook.id, **named).places[0]


def test_a_calibration_of_today_puts_an_old_cook_right(ledger, cook):
    before, other = load(ledger, cook.id).places
    calibrate(ledger, "blue", 0.8, T0_MS + DAY_MS // 2)
    after, other_after = load(ledger, cook.id).places
    assert added(after, before) == pytest.approx(0.8, abs=0.03)
    assert (after.u < 0.4 * before.u).all()
    assert np.array_equal(other.celsius, other_after.celsius)
    assert np.array_equal(other.u, other_after.u)


def test_as_calibrated_then_is_the_cook_as_it_could_be_read_at_the_time(ledger, cook):
    plain = flat(ledger, cook)
    calibrate(ledger, "blue", 0.8, T0_MS + DAY_MS // 2)
    assert np.array_equal(flat(ledger, cook, known="then").celsius, plain.celsius)
    calibrate(ledger, "blue", 0.5, T0_MS - DAY_MS)
    assert added(flat(ledger, cook, known="then"), plain) == pytest.approx(0.5, abs=0.03)
    assert added(flat(ledger, cook, known="now"), plain) == pytest.approx(0.8, abs=0.03)
    with pytest.raises(ConfigError, match="'tomorrow'"):
        flat(ledger, cook, known="tomorrow")


def test_a_later_calibration_supersedes_and_takes_nothing_away(ledger, cook):
    plain = flat(ledger, cook)
    calibrate(ledger, "blue", 0.8, T0_MS + 1000)
    calibrate(ledger, "blue", 0.9, T0_MS + 2000)
    calibrate(ledger, "blue", 0.3, T0_MS - 1000)  # entered last, measured first
    assert added(flat(ledger, cook), plain) == pytest.approx(0.9, abs=0.03)
    assert len(ledger.probe_records(ledger.probe("blue").id)) == 3


def test_to_another_channel_goes_what_is_the_wires(ledger, cook):
    # Read 0.8 K low in ice and 2.0 K low in boiling water: 0.8 or so of it the channel's, the rest the wire's.
    points = [Point("ice", -0.8, 0.01, 50.0, 0.0, 0.02), Point("boil", 97.0, 0.01, 50.0, 99.0, 0.03)]
    body = body_of(points, Through(*TABLE[0], 25.0))
    new = flat(ledger, cook)
    blue = ledger.probe("blue").id
    ledger.add_probe_record(blue, "calibration", T0_MS - 1000, body, channel=(LOGGER, 0))
    here = flat(ledger, cook)
    ledger.add_probe_record(blue, "calibration", T0_MS - 500, body, channel=(LOGGER, 5))
    elsewhere = flat(ledger, cook)
    assert added(here, new) == pytest.approx(1.5, abs=0.1)  # at 60 degC
    assert added(elsewhere, new) == pytest.approx(0.0125 * 35, abs=0.1)  # 1.2 K in 97 K, over the 35 K of its wire
    assert (here.u < elsewhere.u).all()
    assert (elsewhere.u < new.u).all()


def test_another_chip_on_the_same_channel_is_another_channel(ledger, cook):
    # The record says max31855 where the logger now has a max31856.
    points = [Point("ice", -0.8, 0.01, 50.0, 0.0, 0.02), Point("boil", 98.2, 0.01, 50.0, 99.0, 0.03)]
    new = flat(ledger, cook)
    body = body_of(points, Through("max31855", "K", 25.0))
    ledger.add_probe_record(ledger.probe("blue").id, "calibration", T0_MS - 1000, body, channel=(LOGGER, 0))
    assert np.abs(added(flat(ledger, cook), new)).max() < 0.1
    assert (flat(ledger, cook).u > 0.5 * new.u).all()


@pytest.mark.parametrize("body", [
    {"format": 2}, {"format": 1, "points": []}, {"format": 1, "points": [{"reading": "warm"}], "through": None},
    {"format": 1, "points": [{"kind": "ice"}]}, [1],
    body_of([Point("ice", 0.5, 0.02, 30.0, 0.0, 0.02)], Through("abacus", "K", 25.0)),
    body_of([Point("ice", 0.5, 0.02, 30.0, 0.0, 0.02)], None) | {"through": {"chip": "max31855"}},
    body_of([Point("ice", 0.5, 0.02, 30.0, 0.0, 0.02)], None) | {"through": [1]},
])
@pytest.mark.parametrize("kind", ["calibration", "air"])
def test_a_record_that_cannot_be_read_is_told_and_takes_no_cook_away(ledger, cook, kind, body):
    with open_ledger_of(ledger) as raw:
        raw.execute("UPDATE placements SET kind = 'air'")
        raw.execute(
            "INSERT INTO probe_records (probe_id, kind, made_ms, entered_ms, body) VALUES (1, ?, ?, ?, ?)",
            (kind, T0_MS - 1000, T0_MS, json.dumps(body)),
        )
    record = load(ledger, cook.id)
    assert [s.t.size for s in record.places] == [80, 80]
    assert any(r.startswith("flat: ") and "'blue'" in r for r in record.remarks)


def test_a_reader_that_is_asked_again_sees_a_calibration_that_was_made_meanwhile(ledger, cook):
    reader = Reader(ledger, cook.id)
    reader.read()
    calibrate(ledger, "blue", 0.8, T0_MS + 1000)
    same(reader.read(), load(ledger, cook.id))


def test_an_old_calibration_is_worth_less(ledger, cook):
    calibrate(ledger, "green", 0.8, T0_MS - 3 * 365 * DAY_MS, channel=(LOGGER, 1))
    then = load(ledger, cook.id).places[1].u
    calibrate(ledger, "green", 0.8, T0_MS - 30 * DAY_MS, channel=(LOGGER, 1))
    now = load(ledger, cook.id).places[1].u
    assert np.sqrt(then**2 - now**2) == pytest.approx(0.2 * np.sqrt(9 - (30 / 365) ** 2) / 3**0.5, rel=0.01)
