"""Decimation for the chart: nothing extreme is lost, and what is added later fits what was drawn before."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.ledger.values import Cook
from pitscribe.page.chart import POINTS, WIDTHS_S, bucket_width, chart, decimate, spread_of
from pitscribe.series import CookRecord, Series


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


# what is sent anew, and what a browser makes of it

T0 = 1_780_000_000.0


def record_of(*places: Series) -> CookRecord:
    return CookRecord(Cook(1, "Brisket", round(T0 * 1000), None, None), places, (), 0, 0)


class Browser:
    """Follows a chart as chartdata.js does."""

    def __init__(self) -> None:
        self.held = None
        self.fulls = 0

    def ask(self, record: CookRecord) -> dict:
        old = self.held
        known = {} if old is None else {"after": old["next"], "width": old["width"], "kept": old["kept"]}
        news = chart(record, points=60, **known)
        self.fulls += news["full"]
        if not news["full"]:
            for mine, more in zip([*old["places"], old["spread"]], [*news["places"], news["spread"]], strict=True):
                n = sum(t < news["after"] for t in mine["t"])
                news_t, news_c = mine["t"][:n] + more["t"], mine["c"][:n] + more["c"]
                more["t"], more["c"] = news_t, news_c
        self.held = news
        return news


def same(a: dict, b: dict) -> bool:
    return all(a[key] == b[key] for key in ("width", "from", "to", "next", "kept", "places", "spread"))


def test_what_a_thick_probe_reads_is_drawn_beside_the_air_that_was_worked_out():
    t = np.arange(T0, T0 + 3600.0)
    flat, stick, read = place("flat", t, 60 + 0 * t), place("stick", t, 120 + 0 * t), place("stick", t, 110 + 0 * t)
    stick, read = (replace(s, kind="air") for s in (stick, read))
    drawn = chart(replace(record_of(flat, stick), as_read=(read,)))
    assert [(p["place"], p["kind"], p["c"][0]) for p in drawn["places"]] == [
        ("flat", "meat", 60.0), ("stick", "air", 120.0), ("stick, as read", "air", 110.0)]


def test_a_backlog_reaches_a_chart_that_is_open():
    """One logger was away for an hour and is back: its journal comes, older than the other's newest reading."""
    whole = np.arange(0, 7260.0)
    flat, point = (place(name, T0 + whole, 60 + whole / 1000) for name in ("flat", "point"))
    browser = Browser()
    browser.ask(record_of(flat.until(T0 + 7200), point.until(T0 + 3600)))
    now = record_of(flat, point)
    assert same(browser.ask(now), chart(now, points=60))
    assert max(np.diff(browser.held["places"][1]["t"])) < 300


def test_a_chart_that_only_grows_is_sent_once_and_then_only_its_end():
    t = np.arange(0, 7200.0)
    flat, point = (place(name, T0 + t, 60 + np.sin(t)) for name in ("flat", "point"))
    browser = Browser()
    for end in range(6000, 7200, 30):
        now = record_of(flat.until(T0 + end), point.until(T0 + end - 20))
        assert same(browser.ask(now), chart(now, points=60))
    assert browser.fulls == 1


def test_a_silence_that_ends_is_no_line_in_a_chart_that_is_open():
    t = np.concatenate((np.arange(0, 3600.0), np.arange(7210, 7260.0)))
    flat, point = place("flat", T0 + np.arange(0, 7260.0), np.full(7260, 60.0)), place("point", T0 + t, t / 100)
    browser = Browser()
    browser.ask(record_of(flat.until(T0 + 7200), point.until(T0 + 7200)))
    now = record_of(flat, point)
    assert same(browser.ask(now), chart(now, points=60))
    assert None in browser.held["places"][1]["c"]


def test_the_band_is_the_series_own_uncertainty_at_the_very_points_that_are_drawn():
    t = np.arange(T0, T0 + 7200.0)
    rng = np.random.default_rng(5)
    u = rng.uniform(0.2, 2.0, t.size)
    flags = np.where(rng.uniform(size=t.size) < 0.02, np.uint32(1), np.uint32(0)).astype(np.uint32)
    k = np.full(t.size, 2.36)  # of few readings: wider than twice
    flat = Series("flat", "meat", t, 60 + rng.normal(0, 1, t.size), u, flags, k)
    assert "b" not in chart(record_of(flat))["places"][0]
    drawn = chart(record_of(flat), band=True)["places"][0]
    assert len(drawn["b"]) == len(drawn["c"]) == len(drawn["t"]) > 100
    columns = (c.tolist() for c in (t, flat.celsius, flat.expanded()))
    at = {round(a, 1): (c, b) for a, c, b in zip(*columns, strict=True)}
    for when, c, b in zip(drawn["t"], drawn["c"], drawn["b"], strict=True):
        assert (c is None) == (b is None)
        if c is not None:
            assert (c, b) == pytest.approx(at[when], abs=0.006)


def test_a_band_that_is_asked_for_later_comes_whole_and_then_only_its_end():
    t = np.arange(0, 7200.0)
    flat = place("flat", T0 + t, 60 + np.sin(t))
    first = chart(record_of(flat.until(T0 + 7000)), points=60)
    known = {"after": first["next"], "width": first["width"], "kept": first["kept"]}
    wide = chart(record_of(flat.until(T0 + 7030)), points=60, band=True, **known)
    assert wide["full"]
    known = {"after": wide["next"], "width": wide["width"], "kept": wide["kept"]}
    assert not chart(record_of(flat), points=60, band=True, **known)["full"]
    assert chart(record_of(flat), points=60, **known)["full"]


chunks = st.lists(st.tuples(st.integers(0, 2), st.integers(0, 29)), min_size=1, max_size=40)


@settings(max_examples=80, deadline=None)
@given(chunks, st.integers(0, 9999), st.sampled_from([1.0, 7.0, 60.0]), st.lists(st.floats(-40, 40), max_size=3))
def test_whatever_comes_in_whatever_order_an_open_chart_is_the_same_as_a_new_one(arrivals, seed, every, shifts):
    """Three places in 30 pieces each, which arrive in any order; at the end the times of a place are put right."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 30 * 20) * every
    values = [np.where(rng.uniform(size=t.size) < 0.1, np.nan, 60 + np.cumsum(rng.normal(0, 1, t.size))) for _ in "abc"]
    here = np.zeros((3, t.size), dtype=bool)
    browser = Browser()

    def look(shift: float = 0.0) -> None:
        places = [place(n, T0 + t[h] + shift * (n == "b"), y[h]) for n, h, y in zip("abc", here, values, strict=True)]
        now = record_of(*places)
        assert same(browser.ask(now), chart(now, points=60))

    for which, piece in arrivals:
        here[which, piece * 20 : piece * 20 + 20] = True
        look()
    for shift in shifts:
        look(shift)
