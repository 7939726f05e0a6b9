"""``probe calibrate --point``: figures of a person's own instrument are as sure as that is, typed how often ever."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from probe_world import T0, Kitchen, constant
from test_probe_calibrate import record_of, stamp

from pitscribe.cli import parser
from pitscribe.commands.probe_told import told_points
from pitscribe.metrology.calibration import Point, fit


def points_of(*words, units="C"):
    asked = parser().parse_args(["probe", "calibrate", "green", *words])
    return told_points(asked, units)


def told(rows, limit="0.5C"):
    return points_of(*(f"--point={true}={read}" for true, read in rows), "--give-or-take", limit)


def u_at(points, celsius):
    return float(fit(points, "K", "iec-2").u(np.array([celsius]))[0])


def test_the_same_figures_typed_two_hundred_times_are_no_surer_than_once():
    once, often = told([("0", "0.8")]), told([("0", "0.8")] * 200)
    assert u_at(often, 0.8) == u_at(once, 0.8)
    # GUM F.1.2.3: an error that all have in common does not average out
    near = told([("0.0", f"{0.7 + 0.1 * (i % 3):.1f}") for i in range(200)])
    assert u_at(near, 0.8) >= 0.5 / 3**0.5
    pair, many = told([("0", "0.8"), ("100", "100.9")]), told([("0", "0.8"), ("100", "100.9")] * 100)
    assert u_at(many, 50.0) == u_at(pair, 50.0)


@settings(max_examples=30, deadline=None)
@given(st.floats(-0.4, 0.4), st.floats(-0.4, 0.4), st.integers(0, 10**6))
def test_an_instrument_that_is_off_within_what_was_said_leaves_the_truth_within_95_percent(low, high, seed):
    """Off by one figure at 0 degC and another at 100, both within the half degree that was given."""
    rng = np.random.default_rng(seed)
    true = np.sort(rng.uniform(0, 100, 5))
    shown = true - np.interp(true, [0, 100], [low, high])  # what the person takes for true
    found = fit(told([(f"{s:.1f}", f"{t:.1f}") for s, t in zip(shown, true, strict=True)]), "K", "iec-2")
    at = np.array([true.min(), true.mean(), true.max()])
    assert (np.abs(found.correction(at)) <= 2 * found.u(at) + 0.05).all()


def test_a_point_keeps_what_its_digit_leaves_open():
    # GUM F.2.2.1: 0.29 of a step
    (fine,), (coarse,) = points_of("--point=32.0F=33.41F"), points_of("--point=32=33", units="F")
    assert fine.u_reading == pytest.approx(0.01 / 1.8 / 12**0.5)
    assert coarse.u_reading == pytest.approx(1 / 1.8 / 12**0.5)
    assert (fine.kind, fine.n, fine.u_shared) == ("told", 0, pytest.approx(0.5 / 3**0.5))


def test_what_told_points_share_and_what_points_beside_a_probe_share_are_two_errors():
    beside, one = (Point(kind, 0.5, 0.01, np.inf, 0.0, 0.01, 0.3) for kind in ("beside", "told"))
    assert u_at([beside, one], 0.5) == pytest.approx(0.3 / 2**0.5, rel=0.01)
    assert u_at([one, one], 0.5) == pytest.approx(0.3, rel=0.01)


def test_figures_can_be_written_down_later_with_the_time_when_they_were_taken(tmp_path):
    kitchen = Kitchen(tmp_path, [constant(0.0)] * 3)
    kitchen.ledger.add_probe("green", "K", "iec-1")
    kitchen.wait(9000.0)
    kitchen.probe("calibrate", "green", "--point", "0=0.8", "--from", stamp(T0 + 600))
    assert record_of(kitchen, "green")[0].made_ms == round(1000 * (T0 + 600))
    kitchen.ledger.close()
