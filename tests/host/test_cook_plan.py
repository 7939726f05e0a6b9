"""Plans backwards from the table, what-ifs of a running cook, and courses of the pit to come."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_cook_forecast import kitchen, looked  # noqa: F401 (a fixture)

from pitscribe.cook.conditioning import learn
from pitscribe.cook.cook_on import Plan
from pitscribe.cook.pit_ahead import ahead, so_far
from pitscribe.cook.plan import Joint, start_for, what_ifs
from pitscribe.errors import ReadingError

SERVE = 1_800_000_000.0
THICK = Joint(thickness_mm=75)


def test_more_certainty_a_thicker_piece_or_a_cooler_pit_start_earlier():
    usual = start_for(THICK, 93.0, 121.0, SERVE)
    assert start_for(THICK, 93.0, 121.0, SERVE, chance=0.9).start_at < usual.start_at
    assert start_for(Joint(thickness_mm=95), 93.0, 121.0, SERVE).start_at < usual.start_at
    assert start_for(THICK, 93.0, 110.0, SERVE).start_at < usual.start_at
    assert start_for(THICK, 93.0, 121.0, SERVE, rest_s=7200).start_at == usual.start_at - 3600
    assert start_for(THICK, 93.0, 121.0, SERVE, wrap=True).start_at > usual.start_at
    assert usual.start_at % 900 == 0


def test_the_start_leaves_the_chance_that_was_asked_for():
    said = start_for(THICK, 93.0, 121.0, SERVE, chance=0.8)
    time = SERVE - said.rest_s - said.start_at
    assert said.takes_s[1] < time < said.takes_s[2]  # 80 % lies between the median and 90 %
    assert said.holds_s[0] == 0.0
    assert said.holds_s[1] == pytest.approx(time - said.takes_s[0])
    assert "140 degF" in said.caution


def test_a_whole_brisket_takes_what_the_trade_says():
    # 12 to 20 h for a whole brisket at 107 to 135 degC (common practice, no source): the interval overlaps most of it
    low, _, high = start_for(Joint(weight_kg=6.0), 93.0, 112.0, SERVE).takes_s
    assert low < 12 * 3600
    assert high > 18 * 3600


@pytest.mark.parametrize(
    ("of", "says"),
    [
        ({"target_c": 203.0}, "degF"), ({"pit_c": 20.0}, "pit"), ({"chance": 1.0}, "chance"),
        ({"rest_s": -1.0}, "rest"),
        ({"joint": Joint(thickness_mm=2000)}, "thickness"), ({"joint": Joint(weight_kg=0)}, "weight"),
        ({"joint": Joint(start_c=60)}, "start"), ({"pit_c": float("nan")}, "pit"),
    ],
)
def test_absurd_plans_are_refused_by_name(of, says):
    usual = {"joint": THICK, "target_c": 93.0, "pit_c": 121.0, "serve_at": SERVE}
    with pytest.raises(ReadingError, match=says):
        start_for(**(usual | of))


def test_a_pit_below_the_target_has_no_start_and_says_why():
    said = start_for(THICK, 93.0, 85.0, SERVE)
    assert said.start_at is None
    assert "no hotter" in said.why_not
    assert said.as_json()["takes_s"] == [None, None, None]


def test_what_ifs_share_the_cook_and_rank_as_they_should(kitchen):  # noqa: F811
    rec, _ = kitchen
    meat, air, notes, grid = looked(rec, 4.0)
    known = learn(meat, air, notes, grid)
    by = grid.end(grid.n - 1) + 4 * 3600
    plans = [Plan(wrap=True), Plan(pit_c=105.0, wrap=False)]
    now, wrap, cool = what_ifs(known, meat, 93.0, grid, plans, by=by)
    assert wrap.forecast.p50 < now.forecast.p50 < cool.forecast.p50
    assert wrap.chance >= now.chance >= cool.chance
    with pytest.raises(ReadingError, match="pit"):
        what_ifs(known, meat, 93.0, grid, [Plan(pit_c=500.0)])


def pit(hours: float, level: float = 121.0, swing: float = 6.0) -> np.ndarray:
    t = np.arange(round(hours * 60))
    return level + swing * np.sin(2 * np.pi * t / 45)


def courses(y: np.ndarray, level_c: float | None = None) -> np.ndarray:
    return ahead(y, 96, 5, 400, np.random.default_rng(1), level_c)[0]


def test_a_steady_pit_goes_on_at_its_level_with_its_own_swings():
    out = courses(pit(5))
    assert out.shape == (96, 400)
    assert out.mean() == pytest.approx(121.0, abs=1.0)
    within = out - out.mean(axis=0)
    assert 3.0 < within.std() < 12.0
    calm = courses(pit(5, swing=0.3))
    assert calm[:12].std(axis=0).mean() < within[:12].std(axis=0).mean()


def test_a_pit_set_to_a_level_goes_there():
    assert courses(pit(5), 140.0)[12:].mean() == pytest.approx(140.0, abs=1.5)


def test_a_dying_fire_mostly_comes_back_but_not_at_once():
    y = pit(6)
    y[-50:] = 25 + (y[-50:] - 25) * np.exp(-np.arange(50) / 60)
    out = courses(y)
    assert (out[-24:].mean(axis=0) > 105).mean() > 0.6
    assert out[2].mean() < 105


def test_a_pit_that_is_dead_for_hours_is_relit_by_fewer_and_fewer():
    y = np.concatenate((pit(4), np.full(300, 20.0)))
    relit = [(courses(y[: 240 + m])[-24:].mean(axis=0) > 105).mean() for m in (30, 120, 180, 300)]
    assert relit == sorted(relit, reverse=True)
    assert relit[0] > 0.9
    assert relit[-1] < 0.4


@given(st.floats(0.3, 4.0), st.floats(1.2, 3.0))
@settings(max_examples=15, deadline=None)
def test_the_longer_a_pit_is_low_the_longer_it_takes_until_it_is_back(low_h, more):
    """Half of the low pits are back by a time that grows with how long they are low, nearly all within two days."""
    def back_h(hours: float) -> np.ndarray:
        y = np.concatenate((pit(4, swing=1.0), pit(hours, 92.0, 1.0)))
        level = ahead(y, 576, 5, 400, np.random.default_rng(1), target_c=95.0)[1]
        return np.where((level > 115).any(axis=0), (level > 115).argmax(axis=0) / 12, np.inf)

    short, long = back_h(low_h), back_h(low_h * more)
    assert np.isfinite(long).mean() > 0.9
    for q in (0.25, 0.5, 0.75):
        a, b = (np.quantile(x, q, method="inverted_cdf") for x in (short, long))
        assert a <= b
    assert np.median(short) < 1.0 + low_h


def test_an_opened_lid_is_no_dying_fire():
    y = pit(5)
    y[-8:] -= 45.0
    assert (courses(y)[-24:].mean(axis=0) > 105).mean() > 0.95


def test_a_pit_that_was_turned_down_long_ago_stays_down():
    y = np.concatenate((pit(3, 135.0), pit(3.5, 112.0)))
    assert courses(y)[24:].mean() == pytest.approx(112.0, abs=8.0)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.one_of(st.none(), st.floats(-40, 400)), max_size=200), st.sampled_from([None, 110.0]))
def test_whatever_the_pit_did_there_are_finite_courses(values, level):
    y = np.array([np.nan if v is None else v for v in values], dtype=float)
    assert np.isfinite(ahead(y, 30, 5, 20, np.random.default_rng(0), level)[0]).all()
    course = so_far(y[: y.size // 5 * 5], 5)
    assert np.isfinite(course.celsius).all()
    assert course.celsius.size == course.unseen.size == y.size // 5
