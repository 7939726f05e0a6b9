"""Immersion, resistance and power: against a solver, a wire table, and arithmetic by hand."""

import numpy as np
import pytest
from scipy.integrate import solve_bvp

import figures
import pinmap
import power
from netlist import Build

MAP = pinmap.load()


@pytest.mark.parametrize("sheath", figures.SHEATHS)
@pytest.mark.parametrize("depth_mm", [25, 75])
def test_immersion_is_what_a_solver_makes_of_the_fin(sheath, depth_mm):
    """Against SciPy's solver of boundary value problems: k A T'' = h P (T - gas), wall at the base, tip insulated."""
    d, length = figures.SHEATHS[sheath], depth_mm / 1000
    m2 = length**2 * figures.FILM_H * np.pi * d / (figures.SHEATH_K * np.pi * d**2 / 4)  # x from 0 to 1
    x = np.linspace(0, 1, 50)
    below = figures.GAS_C - figures.WALL_C
    found = solve_bvp(lambda _, y: np.vstack((y[1], m2 * y[0])), lambda a, b: np.array([a[0] - below, b[1]]), x,
                      np.vstack((below * (1 - x), np.full_like(x, -below))), tol=1e-8)
    assert found.success
    assert figures.reads_low(d, depth_mm) == pytest.approx(found.y[0, -1], rel=1e-4)


def test_type_k_wire_has_the_resistance_of_the_makers_tables():
    """5.94 Ohm a double foot of 30 AWG, 1.49 of 24 AWG: makers' tables, from memory."""
    assert figures.loop_ohm("30 AWG", 0.3048) == pytest.approx(5.94, rel=0.03)
    assert figures.loop_ohm("24 AWG", 0.3048) == pytest.approx(1.49, rel=0.03)


def test_two_resistors_of_100_ohm_cost_a_max31855_half_a_kelvin():
    """100 nA through 200 Ohm are 20 uV; 41 uV a kelvin."""
    assert figures.bias_error("MAX31855", 200.0) == pytest.approx(20.0 / 41.0)


def test_a_corner_is_where_the_capacitor_has_the_resistances_impedance():
    f = figures.corner_hz(200.0, 10e-9)
    assert abs(1 / (2j * np.pi * f * 10e-9)) == pytest.approx(200.0)


def test_the_budget_is_the_sum_by_hand():
    """Guest, usual: 55 mA x 5 V; six MAX31855 of 0.9 mA and a screen of 10 mA at 3.3 V through 85 %."""
    chips = Build.standard(MAP).chips
    _, usual, _ = power.milliwatts(power.MODES[1], chips, True)
    assert usual == pytest.approx(55 * 5 + (6 * 0.9 + 10) * 3.3 / 0.85)
    _, hours, _ = power.hours(power.STORES[0], (1.0, usual, 1.0))
    assert hours == pytest.approx(10000 * 3.7 * 0.8 / usual)
    assert f"{hours:.0f} h (" in power.table(chips)


def test_bounds_are_in_order_and_more_takes_more():
    chips = Build.standard(MAP).chips
    for mode in power.MODES:
        least, usual, most = power.milliwatts(mode, chips, True)
        assert least < usual < most
        assert power.milliwatts(mode, chips[:2], True)[1] < usual
        assert power.milliwatts(mode, chips, False)[1] < usual
        fewest, mean, longest = power.hours(power.STORES[1], (least, usual, most))
        assert fewest < mean < longest


def test_nothing_takes_more_than_the_boards_converter_and_the_fuse_give():
    """3V3: 300 mA for others (the board's data sheet, seen in a quotation); the fuse holds 500 mA."""
    chips = ("max31856",) * 6
    assert sum(power.MAX31856.high for _ in chips) + power.SCREEN.high < 300
    _, _, most = power.milliwatts(power.MODES[2], chips, True)
    assert most / 2.7 < 500  # three empty cells less the diode [V]
