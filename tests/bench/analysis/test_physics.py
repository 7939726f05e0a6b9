"""The bench's own physics and truth: energy adds up, the textbook comes out, and no vapour makes no stall."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import j0, j1

from . import ovals
from .cooks import cooks
from .hand import NEVER, Script, Seen
from .oval import SHELLS, SLICES, Joints, saturated
from .pits import COOKERS, Pits, PitSpec
from .truth import MAYBE, SURE, Course, dry_pace, runs, stall_spans

STEP_S = 20.0


def joint(seed=3, **change):
    return replace(ovals.draw(seed, 1).joint, **change)


def test_joints_keep_their_energy_to_a_hundredth():
    """Heat of the pit less vapour and ice is what is stored, melted fat too, with wraps, ice and spray on the way."""
    batch = [ovals.draw(i, 5).joint for i in range(8)]
    joints = Joints(batch)
    begins = joints.heat_stored().sum()
    joints.ice[3, 0] = 8.0
    air = np.full((8, SLICES), 121.0) + np.linspace(-8, 8, SLICES)
    for k in range(int(10 * 3600 / STEP_S)):
        if k == 700:
            joints.vapour[1], joints.film[1], joints.shine[1] = 0.05, 0.8, 0.5
        if k % 200 == 199:
            joints.spray(2, 0.1)
        swing = 8 * np.sin(k / 40)
        joints.step(STEP_S, air + swing, air + swing - 15, np.full((8, 1), 0.02))
    stored = joints.heat_stored().sum() - begins
    sums = joints.sums
    assert sums["heat"] - sums["spent"] - sums["ice"] == pytest.approx(stored, rel=0.01)
    assert sums["heat"] == pytest.approx(sums["film"], rel=0.01)  # what it gets is what the film and the walls gave
    assert sums["spent"] / sums["heat"] > 0.25
    assert sums["lacks_kg"] < 0.01 * sums["vapour_kg"]  # hardly any vapour of water that was not there
    # Apart from what lay on it, what was sprayed and what ice left, vapour and drip are what came out.
    lay = sum(float((j.wet * joints.skin_m[i] * joints.long[i]).sum()) for i, j in enumerate(batch))
    assert sums["vapour_kg"] + sums["drip_kg"] <= sums["pressed_kg"] + lay + 2.0


def test_a_long_round_joint_warms_as_the_textbook_cylinder():
    """Series of a long cylinder (SOURCES.md section 5), here with its roots sought anew: to 2 K (six shells)."""
    r, h, k, alpha, start, air = 0.05, 20.0, 0.48, 1.3e-7, 5.0, 121.1
    one = joint(thick=(r, r), wide=(r, r), bulge=0.0, length=40.0, k=k, alpha=alpha, start_c=start, start_skin_k=0.0,
                convects=h, emits=0.0, fat=0.0)
    joints = Joints([one], evaporates=False)
    biot = h * r / k
    z = np.linspace(1e-3, 40, 400_000)
    f = z * j1(z) - biot * j0(z)
    roots = z[:-1][np.diff(np.sign(f)) != 0]
    terms = 2 / roots * j1(roots) / (j0(roots) ** 2 + j1(roots) ** 2)
    around = np.full((1, SLICES), air)
    for hours in (1, 2):
        for _ in range(int(3600 / STEP_S)):
            joints.step(STEP_S, around, around, np.full((1, 1), 0.01))
        middles, area = joints.middles, joints.area[0, 3] / joints.area[0, 3].sum()
        theta = lambda x: (terms * np.exp(-(roots**2) * alpha * 3600 * hours / r**2) * j0(roots * x)).sum()  # noqa: B023,E731
        textbook = air + (start - air) * np.array([theta(x) for x in middles])
        assert area @ joints.celsius[0, 3] == pytest.approx(area @ textbook, abs=0.8)
        assert np.abs(joints.celsius[0, 3] - textbook).max() < 2.0


@pytest.mark.parametrize(("celsius", "pascal"), [(25.0, 3169.9), (60.0, 19_946.0), (80.0, 47_414.0)])
def test_saturation_is_that_of_the_steam_tables(celsius, pascal):
    """IAPWS values, as in SOURCES.md section 3."""
    assert saturated(np.array(celsius))[0] == pytest.approx(pascal, rel=0.003)


def test_without_evaporation_nothing_stalls():
    drawn = [ovals.draw(ovals.KINDS.index(kind), 9) for kind in ("bare", "asleep", "electric", "ceramic", "wild")]
    dry = [replace(d, joint=replace(d.joint, up=0.0, seeps=0.0, wet=0.0), script=Script()) for d in drawn]
    for cook in ovals.cook(dry):
        assert all(not s.sure and not s.maybe for s in cook.truth.stalls.values()), cook.name


def test_a_low_fire_is_no_stall_by_truth():
    """Conduction alone: whatever the air does, there is no stall, because no vapour takes the heat."""
    t = np.arange(0, 8 * 3600, 20.0)
    celsius = 70 - 60 * np.exp(-t / 7200)
    for air in (np.full(t.size, 71.0), np.full(t.size, 121.0)):
        nothing = np.zeros(t.size)
        dry = dry_pace(121 - 110 * np.exp(-t / 7200), 121.0, 20.0)
        course = Course(t, 20.0, celsius, air, np.full(t.size, 121.0), np.full(t.size, 500.0), nothing, dry, np.inf)
        assert stall_spans(course).sure == ()
        assert stall_spans(course).maybe == ()


def test_a_plateau_that_vapour_makes_is_a_stall_by_truth():
    """Three hours at 2 K/h with nine tenths of the heat in the vapour; begin and end to 20 min."""
    t = np.arange(0, 9 * 3600, 20.0)
    h = t / 3600
    celsius = np.where(h < 3, 5 + 20 * h, np.where(h < 6, 65 + 2 * (h - 3), 71 + 6 * (h - 6)))
    share = np.where((h >= 3) & (h < 6), 0.9, 0.1)
    dry = (np.array([5.0, 115.0]), np.array([0.25, 0.25]))
    flat = np.full(t.size, 121.0)
    spans = stall_spans(Course(t, 20.0, celsius, flat, flat, np.full(t.size, 500.0), 500 * share, dry, np.inf))
    ((begin, end),) = spans.sure
    assert begin / 3600 == pytest.approx(3, abs=1 / 3)
    assert end / 3600 == pytest.approx(6, abs=1 / 3)
    assert any(a <= begin and b >= end for a, b in spans.maybe)
    # The same with half an hour of dead fire in it: one stall still, which one may have called from its begin.
    out = np.where((h > 4.2) & (h < 4.7), 75.0, 121.0)
    poor = stall_spans(Course(t, 20.0, celsius, out, flat, np.full(t.size, 500.0), 500 * share, dry, np.inf))
    assert len(poor.sure) == 1
    assert poor.since(0) <= begin
    assert MAYBE.pace > SURE.pace


def test_runs_bridge_short_breaks_alone():
    t = np.arange(10.0)
    yes = np.array([0, 1, 1, 0, 1, 0, 0, 0, 1, 1], dtype=bool)
    assert runs(t, yes, 2.5) == [(1.0, 5.0), (8.0, 9.0)]


@pytest.mark.parametrize("cooker", COOKERS)
def test_every_cooker_holds_its_level_while_it_is_fed_and_dies_when_it_is_not(cooker):
    specs = [PitSpec(cooker, [(0.0, 118.0)], 15.0, 0.8, 0.01, away=((6 * 3600, 1e9),), seed=s) for s in range(6)]
    pits = Pits(specs, STEP_S, 12)
    air = np.empty((int(12 * 3600 / STEP_S), 6))
    for k in range(air.shape[0]):
        pits.tend(k * STEP_S)
        pits.step(k * STEP_S)
        air[k] = pits.felt()
    fed = air[int(3 * 3600 / STEP_S) : int(6 * 3600 / STEP_S)]
    assert np.abs(np.median(fed, axis=0) - 118).max() < (15 if cooker != "wild" else 30)
    assert air[-1].max() < 80
    if cooker in ("offset", "wild"):
        each_h = np.array([len([x for x in s.laid if 3600 < x < 6 * 3600]) for s in specs]) / 5
        assert 0.6 <= np.median(each_h) <= 2.0  # one every 30 to 60 min or so (common practice, no source)


def test_a_lid_dips_the_pit_and_it_comes_back():
    pits = Pits([PitSpec("kettle", [(0.0, 120.0)], 20.0, 0.9, 0.01, seed=1)], STEP_S, 5)
    air = []
    for k in range(900):
        if k == 600:
            pits.open_lid(0, k * STEP_S, 120)
        pits.step(k * STEP_S)
        air.append(float(pits.air[0]))
    assert min(air[600:620]) < air[599] - 15
    assert air[-1] > 110


def test_the_person_wraps_by_what_the_flat_shows_and_opens_again():
    script = Script(wrap="foil", wrap_c=70.0, unwrap_h=1.0, pull_c=90.0)
    joints, pits = Joints([joint()]), Pits([PitSpec("electric", [(0.0, 120.0)], 20.0, 0.9, 0.01)], STEP_S, 1)
    script.look(0, 0.0, Seen(60, 60, 60), joints, pits)
    assert script.wrapped_at == NEVER
    script.look(0, 600.0, Seen(71, 75, 60), joints, pits)
    assert joints.vapour[0, 0] == pytest.approx(0.01)
    script.look(0, 4300.0, Seen(75, 75, 70), joints, pits)
    assert joints.vapour[0, 0] == 1.0
    script.look(0, 9000.0, Seen(95, 95, 91), joints, pits)
    assert [note for _, note in script.done] == ["wrap", "text", "pull"]
    assert joints.celsius.shape == (1, SLICES, SHELLS)


@pytest.mark.parametrize("split", ["tune", "held", "fires"])
def test_seeds_repeat_and_the_number_of_cooks_changes_none(split):
    a, b = list(cooks(split, 3, 11)), list(cooks(split, 5, 11))
    for x, y in zip(a, b, strict=False):
        assert x.name == y.name
        assert x.record.notes == y.record.notes
        for p, q in zip(x.record.places, y.record.places, strict=True):
            assert np.array_equal(p.celsius, q.celsius, equal_nan=True)
        assert x.truth.stalls == y.truth.stalls
        assert x.truth.reach == y.truth.reach
    other = next(cooks(split, 1, 12))
    assert not np.array_equal(a[0].record.places[0].celsius, other.record.places[0].celsius, equal_nan=True)


def test_an_unknown_split_is_refused():
    with pytest.raises(ValueError, match="tune, held, fires"):
        next(cooks("all", 1, 1))
