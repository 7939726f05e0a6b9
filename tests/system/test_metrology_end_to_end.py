"""The chain end to end: simulated MAX31855 in a box that warms, firmware on MicroPython, journal, ledger, series.

The hot junctions stand still, so whatever the reading does is the box's doing. Drift is told by means over five minutes
(300 ticks), because one tick is good for the chip's step of 0.25 degC only: such a mean has 0.01 K of noise left, the
noise of the chip (0.1 K rms) being enough to make the steps average out. The drift is the greatest of all those means
less the least: it takes in the noise of thirty means and every place where the steps do not average out.
"""

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import thermocouple_its90
from bath_rig import ledger_of
from numpy.typing import NDArray

from pitscribe.series import load
from pitscribe.simulate.bath import BATHS, BathWorld, Dip
from pitscribe.wire.frames import TICKS, decode_ticks

Array = NDArray[np.float64]
MEAN_S = 300
SEED = 11

# What the chip's straight line says, degC, at a box of 10, 25 and 45 degC: the MAX31855 data sheet's equation on the
# emfs of NIST Monograph 175, computed with thermocouple-its90 (SOURCES.md sections 1 and 2).
LINE_C = {
    "K at 93.3": (92.903, 93.284, 93.494),
    "T at 93.3": (78.526, 82.009, 86.089),
    "K at 60": (59.414, 59.796, 60.005),
    "T at 60": (49.807, 53.290, 57.370),
}


class Seen(NamedTuple):
    """Of one channel, mean by mean (30,): box, what the register said, the answer, its half width for 95 %."""

    dip: Dip
    box: Array
    register: Array
    answer: Array
    half_width: Array


def seen(folder: Path, scenario: str) -> dict[str, Seen]:
    """Play a scenario through everything; what came of each channel."""
    baths = BATHS[scenario]
    ledger, logger, cook = ledger_of(folder, scenario, SEED)
    try:
        record = load(ledger, cook)
        (run,) = decode_ticks([f.frame for f in ledger.frames(logger, kind=TICKS)])
    finally:
        ledger.close()
    begins = np.arange(0, round(baths.hours * 3600), MEAN_S)
    box = np.interp(begins + MEAN_S / 2, *np.array(baths.box).T)
    found = {}
    for dip, series in zip(baths.placements, record.places, strict=True):
        assert not series.flags.any()
        t = series.t - baths.utc0_ms / 1000
        register = means(run.uptime_ms / 1000, run.hot[:, dip.channel] * 0.25, begins)
        answer, half_width = means(t, series.celsius, begins), means(t, series.expanded(), begins)
        found[dip.place] = Seen(dip, box, register, answer, half_width)
    return found


def means(t: Array, values: Array, begins: Array) -> Array:
    return np.array([values[(t >= at) & (t < at + MEAN_S)].mean() for at in begins])


@pytest.fixture(scope="module")
def ideal(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Seen]:
    """Ideal wires and chips; the chips' noise and steps are there."""
    return seen(tmp_path_factory.mktemp("ideal"), "warming-box")


def test_corrected_readings_drift_by_less_than_a_tenth_of_a_degree_while_the_box_warms_from_10_to_45(ideal):
    for place, one in ideal.items():
        raw, corrected = np.ptp(one.register), np.ptp(one.answer)
        print(f"\n{place}: the register drifts {raw:.2f} K, the answer {corrected:.3f} K", end="")
        assert corrected < 0.1
        truth = float(place.split()[-1])
        assert np.abs(one.answer - truth).max() < 0.1
    assert len(ideal) == 4


def test_uncorrected_readings_drift_as_the_straight_line_of_the_data_sheet_says(ideal):
    for place, line in LINE_C.items():
        one = ideal[place]
        level = one.register[0], np.interp(25.0, one.box, one.register), one.register[-1]
        np.testing.assert_allclose(level, line, atol=0.05)
    # From 10 to 45 degC, by the table: 0.59 K for type K and 7.56 for type T; half of a tenth of a kelvin for noise.
    assert np.ptp(ideal["K at 93.3"].register) == pytest.approx(93.494 - 92.903, abs=0.05)
    assert np.ptp(ideal["T at 93.3"].register) == pytest.approx(86.089 - 78.526, abs=0.05)


def expected(dip: Dip, world: BathWorld, row: int, box: Array) -> Array:
    """What a perfect correction must come to with the errors that were drawn: by a package that is none of ours."""
    reference = thermocouple_its90.get(dip.tc)
    wire, chip = world.wire_errors[row], world.chip_errors[row]
    hot = world.true[0, row]
    sensor = box + chip.cold + chip.cold_drift * (box - 25.0)
    plug = box + wire.of(box) + chip.terminal
    mv = np.array([reference.emf(float(hot + wire.of(np.array(hot)))) - reference.emf(float(b)) for b in plug])
    mv = mv * (1 + chip.gain) + chip.offset_mv
    return np.array([reference.temperature(e + reference.emf(float(b))) for e, b in zip(mv, sensor, strict=True)])


def test_with_drawn_errors_of_wires_and_chips_the_answer_is_off_by_those_alone_and_within_its_uncertainty(tmp_path):
    world = BathWorld(BATHS["warming-box-drawn"], SEED)
    for row, (place, one) in enumerate(seen(tmp_path, "warming-box-drawn").items()):
        wanted = expected(one.dip, world, row, one.box)
        drift, own = np.ptp(one.answer), np.ptp(wanted)
        print(f"\n{place}: the register drifts {np.ptp(one.register):.2f} K, the answer {drift:.3f} K, of which "
              f"{own:.3f} K are the drawn errors'", end="")
        np.testing.assert_allclose(one.answer, wanted, atol=0.05)
        assert (np.abs(one.answer - world.true[0, row]) < one.half_width).all()
