"""A whole simulated cook: the hand, the probes and the truth. Credible bands: common practice, no source."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from pitscribe.metrology.chips import loop_emf, split_max31855, split_max31856
from pitscribe.metrology.junction import hot_junction
from pitscribe.simulate.hand import Hand
from pitscribe.simulate.probes import ProbeSpec
from pitscribe.simulate.scenario import SCENARIOS
from pitscribe.simulate.truth import as_arrays, find_stalls, stalls
from pitscribe.simulate.world import BLOCK, World


@pytest.fixture(scope="module")
def backyard():
    world = World(SCENARIOS["backyard"], 7)
    world.run_to(14 * 3600)
    return world


def acts(world, kind):
    return [h.world_ms / 1000 for h in world.hand.happenings if h.kind == kind]


def test_the_demos_pit_swings_in_a_cooks_band_with_a_split_every_half_hour_to_an_hour(backyard):
    fuel = acts(backyard, "fuel")
    gaps = np.diff(fuel) / 60
    assert 30 < gaps.mean() < 60
    assert gaps.std() > 5  # a person, not a clock
    pit = backyard.smoke[3600 : int(acts(backyard, "wrap")[0]), :2].mean(axis=1)
    assert np.percentile(pit, 5) > 104
    assert np.percentile(pit, 95) < 137
    swings = [np.ptp(backyard.smoke[int(a) : int(b), :2].mean(axis=1)) for a, b in pairwise(fuel[1:])]
    assert 8 < np.median(swings) < 18


def test_the_demo_comes_to_the_wrap_and_near_its_end_in_14_hours(backyard):
    wrap = acts(backyard, "wrap")
    assert 7 < wrap[0] / 3600 < 11
    flat = backyard.true[: backyard.until_s, 2]
    assert flat[0] == pytest.approx(4.0, abs=0.5)
    assert flat.max() > 91
    assert len(acts(backyard, "spritz")) >= 3
    assert len(acts(backyard, "rotate")) == 1


def test_every_meat_place_of_the_demo_stalls_in_the_published_band_and_the_wrap_ends_it(backyard):
    found = stalls(backyard, 14 * 3600)
    wrap = acts(backyard, "wrap")[0]
    assert set(found) == {"flat", "point", "tip", "middle"}
    for i, p in enumerate(backyard.scenario.placements):
        if p.kind != "meat":
            continue
        begin, end = found[p.place][0]
        plateau = backyard.true[int(begin) : int(end), i]
        assert 63 < plateau[0] < 70
        assert plateau[-1] < 79
        assert 2 < (end - begin) / 3600 < 7
        assert end <= wrap + BLOCK
    assert found["tip"][0].begin < found["flat"][0].begin < found["point"][0].begin


def test_a_world_without_evaporation_has_no_stall():
    world = World(SCENARIOS["backyard"], 7)
    world.meat.evaporates = False
    world.run_to(6 * 3600)
    assert all(not spans for spans in stalls(world, 6 * 3600).values())


def test_the_same_seed_gives_the_same_world_however_it_is_stepped():
    coarse, fine = World(SCENARIOS["small"], 3), World(SCENARIOS["small"], 3)
    coarse.run_to(3600)
    for t in range(0, 3601, 7):
        fine.run_to(t)
    n = min(coarse.until_s, fine.until_s)
    for name in ("true", "junction", "box", "smoke"):
        assert np.array_equal(getattr(coarse, name)[:n], getattr(fine, name)[:n])
    other = World(SCENARIOS["small"], 4)
    other.run_to(3600)
    assert not np.array_equal(coarse.junction[:n], other.junction[:n])


def test_a_world_goes_on_past_its_hours():
    world = World(replace(SCENARIOS["small"], hours=0.2), 3)
    world.run_to(3000)
    whole = World(SCENARIOS["small"], 3)
    whole.run_to(3000)
    assert np.array_equal(world.true[:3000], whole.true[:3000])


def test_what_the_chips_say_is_the_junction_within_what_was_drawn_for_wire_and_chip(backyard):
    """Through the host's own chain of undoing, apart from the bench's forward model only in direction."""
    for chip in backyard.chips.values():
        if hasattr(chip, "registers"):
            place = next(p for p in backyard.scenario.placements if p.channel == chip.channel)
            kind = {"max31856": {"K": 3, "T": 7}[place.tc], "max31856-gain8": 8}[place.chip]
            chip.transfer(bytes((0x80, 0x90, kind)), 0, 0)
    seconds = np.arange(600, 50000, 491)
    for i, p in enumerate(backyard.scenario.placements):
        chip = backyard.chips[p.cs]
        if p.chip == "max31855":
            rows = [split_max31855(int.from_bytes(chip.transfer(b"", 4, t * 1000), "big")) for t in seconds.tolist()]
        else:
            rows = [split_max31856(chip.transfer(b"\x0a", 6, t * 1000)) for t in seconds.tolist()]
        hot, cold, fault = (np.array(column, dtype=np.int32) for column in zip(*rows, strict=True))
        assert not fault.any()
        reading = hot_junction(p.tc, *loop_emf(p.chip, p.tc, hot, cold))
        junction = backyard.junction[seconds, i]
        wire = backyard.wire_errors[i]
        off = reading - junction - (wire.of(junction) - wire.of(backyard.box[seconds, 0]))
        allowed = abs(backyard.chip_errors[i].cold) * 1.1 + 1.6 + 1.2  # cold sensor, amplifier, noise and moving air
        assert np.abs(off).max() < allowed
        # the wire's own error is really in the reading: leaving it out is worse
        assert abs(backyard.wire_errors[i].of(junction).mean()) > 0.05


def test_an_air_probe_reads_low_by_walls_and_stem_and_lags_the_more_the_thicker_it_is():
    """A bead at the grate and, at the far end, a steel sheath of 1/16 in in place of the scenario's bead."""
    grate, far, *rest = SCENARIOS["backyard"].placements
    sheath = replace(far, probe=ProbeSpec("sheath", 0.0016, immersion=0.075, emissivity=0.6))
    world = World(replace(SCENARIOS["backyard"], placements=(grate, sheath, *rest)), 7)
    world.run_to(3 * 3600)
    steady = slice(3600, 10000)
    low = (world.true - world.junction)[steady, :2].mean(axis=0)
    assert 0.3 < low[0] < 3.0
    assert 0.5 < low[1] < 6.0
    seen, real = (np.std(np.diff(course[steady], axis=0), axis=0) for course in (world.junction, world.true))
    follows = seen / real
    assert follows[1] < 0.2
    assert follows[1] < follows[0]


def test_the_fire_goes_out_when_nobody_is_there_and_is_lit_again():
    world = World(SCENARIOS["fire-out"], 7)
    world.run_to(10 * 3600)
    pit = world.smoke[:, 0]
    assert pit[int(8.1 * 3600)] < 60
    assert pit[int(9.5 * 3600)] > 95
    assert any("out" in h.text for h in world.hand.happenings)


def test_bare_meat_stalls_and_leaves_the_stall_by_itself():
    world = World(SCENARIOS["bare"], 7)
    world.run_to(13 * 3600)
    begin, end = stalls(world, 13 * 3600)["flat"][0]
    assert 3.5 < (end - begin) / 3600 < 7
    assert world.true[int(12.9 * 3600), 2] > world.true[int(end), 2] + 6


def test_the_box_warms_in_the_sun_and_die_leads_the_terminals(backyard):
    terminal, die = backyard.box[: backyard.until_s].T
    assert np.ptp(terminal) > 8
    rising = slice(4 * 3600, 6 * 3600)
    assert (die - terminal)[rising].mean() > 0.05


def test_stalls_are_found_by_share_of_heat_and_bridged_over_short_dips():
    heat = np.full(5760, 800.0)  # 8 h of 5 s
    spent = np.full(5760, 400.0)
    spent[1440:4320] = 780.0
    spent[2000:2120] = 300.0  # ten minutes
    spans = find_stalls(heat, spent, 8 * 3600)
    assert len(spans) == 1
    assert spans[0].begin == pytest.approx(1440 * BLOCK, abs=900)
    assert spans[0].end == pytest.approx(4320 * BLOCK, abs=900)
    assert find_stalls(heat, spent, 3.5 * 3600)[0].end == pytest.approx(3.5 * 3600, abs=BLOCK)  # as a wrap ends it
    assert find_stalls(-heat, spent, 8 * 3600) == []


def test_truth_holds_what_it_promises(backyard):
    truth = as_arrays(backyard, 3600.0)
    assert truth["t_s"].shape == (3601,)
    assert truth["true"].shape == truth["junction"].shape == (3601, 6)
    assert truth["place"].tolist() == ["grate", "far end", "flat", "point", "tip", "middle"]
    assert np.isnan(truth["stall_begin_s"]).all()  # an hour in, nothing has stalled
    whole = as_arrays(backyard, 14 * 3600.0)
    assert np.isfinite(whole["stall_begin_s"]).tolist() == [False, False, True, True, True, True]


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_every_scenario_is_wired_without_clashes(name):
    places = SCENARIOS[name].placements
    assert [p.channel for p in places] == list(range(len(places)))
    assert len({p.cs for p in places}) == len({p.place for p in places}) == len(places)
    assert SCENARIOS[name].hand.wrap_place in {p.place for p in places}
    assert Hand(1).happenings == []
