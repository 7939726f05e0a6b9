"""The power cut at every operation of a session on real littlefs, in three ways.

`pytest tests/bench/test_power_cuts_bench.py -s`. The session: a boot, sampling, rotation of segments,
acknowledgements, a changed setting, the count of losses.
"""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))
import cut_rig


@pytest.mark.parametrize("newest", [False, True], ids=["oldest kept", "newest kept"])
def test_power_cut_at_every_operation_breaks_no_promise(newest, tmp_path, capsys):
    total = cut_rig.operations(tmp_path, newest)
    kinds = [(n, mode) for n in range(total) for mode in range(cut_rig.MODES)]
    wrong = []
    for at in range(0, len(kinds), 150):  # a process each
        wrong += cut_rig.cuts(tmp_path, newest, kinds[at : at + 150])
    with capsys.disabled():
        print(f"\n{total} operations, {len(kinds)} power cuts: {len(wrong)} broke a promise")
    assert wrong == []
    assert len(kinds) >= 1000
