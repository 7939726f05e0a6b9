"""The chain for one channel: right values, and an uncertainty that covers what it says it covers."""

import numpy as np
import pytest

from pitscribe.errors import ConfigError
from pitscribe.metrology import chips, its90
from pitscribe.metrology.chain import correct
from pitscribe.metrology.exposure import AIR_TAU_S
from pitscribe.metrology.flags import Flag, has_value
from pitscribe.metrology.slope import HISTORY, recent_slope
from pitscribe.metrology.uncertainty import TERMINAL_LIMIT_K

T0 = 1_700_000_000.0


def ideal(chip, tc, hot, cold):
    codes = chips.code_from_emf(chip, tc, its90.emf(tc, hot) - its90.emf(tc, cold), cold)
    return *codes, np.zeros(hot.shape, np.int32)


@pytest.mark.parametrize("chip", sorted(chips.CHIPS))
@pytest.mark.parametrize("tc", ["K", "T"])
def test_an_ideal_chip_is_read_to_within_its_own_step(chip, tc):
    hot, cold = np.linspace(-30, 340, 4000), np.linspace(0, 60, 4000)
    done = correct(chip, tc, *ideal(chip, tc, hot, cold))
    most = {"max31855": 0.22, "max31856": 0.004, "max31856-gain8": 0.018, "max31856-gain32": 0.012,
            "mcp9600": 0.032, "mcp9600-sum": 0.04, "mcp9600-adc": 0.06}[chip]
    assert np.abs(done.celsius - hot).max() < most
    assert not done.flags.any()


def test_a_type_t_probe_on_a_chip_made_for_type_k_is_read_as_what_it_is():
    # The emf of the loop is the chip's business, the temperature is the wire's.
    hot, cold = np.linspace(20, 200, 500), np.full(500, 30.0)
    codes = chips.code_from_emf("max31855", "K", its90.emf("T", hot) - its90.emf("T", cold), cold)
    done = correct("max31855", "K", *codes, np.zeros(500, np.int32), probe_tc="T")
    assert np.abs(done.celsius - hot).max() < 0.2


@pytest.mark.parametrize(("chip", "tc"), [("max31855", "K"), ("max31855", "T"), ("max31856", "K"), ("max31856", "T"),
                                          ("max31856-gain8", "K"), ("max31856-gain32", "T")])
def test_errors_drawn_within_the_limits_are_covered_by_the_stated_uncertainty(chip, tc):
    # 4000 instruments with errors drawn over the whole of each limit: a probe of class 1, a chip, a cold sensor, a
    # terminal block. Twice the standard uncertainty must cover about 95 % of them, and the spread of the errors must be
    # the standard uncertainty itself.
    n, rng = 4000, np.random.default_rng(5)
    true, box = np.full(n, 95.0), np.full(n, 30.0)
    # Class 1, stated for a plug at 0 degC; what of it comes in between a plug at 30 and a tip at 95 degC: 0.1 + 0.65.
    wire = true + rng.uniform(-1, 1, n) * 0.75 * (1.5 if tc == "K" else 0.5)
    mv = its90.emf(tc, wire) - its90.emf(tc, box)
    spec = chips.chip_of(chip)
    if spec.mode == "line":
        mv += rng.uniform(-2, 2, n) * chips.SLOPE_UV[tc] / 1000
    else:
        mv += np.sqrt((0.0015 * mv) ** 2 + spec.offset_limit_mv**2) * rng.uniform(-1, 1, n)
    mv += rng.normal(0, 1, n) * spec.noise_mv
    sensor = box + rng.uniform(-1, 1, n) * spec.cold_limit_k + rng.uniform(-1, 1, n) * TERMINAL_LIMIT_K
    codes = chips.code_from_emf(chip, tc, mv, sensor)
    done = correct(chip, tc, *codes, np.zeros(n, np.int32), tolerance="iec-1")
    error = done.celsius - true
    covered = float((np.abs(error) <= 2 * done.u).mean())
    stated = float(np.median(done.u))
    print(f"{chip} {tc}: rms error {error.std():.3f} K, stated {stated:.3f} K, 2u covers {100 * covered:.1f} %")
    assert error.std() == pytest.approx(stated, rel=0.06)
    assert covered > 0.93


def test_air_is_less_certain_while_it_changes_and_says_so_without_time_too():
    n = 600
    t = T0 + np.arange(float(n))
    true = 110.0 + np.where(np.arange(n) < 300, 0.0, 0.2 * (np.arange(n) - 300))
    codes = ideal("max31856", "K", true, np.full(n, 25.0))
    air = correct("max31856", "K", *codes, t=t, kind="air")
    without_time = correct("max31856", "K", *codes, kind="air")
    assert air.u[340] == pytest.approx(np.hypot(without_time.u[340], AIR_TAU_S * 0.2), rel=0.005)
    assert np.array_equal(without_time.u[:300], air.u[:300])
    meat = correct("max31856", "K", *codes, t=t, kind="meat")
    assert meat.u[340] == pytest.approx(correct("max31856", "K", *codes, kind="meat").u[340], rel=0.001)


def test_an_uncertain_clock_makes_a_changing_reading_uncertain():
    n = 300
    true = 20.0 + 0.1 * np.arange(n)
    codes = ideal("max31856", "K", true, np.full(n, 25.0))
    sure, unsure = (correct("max31856", "K", *codes, t=T0 + np.arange(float(n)), time_u=u).u for u in (0.0, 30.0))
    assert np.sqrt(unsure[100:] ** 2 - sure[100:] ** 2) == pytest.approx(3.0, rel=0.01)


def test_the_slope_is_that_of_a_ramp_and_a_spike_or_two_do_not_move_it():
    t = T0 + np.arange(100.0)
    celsius = 50 + 0.3 * np.arange(100)
    slope = recent_slope(t, celsius)
    assert np.isnan(slope[:HISTORY]).all()
    assert slope[HISTORY:] == pytest.approx(0.3)
    celsius[[40, 42]] += 500.0
    assert np.abs(recent_slope(t, celsius)[HISTORY:] - 0.3).max() < 0.1


def test_a_flagged_spike_does_not_make_its_neighbours_uncertain():
    true, box, t = np.full(200, 60.0), np.full(200, 25.0), T0 + np.arange(200.0)
    quiet = correct("max31856", "K", *ideal("max31856", "K", true, box), t=t, kind="air")
    true[100:104] = 300.0, 200.0, 350.0, 320.0
    loud = correct("max31856", "K", *ideal("max31856", "K", true, box), t=t, kind="air")
    assert (loud.flags[100:104] == Flag.RATE).all()
    assert np.array_equal(loud.u[104:], quiet.u[104:])


def test_a_type_without_a_reference_function_here_is_kept_and_flagged():
    codes = (np.full(3, 400, np.int32), np.full(3, 400, np.int32), np.zeros(3, np.int32))
    done = correct("max31855", "B", *codes, t=T0 + np.arange(3.0))
    assert (done.flags == Flag.NO_FUNCTION).all()  # and no word of the probe: it may be in order
    assert not has_value(done.flags).any()
    assert np.isnan(done.celsius).all()


def test_no_samples_are_no_error():
    none = np.empty(0, np.int32)
    for kind in ("air", "meat"):
        for chip in chips.CHIPS:
            done = correct(chip, "K", none, none, none, t=np.empty(0), kind=kind)
            assert [a.size for a in done] == [0, 0, 0, 0]


def test_an_unknown_chip_is_refused_by_name():
    with pytest.raises(ConfigError, match="'abacus'"):
        correct("abacus", "K", *(np.zeros(2, np.int32),) * 3)
