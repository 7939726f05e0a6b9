"""A probe's history in a cook's series: as known now, as calibrated then, on this channel and on another."""

import numpy as np
import pytest
from series_world import LOGGER, T0_MS, TABLE, Logger, open_ledger, same, store

from pitscribe.errors import ConfigError
from pitscribe.metrology.calibration import Point, Through, body_of, stretch
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
    """An ice bath in which the probe read ``-offset``."""
    points = [Point("ice", -offset, 0.01, 50.0, 0.0, 0.02)]
    body = body_of(points, Through(*TABLE[channel[1]], 25.0))
    return ledger.add_probe_record(ledger.probe(name).id, "calibration", made, body, channel=channel)


def added(after, before):
    """The correction as it would be at the ice point: offsets are of emf."""
    return (after.celsius - before.celsius) * stretch("K", before.celsius)


def flat(ledger, cook, **named):
    return load(ledger, cook.id, **named).places[0]


def test_an_ice_bath_of_today_puts_an_old_cook_right(ledger, cook):
    before, other = load(ledger, cook.id).places
    calibrate(ledger, "blue", 0.8, T0_MS + DAY_MS // 2)
    after, other_after = load(ledger, cook.id).places
    assert added(after, before) == pytest.approx(0.8, rel=2e-3)
    assert (after.u < 0.5 * before.u).all()
    assert np.array_equal(other.celsius, other_after.celsius)
    assert np.array_equal(other.u, other_after.u)


def test_as_calibrated_then_is_the_cook_as_it_could_be_read_at_the_time(ledger, cook):
    plain = flat(ledger, cook)
    calibrate(ledger, "blue", 0.8, T0_MS + DAY_MS // 2)
    assert np.array_equal(flat(ledger, cook, known="then").celsius, plain.celsius)
    calibrate(ledger, "blue", 0.5, T0_MS - DAY_MS)
    assert added(flat(ledger, cook, known="then"), plain) == pytest.approx(0.5, rel=2e-3)
    assert added(flat(ledger, cook, known="now"), plain) == pytest.approx(0.8, rel=2e-3)
    with pytest.raises(ConfigError, match="'tomorrow'"):
        flat(ledger, cook, known="tomorrow")


def test_a_later_calibration_supersedes_and_takes_nothing_away(ledger, cook):
    plain = flat(ledger, cook)
    calibrate(ledger, "blue", 0.8, T0_MS + 1000)
    calibrate(ledger, "blue", 0.9, T0_MS + 2000)
    calibrate(ledger, "blue", 0.3, T0_MS - 1000)  # entered last, measured first
    assert added(flat(ledger, cook), plain) == pytest.approx(0.9, rel=2e-3)
    assert len(ledger.probe_records(ledger.probe("blue").id)) == 3


def test_on_another_channel_both_chips_count(ledger, cook):
    # Wire of class 2 (+/-2.5 K) on a chip of some +/-0.8 K: an ice bath through another such chip is worth having.
    new = flat(ledger, cook)
    calibrate(ledger, "blue", 0.8, T0_MS - 1000)
    here = flat(ledger, cook)
    calibrate(ledger, "blue", 0.8, T0_MS - 500, channel=(LOGGER + 1, 0))
    elsewhere = flat(ledger, cook)
    assert np.array_equal(here.celsius, elsewhere.celsius)
    assert (elsewhere.u > 3 * here.u).all()
    assert (elsewhere.u < new.u).all()


def test_a_calibration_that_would_make_a_reading_less_sure_is_left_out(ledger, cook):
    # The same ice bath through a MAX31855 (+/-2 K, and +/-2 K for its cold junction).
    new = flat(ledger, cook)
    calibrate(ledger, "blue", 0.8, T0_MS - 500, channel=(LOGGER, 1))
    after = flat(ledger, cook)
    assert np.array_equal(after.celsius, new.celsius)
    assert np.array_equal(after.u, new.u)


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
