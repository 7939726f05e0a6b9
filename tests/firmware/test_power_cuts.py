"""Power cuts on real littlefs, a seeded choice of them; all of them are in tests/bench/test_power_cuts_bench.py."""

import random

import cut_rig
import pytest


@pytest.mark.parametrize("newest", [False, True], ids=["oldest kept", "newest kept"])
def test_no_power_cut_loses_what_was_written_takes_nonsense_for_a_frame_or_spoils_settings_or_counters(newest, flash):
    total = cut_rig.operations(flash, newest)
    assert total > 200
    every = [(n, mode) for n in range(total) for mode in range(cut_rig.MODES)]
    assert cut_rig.cuts(flash, newest, random.Random(4).sample(every, 75)) == []
