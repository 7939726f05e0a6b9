"""Decimation for the chart: nothing extreme is lost, and what is added later fits what was drawn before."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.page.chart import POINTS, WIDTHS_S, bucket_width, decimate, spread_of
from pitscribe.series import Series


def ascending(draw_steps: list[float]) -> np.ndarray:
    return 1_780_000_000.0 + np.cumsum(np.array(draw_steps))


series = st.lists(
    st.tuples(st.floats(0.25, 400.0), st.one_of(st.floats(-50, 600), st.just(float("nan")))), min_size=1, max_size=400
)


@settings(max_examples=150, deadline=None)
@given(series, st.sampled_from(WIDTHS_S[:12]))
def test_each_bucket_keeps_its_extremes_at_their_own_times(samples, width):
    t, y = ascending([s[0] for s in samples]), np.array([s[1] for s in samples])
    dt, dy = decimate(t, y, width)
    assert (np.diff(dt) > 0).all()
    bucket, dbucket = t // width, dt // width
    known = np.isfinite(y)
    for b in np.unique(bucket[known]):
        mine, drawn = y[(bucket == b) & known], dy[(dbucket == b) & np.isfinite(dy)]
        assert drawn.min() == mine.min()
        assert drawn.max() == mine.max()
    # Every drawn value is a sample that was really taken, at the time at which it was taken.
    taken = {(a, b) for a, b in zip(t[known], y[known], strict=True)}
    assert {(a, b) for a, b in zip(dt, dy, strict=True) if np.isfinite(b)} <= taken


@settings(max_examples=100, deadline=None)
@given(series, st.sampled_from(WIDTHS_S[:10]), st.integers(1, 399))
def test_points_added_from_a_bucket_on_are_those_of_the_whole(samples, width, cut):
    t, y = ascending([s[0] for s in samples]), np.array([s[1] for s in samples])
    whole_t, whole_y = decimate(t, y, width)
    before_t, _ = decimate(t[:cut], y[:cut], width)
    after = before_t[-1] // width * width
    keep = before_t < after
    new = t >= after
    more_t, more_y = decimate(t[new], y[new], width)
    # The page keeps what is before the bucket and appends; only marks of gaps at the seam may be missing.
    joined = dict(zip(before_t[keep], decimate(t[:cut], y[:cut], width)[1][keep], strict=True))
    joined |= dict(zip(more_t, more_y, strict=True))
    finite = {a: b for a, b in joined.items() if np.isfinite(b)}
    assert finite == {a: b for a, b in zip(whole_t, whole_y, strict=True) if np.isfinite(b)}


def test_no_line_is_drawn_over_a_silence():
    t = np.concatenate((np.arange(0, 600.0), np.arange(4000.0, 4600.0)))
    dt, dy = decimate(t, np.ones(t.size), 10)
    assert np.isnan(dy).sum() == 1
    assert 590 < dt[np.isnan(dy)][0] < 4000


def test_a_stretch_of_faults_breaks_the_line():
    t, y = np.arange(0, 3600.0), np.full(3600, 60.0)
    y[1000:2000] = np.nan
    dt, dy = decimate(t, y, 10)
    assert np.isnan(dy[(dt >= 1010) & (dt < 1990)]).all()
    assert ((dt >= 1010) & (dt < 1990)).any()


@pytest.mark.parametrize("span_h", [0, 0.1, 1, 6, 14, 18, 36, 200])
def test_a_trace_of_any_cook_has_at_most_so_many_points(span_h):
    t = np.arange(0, span_h * 3600 + 1.0)
    dt, _ = decimate(t, np.sin(t), bucket_width(span_h * 3600))
    assert dt.size <= POINTS + 4  # the buckets at both ends are cut


def place(name: str, t: np.ndarray, celsius: np.ndarray) -> Series:
    return Series(name, "meat", t, celsius, np.full(t.size, 0.5), np.zeros(t.size, np.uint32))


def test_spread_is_hottest_less_coldest_where_two_places_can_be_read():
    t = np.arange(0, 3600.0)
    b = np.full(3600, 63.0)
    b[1800:] = np.nan
    at, k = spread_of([place("flat", t, np.full(3600, 60.0)), place("point", t + 0.4, b)], 60)
    assert at[0] == 30.0
    assert k == pytest.approx(3.0)
    assert at[-1] < 1860


def test_spread_of_one_place_is_nothing():
    t = np.arange(0, 3600.0)
    assert spread_of([place("flat", t, t)], 60)[0].size == 0
