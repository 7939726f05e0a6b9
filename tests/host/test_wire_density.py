"""Density against entropies worked out by hand: H = -sum p log2 p (Shannon 1948)."""

import numpy as np
import pytest

from pitscribe.errors import SourceError
from pitscribe.wire.density import density
from pitscribe.wire.frames import Channel, FrameKey, encode_event, encode_ticks

K55 = Channel("max31855", "K")


def frame(sequence, hot, table=(K55,), cold=None):
    hot = np.asarray(hot)
    cold = 0 * hot if cold is None else np.asarray(cold)
    return encode_ticks(FrameKey(1, 1, sequence), 1000 * 100 * sequence, 1000, table, hot, cold, 0 * hot)


def test_entropy_is_of_the_differences_within_frames_and_adds_up_over_a_channels_columns():
    # Hot steps +1, -1, +1, -1 in each frame: 1 bit. Cold steps 0, 0, 0, 4: p 3/4 and 1/4: 0.811278 bit. Fault: none.
    hot, cold = [[0], [1], [0], [1], [0]], [[7], [7], [7], [7], [11]]
    frames = [frame(n, np.array(hot) + 50 * n, cold=cold) for n in range(3)]
    found = density(frames)
    assert found.entropy_bytes_per_channel_tick == pytest.approx((1 + 0.8112781245) / 8)
    assert found.bytes_per_channel_tick == sum(map(len, frames)) / 15


def test_events_copies_and_channels_without_a_chip_do_not_count():
    hot = np.arange(10)[:, None] ** 2
    alone = density([frame(0, hot)])
    boot = encode_event(FrameKey(1, 1, 9), 0, "boot", {})
    assert density([frame(0, hot), boot, frame(0, hot)]) == alone
    with_gap = frame(0, np.hstack([hot, 0 * hot]), table=(K55, Channel("none", "K")))
    assert density([with_gap]).entropy_bytes_per_channel_tick == alone.entropy_bytes_per_channel_tick
    assert density([with_gap]).bytes_per_channel_tick == len(with_gap) / 10


def test_nothing_to_measure_is_said():
    for frames in ([], [frame(0, [[1]])], [encode_event(FrameKey(1, 1, 9), 0, "boot", {})]):
        with pytest.raises(SourceError, match="density"):
            density(frames)
