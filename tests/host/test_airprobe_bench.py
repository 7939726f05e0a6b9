"""Air probes on bench cooks with known truth: register words of every second, through the chain, corrected by what was
learned on another cook. Run with -s for the figures. The wires' and chips' errors are drawn within their classes."""

import math

import numpy as np
import pytest
from air_bench import COOKS, draw, keep_errors, play, setup_of, track

from pitscribe.metrology.airlearn import learn
from pitscribe.metrology.airprobe import air_of, constant_u, noise_of
from pitscribe.metrology.coverage import combine

HOURS = 4
SECONDS = np.arange(0, HOURS * 3600, dtype=np.int64)
NAMES = list(COOKS)


@pytest.fixture(scope="module")
def worlds():
    return {name: play(name, HOURS) for name in COOKS}


def learn_on(world, seconds=SECONDS, place="stick", base="flat"):
    """What is learned of a probe on one cook, as the command does it."""
    under = None if base is None else track(world, base, seconds)[0]
    reference, setup = track(world, "grate", seconds)[0], setup_of(world, "grate")
    return learn(track(world, place, seconds)[0], reference, under, base_place=base,
                 noise=noise_of(setup_of(world, place)),
                 reference_u=constant_u(setup, float(reference.celsius.mean())))


def judged(world, model, seconds=SECONDS, place="stick", *, base=True, truth=None):
    """RMS error raw and corrected [K], and the share of samples within the stated 95 %: of all of these seconds."""
    thick, true = track(world, place, seconds)
    if truth is not None:
        true = track(world, truth, seconds)[1]
    found = air_of(thick, track(world, "flat", seconds)[0] if base else None, model, noise_of(setup_of(world, place)),
                   here=True)
    total, off = combine(found.parts), found.celsius - true
    raw, corrected = (math.sqrt(np.mean(np.square(x))) for x in (thick.celsius - true, off))
    return raw, corrected, float(np.mean(np.abs(off) <= total.k * total.u))


@pytest.mark.parametrize(
    ("period", "probes", "limit", "held"), [(1, 2, 0.25, (0.90, 0.995)), (10, 8, 0.25, (0.93, 0.97)),
                                            (60, 3, 0.40, (0.90, 0.99))],
)
def test_on_cooks_it_did_not_learn_from_a_thick_sensor_errs_a_quarter_as_much_or_less(worlds, period, probes, limit,
                                                                                      held):
    """At a sample a minute an opened lid is seen too late: there it is less than half. A probe's constant errors are
    the same in all of its samples, so that coverage is worth holding to 93 to 97 % where the probes are some more."""
    seconds, rows = SECONDS[::period], []
    for seed in range(probes):
        teacher, cook = NAMES[seed % 4], NAMES[(seed + 1 + seed // 4) % 4]
        draw(worlds[teacher], 100 + seed)
        keep_errors(worlds[teacher], worlds[cook])
        raw, corrected, within = judged(worlds[cook], learn_on(worlds[teacher], seconds).model, seconds)
        rows.append((corrected / raw, within))
        print(f"\nseed {seed}, every {period} s, learned {teacher!r}, judged {cook!r}: raw {raw:.1f} K, corrected "
              f"{corrected:.2f} K, ratio {corrected / raw:.3f}, within 95 %: {100 * within:.1f} %", end="")
    ratio, within = np.array(rows).T
    print(f"\nevery {period} s, {probes} probes: mean ratio {ratio.mean():.3f}, worst {ratio.max():.3f}; "
          f"coverage {100 * within.mean():.1f} %")
    assert ratio.max() <= limit
    assert held[0] <= within.mean() <= held[1]


@pytest.mark.parametrize(("period", "held"), [(10, (0.93, 0.98)), (60, (0.85, 1.0))])
def test_in_a_cooks_first_five_minutes_when_the_stem_is_not_settled_the_truth_is_within_what_is_stated(worlds, period,
                                                                                                       held):
    """Before a part was kept for it: 61 % of samples at 10 s, 40 % at 60 s (5 samples of 8 probes are few)."""
    within = []
    for seed in range(8):
        teacher, cook = NAMES[seed % 4], NAMES[(seed + 1 + seed // 4) % 4]
        draw(worlds[teacher], 100 + seed)
        keep_errors(worlds[teacher], worlds[cook])
        model = learn_on(worlds[teacher], SECONDS[::period]).model
        within.append(judged(worlds[cook], model, SECONDS[:300:period])[2])
    print(f"\nfirst five minutes, every {period} s, 8 probes: coverage {100 * np.mean(within):.1f} %, least of one "
          f"{100 * min(within):.0f} %")
    assert held[0] <= np.mean(within) <= held[1]


def test_a_dome_gauge_learned_as_an_offset_tells_the_grate_better_than_it_reads(worlds):
    teacher, cook = worlds[NAMES[0]], worlds[NAMES[3]]
    draw(teacher, 200)
    keep_errors(teacher, cook)
    model = learn_on(teacher, place="dome", base=None).model
    raw, corrected, within = judged(cook, model, place="dome", truth="grate")
    print(f"\ndome for the grate: raw {raw:.1f} K, corrected {corrected:.1f} K, within 95 %: {100 * within:.1f} %")
    assert model.base is None
    assert corrected < 0.6 * raw
    assert within > 0.85


def test_without_the_base_the_truth_is_still_within_the_stated_uncertainty(worlds):
    teacher, cook = worlds[NAMES[1]], worlds[NAMES[2]]
    draw(teacher, 300)
    keep_errors(teacher, cook)
    model = learn_on(teacher).model
    with_base, without = (judged(cook, model, base=base) for base in (True, False))
    print(f"\nbase missing: corrected {without[1]:.1f} K, within 95 %: {100 * without[2]:.1f} %; "
          f"with it {with_base[1]:.1f} K")
    assert without[2] > 0.93
    assert without[1] > with_base[1]


def test_a_stick_beside_the_thin_junction_is_in_the_same_air_and_cooled_by_the_meat(worlds):
    world = worlds[NAMES[0]]
    grate, stick, _, flat = (world.true[SECONDS, i] for i in range(4))
    assert np.array_equal(grate, stick)
    reads = world.junction[SECONDS, 1]
    cold, warm = flat < 30, flat > 60
    low = stick - reads
    assert low[cold].mean() - low[warm].mean() > 3.0
    assert 5 < low.mean() < 25
