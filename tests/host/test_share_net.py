"""Whatever network and kills do: what is said to be stored is in a ledger, and in the end once in its keeper's."""

import random

from hypothesis import example, given, settings
from hypothesis import strategies as st
from share_net import Net

LOGGERS = {0xAABB0000 + n: 12 for n in range(4)}  # two or more of them at each of two processes


@settings(max_examples=5, deadline=None)
@given(st.integers(0, 2**32), st.integers(2, 3), st.integers(20, 300))
@example(1, 3, 400)
def test_no_frame_is_lost_or_doubled(tmp_path_factory, seed, processes, steps):
    dice = random.Random(seed)
    net = Net(tmp_path_factory.mktemp("net"), ("north", "south", "west")[:processes], LOGGERS)
    for _ in range(steps):
        net.act(dice)
    net.settle(dice)
    assert net.faults() == []
    net.close()
