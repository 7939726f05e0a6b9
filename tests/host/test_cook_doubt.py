"""A reading that rests while others move counts for nothing, from one place in the code, and is told."""

import numpy as np
import pytest
from cook_kitchen import T0, Spec, cook_all, record, sense
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.analysis import analyse
from pitscribe.cook.doubt import COARSE_REST_MIN, OTHERS_K, REST_MIN, counted
from pitscribe.cook.grid import Cells
from pitscribe.cook.text import summary
from pitscribe.series import Series

NAMES = ("flat", "point", "tip")
HALF_MM = (30, 34, 38)  # tip, the thickest here, is truly the coldest
STUCK_H = 2.0


def series(stuck_h=STUCK_H, hours=6.0):
    """Pit and three meat places; the tip's reading is one value from ``stuck_h`` on."""
    truth = cook_all([Spec(hours=hours, half_mm=h, juice=0.6, seed=4) for h in HALF_MM])
    how = {"every_s": 30.0, "quantum": 0.25, "noise": 0.1}
    meat = [sense(truth.t, truth.meat[:, i], place=n, kind="meat", seed=i, **how) for i, n in enumerate(NAMES)]
    tip = meat[2]
    after = tip.t >= T0 + 3600 * stuck_h
    held = np.where(after, tip.celsius[after][0], tip.celsius)
    stuck = Series("tip", "meat", tip.t, held, tip.u, tip.flags)
    return record([sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=9, **how), *meat[:2], stuck])


@pytest.fixture(scope="module")
def said():
    return analyse(series(), target_c=93.0, ahead=True)


def test_a_stuck_place_is_neither_coldest_nor_laggard_nor_waited_for(said):
    tip = next(p for p in said.places if p.place == "tip")
    assert tip.celsius is None
    assert "the very same for 3 h 5" in tip.why_no_value
    assert said.coldest.place == "point"
    assert said.evenness.now.coldest == "point"
    assert "tip" not in said.evenness.now.among
    coldest, of_tip = said.forecasts[-1], next(f for f in said.forecasts if f.place == "tip")
    assert coldest.without == ("tip",)
    assert of_tip.p50 is None
    assert of_tip.why_not == tip.why_no_value
    assert said.hint is None or said.hint.place != "tip"
    zone = next(c for c in said.safety.places["tip"] if c.what == "danger zone")
    assert zone.state == "unknown"


def test_it_is_told_in_words(said):
    text = summary(said)
    assert "cannot say: present temperature of tip (its reading has been the very same for" in text
    assert "the coldest place (without tip)" in text


def test_until_an_hour_has_passed_it_counts_and_a_plateau_alone_is_not_judged():
    rec = series()
    early = analyse(rec.until(T0 + 3600 * STUCK_H + 60 * (REST_MIN - 5)))
    assert early.coldest.place == "tip"
    alone = record([s for s in rec.places if s.place in ("grate", "tip")])
    assert analyse(alone).coldest.place == "tip"


def cells(y, step=0.25):
    y = np.asarray(y, dtype=float)
    return Cells(y, np.full(y.size, 0.5), np.full(y.size, step))


def test_a_coarse_reading_may_rest_longer_and_a_reading_that_goes_on_counts_again():
    """A stall that heats by 0.3 K/h is on one step of 1 degF for 1.8 h (arithmetic)."""
    rises = cells(np.linspace(40, 70, 200))
    rest = np.concatenate((np.linspace(30, 50, 50), np.full(90, 50.25), np.linspace(50.5, 60, 60)))
    fine = counted({"a": rises, "b": cells(rest)})["b"]
    coarse = counted({"a": rises, "b": cells(rest, step=0.5)})["b"]
    assert np.flatnonzero(~np.isfinite(fine.celsius)).tolist() == list(range(51, 140))
    assert fine.rests_min == 0
    assert np.isfinite(coarse.celsius).all()
    assert COARSE_REST_MIN > 108


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 150), st.one_of(st.none(), st.integers(0, 400))), min_size=1, max_size=6),
    st.lists(st.floats(0, 100), min_size=1, max_size=6), st.sampled_from([0.1, 0.25, 0.56, np.nan]),
)
def test_only_rests_beside_meat_that_moved_are_left_out_and_nothing_else_changes(parts, knots, step):
    y = np.concatenate([np.full(n, np.nan if v is None else v / 4) for n, v in parts])
    other = np.interp(np.linspace(0, 1, y.size), np.linspace(0, 1, len(knots)), knots)
    before = y.copy()
    one = counted({"a": cells(y, step), "b": cells(other)})["a"]
    assert np.array_equal(y, before, equal_nan=True)
    out = np.isfinite(before) & ~np.isfinite(one.celsius)
    assert np.array_equal(one.celsius[~out], before[~out], equal_nan=True)
    for k in np.flatnonzero(out).tolist():
        same = [a for a in range(k, -1, -1) if np.isfinite(before[a])]
        assert before[same[1]] == before[k]  # what it rests on was read before
    if np.ptp(other) < OTHERS_K:
        assert not out.any()
    assert (one.rests_min > 0) <= bool(out.any())
