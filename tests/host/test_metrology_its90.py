"""its90 as a function: shapes, NaN, ranges, errors, and the round trip at any value."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pitscribe.errors import OutOfRangeError
from pitscribe.metrology import its90

KIND = st.sampled_from(its90.KINDS)
PATIENT = settings(deadline=None)  # a busy machine is no failure


@PATIENT
@given(st.data(), KIND)
def test_temperature_undoes_emf_at_any_value(data, kind):
    celsius = data.draw(st.floats(*its90.limits(kind)))
    assert its90.temperature(kind, its90.emf(kind, celsius)) == pytest.approx(celsius, abs=1e-6)


@PATIENT
@given(st.data(), KIND)
def test_emf_undoes_temperature_at_any_value(data, kind):
    low, high = its90.emf_limits(kind)
    mv = data.draw(st.floats(low, high))
    # 1e-6 degC is 8e-8 mV at the steepest slope of all types (E, 81 uV/K).
    assert its90.emf(kind, its90.temperature(kind, mv)) == pytest.approx(mv, abs=8.2e-8)


@PATIENT
@given(st.data(), KIND)
def test_an_array_gives_what_its_values_give_one_by_one_and_nan_stays_nan(data, kind):
    value = st.one_of(st.just(float("nan")), st.floats(*its90.limits(kind)))
    celsius = data.draw(arrays(np.float64, st.integers(0, 12), elements=value))
    mv = its90.emf(kind, celsius)
    assert mv.tolist() == pytest.approx([its90.emf(kind, float(t)) for t in celsius], abs=1e-12, nan_ok=True)
    back = its90.temperature(kind, mv)
    assert np.array_equal(np.isnan(back), np.isnan(celsius))
    assert back == pytest.approx(celsius, abs=1e-6, nan_ok=True)


def test_scalars_give_floats_and_arrays_keep_their_shape():
    assert isinstance(its90.emf("K", 25.0), float)
    assert isinstance(its90.temperature("K", 1.0), float)
    assert np.isnan(its90.temperature("K", float("nan")))
    grid = np.linspace(0, 300, 12).reshape(3, 4)
    for function in (its90.emf, its90.sensitivity, its90.temperature):
        assert function("T", grid / 20).shape == (3, 4)
        assert function("T", np.empty(0)).shape == (0,)


def test_what_goes_in_is_not_written_to():
    celsius = np.array([-300.0, np.nan, 20.0, 2000.0])
    mv = np.array([-99.0, np.nan, 1.0, 99.0])
    before = celsius.copy(), mv.copy()
    for function, values in ((its90.emf, celsius), (its90.sensitivity, celsius), (its90.temperature, mv)):
        function("K", values, out_of_range="nan")
    assert np.array_equal(celsius, before[0], equal_nan=True)
    assert np.array_equal(mv, before[1], equal_nan=True)


@pytest.mark.parametrize("kind", its90.KINDS)
def test_out_of_range_names_the_value_and_the_range(kind):
    low, high = its90.limits(kind)
    with pytest.raises(OutOfRangeError, match=rf"type {kind}: {high + 1:g} degC is outside {low:g} to {high:g} degC"):
        its90.emf(kind, np.array([20.0, high + 1]))
    low_mv, high_mv = its90.emf_limits(kind)
    with pytest.raises(OutOfRangeError, match=rf"type {kind}: -90 mV is outside {low_mv:.6g} to {high_mv:.6g} mV"):
        its90.temperature(kind, -90.0)
    assert np.isnan(its90.emf(kind, np.array([low - 1, np.nan, high + 1]), out_of_range="nan")).all()
    assert np.isnan(its90.temperature(kind, 90.0, out_of_range="nan"))


@pytest.mark.parametrize("kind", its90.KINDS)
def test_the_ends_of_the_range_are_in_it(kind):
    for end, end_mv in zip(its90.limits(kind), its90.emf_limits(kind), strict=True):
        assert its90.emf(kind, end) == pytest.approx(end_mv)
        assert its90.temperature(kind, end_mv) == pytest.approx(end, abs=1e-6)


def test_infinity_is_out_of_range():
    with pytest.raises(OutOfRangeError):
        its90.emf("K", float("inf"))
    assert np.isnan(its90.temperature("K", np.array([-np.inf, np.inf]), out_of_range="nan")).all()


def test_an_unknown_type_is_refused_by_name():
    with pytest.raises(OutOfRangeError, match="'Q'"):
        its90.emf("Q", 1.0)
