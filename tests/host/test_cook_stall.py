"""The stall: found in varied cooks, not called where something else holds heating back, and never with hindsight."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from bench.analysis.score_stall import Call, StallScore
from cook_kitchen import STEP_S, T0, Spec, Truth, cook_all, record, sense, truth_stalls
from cook_variants import variants
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.stall import find_stalls
from pitscribe.cook.sweep import BEGIN_SHARE
from pitscribe.series import Series

WET = Spec(half_mm=34, juice=0.8, crust_kg=5.0, film=18, seed=11)
DRY = replace(WET, wet=0.0, juice=0.0)
NO_STALL = {
    "the slow approach to the pit": DRY,
    "a lid opened six times": replace(DRY, lids=(2.0, 3.0, 4.0, 5.0, 6.5, 8.0), lid_min=5.0),
    "a fire that goes out": replace(DRY, out=(2.5, 99.0)),
    "a fire that comes back": replace(DRY, out=(2.0, 3.2)),
    "a pit set lower": replace(DRY, pit_c=135.0, pit_steps=((2.5, 107.0),)),
    "a hold": replace(DRY, pit_steps=((4.0, 66.0),)),
    "a spritz every half hour": replace(DRY, spritz=tuple(np.arange(1.5, 8, 0.5))),
    "a wrap": replace(DRY, wraps=(2.5,), lids=(2.5,)),
    "a pull": replace(DRY, pull=3.0),
    "a swinging pit": replace(DRY, swing_k=14.0, swing_min=60.0),
}
PIT_SEEDS = (1, 2, 3)
ALIKE = tuple(replace(spec, seed=seed) for spec in NO_STALL.values() for seed in PIT_SEEDS)


@cache
def together(specs: tuple[Spec, ...]) -> Truth:
    """The truth of some specs, cooked once: many take hardly longer than one."""
    return cook_all(list(specs))


def cooked(spec: Spec) -> Truth:
    """The truth of one spec."""
    batch = ALIKE if spec in ALIKE else (spec,)
    truth, j = together(batch), batch.index(spec)
    one_of = {name: getattr(truth, name)[:, j : j + 1] for name in ("air", "meat", "share")}
    return replace(truth, **one_of, specs=[spec])


def one(spec, *, every=10.0, quantum=0.25, noise=0.05, notes=(), pit=True, **how):
    """(record of one place and its pit, truth) of one spec."""
    truth = cooked(spec)
    kw = {"every_s": every, "quantum": quantum, "noise": noise, **how}
    places = [sense(truth.t, truth.meat[:, 0], place="flat", kind="meat", seed=spec.seed + 1, **kw)]
    if pit:
        places.append(sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=spec.seed + 2, **kw))
    return record(places, notes), truth


def stalls(rec):
    return [s for place in rec.meat for s in find_stalls(place, rec.air, rec.notes)]


def hours(t):
    return (t - T0) / 3600


def test_the_kitchen_conducts_as_the_textbook_slab_does():
    """Full series for a wall, 2L = 80 mm, h 20, k 0.48, alpha 1.3e-7, 5 to 121.1 degC: SOURCES.md section 5."""
    spec = Spec(hours=4.5, half_mm=40, alpha=1.3e-7, k=0.48, film=20, start_c=5, wet=0, juice=0, pit_c=121.1,
                swing_k=0, noise_k=0, ramp_h=0.006)
    truth = cook_all([spec])
    centre = [truth.meat[int(h * 3600 / STEP_S), 0] for h in (1, 2, 3, 4)]
    # Cells of 4 mm, the middle one's own middle 2 mm off the centre: half a kelvin.
    assert centre == pytest.approx([22.169, 47.756, 67.026, 81.240], abs=0.7)


def test_stalls_are_found_in_cooks_of_a_seed_that_nothing_was_chosen_on(capsys):
    """48 cooks of three places each: 16 kinds, three of each."""
    total = StallScore()
    for cook in variants(48, seed=50_261):
        said = {p.place: [Call(s.begin, s.noticed, s.end) for s in find_stalls(p, cook.record.air, cook.record.notes)]
                for p in cook.record.meat}
        total.add(cook.kind, cook.stalls, cook.hours, said)
    with capsys.disabled():
        print(f"\n  stalls, held out: recall {total.recall:.3f} of {total.sure}, precision {total.precision:.3f} of "
              f"{total.said}, false in 100 h of a place {total.false_per_100_h:.2f}, delay {total.delay_min:.0f} min")
    assert total.recall >= 0.85
    assert total.precision >= 0.93
    assert total.false_per_100_h <= 0.2
    assert total.delay_min <= 25


def test_without_an_air_probe_less_is_claimed_and_it_says_so():
    rec, _ = one(WET, pit=False)
    (found,) = stalls(rec)
    assert found.probability <= 0.6
    assert "no air probe shows it, a pit of 250 F (121 C) is assumed" in found.cause
    with_pit, _ = one(WET)
    assert stalls(with_pit)[0].probability > 0.8


@pytest.mark.parametrize("what", NO_STALL)
@pytest.mark.parametrize("pit_seed", PIT_SEEDS)
def test_what_is_not_a_stall_is_not_called_one(what, pit_seed):
    rec, _ = one(replace(NO_STALL[what], seed=pit_seed))
    assert stalls(rec) == [], what


def test_a_probe_moved_to_a_colder_place_is_not_a_stall():
    rec, _ = one(DRY)
    meat, air = rec.meat[0], rec.air
    for drop in (2.0, 5.0, 12.0):
        y = meat.celsius - np.where(meat.t > T0 + 3.2 * 3600, drop, 0.0)
        assert find_stalls(replace(meat, celsius=y), air) == [], drop


def test_a_wrap_ends_the_stall_and_makes_no_new_one():
    rec, _ = one(replace(WET, wraps=(4.5,), lids=(4.5,), wrap_keeps=0.0), notes=((4.5, "wrap"),))
    (found,) = stalls(rec)
    assert hours(found.begin) < 4.5 < hours(found.end) < 5.6
    assert "heats again" in found.cause


def test_a_pull_that_was_noted_ends_the_stall_then():
    rec, _ = one(replace(WET, pull=4.0), notes=((4.0, "pull"),))
    (found,) = stalls(rec)
    assert hours(found.end) == pytest.approx(4.0, abs=0.03)
    assert "pull noted" in found.cause


def test_a_double_stall_is_two_stalls():
    """Wrapped in the stall, opened again an hour and a half later while still wet."""
    rec, truth = one(replace(WET, crust_kg=9.0, wraps=(3.5,), unwraps=(5.0,), wrap_keeps=0.0), notes=((3.5, "wrap"),))
    assert len(truth_stalls(truth, 0)) == 2
    first, second = stalls(rec)
    assert first.end is not None
    assert hours(first.end) < hours(second.begin)


def test_a_stall_goes_on_through_a_gap_in_the_data():
    rec, _ = one(WET)
    whole = stalls(rec)[0]
    a, b = whole.noticed + 600, whole.noticed + 3000

    def cut(s):
        keep = (s.t < a) | (s.t > b)
        return Series(s.place, s.kind, s.t[keep], s.celsius[keep], s.u[keep], s.flags[keep])

    (found,) = find_stalls(cut(rec.meat[0]), [cut(s) for s in rec.air])
    assert (found.begin, found.noticed) == (whole.begin, whole.noticed)


def test_it_carries_the_numbers_that_it_was_called_on():
    rec, _ = one(WET)
    (found,) = stalls(rec)
    e = found.evidence
    assert e["pace_per_h"] / e["best_pace_per_h"] == pytest.approx(e["share_of_best"])
    assert e["rate_k_h"] / e["drive_k"] == pytest.approx(e["pace_per_h"])
    assert e["share_of_best"] < BEGIN_SHARE
    assert 0 < found.depth <= 1
    assert f"{100 * e['share_of_best']:.0f} %" in found.cause


@pytest.mark.parametrize(("every", "quantum", "noise"), [(1, 0.25, 0.0), (5, 0.0078125, 0.05), (60, 0.25, 0.3)])
def test_sampling_and_chip_hardly_move_what_is_said(every, quantum, noise):
    fine, _ = one(WET, every=10.0, quantum=0.0078125, noise=0.0)
    other, _ = one(WET, every=float(every), quantum=quantum, noise=noise)
    (a,), (b,) = stalls(fine), stalls(other)
    assert abs(a.begin - b.begin) < 15 * 60
    assert abs(a.noticed - b.noticed) < 15 * 60
    assert a.plateau_c == pytest.approx(b.plateau_c, abs=1.0)


RECORDS = [one(replace(WET, seed=s), notes=((4.0, "spritz"),))[0] for s in (11, 12)] + [
    one(replace(WET, crust_kg=9.0, wraps=(3.5,), unwraps=(5.0,), wrap_keeps=0.0), notes=((3.5, "wrap"),))[0]
]


@settings(max_examples=40, deadline=None)
@given(which=st.integers(0, 2), cut=st.floats(0.05, 14.0))
def test_cut_at_any_time_it_says_what_was_said_then_and_nothing_more(which, cut):
    """No look-ahead: what stands in the whole as noticed by then, is said then, alike; and nothing else."""
    rec, t = RECORDS[which], T0 + cut * 3600
    then, later = stalls(rec.until(t)), stalls(rec)
    newest = max(s.t[-1] for s in rec.until(t).places)
    known = [s for s in later if s.noticed <= newest]
    assert [(s.place, s.begin, s.noticed) for s in then] == [(s.place, s.begin, s.noticed) for s in known]
    for a, b in zip(then, known, strict=True):
        ended = b.end_noticed is not None and b.end_noticed <= newest
        assert a.end == (b.end if ended else None)
        assert a.evidence == b.evidence
        if ended:
            assert (a.plateau_c, a.depth, a.probability, a.cause) == (b.plateau_c, b.depth, b.probability, b.cause)


def test_noticed_is_the_first_time_at_which_it_is_said():
    for rec in RECORDS:
        for found in stalls(rec):
            assert found.noticed in [s.noticed for s in stalls(rec.until(found.noticed))]
            assert found.noticed not in [s.noticed for s in stalls(rec.until(found.noticed - 1))]


def test_the_same_cook_on_another_day_gives_the_same_stalls():
    rec, shift = RECORDS[2], 86_400.0 * 400 + 1234
    moved = [replace(s, t=s.t + shift) for s in rec.places]
    notes = tuple(replace(n, at_ms=int(n.at_ms + 1000 * shift)) for n in rec.notes)
    later = [s for p in moved if p.kind == "meat" for s in find_stalls(p, [p for p in moved if p.kind == "air"], notes)]
    for a, b in zip(stalls(rec), later, strict=True):
        assert b.begin - a.begin == shift
        assert b.noticed - a.noticed == shift
        assert (a.end is None) == (b.end is None)
        assert a.end is None or b.end - a.end == shift
        assert b.probability == a.probability


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000), lost=st.sampled_from([0.0, 0.3, 0.95, 1.0]),
    gaps=st.lists(st.tuples(st.floats(0, 14), st.floats(0.01, 6)), max_size=5), wild=st.booleans(),
)
def test_gaps_lost_and_wild_samples_never_break_it(seed, lost, gaps, wild):
    rng = np.random.default_rng(seed)
    torn = []
    for s in RECORDS[0].places:
        keep = rng.uniform(size=s.t.size) >= 0.5
        for at, long in gaps:
            keep &= ~((s.t >= T0 + at * 3600) & (s.t < T0 + (at + long) * 3600))
        y = s.celsius.copy()
        y[rng.uniform(size=y.size) < lost] = np.nan
        if wild:
            y[rng.integers(0, y.size, 50)] = rng.uniform(-200, 1300, 50)
        torn.append(Series(s.place, s.kind, s.t[keep], y[keep], s.u[keep], s.flags[keep]))
    for found in find_stalls(torn[0], torn[1:], RECORDS[0].notes):
        assert found.begin <= found.noticed <= (found.end or np.inf)
        assert 0 <= found.probability <= 1
        assert np.isfinite(found.depth)


def test_a_fire_that_is_low_in_the_middle_of_a_stall_does_not_make_two_of_it():
    """Air at 120 degC but for 40 min at 75; meat that heats, stands still, and again when the fire is back."""
    t = T0 + np.arange(0, 9 * 3600.0, 10.0)
    h = (t - T0) / 3600
    air = np.where((h > 4.5) & (h < 5.2), 75.0, 120.0) + 2 * np.sin(h * 9)
    meat = np.interp(h, [0, 0.3, 3, 4.5, 5.2, 8, 9], [5, 6, 66, 68.0, 67.5, 70.5, 82])
    u, flags = np.full(t.size, 0.5), np.zeros(t.size, np.uint32)
    said = find_stalls(Series("flat", "meat", t, meat, u, flags), [Series("grate", "air", t, air, u, flags)])
    assert len(said) == 1, [((s.begin - T0) / 3600, s.end and (s.end - T0) / 3600) for s in said]
    (stall,) = said
    assert (stall.begin - T0) / 3600 < 3.6
    assert stall.end is not None
    assert (stall.end - T0) / 3600 > 7.5
