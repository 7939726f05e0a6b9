"""Finish forecasts: what they say, when they say nothing, and that they never look ahead."""

from dataclasses import replace

import numpy as np
import pytest
from cook_kitchen import T0, Spec, cook_all, record, sense
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.conditioning import learn
from pitscribe.cook.cook_on import PACE_SD, Ahead, Plan, first_reach
from pitscribe.cook.ensemble import PRIORS, Ensemble
from pitscribe.cook.forecast import COLDEST, Forecast, as_cooks_go, forecasts_of, foretell
from pitscribe.cook.grid import Cells, Grid, cells_of, grid_of
from pitscribe.cook.text import forecast_line
from pitscribe.ledger.values import Note

NAMES = ("flat", "point")
KITCHEN = {"hours": 12.0, "pit_c": 121.0, "juice": 0.6, "crust_kg": 3.5}


def looked(rec, t_h: float | None = None) -> tuple[dict[str, Cells], list[Cells], tuple, Grid]:
    """The arguments of a forecast at so many hours."""
    cut = rec if t_h is None else rec.until(T0 + t_h * 3600)
    grid = grid_of(cut.places)
    meat = {s.place: cells_of(s, grid) for s in cut.places if s.kind == "meat"}
    return meat, [cells_of(s, grid) for s in cut.places if s.kind == "air"], cut.notes, grid


def one(said, place: str) -> Forecast:
    return next(f for f in said if f.place == place)


@pytest.fixture(scope="module")
def kitchen():
    """(record, truth) of a cook of two places, read every 10 s in steps of 0.25 K."""
    truth = cook_all([Spec(**KITCHEN, half_mm=32, seed=4), Spec(**KITCHEN, half_mm=38, seed=4)])
    how = {"every_s": 10.0, "quantum": 0.25, "noise": 0.1}
    meat = [sense(truth.t, truth.meat[:, i], place=n, kind="meat", seed=i, **how) for i, n in enumerate(NAMES)]
    air = sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=9, **how)
    return record([air, *meat], notes=((1.0, "text"),)), truth


def reach(truth, row: int, target: float) -> float:
    return float(truth.t[np.argmax(truth.meat[:, row] >= target)])


def test_the_interval_holds_what_happened_and_narrows(kitchen):
    rec, truth = kitchen
    widths = []
    for share in (0.3, 0.6, 0.9):
        at = reach(truth, 0, 90.0)
        f = one(forecasts_of(*looked(rec, share * (at - T0) / 3600), [90.0]), "flat")
        assert f.made < f.p10 <= f.p50 <= f.p90
        assert f.p10 - 600 <= at <= f.p90 + 600
        widths.append(f.p90 - f.p10)
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] < 0.25 * widths[0]


def test_early_it_is_wide_and_says_so_and_shows_no_minutes(kitchen):
    rec, _ = kitchen
    early = one(forecasts_of(*looked(rec, 1.0), [95.0]), "flat")
    assert early.wide
    assert early.as_json()["wide"] is True
    assert early.round_s >= 1800
    assert early.told(early.p50) % early.round_s == 0
    assert abs(early.told(early.p50) - early.p50) <= early.round_s / 2


def test_what_is_said_at_a_time_does_not_depend_on_what_comes_later(kitchen):
    rec, _ = kitchen
    for hours in (2.0, 5.52):
        meat, air, notes, grid = looked(rec, hours)
        later_meat, later_air, _, later_grid = looked(rec, hours + 3)
        short = Grid(later_grid.origin, grid.n)

        def cut(c: Cells, n: int = grid.n) -> Cells:
            return replace(c, celsius=c.celsius[:n], u=c.u[:n], step=c.step[:n])

        now = forecasts_of(meat, air, notes, grid, [74.0, 95.0])
        again = forecasts_of({n: cut(c) for n, c in later_meat.items()}, [cut(c) for c in later_air], notes, short,
                             [74.0, 95.0])
        assert [f.as_json() for f in now] == [f.as_json() for f in again]


def test_the_coldest_place_is_there_no_sooner_than_any(kitchen):
    rec, _ = kitchen
    for hours in (1.5, 4.0, 7.0):
        *each, last = forecasts_of(*looked(rec, hours), [93.0])
        assert last.place == COLDEST
        for f in each:
            assert all(a is None or (b is not None and a >= b) for a, b in zip(
                (last.p10, last.p50, last.p90), (f.p10, f.p50, f.p90), strict=True))


def test_a_target_that_was_reached_says_when(kitchen):
    rec, truth = kitchen
    said = forecasts_of(*looked(rec), [60.0])
    for row, name in enumerate(NAMES):
        f = one(said, name)
        assert f.reached
        assert f.p10 == f.p50 == f.p90 == pytest.approx(reach(truth, row, 60.0), abs=300)
    assert one(said, COLDEST).p50 == max(one(said, n).p50 for n in NAMES)


def test_without_a_pit_probe_it_is_wider_and_goes_on(kitchen):
    rec, _ = kitchen
    meat, air, notes, grid = looked(rec, 3.0)
    seen = one(forecasts_of(meat, air, notes, grid, [90.0]), "flat")
    blind = one(forecasts_of(meat, [], notes, grid, [90.0]), "flat")
    assert blind.p50 is not None
    assert (blind.p90 or 1e18) - blind.p10 > seen.p90 - seen.p10


def test_a_pit_below_the_target_is_not_promised_to_reach_it():
    truth = cook_all([Spec(hours=9.0, pit_c=78.0, half_mm=26, wet=0.05, juice=0.1, swing_k=1, noise_k=0.3)])
    how = {"every_s": 30.0, "quantum": 0.25, "noise": 0.05}
    rec = record([sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=1, **how),
                  sense(truth.t, truth.meat[:, 0], place="flat", kind="meat", seed=2, **how)])
    f = one(forecasts_of(*looked(rec), [95.0]), "flat")
    assert f.p50 is None
    assert "48 h" in f.why_not
    assert f.round_s == 7200 or f.wide is False


@pytest.fixture(scope="module")
def dies():
    """A cook whose fire goes out at 5.0 h, for good."""
    truth = cook_all([Spec(**KITCHEN, half_mm=34, seed=4, out=(5.0, 99.0), out_tau_h=0.6)])
    how = {"every_s": 30.0, "quantum": 0.25, "noise": 0.1}
    return record([sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=9, **how),
                   sense(truth.t, truth.meat[:, 0], place="flat", kind="meat", seed=1, **how)])


@pytest.mark.parametrize("t_h", [5.7, 6.5, 7.5])
def test_a_dead_fire_is_not_taken_for_relit_the_finish_hangs_on_it_in_words_and_figures(dies, t_h):
    for f in forecasts_of(*looked(dies, t_h), [95.0]):
        if t_h > 7:
            assert f.p90 is None  # by now it is in doubt whether anybody lights it again
        back = f.if_back
        assert f.made < back.back_by < back.p10 <= back.p50 <= back.p90
        assert back.p50 <= (f.p50 or 1e18)
        assert 110 < back.back_c < 130
        assert back.as_it_is is None
        line = forecast_line(f, "F")
        assert line.startswith("if the fire is at 2")
        assert line.endswith("; as it is: never")
        assert f.as_json()["if_back"]["as_it_is"] is None
        assert f.as_json()["if_back"]["p50"] is not None


def test_a_fire_that_burns_or_a_level_that_was_stated_leaves_nothing_to_hang_on(dies):
    burns = forecasts_of(*looked(dies, 4.9), [95.0])
    stated = forecasts_of(*looked(dies, 6.5), [95.0], Plan(pit_c=121.0))
    for f in (*burns, *stated):
        assert f.if_back is None
        assert f.p90 is not None
        assert "if the fire" not in forecast_line(f, "F")


def test_a_fire_that_is_dead_for_hours_gets_no_time_but_what_it_hangs_on_and_the_pit_as_the_reason(dies):
    for f in forecasts_of(*looked(dies, 10.0), [95.0]):
        assert f.p50 is f.p90 is None
        assert "the pit is too cold" in f.why_not
        assert f.if_back.back_by > f.made + 3600
        assert forecast_line(f, "F").startswith("if the fire is at 2")


@pytest.fixture(scope="module")
def choked():
    """A cook whose fire is choked from 4 h on: it keeps 91 degC for hours, as hot as the target."""
    truth = cook_all([Spec(**KITCHEN, half_mm=34, seed=4, pit_steps=((4.0, 91.0),), swing_k=1.0)])
    how = {"every_s": 30.0, "quantum": 0.25, "noise": 0.1}
    return record([sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=9, **how),
                   sense(truth.t, truth.meat[:, 0], place="flat", kind="meat", seed=1, **how)])


@pytest.mark.parametrize("t_h", [5.0, 6.5, 8.0, 10.0])
def test_a_fire_that_is_choked_for_hours_is_low_and_no_pit_that_was_meant_so(choked, t_h):
    """It burns and the meat still rises: somebody opens the vents, later the longer nobody has."""
    for f in forecasts_of(*looked(choked, t_h), [90.5]):
        assert f.p50 is not None
        assert f.p90 is not None
        assert 115 < f.if_back.back_c < 127
        assert f.if_back.as_it_is is None


def test_a_low_pit_that_gets_there_by_itself_says_when_it_does_as_it_is(choked):
    for f in forecasts_of(*looked(choked, 5.0), [82.0]):
        back = f.if_back
        assert back.p50 < back.as_it_is
        assert "as it is: never" not in forecast_line(f, "F")


@pytest.mark.parametrize("what", ["nothing", "constant", "gap", "dead", "jump", "two minutes", "no place"])
def test_bad_data_get_an_answer_with_a_reason_and_no_error(kitchen, what):
    rec, _ = kitchen
    meat, air, notes, grid = looked(rec, 5.0)
    y = meat["flat"].celsius.copy()
    if what == "nothing":
        y[:] = np.nan
    elif what == "constant":
        y[:] = 20.0
    elif what == "gap":
        y[100:260] = np.nan
    elif what == "dead":
        y[180:] = np.nan
    elif what == "jump":
        y[200:] += 15.0
    elif what == "two minutes":
        y[2:] = np.nan
    meat = {} if what == "no place" else meat | {"flat": replace(meat["flat"], celsius=y)}
    said = forecasts_of(meat, air, notes, grid, [90.0])
    last = one(said, COLDEST)
    if what == "no place":
        assert last.why_not == "no meat place"
        return
    f = one(said, "flat")
    if what in ("nothing", "dead", "two minutes"):
        assert f.p50 is None
        assert f.why_not
        assert last.without == ("flat",)  # it goes on with the rest, and says so
    else:
        assert f.p50 is None or f.p50 > f.made
        assert (f.p50 is None) == (f.why_not is not None)
    assert one(said, "point").p50 is not None


def test_a_pulled_joint_is_not_forecast(kitchen):
    rec, _ = kitchen
    meat, air, _, grid = looked(rec, 5.0)
    pull = (Note(1, 1, int((T0 + 4.9 * 3600) * 1000), "pull", ""),)
    f = one(forecasts_of(meat, air, pull, grid, [95.0]), "flat")
    assert (f.p50, f.why_not) == (None, "the meat was pulled")


def test_wrapping_now_or_a_hotter_pit_bring_it_forward(kitchen):
    rec, _ = kitchen
    meat, air, notes, grid = looked(rec, 4.0)
    known = learn(meat, air, notes, grid)
    middle = {
        name: one(foretell(known, meat, [93.0], grid, plan), COLDEST).p50
        for name, plan in {
            "bare": Plan(wrap=False), "wrap": Plan(wrap=True), "hot": Plan(pit_c=145.0, wrap=False),
            "cool": Plan(pit_c=105.0, wrap=False),
        }.items()
    }
    assert middle["wrap"] < middle["bare"] - 1800
    assert middle["hot"] < middle["bare"] - 1800
    assert middle["cool"] > middle["bare"] + 1800


def test_the_fan_starts_where_the_place_is_and_its_levels_are_in_order(kitchen):
    rec, _ = kitchen
    meat, air, notes, grid = looked(rec, 4.0)
    fan = one(forecasts_of(meat, air, notes, grid, [93.0]), "flat").fan
    assert fan.celsius.shape == (len(fan.levels), fan.t.size)
    assert (np.diff(fan.celsius, axis=0) >= 0).all()
    assert fan.celsius[:, 0] == pytest.approx(meat["flat"].celsius[-1], abs=2.0)
    assert np.diff(fan.t) == pytest.approx(1800.0)


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.one_of(st.none(), st.floats(-60, 500)), min_size=1, max_size=150), st.booleans(), st.booleans(),
    st.sampled_from(["wrap", "pull", "hold", "fuel", "text"]),
)
def test_whatever_was_read_there_is_a_forecast_or_a_reason(values, has_air, smooth, kind):
    y = np.array([np.nan if v is None else v for v in values])
    y = np.nanmean(y) + np.linspace(0, 30, y.size) if smooth and np.isfinite(y).any() else y
    cells = Cells(y, np.full(y.size, 0.8), np.full(y.size, 0.25))
    grid = Grid(T0, y.size)
    notes = (Note(1, 1, int(T0 * 1000) + 600_000, kind, ""),)
    for f in forecasts_of({"flat": cells}, [cells] if has_air else [], notes, grid, [74.0]):
        known = [q for q in (f.p10, f.p50, f.p90) if q is not None]
        assert known == sorted(known)
        assert np.isfinite(known).all()
        assert (f.p50 is None) == (f.why_not is not None)
        f.as_json()


@given(st.lists(st.floats(0, 48 * 3600), min_size=2, max_size=30), st.floats(-4, 4))
def test_what_is_further_off_is_less_sure_and_no_later_time_comes_sooner(waits, pace):
    """The error of pace that every member has: nothing at once, ``PACE_SD`` at most, and never a time turned round."""
    t = np.sort(np.array(waits))
    run = Ahead(np.zeros((1, 1)), np.array([300.0]), np.ones((1, 1, 1)), np.array([pace]), np.ones((1, 1)))
    later = run.later(t[:, None])[:, 0]
    assert (np.diff(later) >= 0).all()
    ratio = np.abs(np.log(later[t > 60] / t[t > 60]))
    assert (np.diff(ratio) >= -1e-12).all()
    assert (ratio <= PACE_SD * abs(pace)).all()
    assert np.isinf(run.later(np.array([[np.inf]]))).all()


def test_the_courses_follow_the_clock_that_the_times_of_arrival_are_by():
    t = np.arange(1, 25) * 900.0
    tips = np.linspace(52, 98, 24)[:, None, None] * np.ones((1, 1, 3))
    run = Ahead(np.full((1, 3), 50.0), t, tips, np.array([-1.0, 0.0, 1.0]), np.full((24, 3), 120.0))
    when = first_reach(run, np.full((1, 3), 80.0))[0]
    assert when[0] < when[1] < when[2]
    at = run.at(when)
    assert [at[m, 0, m] for m in range(3)] == pytest.approx([80.0] * 3, abs=1e-6)
    assert run.at(np.array([0.0]))[0, 0] == pytest.approx([50.0] * 3)


def test_members_whose_cook_would_take_days_count_less_and_the_order_stays():
    wait = np.concatenate((np.linspace(1, 30, 380), np.full(20, np.inf))) * 3600
    out = as_cooks_go(wait, 3600.0)
    assert (np.diff(out[np.isfinite(out)]) >= 0).all()
    assert np.median(out) < np.median(wait)
    short = np.linspace(0.5, 3, 400) * 3600  # nothing long about it
    assert as_cooks_go(short, 0.0) == pytest.approx(short)
    assert np.isinf(as_cooks_go(np.full(400, np.inf), 0.0)).all()
    never = np.where(np.arange(400) < 150, 20 * 3600.0, np.inf)
    assert np.isfinite(as_cooks_go(never, 3600.0)[200])
    assert np.isinf(as_cooks_go(never, 3600.0, cold=True)[200])  # a pit too cold for it, not a long cook


def test_what_nobody_reads_strays_no_wider_than_its_prior():
    """A first-order process keeps its variance: else a long cook, or a gap, would make vapour anything at all."""
    ensemble = Ensemble(2)
    before = {p.name: ensemble.theta[i].std() for i, p in enumerate(PRIORS)}
    for _ in range(240):  # 40 h
        ensemble.drift(1 / 6)
    after = {p.name: ensemble.theta[i].std() for i, p in enumerate(PRIORS)}
    assert after == pytest.approx(before, rel=0.15)  # 800 members


@pytest.mark.parametrize(("sharp", "tail"), [(1.0, 0.9), (4.0, 0.05)], ids=["recedes", "shuts"])
def test_the_priors_hold_either_law_of_drying(sharp, tail):
    """Textbook drying resists in proportion to what has dried; a crust shuts. Neither is further off than 2.5 sd."""
    said = {p.name: p for p in PRIORS}
    for name, value in (("sharp", np.log(sharp)), ("tail", np.log(tail / (1 - tail)))):
        i = [p.name for p in PRIORS].index(name)
        middle = float(np.median(Ensemble(4).theta[i]))
        assert abs(value - middle) < 2.5 * said[name].sd
