"""The forecast's meat against the textbook: conduction in a slab and a round piece, and the balance at a wet skin.

Sources: Cengel, Heat Transfer, table 4-2 (one-term roots) and the full series, worked in SOURCES.md section 5. The
skin's balance is our own, worked apart with humidity ratios (hr/hc 1, pit 121.1 degC, 0.010 kg/kg: 46.0 degC wet, 61.6
at a wetness of 0.3); the model has Stefan's logarithm instead, so that the drier skin may differ by some kelvin.
"""

import numpy as np
import pytest
from scipy.special import j0

from pitscribe.cook.meat import CONDUCTIVITY, J1_ZEROS, Heat, Pieces, Stuff, bessel_j0, even, pull

AIR, START = 121.1, 5.0
DRY = {"wet": 0.0, "juice": 0.0}


def stuff(**of: float) -> Stuff:
    usual = {
        "half_m": 0.040, "depth": 0.0, "alpha": 1.3e-7, "film": 20.0, "wet": 0.1, "juice": 0.4, "juice_c": 62.0,
        "crust": 3.0, "sharp": 3.0, "tail": 0.3, "humid": 0.010, "round": 0.0,
    }
    return Stuff(**{name: np.array([value]) for name, value in (usual | of).items()})


def cooked(pieces: Pieces, seconds: float, air: float = AIR, start: float = START) -> Heat:
    heat = even(np.array([start]))
    for _ in range(round(seconds / pieces.step_s)):
        pieces.step(heat, np.array([air]), 1.0, 1.0)
    return heat


@pytest.mark.parametrize(
    ("roundness", "half", "hours", "centre", "skin"),
    [
        (0, 0.040, 1, 22.169, 68.579), (0, 0.040, 2, 47.756, 82.764), (0, 0.040, 3, 67.026, 92.850),
        (0, 0.040, 4, 81.240, 100.276), (1, 0.050, 1, 27.220, 77.915), (1, 0.050, 2, 62.577, 95.048),
    ],
)
def test_slab_and_cylinder_warm_as_the_full_series_says(roundness, half, hours, centre, skin):
    pieces = Pieces(stuff(half_m=half, round=roundness, **DRY), 20.0)
    heat = cooked(pieces, hours * 3600)
    assert pieces.tip(heat)[0] == pytest.approx(centre, abs=0.12)
    assert heat.skin[0] == pytest.approx(skin, abs=0.12)


@pytest.mark.parametrize(("roundness", "half"), [(0, 0.040), (1, 0.050)])
def test_steps_of_five_minutes_cost_less_than_a_kelvin(roundness, half):
    ends = []
    for step in (20.0, 300.0):
        pieces = Pieces(stuff(half_m=half, round=roundness, **DRY), step)
        ends.append(pieces.tip(cooked(pieces, 7200))[0])
    assert ends[1] == pytest.approx(ends[0], abs=1.0)


@pytest.mark.parametrize(
    ("roundness", "biot", "root"),
    [
        (0, 0.1, 0.3111), (0, 0.5, 0.6533), (0, 1, 0.8603), (0, 2, 1.0769), (0, 5, 1.3138), (0, 10, 1.4289),
        (1, 0.1, 0.4417), (1, 0.5, 0.9408), (1, 1, 1.2558), (1, 2, 1.5994), (1, 5, 1.9898), (1, 10, 2.1795),
    ],
)
def test_the_approach_to_the_air_is_as_fast_as_the_first_root_says(roundness, biot, root):
    film = biot * CONDUCTIVITY / 0.040
    of = stuff(film=film, round=roundness, **DRY)
    pieces = Pieces(of, 10.0)
    heat = cooked(pieces, max(0.7, 2 / max(1.0, biot)) * 0.040**2 / 1.3e-7)  # the first root alone is left
    before = AIR - pieces.tip(heat)[0]
    for _ in range(60):
        pieces.step(heat, np.array([AIR]), 1.0, 1.0)
    rate = -np.log((AIR - pieces.tip(heat)[0]) / before) / 600
    assert rate * 0.040**2 / 1.3e-7 == pytest.approx(root**2, rel=0.01)


def test_what_the_skin_takes_is_what_the_meat_stores():
    pieces = Pieces(stuff(**DRY), 60.0)
    heat, taken = even(np.array([START])), 0.0
    for _ in range(180):
        pieces.step(heat, np.array([AIR]), 1.0, 1.0)
        taken += 20.0 * (AIR - heat.skin[0]) * 60.0
    stored = (heat.modes[0, 0] - START) * CONDUCTIVITY / 1.3e-7 * 0.040
    assert stored == pytest.approx(taken, rel=1e-6)


@pytest.mark.parametrize(("wetness", "skin", "within"), [(1.0, 46.0, 1.0), (0.3, 61.6, 2.5)])
def test_a_wet_skin_comes_to_rest_where_its_balance_is(wetness, skin, within):
    pieces = Pieces(stuff(half_m=0.010, wet=wetness, juice=0.0, crust=1e9), 60.0)
    heat = cooked(pieces, 12 * 3600)
    assert heat.skin[0] == pytest.approx(skin, abs=within)
    assert pieces.tip(heat)[0] == pytest.approx(heat.skin[0], abs=0.2)  # all that comes goes: nothing flows inward


def test_the_pull_of_vapour_follows_the_saturation_table():
    # ASHRAE Fundamentals 2017, chapter 1, table 3: 5, 25 and 50 degC, Pa
    for celsius, pascal in ((5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)):
        wants, slope = pull(np.array([celsius]))
        assert wants[0] == pytest.approx(-0.622 * np.log1p(-pascal / 101_325), rel=0.01)
        above = pull(np.array([celsius + 0.01]))[0]
        assert slope[0] == pytest.approx((above[0] - wants[0]) / 0.01, rel=0.01)


def test_bessel_is_scipys_and_flat_at_the_zeros():
    z = np.linspace(0, 17, 200)
    assert bessel_j0(z) == pytest.approx(j0(z), abs=1e-8)
    assert (bessel_j0(J1_ZEROS + 1e-4) - bessel_j0(J1_ZEROS - 1e-4)) / 2e-4 == pytest.approx(0.0, abs=1e-6)
