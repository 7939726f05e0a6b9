"""The bench's moist air against PsychroLib, IAPWS and the ASHRAE handbook's own figures.

Sources: ASHRAE Handbook, Fundamentals, 2017, chapter 1 (Table 3, Example 1, eq. 33); PsychroLib 2.5 as an independent
implementation; IAPWS R7-97 by the iapws package; SOURCES.md section 3 and 4.
"""

import iapws
import numpy as np
import psychrolib
import pytest

from pitscribe.simulate import psychro

psychrolib.SetUnitSystem(psychrolib.SI)

# SOURCES.md section 4, thermodynamic wet bulb by PsychroLib, 101325 Pa: dry bulb, humidity ratio, wet bulb.
WET_BULBS = [
    (107.2, 0.005, 34.49), (107.2, 0.050, 48.03), (121.1, 0.010, 38.59), (121.1, 0.020, 41.86),
    (135.0, 0.010, 40.48), (135.0, 0.030, 46.15), (148.9, 0.020, 45.05), (148.9, 0.050, 51.67),
]


@pytest.mark.parametrize(("celsius", "pascal"), [(5, 872.6), (25, 3169.7), (50, 12351.3), (100, 101418.0)])
def test_saturation_pressure_meets_the_handbooks_table_3(celsius, pascal):
    assert float(psychro.saturation_pressure(celsius)) == pytest.approx(pascal, rel=3e-4)  # the formula is good to that


def test_saturation_pressure_is_psychrolibs_from_ice_to_oven():
    celsius = np.linspace(-40, 190, 231)
    theirs = np.array([psychrolib.GetSatVapPres(t) for t in celsius])
    assert np.max(np.abs(psychro.saturation_pressure(celsius) / theirs - 1)) < 2e-4


@pytest.mark.parametrize(("dry", "ratio", "wet"), WET_BULBS)
def test_wet_bulb_of_pit_air_is_psychrolibs(dry, ratio, wet):
    assert psychro.wet_bulb(dry, ratio) == pytest.approx(wet, abs=0.02)


@pytest.mark.parametrize(("ratio", "wet"), [(0.010, 35.48), (0.020, 38.62), (0.030, 41.32)])
def test_wet_bulb_a_mile_up_is_psychrolibs(ratio, wet):
    assert psychro.wet_bulb(121.1, ratio, 83428.0) == pytest.approx(wet, abs=0.02)


def test_wet_bulb_inverts_the_handbooks_example_at_500_m():
    # dry 30, wet 25 degC at 95461 Pa: W = 0.0192281 (SOURCES.md section 4)
    assert psychro.wet_bulb(30.0, 0.0192281, 95461.0) == pytest.approx(25.0, abs=0.01)


def test_humidity_ratio_at_half_saturation_is_psychrolibs():
    assert psychro.relative_to_ratio(30.0, 0.5) == pytest.approx(0.013310, abs=5e-6)


@pytest.mark.parametrize("celsius", [5, 20, 37, 60, 70, 80, 95, 100])
def test_latent_heat_is_that_of_iapws(celsius):
    kelvin = celsius + 273.15
    kilojoule = iapws.IAPWS97(T=kelvin, x=1).h - iapws.IAPWS97(T=kelvin, x=0).h
    assert float(psychro.latent_heat(celsius)) / 1000 == pytest.approx(kilojoule, rel=5e-4)
