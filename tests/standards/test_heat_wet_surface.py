"""The meat's wet surface against the wet bulb and against a surface balance worked apart.

Sources: PsychroLib's wet bulb and the balance of SOURCES.md section 4 ((Ta - Ts) + (hr/hc)(Tw - Ts) =
beta (Ws - W) hfg / (cp Le^(2/3)), Le 0.87, air 121.1 degC, W 0.010), which is a model there and not a source. The
bench drives vapour by Stefan's logarithm instead of Ws - W: a few percent less at 40 degC, hence the margins.
"""

import numpy as np
import psychrolib
import pytest

from pitscribe.simulate import meat as module
from pitscribe.simulate.meat import Meat, MeatSpec, Surroundings

psychrolib.SetUnitSystem(psychrolib.SI)
AIR = 121.1
STEFAN_BOLTZMANN = 5.670374e-8


def settled_surface(emissivity: float, ratio: float = 0.010) -> float:
    """Keep a thin, wet piece in the air until its inside is as warm as its surface."""
    spec = MeatSpec(
        thickness=(0.006, 0.006), layers=3, film=1e6, loses=0.0, emissivity=emissivity, beneath=1.0, start=30.0
    )
    piece = Meat(spec)
    piece.lack[:] = -1e5
    for _ in range(2500):
        piece.step(Surroundings(AIR, AIR, ratio), piece.longest_step)
    assert np.ptp(piece.celsius) < 0.01
    return float(piece.surface[1, 0])


@pytest.mark.parametrize(("ratio_of_hr", "expected"), [(0.0, 37.5), (0.5, 42.4), (1.0, 46.0)])
def test_a_wet_surface_settles_where_the_balance_says(ratio_of_hr, expected):
    air, surface = AIR + 273.15, expected + 273.15
    radiates = STEFAN_BOLTZMANN * (air**2 + surface**2) * (air + surface)
    emissivity = ratio_of_hr * MeatSpec().convection / radiates
    assert settled_surface(emissivity) == pytest.approx(expected, abs=0.7)


@pytest.mark.parametrize("ratio", [0.005, 0.010, 0.020, 0.030])
def test_with_lewis_number_one_a_surface_without_radiation_is_a_wet_bulb(ratio, monkeypatch):
    monkeypatch.setattr(module, "LEWIS", 1.0)
    relative = psychrolib.GetRelHumFromHumRatio(AIR, ratio, 101325.0)
    wet_bulb = psychrolib.GetTWetBulbFromRelHum(AIR, relative, 101325.0)
    assert settled_surface(0.0, ratio) == pytest.approx(wet_bulb, abs=0.8)
