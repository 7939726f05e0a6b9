"""``pitscribe probe calibrate`` and ``check``: frames come into a real ledger while it waits; time is simulated."""

import re
from datetime import UTC, datetime

import numpy as np
import pytest
from probe_world import LOGGER, T0, Kitchen, constant

from pitscribe.errors import CalibrationError, ConfigError, NotFoundError, OutOfRangeError
from pitscribe.metrology.calibration import fit_of, points_of, through_of
from pitscribe.metrology.fixpoints import boiling_point

MILE = boiling_point(pressure_pa=83_430.0)


@pytest.fixture
def kitchen(tmp_path):
    made = Kitchen(tmp_path, [constant(0.0)] * 3, [(0.8, 0.0005), (-1.1, -0.001), (0.3, 0.0)])
    made.ledger.add_probe("green", "K", "iec-1")
    made.ledger.add_probe("red", "K", "iec-1")
    made.ledger.add_probe("blue", "T", "iec-1")
    yield made
    made.ledger.close()


def record_of(kitchen, name):
    probe = kitchen.ledger.probe(name)
    record = kitchen.ledger.probe_records(probe.id, "calibration")[-1]
    return record, points_of(record.body), fit_of(record.body, probe.tc, probe.tolerance)


def settling(first, last, at, tau=40.0):
    return lambda t: np.where(t < at, first, last + (first - last) * np.exp(-np.maximum(t - at, 0) / tau))


def test_an_ice_bath_is_waited_for_and_written_down(kitchen, capsys):
    kitchen.baths = [settling(20.0, 0.0, T0 + 60)] * 3
    kitchen.probe("calibrate", "green", "--ice", "--channel", "0", "--remark", "fine ice")
    record, (point,), found = record_of(kitchen, "green")
    assert point.reading == pytest.approx(0.8, abs=0.03)
    assert found.offset == pytest.approx(-0.8, abs=3 * found.covariance[0] ** 0.5)
    assert (record.logger, record.channel, record.remark) == (LOGGER, 0, "fine ice")
    assert through_of(record.body).chip == "max31856"
    assert through_of(record.body).cold_c == pytest.approx(24.0, abs=0.02)
    assert record.made_ms == point.to_ms
    said = capsys.readouterr().out
    assert "still falling" in said
    assert "a minute: stir and wait" in said
    assert "steady over" in said
    assert "Crush ice" in said
    assert kitchen.asked == ["Press Enter when the tip is in. "]


def test_while_nothing_has_come_yet_it_says_what_it_waits_for(kitchen, capsys):
    kitchen.errors = [(0.0, 0.0)] * 3
    with_both = ["--against", "red", "--channel", "0", "--against-channel", "1"]
    for arguments, which in ((["--ice", "--channel", "0"], ""), (with_both, " and channel 1 of logger 1a2b3c4d")):
        kitchen.probe("calibrate", "green", *arguments)
        lines = capsys.readouterr().out.splitlines()
        said = lines.index(f"waiting for channel 0 of logger 1a2b3c4d{which}: readings come every half minute or so")
        assert lines[said + 1].endswith("no drift seen in 31 s: go on stirring")  # the first frame


def test_ice_then_boiling_water_make_one_calibration_with_a_gain(kitchen, capsys):
    def tip(t):
        return np.where(t < kitchen.moved, 0.0, MILE.celsius)

    kitchen.moved, kitchen.baths = np.inf, [tip] * 3

    def answer(question):
        kitchen.asked.append(question)
        if len(kitchen.asked) == 2:
            kitchen.wait(90.0)  # the person walks to the stove
            kitchen.moved = kitchen.until
        return ""

    kitchen.answer = answer
    where = ["--pressure", "834.3hPa", "--altitude", "1609m", "--channel", "0"]
    kitchen.probe("calibrate", "green", "--ice", "--boil", *where)
    record, points, found = record_of(kitchen, "green")
    assert [p.kind for p in points] == ["ice", "boil"]
    assert found.gain == pytest.approx(-0.0005, abs=3 * found.covariance[2] ** 0.5)
    assert record.body["conditions"] == {"pressure_pa": 83_430.0, "altitude_m": 1609.0}
    said = capsys.readouterr().out
    assert "steam scald" in said
    assert "of the wire for each" in said


def test_each_point_keeps_the_terminal_block_that_it_was_read_with(kitchen):
    kitchen.box = lambda t: np.interp(t - T0, [900, 1200], [18.0, 33.0])
    kitchen.baths = [lambda t: np.interp(t - T0, [900, 1200], [0.0, MILE.celsius])] * 3
    kitchen.wait(2400.0)
    span = ["--from", stamp(T0), "--to", stamp(T0 + 2400)]
    kitchen.probe("calibrate", "green", "--ice", "--boil", "--pressure", "834.3hPa", "--channel", "0", *span)
    _, points, _ = record_of(kitchen, "green")
    assert [p.cold_c for p in points] == pytest.approx([18.0, 33.0], abs=0.02)


def test_what_is_recorded_already_gives_the_same_points_as_waiting_did(kitchen):
    kitchen.baths = [settling(15.0, 0.0, T0 + 200)] * 3
    kitchen.wait(1500.0)
    kitchen.probe("calibrate", "red", "--ice", "--channel", "1", "--from", stamp(T0), "--to", stamp(T0 + 1500))
    _, (point,), found = record_of(kitchen, "red")
    assert point.reading == pytest.approx(-1.1, abs=0.05)
    assert point.u_reading > 0.29 * 0.25  # the step counts, however many readings there are
    assert found.offset == pytest.approx(1.1, abs=0.2)


def stamp(utc):
    return datetime.fromtimestamp(utc, UTC).isoformat()


def test_a_dry_run_writes_nothing_down(kitchen, capsys):
    kitchen.probe("calibrate", "green", "--ice", "--channel", "0", "--dry-run")
    assert kitchen.ledger.probe_records(kitchen.ledger.probe("green").id) == []
    assert "nothing was written down" in capsys.readouterr().out


def test_a_probe_is_compared_with_a_calibrated_one_over_several_levels(kitchen):
    kitchen.wait(400.0)
    kitchen.probe("calibrate", "blue", "--ice", "--channel", "2")
    begun = kitchen.until

    def stairs(t):
        return np.interp(t - begun, [0, 900, 1200, 2100, 2400, 3300], [30, 30, 60, 60, 90, 90])

    kitchen.baths = [stairs] * 3
    kitchen.wait(3400.0)
    span = ["--from", stamp(begun), "--to", stamp(begun + 3300)]
    kitchen.probe("calibrate", "green", "--against", "blue", "--channel", "0", "--against-channel", "2", *span)
    record, points, found = record_of(kitchen, "green")
    assert [p.kind for p in points] == ["beside"] * 3
    assert [p.reference for p in points] == pytest.approx([30, 60, 90], abs=0.15)
    assert record.body["conditions"]["against"] == "blue"
    assert record.body["conditions"]["against_record"] is not None
    at = np.array([60.8])
    assert abs(float(found.correction(at)[0]) + 0.83) < 2 * float(found.u(at)[0])
    assert all(np.hypot(p.u_reference, p.u_shared) > 0.1 for p in points)  # blue's wire, of which ice says little


def test_a_gain_of_an_uncalibrated_reference_is_not_taken_for_one_that_was_found(kitchen):
    """Blue's wire is 0.4 K out at 100 degC, within its class of 0.5; green's is right. One gain cannot be told from the
    other, so the one that is found must be as uncertain as blue's class leaves blue's."""
    kitchen.errors = [(0.0, 0.0), (0.0, 0.0), (0.0, 0.004)]
    kitchen.baths = [lambda t: np.interp(t - T0, [0, 900, 1200, 2100, 2400, 3300], [5, 5, 50, 50, 95, 95])] * 3
    kitchen.wait(3400.0)
    span = ["--from", stamp(T0), "--to", stamp(T0 + 3300)]
    where = ["--channel", "0", "--against-channel", "2"]
    kitchen.probe("calibrate", "green", "--against", "blue", "--gain", *where, *span)
    _, points, found = record_of(kitchen, "green")
    assert found.gain == pytest.approx(0.004, abs=0.0005)
    assert found.covariance[2] ** 0.5 == pytest.approx(np.hypot(0.005, 0.0015) / 3**0.5, rel=0.1)
    assert all(np.hypot(p.u_reference, p.u_shared) > 0.28 for p in points)  # class 1 of type T is in it whole


def test_a_comparison_with_a_probe_of_no_history_says_so(kitchen, capsys):
    kitchen.baths = [constant(60.0)] * 3
    kitchen.probe("calibrate", "green", "--against", "blue", "--channel", "0", "--against-channel", "2")
    assert "never calibrated" in capsys.readouterr().err
    _, (point,), _ = record_of(kitchen, "green")
    assert point.u_shared > 0.28  # class 1 of type T: 0.5 K, rectangular


def test_figures_of_ones_own_instrument_are_taken(kitchen):
    kitchen.probe("calibrate", "red", "--point", "32F=33.4F", "--point", "212F=213F", "--give-or-take", "0.9F")
    record, points, _ = record_of(kitchen, "red")
    assert (record.logger, through_of(record.body)) == (None, None)
    assert [p.reading for p in points] == pytest.approx([0.7778, 100.5556], abs=1e-3)
    assert [p.u_shared for p in points] == pytest.approx([0.5 / 3**0.5] * 2)


def test_a_later_calibration_supersedes_and_nothing_is_deleted(kitchen):
    for _ in range(2):
        kitchen.probe("calibrate", "green", "--ice", "--channel", "0")
        kitchen.wait(60.0)
    records = kitchen.ledger.probe_records(kitchen.ledger.probe("green").id)
    assert len(records) == 2
    assert records[0].made_ms < records[1].made_ms


def test_a_check_agrees_and_after_a_drift_it_does_not(kitchen, capsys):
    kitchen.probe("calibrate", "green", "--ice", "--channel", "0")
    kitchen.wait(100.0)
    kitchen.probe("check", "green", "--channel", "0")
    assert "agrees" in capsys.readouterr().out
    kitchen.errors[0] = (2.0, 0.0)
    kitchen.wait(100.0)
    kitchen.probe("check", "green", "--channel", "0")
    assert "has drifted" in capsys.readouterr().out
    assert len(kitchen.ledger.probe_records(kitchen.ledger.probe("green").id)) == 1


def test_a_check_of_a_probe_without_a_history_is_against_its_class(kitchen, capsys):
    kitchen.probe("check", "red", "--channel", "1")
    assert "by its class" in capsys.readouterr().out


def test_the_channel_is_where_a_cook_has_the_probe(kitchen):
    cook = kitchen.ledger.start_cook("Sunday")
    kitchen.ledger.place(cook.id, kitchen.ledger.probe("green"), LOGGER, 0, "flat", "meat")
    kitchen.probe("calibrate", "green", "--ice")
    assert record_of(kitchen, "green")[0].channel == 0


def test_a_bath_that_never_gets_steady_is_given_up_and_nothing_is_kept(kitchen):
    kitchen.baths = [lambda t: 0.002 * (t - T0)] * 3
    with pytest.raises(CalibrationError, match="not steady within 45 min"):
        kitchen.probe("calibrate", "green", "--ice", "--channel", "0")
    assert kitchen.ledger.probe_records(kitchen.ledger.probe("green").id) == []


class _NoNoise:
    def normal(self, mean, sd, n):
        return np.zeros(n)


def test_a_frozen_chip_is_not_taken_for_the_steadiest_of_baths(kitchen):
    kitchen.noise, kitchen.errors = _NoNoise(), [(1.3, 0.0)] * 3
    with pytest.raises(CalibrationError, match="max31856 gave the very same code, 166"):
        kitchen.probe("calibrate", "green", "--ice", "--channel", "0")
    kitchen.wait(300.0)
    with pytest.raises(CalibrationError, match="it is stuck"):
        kitchen.probe("calibrate", "green", "--ice", "--channel", "0", "--from", stamp(T0), "--to", stamp(T0 + 400))
    assert kitchen.ledger.probe_records(kitchen.ledger.probe("green").id) == []
    kitchen.probe("calibrate", "red", "--ice", "--channel", "1")  # a step of 0.25 K may rightly stand still
    assert record_of(kitchen, "red")[1][0].u_reading == pytest.approx(0.29 * 0.25, rel=0.1)


def test_two_baths_that_may_be_the_ice_are_listed_and_none_is_chosen(kitchen):
    """A quarter of an hour of ice, then the tip in a fridge at 4.2 degC: which of them is the ice, the person says."""
    kitchen.baths = [lambda t: np.interp(t - T0, [900, 1200], [0.0, 4.2])] * 3
    kitchen.wait(2400.0)
    where = ["calibrate", "green", "--ice", "--channel", "0"]
    with pytest.raises(CalibrationError, match="more than one temperature that may be the ice bath") as found:
        kitchen.probe(*where, "--from", stamp(T0), "--to", stamp(T0 + 2400))
    said = re.findall(r"(-?[0-9.]+) C from ([-0-9]+ [0-9:]+) to ([-0-9]+ [0-9:]+)", str(found.value))
    assert [float(celsius) for celsius, _, _ in said] == pytest.approx([0.8, 5.0], abs=0.05)
    assert kitchen.ledger.probe_records(kitchen.ledger.probe("green").id) == []
    kitchen.probe(*where, "--from", said[0][1], "--to", said[0][2])  # as it was told
    assert record_of(kitchen, "green")[1][0].reading == pytest.approx(0.8, abs=0.03)


@pytest.mark.parametrize("seed", range(5))
def test_a_restless_bath_that_is_one_is_not_taken_for_two(kitchen, seed):
    swirl = np.cumsum(np.random.default_rng(seed).normal(0, 1, 3000))
    swirl = 0.02 * (swirl - np.convolve(swirl, np.ones(61) / 61, "same"))
    kitchen.baths = [lambda t: swirl[(t - T0).astype(int)]] * 3
    kitchen.wait(2400.0)
    span = ["--from", stamp(T0 + 60), "--to", stamp(T0 + 2400)]
    kitchen.probe("calibrate", "green", "--ice", "--channel", "0", *span)
    assert record_of(kitchen, "green")[1][0].reading == pytest.approx(0.8, abs=0.1)


def test_silence_is_told(kitchen):
    kitchen.silent = True
    with pytest.raises(NotFoundError, match="is `pitscribe serve` running"):
        kitchen.probe("calibrate", "green", "--ice", "--channel", "0")


REFUSED = [
    (["calibrate", "green"], ConfigError, "say what to calibrate with"),
    (["calibrate", "nobody", "--ice"], NotFoundError, "no probe 'nobody'"),
    (["calibrate", "green", "--ice"], ConfigError, "which channel is 'green' on"),
    (["calibrate", "green", "--ice", "--channel", "9"], ConfigError, "channels are 0 to 7"),
    (["calibrate", "green", "--ice", "--channel", "5", "--from", stamp(T0)], ConfigError, "has no chip"),
    (["calibrate", "green", "--ice", "--channel", "0", "--from", "2099-01-01"], ConfigError, "in the future"),
    (["calibrate", "green", "--ice", "--channel", "0", "--to", stamp(T0)], ConfigError, "--to goes with --from"),
    (["calibrate", "green", "--ice", "--channel", "0", "--from", stamp(T0 - 9000), "--to", stamp(T0 - 1)],
     NotFoundError, "nothing usable"),
    (["calibrate", "green", "--boil", "--channel", "0"], ConfigError, "water boils by the pressure"),
    (["calibrate", "green", "--boil", "--channel", "0", "--altitude", "9000km"], OutOfRangeError, "nobody cooks"),
    (["calibrate", "green", "--boil", "--channel", "0", "--altitude", "1609"], ConfigError, "has no unit"),
    (["calibrate", "green", "--boil", "--channel", "0", "--pressure", "1013"], ConfigError, "has no unit"),
    (["calibrate", "green", "--boil", "--channel", "0", "--pressure", "1013psi"], ConfigError, "does not know .psi."),
    (["calibrate", "green", "--boil", "--channel", "0", "--pressure", "101325hPa"], OutOfRangeError, "101325 hPa"),
    (["calibrate", "green", "--boil", "--channel", "0", "--pressure", "1013hPa", "--altitude", "1609m"],
     OutOfRangeError, "reduced to sea level"),
    (["calibrate", "green", "--ice", "--channel", "0", "--altitude", "1609m"], ConfigError, "go with --boil"),
    (["calibrate", "green", "--against", "green", "--channel", "0"], ConfigError, "is the probe that is to be"),
    (["calibrate", "green", "--against", "red", "--channel", "0", "--against-channel", "0"],
     ConfigError, "cannot be on"),
    (["calibrate", "green", "--point", "32"], ConfigError, "write TRUE=READ"),
    (["calibrate", "green", "--point", "0=0.8", "--give-or-take", "0"], ConfigError, "must be 0.010 K"),
    (["calibrate", "green", "--point", "0=0.8", "--give-or-take", "a bit"], ConfigError, "write 0.5F"),
    (["calibrate", "green", "--point", "0=40"], CalibrationError, "one of the two figures is wrong"),
    (["calibrate", "green", "--point", "0=0.8", "--gain"], CalibrationError, "at least 40 K"),
    (["calibrate", "green", "--point", "0=0.8", "--give-or-take", "0.001C"], ConfigError, r"0.010 K \(0.018 F\) or"),
    (["calibrate", "green", "--point", "0=0.8", "--ice"], ConfigError, "apart from.*leave out --ice"),
    (["calibrate", "green", "--point", "0=0.8", "--channel", "0"], ConfigError, "leave out --channel"),
    (["calibrate", "green", "--point", "0=0.8", "--from", stamp(T0), "--to", stamp(T0)], ConfigError, "leave out --to"),
    (["calibrate", "green", "--point", "0=0.8", "--from", stamp(T0 + 9e6)], ConfigError, "in the future"),
    (["calibrate", "green", "--point", "0=0.8", "--levels", "2"], ConfigError, "leave out --levels"),
    (["calibrate", "green", "--ice", "--channel", "0", "--give-or-take", "1C"], ConfigError, "goes with --point"),
    (["calibrate", "green", "--ice", "--channel", "0", "--levels", "2"], ConfigError, "--levels goes with --against"),
    (["calibrate", "green", "--ice", "--channel", "0", "--against-channel", "1"], ConfigError, "goes with --against"),
    (["calibrate", "green", "--against", "red", "--levels", "2", "--from", stamp(T0)], ConfigError, "every level that"),
    (["calibrate", "green", "--point", "0=0.8", "--point", "100=106"], CalibrationError,
     r"falls by 4.\d K \([78].\d F\) over 100 K \(180 F\).* more than 2.5 K \(4.5 F\)"),
]


@pytest.mark.parametrize(("arguments", "error", "words"), REFUSED, ids=[" ".join(r[0][1:]) for r in REFUSED])
def test_bad_input_is_refused_in_one_line(kitchen, arguments, error, words):
    kitchen.wait(64.0)
    with pytest.raises(error, match=words) as found:
        kitchen.probe(*arguments)
    assert "\n" not in str(found.value)
    assert all(not kitchen.ledger.probe_records(p.id) for p in kitchen.ledger.probes())


def test_forecast_pressure_without_an_altitude_is_warned_of(kitchen, capsys):
    kitchen.baths = [constant(99.9)] * 3
    kitchen.probe("calibrate", "green", "--boil", "--pressure", "1013hPa", "--channel", "0", "--dry-run")
    assert "reduced to sea level" in capsys.readouterr().err


def test_ice_that_is_no_ice_is_refused_at_once(kitchen):
    kitchen.baths = [constant(40.0)] * 3
    with pytest.raises(CalibrationError, match="no ice bath"):
        kitchen.probe("calibrate", "green", "--ice", "--boil", "--altitude", "0m", "--channel", "0")
    assert len(kitchen.asked) == 1  # nobody was sent to the stove
