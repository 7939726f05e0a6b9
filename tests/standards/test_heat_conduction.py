"""The conduction that cooks the meat against the textbook's slab, cylinder and sphere.

Sources: Cengel, Heat Transfer, table 4-2 (one-term coefficients) and the full series, worked in SOURCES.md section
5: start 5 degC, air 121.1 degC, h 20 W/m2K, k 0.48 W/mK, alpha 1.3e-7 m2/s, no evaporation.
"""

import numpy as np
import pytest
from scipy.special import erfc

from pitscribe.simulate.body import Body, Stuff, longest_step, plank, round_body, warm

STUFF = Stuff()
AIR, START, H = 121.1, 5.0, 20.0


def cook(body: Body, seconds: float, step: float, *, h: float = H, air: float = AIR) -> tuple[np.ndarray, np.ndarray]:
    """Warm a body in air; returns cells and surfaces (2, nx), the film and half a cell in series."""
    celsius = np.full(body.shape, START)
    through = 1 / (1 / h + body.depth / STUFF.conductivity)
    surface = np.zeros((2, body.shape[0]))
    for _ in range(round(seconds / step)):
        edge = celsius[:, [0, -1]].T
        warm(body, STUFF, celsius, through * (air - edge) * body.skin, step)
    edge = celsius[:, [0, -1]].T
    surface = edge + through * (air - edge) * body.depth / STUFF.conductivity
    return celsius, surface


@pytest.mark.parametrize(
    ("hours", "centre", "skin"), [(1, 22.169, 68.579), (2, 47.756, 82.764), (3, 67.026, 92.850), (4, 81.240, 100.276)]
)
def test_slab_of_80_mm_warms_as_the_full_series_says(hours, centre, skin):
    body = plank(np.full(2, 0.080), 0.1, 0.1, 41)
    celsius, surface = cook(body, hours * 3600, 4.0)
    assert celsius[0, 20] == pytest.approx(centre, abs=0.06)
    assert surface[1, 0] == pytest.approx(skin, abs=0.06)
    assert surface[0] == pytest.approx(surface[1], abs=1e-9)  # two-sided, and alike


@pytest.mark.parametrize(
    ("power", "hours", "centre", "skin"),
    [(1, 1, 27.220, 77.915), (1, 2, 62.577, 95.048), (2, 1, 43.472, 87.082), (2, 2, 85.479, 105.764)],
    ids=["cylinder 1 h", "cylinder 2 h", "sphere 1 h", "sphere 2 h"],
)
def test_round_bodies_of_100_mm_warm_as_the_full_series_says(power, hours, centre, skin):
    celsius, surface = cook(round_body(0.050, 50, power), hours * 3600, 1.0)
    assert celsius[0, 0] == pytest.approx(centre, abs=0.08)
    assert surface[1, 0] == pytest.approx(skin, abs=0.08)


def test_thick_slab_with_its_surface_held_follows_erfc():
    # semi-infinite, fixed surface: 54.150 degC at 10 mm after 600 s (SOURCES.md section 5)
    body = plank(np.full(2, 0.200), 0.1, 0.1, 200)
    celsius, _ = cook(body, 600, 0.5, h=1e9)
    depth = (np.arange(200) + 0.5) * 0.001
    at_10_mm = np.interp(0.010, depth, celsius[0])
    assert at_10_mm == pytest.approx(54.150, abs=0.05)
    exact = START + (AIR - START) * erfc(depth[:40] / (2 * np.sqrt(1.3e-7 * 600)))
    assert celsius[0, :40] == pytest.approx(exact, abs=0.1)


def test_a_finer_mesh_comes_closer_to_the_series():
    off = []
    for layers in (5, 11, 21, 41):
        celsius, _ = cook(plank(np.full(2, 0.080), 0.1, 0.1, layers), 7200, 4.0)
        off.append(abs(celsius[0, layers // 2] - 47.756))
    assert off == sorted(off, reverse=True)
    assert off[1] < 0.5  # a mesh of the meat's coarseness is already good to half a kelvin


def test_columns_of_different_thickness_exchange_heat_and_lose_none():
    body = plank(np.array([0.03, 0.05, 0.08]), 0.3, 0.2, 9)
    celsius = np.random.default_rng(3).uniform(5, 95, body.shape)
    before = np.sum(celsius * body.volume)
    spread = np.ptp(celsius)
    for _ in range(2000):
        warm(body, STUFF, celsius, np.zeros((2, 3)), 10.0)
    assert np.sum(celsius * body.volume) == pytest.approx(before, rel=1e-12)
    assert np.ptp(celsius) < 0.3 * spread


def test_the_stated_longest_step_is_the_edge_of_stability():
    body = plank(np.full(4, 0.050), 0.2, 0.2, 10)
    limit = longest_step(body, STUFF)
    ends = []
    for share in (0.99, 2.1):
        celsius = np.where(np.indices(body.shape).sum(axis=0) % 2, 50.0, 51.0)  # the roughest pattern there is
        for _ in range(400):
            held = STUFF.conductivity / body.depth * body.skin * (20.0 - celsius[:, [0, -1]].T)
            warm(body, STUFF, celsius, held, limit * share)
        ends.append(np.abs(celsius).max())
    assert ends[0] < 52
    assert not ends[1] < 1e3
