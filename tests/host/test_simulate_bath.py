"""Baths on the bench: what the probes are in, what the box does, and that parts are those of the cooks."""

from dataclasses import replace

import numpy as np
import pytest

from pitscribe.metrology.chain import correct
from pitscribe.metrology.chips import split_max31855
from pitscribe.simulate.bath import BATHS, BOILS_AT_A_MILE_C, SCENES, BathWorld
from pitscribe.simulate.bench import Bench
from pitscribe.simulate.scenario import SCENARIOS
from pitscribe.simulate.world import World


def test_every_scene_has_a_name_of_its_own():
    assert len(SCENES) == len(SCENARIOS) + len(BATHS)


def test_an_ice_bath_is_at_nought_once_it_was_stirred_and_the_boil_at_its_altitude():
    world = BathWorld(BATHS["ice-and-boil"], 3)
    begin, ice, boil = (slice(a, b) for a, b in ((300, 330), (1200, 1800), (2400, 3600)))
    assert world.true[begin].mean() > 1.0  # nobody has stirred it yet
    assert world.true[ice] == pytest.approx(0.0, abs=0.06)
    assert np.abs(world.true[ice].mean(axis=0)).max() < 0.01
    # 94.618 degC at 1609.344 m of the US Standard Atmosphere 1976 by IAPWS-IF97 region 4: SOURCES.md section 3.
    assert world.true[boil].mean() == pytest.approx(94.618, abs=0.01)
    assert BOILS_AT_A_MILE_C == 94.618


def test_a_junction_follows_its_bath_by_its_time_constant():
    world = BathWorld(BATHS["ice-and-boil"], 3)
    tau = BATHS["ice-and-boil"].placements[0].tau_s
    before, after = world.junction[1859, 0], world.true[1860 : 1860 + 12, 0].mean()
    part = (world.junction[1860 : 1860 + 12, 0] - before) / (after - before)
    # 63.2 % after one time constant: first order, exact at whole seconds up to the water's unrest.
    assert part[round(tau) - 1] == pytest.approx(1 - np.exp(-1), abs=0.01)


@pytest.mark.parametrize(("name", "scenario"), [("ice-and-boil", "backyard"), ("side-by-side", "small")])
def test_the_same_seed_draws_the_wires_and_chips_of_the_cook_on_the_same_channels(name, scenario):
    cook, baths = World(SCENARIOS[scenario], 5), BathWorld(BATHS[name], 5)
    assert baths.wire_errors == cook.wire_errors
    assert baths.chip_errors == cook.chip_errors
    assert [chip.error for chip in baths.chips.values()] == cook.chip_errors


def test_the_box_warms_as_it_is_told_and_the_terminal_block_follows_if_it_is_to():
    quick, slow = BathWorld(BATHS["warming-box"], 1), BathWorld(BATHS["ice-and-boil"], 1)
    assert quick.box[300].tolist() == [10.0, 10.0]
    assert quick.box[8700].tolist() == [45.0, 45.0]
    assert quick.box[4500].tolist() == [27.5, 27.5]
    assert np.unique(slow.box).tolist() == [22.0]
    late = BathWorld(replace(BATHS["warming-box"], terminal_s=100.0), 1).box
    # A ramp of 15 K an hour is followed 100 s late: 0.417 K.
    assert late[8000, 1] - late[8000, 0] == pytest.approx(15 / 36, abs=0.005)


def test_an_ideal_chip_in_a_block_says_what_the_block_has(tmp_path):
    bench = Bench(BATHS["warming-box"], 2, 0.1, tmp_path)
    words = [int.from_bytes(bench.transfer(20, b"", 4, 1000 * s), "big") for s in range(1, 301)]  # T at 93.3
    bench.close()
    hot, cold, fault = (np.array(column, np.int32) for column in zip(*map(split_max31855, words), strict=True))
    # No errors are drawn: what is left of 300 words is noise (0.08 K rms) and the step's rest.
    assert correct("max31855", "T", hot, cold, fault).celsius.mean() == pytest.approx(93.3, abs=0.03)
    with np.load(tmp_path / "truth.npz") as truth:
        assert truth["true"][-1].tolist() == [93.3, 93.3, 60.0, 60.0]
        assert truth["wire_at_100"].tolist() == [0.0] * 4


def test_moves_are_told_as_they_come_and_not_before(tmp_path):
    bench = Bench(BATHS["ice-and-boil"], 2, 1.0, tmp_path)
    told = tmp_path / "happenings.jsonl"
    bench.transfer(17, b"", 4, 299_000)
    assert told.read_text().count("\n") == 6
    bench.transfer(17, b"", 4, 301_000)
    assert "grate: into the ice" in told.read_text()
    assert "boil" not in told.read_text()
    bench.close()
