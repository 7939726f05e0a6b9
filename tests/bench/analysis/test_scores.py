"""The scores themselves: against references, and on small cases that can be reckoned by hand."""

import numpy as np
import pytest
from scipy.special import ndtri

from pitscribe.cook.forecast import COLDEST
from pitscribe.series import Series

from . import crps, table
from .baselines import MOST_S, Quantiles, Residuals, ToGo, climatology, persistence, slowest, to_go
from .score_finish import Row, cases, score
from .score_fire import FireScore
from .score_stall import NEAR_S, Call, Rule, StallScore
from .sensing import T0, Sensing, cook_record, sensed
from .truth import BenchCook, Fade, FireTruth, Spans, Truth

H = 3600.0


# CRPS: the values of SOURCES.md section 10 (two public packages and our own arithmetic agree there).
@pytest.mark.parametrize(
    ("mu", "sigma", "y", "expected"),
    [(0, 1, 0, 0.233695), (0, 1, 1, 0.602441), (0, 1, 2, 1.452792), (95, 2, 97, 1.204883), (600, 30, 645, 29.83272)],
)
def test_crps_of_a_normal(mu, sigma, y, expected):
    assert crps.of_normal(mu, sigma, y) == pytest.approx(expected, rel=1e-5)
    low, high = (mu + sigma * z for z in (ndtri(0.1), ndtri(0.9)))
    assert crps.of_quantiles(low, mu, high, y) == pytest.approx(expected, rel=0.005)


def test_crps_of_an_ensemble_and_pinball():
    members = np.array([590.0, 600.0, 605.0, 610.0, 640.0])
    assert crps.of_ensemble(members, 615.0) == pytest.approx(7.2)
    assert crps.pinball(0.9, 600, 645) == pytest.approx(40.5)
    assert crps.pinball(0.9, 600, 580) == pytest.approx(2.0)


def test_crps_of_a_certain_answer_is_how_far_it_is_off():
    assert crps.of_quantiles(10, 10, 10, 14) == pytest.approx(4)
    assert crps.of_ensemble(np.array([10.0]), 14) == pytest.approx(4)


def bench_cook(stalls=None, fire=None, places=(), hours=10.0, reach=None):
    t = np.arange(T0, T0 + hours * H, 60.0)
    record = cook_record("by hand", places, [], 95.0)
    return BenchCook("by hand", "x", "slab", record, Truth(
        stalls or {}, reach or {}, fire or FireTruth(((T0, 110.0, 130.0),)), hours, t, {}, {}))


SPANS = {"flat": Spans(((T0 + 4 * H, T0 + 6 * H),), ((T0 + 3.5 * H, T0 + 7 * H),))}


@pytest.mark.parametrize(
    ("calls", "found", "right"),
    [
        ([Call(T0 + 4.2 * H, T0 + 4.5 * H, None)], 1, 1),
        ([Call(T0 + 2.9 * H, T0 + 4.5 * H, T0 + 6 * H)], 1, 1),  # within 45 min of where one may begin to speak of it
        ([Call(T0 + 2.6 * H, T0 + 3.0 * H, T0 + 6 * H)], 0, 0),  # too early
        ([Call(T0 + 4.9 * H, T0 + 5.0 * H, None)], 0, 1),  # too late to count as found, but not wrong
        ([Call(T0 + 7.5 * H, T0 + 7.8 * H, None)], 0, 0),
        ([Call(T0 + 3.6 * H, T0 + 3.7 * H, T0 + 3.8 * H)], 0, 1),  # over before it surely was one
        ([Call(T0 + 4 * H, T0 + 4.2 * H, T0 + 5 * H), Call(T0 + 5.2 * H, T0 + 5.5 * H, None)], 1, 2),
        ([], 0, 0),
    ],
)
def test_a_stall_counts_if_it_overlaps_and_begins_near(calls, found, right):
    total = StallScore()
    cook = bench_cook(SPANS)
    total.add(cook.name, cook.truth.stalls, cook.truth.hours, {"flat": calls})
    assert (total.sure, total.found, total.said, total.right) == (1, found, len(calls), right)
    assert total.hours == 10
    assert NEAR_S == 45 * 60


def test_delay_is_from_the_sure_begin():
    total = StallScore()
    total.add("x", SPANS, 10.0, {"flat": [Call(T0 + 3.9 * H, T0 + 4.25 * H, None)]})
    assert total.delay_min == pytest.approx(15)


def series(celsius, hours=10.0, kind="meat", place="flat"):
    t = T0 + np.arange(0, hours * H, 20.0)
    y = np.array([celsius(x / H) for x in t - T0], dtype=float)
    return sensed(Sensing(60.0, 2.0**-7, 0.01), t, y, place, kind, np.random.default_rng(1), lag_s=20.0)


def plateau(h):
    """20 K/h to 65 degC, two hours of 1 K/h, then 20 K/h."""
    return 5 + 20 * h if h < 3 else 65 + (h - 3) if h < 5 else 67 + 20 * (h - 5)


@pytest.mark.parametrize("rule", [Rule("slope", False, 4.5), Rule("pace", True, 0.4)])
def test_the_simple_rules_find_a_plain_plateau(rule):
    pit = series(lambda h: 121.0, 6.5, "air", "grate")
    (call,) = rule(cook_record("x", [series(plateau, 6.5), pit], [], 95.0))["flat"]
    assert (call.begin - T0) / H == pytest.approx(3, abs=0.4)
    assert (call.end - T0) / H == pytest.approx(5, abs=0.5)
    assert call.noticed > T0 + 3 * H
    assert rule(cook_record("x", [series(lambda h: 5 + 14 * h, 6.5), pit], [], 95.0))["flat"] == []


def fading(under_h=7.0, begin_h=6.0):
    fade = Fade(T0 + begin_h * H, T0 + (begin_h + 0.1) * H, T0 + under_h * H, None)
    return FireTruth(((T0, 110.0, 130.0),), fades=(fade,), troubled=((T0 + 5.4 * H, T0 + 9 * H),))


@pytest.mark.parametrize(
    ("at_h", "warned", "false"), [(6.5, 1, 0), (6.76, 0, 0), (4.0, 0, 1), (5.6, 1, 0), (9.5, 0, 1)]
)
def test_a_fade_is_warned_of_a_quarter_of_an_hour_ahead(at_h, warned, false):
    total = FireScore()
    air = series(lambda h: 120.0, kind="air", place="grate")
    total.add(bench_cook(fire=fading(), places=[air]), [T0 + at_h * H])
    assert (total.fades, total.warned, total.false) == (1, warned, false)
    assert (total.roomy, total.roomy_warned) == (1, warned)


def test_a_fade_that_leaves_a_quarter_of_an_hour_and_little_more_is_counted_but_not_as_one_with_room():
    total = FireScore()
    air = series(lambda h: 120.0, kind="air", place="grate")
    total.add(bench_cook(fire=fading(6.4), places=[air]), [T0 + 6.1 * H])
    assert (total.fades, total.warned, total.roomy, total.roomy_warned) == (1, 1, 0, 0)


def test_a_fade_that_leaves_no_time_or_that_no_probe_saw_is_told_apart():
    air = series(lambda h: 120.0, kind="air", place="grate")
    total = FireScore()
    total.add(bench_cook(fire=fading(6.3), places=[air]), [])
    assert (total.fades, total.fast) == (0, 1)
    total.add(bench_cook(fire=fading(), places=[series(lambda h: 120.0, 5.0, "air", "grate")]), [])
    assert (total.fades, total.fast, total.unseen) == (0, 1, 1)


def test_linear_and_newton_are_what_they_say():
    meat, pit = series(lambda h: 5 + 12 * h, 5.0), series(lambda h: 121.0, 5.0, "air", "grate")
    told = to_go(cook_record("x", [meat, pit], [], 95.0), 90.0)["flat"]
    assert told.linear / 60 == pytest.approx(60 * (90 - 65) / 12, rel=0.04)
    assert told.newton / H == pytest.approx((121 - 65) / 12 * np.log((121 - 65) / (121 - 90)), rel=0.04)
    cold = series(lambda h: 80.0, 5.0, "air", "grate")
    assert to_go(cook_record("x", [meat, cold], [], 95.0), 90.0)["flat"].newton == MOST_S
    assert slowest({"a": ToGo(1, 5), "b": ToGo(3, 2)}) == ToGo(3, 5)


def test_spread_of_the_baselines_is_honest_where_errors_are_as_before():
    """Log errors of 0.2 about a bias of half: 80 % of new cases of the same kind lie inside."""
    rng = np.random.default_rng(4)
    told, elapsed = rng.uniform(2, 8, 4000) * H, rng.uniform(1, 9, 4000) * H
    true = told * np.exp(rng.normal(0.5, 0.2, 4000))
    usual = Residuals.of(elapsed[:3000], told[:3000], true[:3000])
    q = [usual.spread(T0, e, x) for e, x in zip(elapsed[3000:], told[3000:], strict=True)]
    inside = np.mean([a.p10 <= T0 + y <= a.p90 for a, y in zip(q, true[3000:], strict=True)])
    assert inside == pytest.approx(0.8, abs=0.04)


def test_climatology_counts_those_that_took_longer():
    q = climatology([6 * H, 8 * H, 9 * H, 10 * H, 11 * H, 12 * H], T0, 7 * H)
    assert q.p50 == T0 + 10 * H
    assert climatology([3 * H], T0, 7 * H).p10 > T0 + 7 * H
    assert persistence(Quantiles(T0, T0 + H, T0 + 2 * H), T0 + 1.5 * H) == (T0 + 1.5 * H, T0 + 1.5 * H, T0 + 2 * H)


def test_a_row_means_over_cooks_and_not_over_cases():
    row = Row()
    case = cases([bench_cook(reach={"flat": dict.fromkeys((74.0, 82.0, 90.5, 95.0), T0 + 8 * H)})])[0]
    for _ in range(3):
        row.add(case, Quantiles(case.at, case.at, case.at))
    other = type(case)(1, "flat", 95.0, case.at)
    row.add(other, Quantiles(case.at + 600, case.at + 1200, case.at + 2400))
    assert row.mean("off") == pytest.approx(10)
    assert row.mean("inside") == pytest.approx(0.5)


def test_a_perfect_forecaster_scores_nothing_and_a_silent_one_is_left_out():
    places = [series(plateau, 6.5), series(lambda h: 121.0, 6.5, "air", "grate")]
    at = {x: T0 + (5 + (x - 67) / 20) * H for x in (74.0, 82.0, 90.5, 95.0)}
    held = [bench_cook(places=places, reach={"flat": at}, hours=6.5)]
    truth = lambda record, target: {"flat": Quantiles(*[at[target]] * 3)}  # noqa: E731
    best = score(held, held, truth)
    assert best.row(0.5, "pitscribe").mean("crps") == pytest.approx(0, abs=1e-9)
    silent = score(held, held, lambda record, target: {"flat": None})
    assert silent.left_out == silent.cases == 4
    assert COLDEST not in [c.place for c in cases(held)]  # one place is the coldest itself


def test_the_table_keeps_the_rest_of_its_page(tmp_path):
    page = tmp_path / "ANALYSIS.md"
    page.write_text(f"# Head\n\nbefore\n\n{table.BEGIN}\nold\n{table.END}\n\nafter\n")
    table.write(page, ["| a |"])
    text = page.read_text()
    assert "before" in text
    assert "after" in text
    assert "old" not in text
    assert "| a |" in text
    table.write(tmp_path / "new.md", ["| b |"])
    assert "| b |" in (tmp_path / "new.md").read_text()


def test_readings_have_the_gaps_and_open_leads_that_were_asked_for():
    t = T0 + np.arange(0, 4 * H, 20.0)
    how = Sensing(10.0, 0.25, 0.0, 0.0, ((H, 2 * H),))
    s = sensed(how, t, np.full(t.size, 60.1), "flat", "meat", np.random.default_rng(1), lag_s=20.0,
               opens=[(T0 + 3 * H, T0 + 3.5 * H)], until=T0 + 3.8 * H)
    assert isinstance(s, Series)
    assert not ((s.t >= T0 + H) & (s.t < T0 + 2 * H)).any()
    assert s.t[-1] < T0 + 3.8 * H
    assert set(s.celsius[s.good()]) == {60.0}
    assert not s.good()[(s.t >= T0 + 3 * H) & (s.t < T0 + 3.5 * H)].any()
