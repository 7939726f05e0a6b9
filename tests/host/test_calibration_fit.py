"""A probe's fit: no richer than its points, honest about how sure it is, and not made of nonsense.

Source: JCGM 100:2008 (GUM), example H.3 (SOURCES.md section 9). Coverage is against errors that are drawn here.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.errors import CalibrationError, ConfigError
from pitscribe.metrology.calibration import (
    Point,
    Through,
    body_of,
    fit,
    fit_of,
    points_of,
    residuals,
    through_of,
)
from pitscribe.metrology.correction import Calibration
from pitscribe.metrology.line import bounded_line
from pitscribe.metrology.tolerance import gain_limit

ICE = Point("ice", 0.8, 0.03, 40.0, 0.0, 0.02)
BOIL = Point("boil", 95.1, 0.03, 40.0, 94.6, 0.05)

# GUM H.3: readings [degC] and corrections [K] of a thermometer; t0 = 20 degC.
H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def at(calibration, celsius):
    """(correction, its standard uncertainty) at one reading."""
    x = np.array([float(celsius)])
    return float(calibration.correction(x)[0]), float(calibration.u(x)[0])


def test_the_thermometer_of_gum_h3_is_reproduced():
    # H.3.3 to H.3.5: s = 0.0035, y1 = -0.1712 (0.0029), y2 = 0.00218 (0.00067), r = -0.930; b(30) = -0.1494 (0.0041).
    s = 0.0034976
    line = bounded_line(np.array(H3_T) - 20.0, np.array(H3_B), np.eye(11) * s**2, np.inf, np.inf)
    assert line.offset == pytest.approx(-0.171204, abs=1e-6)
    assert line.gain == pytest.approx(0.0021827, abs=1e-7)
    var, both, slope = line.covariance
    assert var**0.5 == pytest.approx(0.002878, abs=2e-6)
    assert slope**0.5 == pytest.approx(0.0006679, abs=2e-7)
    assert both / (var * slope) ** 0.5 == pytest.approx(-0.93043, abs=1e-4)
    whole = Calibration(line.offset, line.gain, line.covariance, 9, 21.5, 26.5, 20.0, True)
    assert at(whole, 30.0) == (pytest.approx(-0.149377, abs=1e-6), pytest.approx(0.0041386, abs=3e-6))


def test_the_same_thermometer_as_points_has_too_short_a_span_for_a_gain():
    points = [Point("told", t, 0.0035, 9.0, t + b, 0.0) for t, b in zip(H3_T, H3_B, strict=True)]
    found = fit(points, "K", "iec-1", gain=False)
    middle = at(found, np.mean(H3_T))
    assert middle[0] == pytest.approx(np.mean(H3_B), abs=3e-3)
    with pytest.raises(CalibrationError, match=r"at least 40 K .72 F. apart, and these are 5.0 K"):
        fit(points, "K", "iec-1", gain=True)


def test_an_ice_bath_alone_leaves_the_class_of_the_wire_open():
    # The law of homogeneous wires: in the ice wire shows what it is out by over the plug's 25 K, and no more.
    found = fit([ICE], "K", "iec-1")
    assert not found.borne
    assert at(found, 0.8) == (pytest.approx(-0.8, abs=1e-3), pytest.approx(np.hypot(0.03, 0.02), rel=0.01))
    assert at(found, 100.8)[1] == pytest.approx(1.5 / 3**0.5, rel=0.02)  # +/-1.5 K of its class, rectangular


def test_what_a_channel_cannot_be_out_by_is_put_down_to_the_wire():
    # 0.8 K in the ice through a MAX31856 (+/-0.7 K cold junction, 0.3 K amplifier) and through a MAX31855 (+/-2, +/-2).
    sure, vague = (fit([ICE], "K", "iec-2", through=Through(chip, "K", 25.0)) for chip in ("max31856", "max31855"))
    assert at(sure, 0.8)[0] == pytest.approx(-0.8, abs=0.02)
    assert at(vague, 0.8)[0] == pytest.approx(-0.8, abs=0.02)
    assert abs(sure.offset) < abs(vague.offset) < 0.8
    assert sure.gain > vague.gain > 0


@pytest.mark.parametrize(("tc", "left"), [("K", 39.456 / 41.369), ("T", 38.757 / 46.785)])
def test_an_offset_is_one_of_emf_and_so_fewer_kelvin_where_the_wire_gives_more(tc, left):
    # Sensitivities in uV/K at about 0 and at 100 degC: NIST Monograph 175, SOURCES.md section 1.
    found = replace(fit([replace(ICE, reading=0.01, reference=0.81)], tc, "iec-2"), gain=0.0, offset=0.8)
    assert at(found, 0.01)[0] == pytest.approx(0.8, rel=1e-3)
    assert at(found, 100.0)[0] == pytest.approx(0.8 * left, rel=1e-3)


def test_ice_and_boiling_water_give_the_line_through_both():
    found = fit([ICE, BOIL], "K", "iec-1")
    assert found.borne
    assert at(found, 0.8)[0] == pytest.approx(-0.8, abs=1e-3)
    assert at(found, 95.1)[0] == pytest.approx(-0.5, abs=5e-3)
    assert residuals([ICE, BOIL], found) == pytest.approx([0.0, 0.0], abs=5e-3)
    # at either point the line is as sure as that point
    assert at(found, 0.8)[1] == pytest.approx(np.hypot(0.03, 0.02), rel=0.01)
    assert at(found, 95.1)[1] == pytest.approx(np.hypot(0.03, 0.05), rel=0.01)


def test_a_vague_boil_tells_little_of_the_wire_and_a_sure_one_all():
    vague = replace(BOIL, reference=94.5, u_reference=1.0)  # a kettle seen to boil on some hill
    found = fit([ICE, vague], "K", "iec-1")
    assert not found.borne
    assert at(found, 0.8)[0] == pytest.approx(-0.8, abs=0.05)  # the surer point counts most
    assert 0.5 < at(found, 95.1)[1] < 1.5 / 3**0.5  # and the class is still the better part of what is known
    asked = fit([ICE, vague], "K", "iec-1", gain=True)
    assert at(asked, 95.1) == (pytest.approx(-0.6, abs=1e-3), pytest.approx(1.0, rel=0.01))


def test_an_offset_alone_can_be_asked_for():
    level = fit([ICE, BOIL], "K", "iec-1", gain=False)
    assert level.gain == 0.0
    assert not level.borne
    assert at(level, 50.0)[1] > at(fit([ICE, BOIL], "K", "iec-1"), 50.0)[1]


def test_what_all_comparison_points_share_does_not_average_out():
    beside = [Point("beside", t, 0.03, 50.0, t - 1.0, 0.02, u_shared=0.3) for t in (40.0, 50.0, 60.0, 70.0)]
    sure = [replace(p, u_shared=0.0) for p in beside]
    found, without = fit(beside, "K", "iec-1"), fit(sure, "K", "iec-1")
    whole, own = at(found, 55.0)[1], at(without, 55.0)[1]
    assert whole**2 == pytest.approx(own**2 + 0.3**2, rel=0.01)
    assert own == pytest.approx(np.hypot(0.03, 0.02) / 2, rel=0.01)


def test_effective_degrees_of_freedom_are_those_of_welch_and_satterthwaite():
    one = fit([Point("ice", 0.5, 0.10, 9.0, 0.0, 0.05)], "K", "iec-2")
    assert one.dof == pytest.approx((0.1**2 + 0.05**2) ** 2 / (0.1**4 / 9))
    assert fit([Point("told", 0.5, 0.1, np.inf, 0.0, 0.05)], "K", "iec-2").dof == np.inf
    # two equal points of an offset: each counts half, (2 (u/2)^2)^2 / (2 (u/2)^4 / nu) = 2 nu
    two = fit([Point("told", 0.5, 0.1, 7.0, 0.0, 0.0), Point("told", 0.5, 0.1, 7.0, 0.0, 0.0)], "K", "iec-2")
    assert two.dof == pytest.approx(14.0, rel=1e-3)


NONSENSE = [
    ([Point("ice", 40.0, 0.1, 9.0, 0.0, 0.02)], None, r"ice bath, 0.0 C \(32.0 F\).*reads 40.0 C.*no ice bath"),
    ([Point("ice", 48.0, 0.1, 9.0, 0.0, 0.02)], Through("max31855", "K", 24.0), "reversed leads"),
    ([Point("boil", 60.0, 0.1, 9.0, 94.0, 0.1)], None, "not boiling"),
    ([Point("beside", 60.0, 0.1, 9.0, 94.0, 0.1)], None, "one bath"),
    ([ICE, replace(ICE, reading=1.5)], None, "contradict one another"),
    # type T taken for K: right at ice, 4.4 K high in boiling water (its emf from 25 to 100 degC is 3.287 mV)
    ([ICE, Point("boil", 104.9, 0.03, 40.0, 99.97, 0.05)], None, "of another type"),
    ([replace(ICE, reading=float("nan"))], None, "no number"),
    ([replace(ICE, u_reading=0.0, u_reference=0.0)], None, "no uncertainty"),
    ([replace(ICE, dof=0.0)], None, "no number, or below 0"),
    ([], None, "at least one point"),
]


@pytest.mark.parametrize(("points", "through", "words"), NONSENSE)
def test_nonsense_is_refused_with_its_reason(points, through, words):
    with pytest.raises(CalibrationError, match=words):
        fit(points, "K", "iec-1", through=through)


def test_a_point_that_contradicts_the_others_is_named():
    beside = [Point("beside", t + 0.7, 0.03, 40.0, t, 0.05) for t in (20.0, 40.0, 60.0, 80.0)]
    wrong = Point("beside", 52.0, 0.03, 40.0, 50.0, 0.05)
    with pytest.raises(CalibrationError, match=r"^beside the other probe, 50.0 C [^;]*: it contradicts .*-1\.\d\d K"):
        fit([ICE, *beside, wrong, BOIL], "K", "iec-1")


def test_of_three_points_that_are_on_no_line_nobody_can_say_which_is_wrong():
    middle = Point("beside", 51.0, 0.03, 40.0, 49.0, 0.05)
    with pytest.raises(CalibrationError, match=r"ice bath.*; beside.*; boiling water.*: they contradict one another"):
        fit([ICE, middle, BOIL], "K", "iec-1")


def test_an_unknown_class_is_a_setting_not_a_calibration():
    with pytest.raises(ConfigError, match="gold"):
        fit([ICE], "K", "gold")


figures = st.floats(-5.0, 5.0)
sizes = st.floats(0.001, 0.5)
points_strategy = st.lists(
    st.builds(
        lambda kind, at, off, u, dof, ref, shared: Point(kind, at + off, u, dof, at, ref, shared, 7, 1, 2),
        st.sampled_from(["ice", "boil", "beside", "told"]), st.floats(-20, 250), st.floats(-3, 3), sizes,
        st.one_of(st.floats(1, 500), st.just(float("inf"))), sizes, sizes,
    ),
    min_size=1, max_size=6,
)


@settings(max_examples=100, deadline=None)
@given(points_strategy, st.sampled_from([None, True, False]), st.booleans())
def test_what_is_kept_of_a_calibration_is_all_that_the_fit_needs(points, gain, channel):
    through = Through("max31856", "K", 23.5) if channel else None
    body = json.loads(json.dumps(body_of(points, through, {"pressure_pa": 83400.0}, gain), allow_nan=False))
    assert points_of(body) == tuple(points)
    assert through_of(body) == through

    def outcome(make):
        try:
            return make()
        except CalibrationError as error:
            return str(error)

    expected, kept = (
        outcome(make) for make in (lambda: fit(points, "K", "iec-2", gain=gain, through=through),
                                   lambda: fit_of(body, "K", "iec-2")))
    # What was refused is not kept; were it, it would be read without being judged anew, or told as unreadable.
    assert kept == expected if isinstance(expected, Calibration) else isinstance(kept, Calibration | str)


@settings(max_examples=150, deadline=None)
@given(points_strategy)
def test_a_fit_is_finite_and_no_richer_than_its_points(points):
    try:
        found = fit(points, "K", "iec-2")
    except CalibrationError:
        return
    x = np.array([p.reading for p in points])
    grid = np.linspace(-20, 300, 50)
    assert np.isfinite(found.correction(grid)).all()
    assert (found.u(grid) > 0).all()
    assert found.dof >= 1
    if np.ptp(x) < 5.0:
        assert not found.borne


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 6), st.integers(0, 10**6))
def test_more_points_never_make_the_line_less_sure(n, seed):
    rng = np.random.default_rng(seed)
    x, u = rng.uniform(0, 30, n), rng.uniform(0.02, 0.3, n)
    shared = np.outer(*[rng.uniform(0, 0.3, n)] * 2)
    whole = np.diag(u**2) + shared
    variance = [bounded_line(x[:k], x[:k], whole[:k, :k], 1.0, 0.01).variance(40.0) for k in (n - 1, n)]
    assert variance[1] <= variance[0] * (1 + 1e-9)


def test_a_kept_body_that_lacks_something_is_refused():
    for points in ([{"kind": "ice"}], [1], [{"dof": None, "colour": 1}], None):
        with pytest.raises(CalibrationError, match="cannot be read"):
            points_of({"format": 1, "points": points})
    for body in ({}, {"format": 2, "points": []}):
        with pytest.raises(CalibrationError, match="later Pitscribe"):
            points_of(body)


@pytest.mark.parametrize("many", [False, True], ids=["ice alone", "ice and boil"])
def test_stated_uncertainty_covers_drawn_errors(many):
    """2000 probes of class 1 with drawn errors; a correction's error at 0 to 120 degC against 1.96 u."""
    rng, inside, total = np.random.default_rng(3), 0, 0
    gain_u = gain_limit("K", "iec-1") / 3**0.5
    for _ in range(2000):
        # Of the channel, a constant; of the wire, so much for each kelvin between its plug (25 degC) and its tip. Wire
        # further off than 2.3 u is of another type, and refused.
        offset, gain = rng.uniform(-1.0, 1.0), gain_u * float(np.clip(rng.normal(), -2.3, 2.3))
        points = []
        for kind, true, u_ref in [("ice", 0.0, 0.02), ("boil", 98.0, 0.05)][: 1 + many]:
            stated = true + rng.normal(0, u_ref)
            reading = true + offset + gain * (true - 25.0) + rng.normal(0, 0.03)
            points.append(Point(kind, reading, 0.03, np.inf, stated, u_ref))
        found = fit(points, "K", "iec-1")
        true = np.linspace(0.0, 120.0, 7)
        reading = true + offset + gain * (true - 25.0)
        error = reading + found.correction(reading) - true
        inside += int((np.abs(error) < 1.96 * found.u(reading)).sum())
        total += true.size
    print(f"inside 1.96 u: {inside / total:.3f}")
    assert 0.93 < inside / total < 0.97
