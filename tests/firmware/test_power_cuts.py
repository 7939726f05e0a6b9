"""Power cuts on real littlefs, a seeded choice of them; ``python -m chaos.power`` makes them all."""

import pytest
from chaos.power import cut


@pytest.mark.parametrize("newest", [False, True], ids=["oldest kept", "newest kept"])
def test_no_power_cut_loses_what_was_written_takes_nonsense_for_a_frame_or_spoils_settings_or_counters(newest, flash):
    total, cuts, wrong = cut(flash, newest=newest, seed=4, times=75)
    assert total > 200
    assert cuts == 75
    assert wrong == []
