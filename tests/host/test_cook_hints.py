"""Hints: when a place runs away, with the numbers; not for noise, not for a doubtful probe, one at a time."""

import time
from dataclasses import replace

import numpy as np
import pytest
from cook_kitchen import T0, record
from cook_variants import variants
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.doubt import flagged
from pitscribe.cook.evenness import LIMIT_K, evenness
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.hints import hint_line, hint_of, hints_of
from pitscribe.cook.interventions import interventions_of
from pitscribe.cook.phases import phases_of
from pitscribe.ledger.values import Note
from pitscribe.metrology.flags import Flag
from pitscribe.series import Series

T = np.arange(0, 6 * 3600.0, 20.0)
H = T / 3600


def note(h, kind):
    return Note(1, 1, round((T0 + h * 3600) * 1000), kind, "")


def place(name, y, *, u=0.5, flags=None, seed=0):
    y = np.broadcast_to(np.asarray(y, float), T.shape) + np.random.default_rng(seed).normal(0, 0.1, T.size)
    y = np.round(y * 4) / 4
    flags = np.zeros(T.size, np.uint32) if flags is None else flags
    return Series(name, "meat", T0 + T, y, np.full(T.size, u), flags)


BASE = 62 + 2 * H


def runaway(at=2.0, rate=4.0, until=99.0, most=99.0):
    """Flat, point and a tip whose lead grows by ``rate`` from ``at`` to ``until``, to ``most`` K."""
    lead = np.minimum(1 + rate * np.clip(np.minimum(H, until) - at, 0, None), most)
    return [place("flat", BASE, seed=1), place("point", BASE - 1, seed=2), place("tip", BASE + lead, seed=3)]


def said(places, notes=(), all_of=hints_of, **how):
    grid = grid_of(places)
    flags = {s.place: flagged(s, grid) for s in places}
    return all_of({s.place: cells_of(s, grid) for s in places}, notes, grid, flags, **how)


def hours(t):
    return (t - T0) / 3600


def test_a_place_that_runs_away_is_said_once_with_its_numbers_and_its_caution():
    (hint,) = said(runaway())
    # The lead passes the limit and what its uncertainty allows for (5.6 + 1.2 K) at 3.4 h; a quarter of an hour on.
    assert hours(hint.said) == pytest.approx(3.4 + 0.25, abs=0.2)
    assert (hint.kind, hint.place, hint.over, hint.others) == ("runs away", "tip", None, ("flat", "point"))
    assert hint.slope_k_h == pytest.approx(4.0, abs=0.5)
    assert hint.lead_k == pytest.approx(1 + 4 * 4 + 0.5, abs=0.5)
    line = hint_line(hint, "F", lambda t: "12:00")
    assert "turn tip away from the fire" in line
    assert f"is {1.8 * hint.lead_k:.1f} F ahead of the middle of the others" in line
    assert "gloves" in line
    assert hint.as_json()["source"] == "common practice, no source"


def test_only_one_hint_holds_at_a_time():
    two = [*runaway(), place("edge", BASE + 5 * np.clip(H - 2.2, 0, None), seed=4)]
    found = said(two)
    assert len([h for h in found if h.over is None]) == 1


@pytest.mark.parametrize(
    ("what", "places"),
    [
        ("a lead that stays", runaway(at=-3.0, until=0.0, rate=4.0)),
        ("a lead under the limit", runaway(most=5.0)),
        ("a lead within what the probes are uncertain by", [replace(s, u=s.u * 8) for s in runaway(most=13.0)]),
        ("cold meat", [replace(s, celsius=s.celsius - 40) for s in runaway(most=30.0)]),
        ("a spread that shrinks", [*runaway()[:2], place("tip", BASE + 20 - 3 * H)]),
        ("meat that cools", [replace(s, celsius=s.celsius - 12 * H) for s in runaway()]),
        ("one place", runaway()[2:]),
    ],
)
def test_what_is_no_runaway_gets_no_hint(what, places):
    assert said(places) == (), what


def test_noise_alone_gives_no_hint_however_long():
    rng = np.random.default_rng(6)
    for seed in range(10):
        lead = 9 + rng.normal(0, 1.5, T.size)
        assert said([place("flat", BASE, seed=seed), place("tip", BASE + lead, seed=seed + 50)]) == ()


def test_a_hint_is_over_when_the_others_catch_up_and_waits_before_the_next():
    places = runaway()
    falls = [*places[:2], place("tip", BASE + np.where(H < 3.5, 1 + 6 * np.clip(H - 1.5, 0, None), 13 - 6 * (H - 3.5)))]
    (hint,) = said(falls)
    assert hint.why_over in ("the others catch up", "its lead is small again")
    assert 3.5 < hours(hint.over) < 4.5


def test_an_act_ends_the_hint_and_is_given_time_then_what_was_not_tried_is_advised_first():
    first, second = said(runaway(rate=4.0), [note(4.0, "rotate")])
    assert first.why_over == "rotate noted"
    assert hours(first.over) == pytest.approx(4.0, abs=0.03)
    assert hours(second.said) >= 4.0 + 45 / 60
    assert first.advice[0].startswith("turn")
    assert second.advice[0].startswith("spritz")
    assert second.advice[-1].startswith("turn")


def test_under_a_wrap_nothing_is_sprayed_and_after_a_pull_nothing_is_said():
    (wrapped,) = said(runaway(), [note(2.0, "wrap")])
    assert not any("spritz" in a for a in wrapped.advice)
    assert said(runaway(), [note(2.5, "pull")]) == ()
    (pulled,) = said(runaway(), [note(5.0, "hold")])
    assert pulled.why_over == "pull or hold noted"


def test_a_leader_whose_reading_jumped_is_to_be_checked_and_not_turned():
    flat, point, tip = runaway(at=99)
    jumped = replace(tip, celsius=tip.celsius + np.where(H > 3, 12.0, 0.0))
    found = said([flat, point, jumped])
    assert {h.kind for h in found} <= {"check probe"}
    grows = np.where(H > 3, 9.0 + 5 * (H - 3), 0.0)
    later = said([flat, point, replace(tip, celsius=tip.celsius + grows)])
    assert [h.kind for h in later] == ["check probe", "runs away"]
    assert hours(later[0].said) < 4 <= hours(later[1].said)
    assert "check the probe at tip: its reading jumped" in hint_line(later[0], "C")


def test_a_leader_with_flags_is_to_be_checked_and_not_turned():
    flags = np.where((H > 2.5) & (np.arange(T.size) % 4 == 0), np.uint32(Flag.NOISY), np.uint32(0)).astype(np.uint32)
    flat, point, tip = runaway()
    (hint,) = said([flat, point, replace(tip, flags=flags)])
    assert hint.kind == "check probe"
    assert "flagged" in hint.doubt


def test_another_place_whose_probe_moved_makes_nobody_run_away():
    flat, point, tip = runaway(at=99)
    fallen = replace(flat, celsius=flat.celsius - np.where(H > 3, 12.0, 0.0))
    assert said([fallen, tip]) == ()
    died = replace(flat, celsius=np.where(H > 3, np.nan, flat.celsius + 9))
    assert said([died, replace(point, celsius=point.celsius - 2), replace(tip, celsius=tip.celsius + 7)]) == ()


def test_a_hint_about_a_place_that_falls_silent_is_no_longer_held():
    flat, point, tip = runaway()
    (hint,) = said([flat, point, replace(tip, celsius=np.where(H > 4, np.nan, tip.celsius))])
    assert hint.why_over == "no longer known"
    assert hours(hint.over) == pytest.approx(4.5, abs=0.1)


RECORDS = [v.record for v in variants(16, seed=31) if v.kind in ("plain", "spritz", "wrap", "fire-out")]


@settings(max_examples=40, deadline=None)
@given(which=st.integers(0, len(RECORDS) - 1), cut=st.floats(0.1, 14.0))
def test_cut_at_any_time_it_says_what_was_said_then(which, cut):
    rec, t = RECORDS[which], T0 + cut * 3600
    newest = max((s.t[-1] for s in rec.until(t).places if s.t.size), default=0.0)
    known = [h for h in said(rec.meat, rec.notes) if h.said <= newest]
    if any(s.t.size for s in rec.until(t).meat):
        then = said(rec.until(t).meat, rec.until(t).notes)
        first, again = ([(h.place, h.kind, h.said, h.advice) for h in some] for some in (then, known))
        assert first == again
        for a, b in zip(then, known, strict=True):
            assert a.over == (b.over if b.over is not None and b.over <= newest else None)
            if a.over:
                assert a == b


@settings(max_examples=15, deadline=None)
@given(more=st.floats(-1, 1), order=st.permutations(range(3)))
def test_a_constant_on_all_places_and_their_order_change_no_hint(more, order):
    places = [replace(s, celsius=s.celsius + more) for s in runaway()]
    (a,), (b,) = said(runaway()), said([places[i] for i in order])
    assert (a.place, a.said, a.kind, a.advice, a.others) == (b.place, b.said, b.kind, b.advice, b.others)
    assert b.lead_k == pytest.approx(a.lead_k, abs=1e-6)


def test_hint_of_is_the_one_that_holds():
    assert said(runaway(), all_of=hint_of).place == "tip"
    assert said(runaway(), [note(5.9, "rotate")], all_of=hint_of) is None


def test_evenness_phases_interventions_and_hints_of_a_long_cook_cost_little():
    """18 h and six places: some 25 ms on an idle core; the limit leaves room for neighbours."""
    t = np.arange(0, 18 * 3600.0, 30.0)
    rng = np.random.default_rng(2)
    places = [
        Series(n, "meat", T0 + t, 60 + i + 2 * t / 3600 + rng.normal(0, 0.1, t.size), np.full(t.size, 0.5),
               np.zeros(t.size, np.uint32))
        for i, n in enumerate(("flat", "point", "tip", "middle", "edge"))
    ]
    air = replace(places[0], place="grate", kind="air", celsius=120 + rng.normal(0, 3, t.size))
    notes = [note(h, "spritz") for h in np.arange(1, 17, 0.75)] + [note(h, "fuel") for h in np.arange(0.5, 17, 0.67)]
    rec = record([air, *places])
    grid = grid_of(rec.places)
    meat, pit = {s.place: cells_of(s, grid) for s in rec.meat}, [cells_of(air, grid)]
    took = []
    for _ in range(5):
        began = time.perf_counter()
        evenness(meat, grid)
        phases_of((), notes, grid, meat)
        interventions_of(notes, meat, pit, grid)
        hints_of(meat, notes, grid, {s.place: flagged(s, grid) for s in rec.meat})
        took.append(time.perf_counter() - began)
    print(f"\n  evenness, phases, interventions, hints of 18 h: {1000 * min(took):.1f} ms")
    assert min(took) < 0.12
    assert pytest.approx(10 / 1.8) == LIMIT_K
