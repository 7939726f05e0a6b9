"""How fast frames are checked and decoded, and how closely they are packed: `pytest tests/bench/test_frames_bench.py`.

The columns are synthetic (wire_columns.py). An 18-hour cook of six channels at 1 Hz is 2,025 frames of 32 ticks.
"""

import time

import numpy as np
import pytest
import wire_columns

from pitscribe.wire.density import density
from pitscribe.wire.frames import FrameKey, Head, check_many, decode_ticks, encode_ticks

CHIPS = ("max31855", "max31856")
HOURS = 18


@pytest.fixture(scope="module", params=CHIPS)
def cook(request):
    return request.param, wire_columns.frames(request.param, HOURS)


def best(work, times=9):
    """Return the least and the middle time of several, in s."""
    spent = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        spent.append(time.perf_counter() - begun)
    return min(spent), sorted(spent)[times // 2]


@pytest.fixture
def say(capsys):
    def out(text):
        with capsys.disabled():
            print(text)

    return out


def test_decoding_an_18_hour_cook_stays_well_under_100_ms(cook, say):
    chip, frames = cook
    [run] = decode_ticks(frames)
    for column, truth in zip((run.hot, run.cold, run.fault), wire_columns.columns(chip, HOURS), strict=True):
        np.testing.assert_array_equal(column, truth)
    least, middle = best(lambda: decode_ticks(frames))
    say(f"\n{chip}: decode {len(frames)} frames of 6 x 32: {1e3 * least:.1f} ms, middle {1e3 * middle:.1f}")
    assert least < 0.1


def test_decoding_a_cook_with_many_missed_ticks_stays_well_under_100_ms(say):
    rng = np.random.default_rng(1)
    hot, cold, fault = wire_columns.columns("max31855", HOURS)
    frames = []
    for place, at in enumerate(range(0, len(hot), 32)):
        lost = np.flatnonzero(rng.random(32) < 0.1)
        lost = lost[lost > 0]
        some = np.delete(np.arange(at, at + 32), lost)
        frames.append(encode_ticks(
            FrameKey(1, 1, place), 1000 * at, 1000, (wire_columns.Channel("max31855", "K"),) * 6,
            hot[some], cold[some], fault[some], lost.tolist(),
        ))
    least, middle = best(lambda: decode_ticks(frames))
    say(f"\nmax31855, a tenth of all ticks missed: decode {1e3 * least:.1f} ms, middle {1e3 * middle:.1f}")
    assert least < 0.1


def test_checking_a_batch_costs_some_microseconds_a_frame(cook, say):
    chip, frames = cook
    for size in (1, 4, 16, 64, 256, 1000):
        batch = frames[:size]
        assert all(isinstance(one, Head) for one in check_many(batch))
        least, _ = best(lambda batch=batch: check_many(batch))
        say(f"\n{chip}: check {size} at a time: {1e6 * least / size:.1f} us a frame")
    assert least / size < 50e-6


@pytest.mark.parametrize("chip", CHIPS)
@pytest.mark.parametrize("ticks", [16, 32, 64, 128])
def test_frames_are_packed_closely(chip, ticks, say):
    found = density(wire_columns.frames(chip, 6, ticks))
    packed, entropy = found.bytes_per_channel_tick, found.entropy_bytes_per_channel_tick
    say(f"\n{chip}, {ticks} ticks a frame: {packed:.3f} bytes a channel and tick; entropy {entropy:.3f}")
    fixed = (24 + 6 + 4) / 6 + 28 / 8  # a channel's share of header, table and CRC; its first values, about 28 bits
    parameters = 12 / 8 * np.ceil((ticks - 1) / 32)
    assert packed < entropy + (fixed + parameters) / ticks + 0.1
