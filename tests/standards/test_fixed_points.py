"""Fixed points against the standards that they come from.

Sources: IAPWS R7-97(2012), tables 35 and 36 (printed values from memory, equal to what the packages give); U.S.
Standard Atmosphere 1976 and ASHRAE Fundamentals 2017 chapter 1 table 1; SOURCES.md section 3. The package iapws is
independent.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from iapws.iapws97 import _PSat_T, _TSat_P

from pitscribe.errors import OutOfRangeError
from pitscribe.metrology.fixpoints import (
    boiling_point,
    geopotential,
    ice_point,
    pressure_at,
    saturation_celsius,
    saturation_pressure,
    sea_level_suspicion,
)


@pytest.mark.parametrize(("kelvin", "mpa"), [(300, 0.353658941e-2), (500, 0.263889776e1), (600, 0.123443146e2)])
def test_saturation_pressure_is_that_of_table_35(kelvin, mpa):
    assert saturation_pressure(kelvin - 273.15) / 1e6 == pytest.approx(mpa, rel=2e-9)


@pytest.mark.parametrize(("mpa", "kelvin"), [(0.1, 372.755919), (1, 453.035632), (10, 584.149488)])
def test_saturation_temperature_is_that_of_table_36(mpa, kelvin):
    assert saturation_celsius(mpa * 1e6) + 273.15 == pytest.approx(kelvin, abs=6e-7)


# Section 3 of the references: station pressure [Pa] and boiling point [degC], computed with iapws and CoolProp.
BOILS = [(80000, 93.485), (84000, 94.804), (90000, 96.687), (95000, 98.178), (101325, 99.9743), (102500, 100.298)]


@pytest.mark.parametrize(("pascal", "celsius"), BOILS)
def test_boiling_points_by_station_pressure(pascal, celsius):
    assert saturation_celsius(pascal) == pytest.approx(celsius, abs=6e-4)


def test_water_at_one_atmosphere_boils_below_100():
    assert saturation_celsius(101325.0) == pytest.approx(99.974, abs=5e-4)


def test_the_package_iapws_agrees_from_freezing_to_the_critical_point():
    worst_t = worst_p = 0.0
    for i in range(371):
        kelvin = 273.15 + i
        mpa = _PSat_T(kelvin)
        worst_p = max(worst_p, abs(saturation_pressure(kelvin - 273.15) / (1e6 * mpa) - 1))
        if mpa * 1e6 > 611.213:
            worst_t = max(worst_t, abs(saturation_celsius(mpa * 1e6) + 273.15 - _TSat_P(mpa)))
    print(f"\ngreatest difference from iapws: {worst_p:.1e} of the pressure, {worst_t:.1e} K")
    assert worst_p < 1e-12
    assert worst_t < 1e-9


@settings(max_examples=200, deadline=None)
@given(st.floats(0.01, 373.9))
def test_one_equation_is_the_others_inverse(celsius):
    assert saturation_celsius(saturation_pressure(celsius)) == pytest.approx(celsius, abs=1e-7)


# US Standard Atmosphere 1976 by geopotential height; ASHRAE's table 1 prints 95461, 89875, 61640 Pa.
ATMOSPHERE = [(0, 101325.0), (500, 95460.8), (1000, 89874.6), (1609.344, 83427.6), (2000, 79495.2), (3000, 70108.5),
              (4000, 61640.0)]


@pytest.mark.parametrize(("geopotential_m", "pascal"), ATMOSPHERE)
def test_standard_atmosphere_by_geopotential_height(geopotential_m, pascal):
    height = 6356766.0 * geopotential_m / (6356766.0 - geopotential_m)  # the tape's height of that
    assert geopotential(height) == pytest.approx(geopotential_m, abs=1e-6)
    assert pressure_at(height) == pytest.approx(pascal, abs=0.5)


@pytest.mark.parametrize(("metres", "pascal", "celsius"), [
    (500, 95461.3, 98.313), (1000, 89876.3, 96.649), (1609.344, 83431.8, 94.620), (3000, 70121.2, 89.977)])
def test_an_altitude_from_a_map_is_geometric(metres, pascal, celsius):
    assert pressure_at(metres) == pytest.approx(pascal, abs=0.1)
    assert saturation_celsius(pressure_at(metres)) == pytest.approx(celsius, abs=6e-4)


def test_ten_hectopascal_of_weather_move_the_boiling_point_by_027_kelvin():
    # section 3: slope near sea level 0.0275 degC per hPa
    assert saturation_celsius(102325.0) - saturation_celsius(101325.0) == pytest.approx(0.275, abs=0.002)
    weather = {p.name: p.u for p in boiling_point(altitude_m=0.0).parts}["pressure"]
    assert weather == pytest.approx(15 * 0.0275 / 3**0.5, rel=0.02)
    barometer = {p.name: p.u for p in boiling_point(pressure_pa=101325.0).parts}["pressure"]
    assert barometer == pytest.approx(weather / 15, rel=0.01)


def test_water_boils_at_the_tip_under_the_water_above_it():
    # rho g = 958 kg/m3 x 9.81 (density of water near 100 degC: handbook value, from memory): 10 cm are 9.4 hPa, 0.26 K
    point = boiling_point(pressure_pa=101325.0)
    assert point.celsius - 99.9743 == pytest.approx(0.5 * 0.05 * 958 * 9.81 / 100 * 0.0275, rel=0.02)
    assert 0.06 < point.u < 0.09
    assert boiling_point(altitude_m=0.0).u == pytest.approx(0.25, abs=0.02)


def test_an_ice_bath_is_triangular():
    # JCGM 100:2008, 4.3.9: a/sqrt 6; section 9 of the references: +/-0.05 is 0.0204
    assert ice_point().celsius == 0.0
    assert ice_point().u == pytest.approx(0.0204, abs=5e-5)


def test_pressure_reduced_to_sea_level_is_suspected():
    # Used at one mile it is wrong by 5.4 degC (section 3).
    assert saturation_celsius(101325.0) - saturation_celsius(pressure_at(1609.344)) == pytest.approx(5.4, abs=0.05)
    with pytest.raises(OutOfRangeError, match=r"1013 hPa at 1609 m, where 834 hPa is usual: .*reduced to sea level"):
        sea_level_suspicion(101325.0, 1609.344)
    assert "reduced to sea level" in sea_level_suspicion(101300.0, 200.0)  # 24 hPa more than usual
    assert sea_level_suspicion(101325.0, 50.0) is None
    assert sea_level_suspicion(83400.0, 1609.344) is None
    assert "forecast" in sea_level_suspicion(101500.0, None)
    assert sea_level_suspicion(83400.0, None) is None
    with pytest.raises(OutOfRangeError, match="of a higher place"):
        sea_level_suspicion(83400.0, 0.0)


@pytest.mark.parametrize("call", [
    lambda: pressure_at(9e6), lambda: pressure_at(-2000.0), lambda: pressure_at(float("nan")),
    lambda: boiling_point(pressure_pa=1013.0), lambda: boiling_point(), lambda: boiling_point(pressure_pa=float("nan")),
    lambda: saturation_celsius(100.0), lambda: saturation_celsius(3e7), lambda: saturation_pressure(-0.1),
    lambda: saturation_pressure(374.0),
])
def test_what_no_place_on_earth_has_is_refused(call):
    with pytest.raises(OutOfRangeError):
        call()
