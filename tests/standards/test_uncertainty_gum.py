"""Uncertainty against the standards it is built on.

Sources: IEC 60584-1 and ASTM E230 tolerances, SOURCES.md section 1; JCGM 100:2008 (GUM), section 9; radiation and
time constant of a bead, section 5; data-sheet limits, section 2.
"""

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import bisect

from pitscribe.errors import ConfigError
from pitscribe.metrology import its90
from pitscribe.metrology.coverage import Component, combine, shape_factor, student_95
from pitscribe.metrology.exposure import SHEATH_TAU_S, radiation_limit
from pitscribe.metrology.tolerance import tolerance_limit
from pitscribe.metrology.uncertainty import Setup, budget


def limit(tc, tolerance, celsius):
    return float(tolerance_limit(tc, tolerance, np.array([float(celsius)]))[0])


# IEC 60584-1, ASTM E230: type, class, degC, half width; the crossovers and the figures at 135 degC are the sheet's own.
TOLERANCE = [
    ("K", "iec-1", 135, 1.5), ("K", "iec-1", 375, 1.5), ("K", "iec-1", 1000, 4.0),
    ("K", "iec-2", 135, 2.5), ("K", "iec-2", 333.3, 2.5), ("K", "iec-2", 1000, 7.5),
    ("T", "iec-1", 125, 0.5), ("T", "iec-1", 135, 0.54), ("T", "iec-1", -20, 0.5),
    ("T", "iec-2", 133, 1.0), ("T", "iec-2", 135, 1.0125),
    ("K", "iec-1", -200, 3.0), ("T", "iec-2", -100, 1.5),
    ("J", "iec-1", 500, 2.0), ("N", "iec-2", 20, 2.5), ("E", "iec-1", 800, 3.2),
    ("K", "astm-special", 135, 1.1), ("K", "astm-special", 400, 1.6), ("K", "astm-standard", 400, 3.0),
    ("T", "astm-special", 135, 0.54), ("T", "astm-standard", 100, 1.0), ("E", "astm-special", 100, 1.0),
    ("E", "astm-standard", 400, 2.0), ("T", "astm-standard", -100, 1.5), ("K", "astm-standard", -150, 3.0),
]


@pytest.mark.parametrize(("tc", "tolerance", "celsius", "kelvin"), TOLERANCE)
def test_tolerance_classes(tc, tolerance, celsius, kelvin):
    assert limit(tc, tolerance, celsius) == pytest.approx(kelvin, abs=1e-3)


def test_an_unknown_class_is_refused_by_name():
    with pytest.raises(ConfigError, match="gold"):
        limit("K", "gold", 100)


def lines(chip, tc, celsius, *, tolerance="iec-2", kind="meat", **named):
    return {line.name: line.u for line in budget(Setup(chip, tc, tc, tolerance, kind), celsius, **named).lines}


def test_worked_channel_of_the_references_is_reproduced():
    # Section 9, own checks: type K class 1 at 95 degC: wire 0.866; cold junction +/-0.7 rectangular 0.404 K, here with
    # S(cold)/S(hot) = 40.518/41.438 of section 1; a step of 2^-7: half of it rectangular, 0.0023.
    # Its class is for a plug at 0 degC: there it counts whole, and less with the plug nearer to the tip.
    whole = lines("max31856", "K", 95.0, tolerance="iec-1", cold_c=0.0)
    assert whole["probe tolerance"] == pytest.approx(0.866, abs=5e-4)
    got = lines("max31856", "K", 95.0, tolerance="iec-1")
    assert got["probe tolerance"] == pytest.approx(0.8 * 0.866, abs=5e-4)
    assert got["cold junction sensor"] == pytest.approx(0.404 * 40.518 / 41.438, abs=5e-4)
    assert got["quantisation"] == pytest.approx(0.0023, abs=5e-5)


def test_a_step_counts_as_029_of_itself():
    # GUM F.2.2.1, 0.29 d. MAX31855: 0.25 degC of its straight line, and a much smaller step of the cold code.
    got = lines("max31855", "K", 95.0)["quantisation"]
    assert got == pytest.approx(0.29 * 0.25 * 41.276 / 41.438, rel=0.01)
    # Type T: the cold code's step counts too, because the line is far from the wire: (52.18 - 40.682) uV/K.
    got = lines("max31855", "T", 95.0)["quantisation"]
    assert got == pytest.approx(np.hypot(0.29 * 0.25 * 52.18, 0.29 * 0.0625 * (52.18 - 40.682)) / 46.418, rel=0.01)


def test_limits_of_a_data_sheet_are_rectangular():
    # GUM 4.3.7. MAX31856, gain 32: 0.15 % of the emf and 2.9 uV at -20 to 85 degC, +/-0.7 degC cold, 0.4 uV rms noise.
    got = lines("max31856-gain32", "K", 107.2)
    assert got["chip gain and offset"] == pytest.approx(np.hypot(0.0015 * 3393.411, 2.9) / 41.244 / 3**0.5, rel=1e-3)
    assert got["cold junction sensor"] == pytest.approx(0.7 * 40.518 / 41.244 / 3**0.5, rel=1e-3)
    assert got["chip noise"] == pytest.approx(0.4 / 41.244, rel=1e-3)
    # MAX31855: +/-2 K of its straight line.
    got = lines("max31855", "K", 107.2)
    assert got["chip gain and offset"] == pytest.approx(2 * 41.276 / 41.244 / 3**0.5, rel=1e-3)


def test_components_add_in_squares():
    # GUM 5.1.2 (eq. 10), nothing correlated.
    whole = budget(Setup("max31855", "T", "T", "iec-2", "air"), 121.1, slope=0.05, cold_slope=0.002, time_u=0.5)
    assert whole.u == pytest.approx(sum(line.u**2 for line in whole.lines) ** 0.5, rel=1e-12)
    assert all(line.u > 0 for line in whole.lines)
    assert whole.expanded == pytest.approx(whole.k * whole.u)
    assert np.isinf(whole.dof)


def test_lag_and_time_are_slope_times_seconds():
    # Section 5: a ramp r lags by r tau; a 24 AWG bead has 3.8 s at 1 m/s, 5.3 s at 0.3, a sheath of 1/16 in 17 and 29.
    got = lines("max31855", "K", 121.1, kind="air", slope=-0.1, time_u=0.5)
    assert np.hypot(3.8, 17) / 2**0.5 * 0.1 < got["lag"] < np.hypot(5.3, 29) / 2**0.5 * 0.1
    assert got["time"] == pytest.approx(0.05)
    assert "lag" not in lines("max31855", "K", 60.0, kind="meat", slope=-0.1)


def test_radiation_is_that_of_a_heat_balance():
    # Section 5, h (Tg - T) = eps sigma (T^4 - Tw^4): gas 121.1, walls 93.3 degC, emissivity 0.8: 1.7 degC low at h 150,
    # 5.5 at h 40. Ours (0.7 at h 70) lies between; and it is the root of that balance, found here by bisection, but for
    # the walls, which we put at 0.29 of the way down from what the probe reads, not from the air.
    def too_low(h, emissivity):
        def excess(probe):
            return h * (121.1 - probe) - emissivity * 5.670374e-8 * ((probe + 273.15) ** 4 - (93.3 + 273.15) ** 4)

        return 121.1 - bisect(excess, 93.3, 121.1)

    assert too_low(150, 0.8) == pytest.approx(1.7, abs=0.05)
    assert too_low(40, 0.8) == pytest.approx(5.5, abs=0.05)
    low = float(radiation_limit(np.array([121.1 - too_low(70, 0.7)]), np.array([25.0]))[0])
    assert 1.7 < low < 5.5
    assert low == pytest.approx(too_low(70, 0.7), rel=0.1)
    assert radiation_limit(np.array([10.0]), np.array([25.0]))[0] == 0


def test_the_film_that_is_assumed_goes_with_the_time_constant():
    # Section 5: tau = rho c d/(4 h), rho c = 3.6e6 J/m3K for a sheath, 1/16 in = 1.5875 mm.
    assert pytest.approx(3.6e6 * 1.5875e-3 / (4 * 70), rel=0.05) == SHEATH_TAU_S


def test_a_chips_term_grows_as_its_sheet_says():
    hot, hotter = (lines("max31855", "K", t)["chip gain and offset"] for t in (600.0, 800.0))
    assert hotter > 1.9 * hot
    cold = lines("max31856", "K", 100.0, cold_c=-30.0)["cold junction sensor"]
    warm = lines("max31856", "K", 100.0, cold_c=-10.0)["cold junction sensor"]
    ratio = its90.sensitivity("K", -30.0) / its90.sensitivity("K", -10.0)
    assert cold / warm == pytest.approx(1.0 / 0.7 * ratio, rel=1e-3)


def test_student_s_factors_are_those_of_the_distribution():
    # GUM G.6.4, k from t for 95 %; scipy's t distribution. Table G.2 of the GUM (from memory): 12.71 at 1, 2.23 at 10.
    dof = np.arange(1.0, 201.0)
    assert student_95(dof) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-5)
    assert student_95(np.array([1.0, 10.0])) == pytest.approx([12.71, 2.23], abs=0.005)
    # G.4.1: degrees of freedom that are no whole number are rounded down.
    assert student_95(np.array([9.99]))[0] == student_95(np.array([9.0]))[0]
    assert student_95(np.array([np.inf]))[0] == pytest.approx(1.96, abs=1e-4)
    assert np.isnan(student_95(np.array([0.5]))[0])


def test_degrees_of_freedom_are_those_of_welch_and_satterthwaite():
    # G.4.1 (eq. G.2b); SOURCES.md section 9, own check: u 0.10 (nu 9), 0.05 (inf), 0.03 (nu 4): 0.115758, 15.87.
    parts = [Component("a", "", np.array([0.10]), "normal", 9), Component("b", "", np.array([0.05]), "normal"),
             Component("c", "", np.array([0.03]), "normal", 4)]
    total = combine(parts)
    assert total.u[0] == pytest.approx(0.115758, abs=5e-7)
    assert total.dof[0] == pytest.approx(15.87, abs=0.005)
    assert total.k[0] == pytest.approx(stats.t.ppf(0.975, 15), rel=1e-5)


def test_a_dominant_rectangle_has_its_own_factor():
    # 95 % of a rectangle is within 0.95 sqrt 3 standard deviations; of two equal ones (a triangle) within
    # (1 - sqrt 0.05) sqrt 6; the factor of a sum of many is the normal distribution's.
    assert shape_factor(np.array([-1.2, 0.0])) == pytest.approx([0.95 * 3**0.5, 1.959964], abs=1e-3)
    two = combine([Component(name, "", np.array([1.0])) for name in "ab"])
    assert two.k[0] == pytest.approx((1 - 0.05**0.5) * 6**0.5, rel=0.01)
    many = combine([Component(str(i), "", np.array([1.0])) for i in range(40)])
    assert many.k[0] == pytest.approx(1.96, abs=0.005)


@pytest.mark.parametrize("widths", [(1,), (1, 0.2), (1, 0.5), (1, 1), (1, 0.8, 0.6, 0.1), (1, 1, 1)])
def test_the_factor_covers_95_percent_of_a_sum_of_limits(widths):
    # Against a Monte Carlo of a million (JCGM 101:2008 propagates distributions so).
    rng = np.random.default_rng(3)
    total = combine([Component("limit", "", np.array([a / 3**0.5])) for a in widths])
    error = sum(a * rng.uniform(-1, 1, 1_000_000) for a in widths)
    assert (np.abs(error) < total.k * total.u).mean() == pytest.approx(0.95, abs=0.005)


def test_nothing_known_of_a_sample_is_no_interval():
    total = combine([Component("a", "", np.array([1.0, np.nan])), Component("b", "", np.array([0.0, 1.0]), "normal")])
    assert np.isnan(total.u[1])
    assert np.isnan(total.k[1])
    assert np.isfinite(total.k[0])
