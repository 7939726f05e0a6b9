"""The trend after a reset, out of a journal that the host's encoder wrote, against what went into it."""

import json
import struct

import numpy as np
import pytest
from firmware_rig import Worker, run
from hypothesis import given, settings
from hypothesis import strategies as st
from servers import answers, wait_until
from web_rig import Hotspot, segment

from pitscribe.wire.frames import Channel, FrameKey, encode_event, encode_ticks

STEP_S = 120


@pytest.fixture(scope="module")
def heads(tmp_path_factory):
    worker = Worker(
        """
from binascii import unhexlify
from pitlogger.refill import Heads
def answer(frame):
    heads = Heads(unhexlify(frame))
    return [heads.hot, heads.cold, heads.fault]
""",
        tmp_path_factory.mktemp("heads"),
    )
    yield worker
    worker.close()


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_first_tick_of_any_frame_is_what_went_in(heads, data):
    chip = data.draw(st.sampled_from(["max31855", "max31856", "mcp9600"]))
    count = data.draw(st.integers(1, 8))
    near = st.integers(-3, 3) if data.draw(st.booleans()) else st.integers(-(2**13), 2**13 - 1)
    hot, cold = (np.array([data.draw(st.lists(near, min_size=count, max_size=count))]) for _ in range(2))
    fault = np.array([data.draw(st.lists(st.sampled_from([0, 0, 1, 4, 256]), min_size=count, max_size=count))])
    frame = encode_ticks(FrameKey(7, 1, 0), 0, 1000, [Channel(chip, "K")] * count, hot, cold, fault)
    assert heads.ask(frame.hex()) == [hot[0].tolist(), cold[0].tolist(), fault[0].tolist()]


REFILL = """
import asyncio, gc, json, sys
from pitlogger import forget, settings
from pitlogger.journal import Journal
from pitlogger.local import Local
class Sampler:
    up = 0
    def last(self, i): return [4 * (500 + i), 400, 0]
    def last_uptime(self): return Sampler.up
    async def after_tick(self): pass
channels = [{"place": "", "kind": "", "offset": 0, "low": -100, "high": 2000} for _ in range(6)]
local = Local(Sampler(), b"\\x13" * 6, {"units": "F", "trend_min": 2, "channels": channels})
journal = Journal("journal", 7, 0, False)
trend = local.trend
for up in %r:
    Sampler.up = up * 1000
    local.read()
gc.collect()
before, most, turns = gc.mem_alloc(), 0, 0
async def go():
    global most, turns
    task = asyncio.create_task(local.remember(journal, %r, %r))
    while not task.done():
        gc.collect()
        most = max(most, gc.mem_alloc())
        turns += 1
        await asyncio.sleep_ms(0)
asyncio.run(go())
gc.collect()
after = gc.mem_alloc()
at, points = trend.first(), []
while at < trend.slot:
    piece = trend.piece(5, at, 200)
    points += [piece[i] | piece[i + 1] << 8 for i in range(0, len(piece), 2)]
    at += len(piece) // 2
loaded = "pitlogger.refill" in sys.modules
print(json.dumps([trend.first(), trend.slot, points, most - before, after - before, turns, loaded]))
"""


def journal_of(folder, boots):
    """Boots of 700 frames in all: (boot, cause, hours, first hot code), each a code higher at each frame."""
    frames, number = [], 0
    for boot, cause, hours, code in boots:
        said = {"firmware": "0.1.0", "cause": cause, "name": "pit"}
        frames.append(encode_event(FrameKey(7, boot, number), 0, "boot", said))
        number += 1
        for nth in range(int(hours * 3600 / 128)):
            hot = np.full((128, 6), code + nth)
            frames.append(encode_ticks(FrameKey(7, boot, number), 128_000 * nth + 1000, 1000,
                                       [Channel("max31855", "K")] * 6, hot, np.full((128, 6), 400), 0 * hot))
            number += 1
    folder.mkdir()
    for first in range(0, len(frames), 60):
        (folder / f"{first:08x}.seg").write_bytes(segment(first, frames[first : first + 60], 7))


def refilled(tmp_path, boots, ups, boot, cause):
    journal_of(tmp_path / "journal", boots)
    return json.loads(run(REFILL % (ups, boot, cause), tmp_path))


def test_a_day_comes_back_after_resets_for_a_few_kilobytes_that_are_given_back(tmp_path):
    boots = [(3, "power", 30, 300), (4, "watchdog", 2, 1300), (5, "soft", 0, 0)]
    first, slot, points, most, after, turns, loaded = refilled(tmp_path, boots, [30, 300], 5, "soft")
    assert (slot, first) == (2, 2 - 720)
    known = [p for p in points if p != 0x8000]
    assert len(known) >= len(points) - 2
    early = points[: -2 * 30 - 2]
    assert [p for p in early if p != 0x8000] == sorted(p for p in early if p != 0x8000), "it rose all the time"
    # Code 300 + n is the n-th frame: 24 h ago, less the two hours of boot 4, frame 8 h / 128 s of boot 3 was written.
    assert abs(points[5] / 10 - (300 + 8 * 3600 / 128 + 5) / 4) < 5
    print(f"\n{most} bytes at most while it runs, {after} after, {turns} turns")
    assert most < 6400
    assert after < 1100, "names stay known"
    assert turns > 700
    assert not loaded


def test_nothing_is_taken_from_before_the_power_was_off(tmp_path):
    boots = [(3, "power", 3, 300), (4, "power", 1, 1300), (5, "watchdog", 0, 0)]
    first, slot, *_ = refilled(tmp_path, boots, [30, 300], 5, "watchdog")
    assert -31 <= first <= -29
    assert slot == 2
    (tmp_path / "other").mkdir()
    first, _, _, *_ = refilled(tmp_path / "other", boots, [30, 300], 5, "power")
    assert first == 0


def test_where_nobody_looked_before_it_has_what_was_since_the_start(tmp_path):
    first, slot, points, *_ = refilled(tmp_path, [(5, "power", 5, 300)], [5 * 3600], 5, "power")
    assert (first, slot) == (0, 150)
    assert sum(p == 0x8000 for p in points) <= 2


def test_the_page_has_the_trend_of_the_boot_before_a_watchdogs_bite(tmp_path):
    spot = Hotspot(tmp_path / "flash", speed=600, trend_min=5)
    try:
        wait_until("an hour", lambda: spot.bench.world_ms > 3_600_000)
    finally:
        spot.close()
    spot = Hotspot(tmp_path / "flash", cause="watchdog", trend_min=5)
    try:
        def first() -> tuple[int, bytes]:
            body = spot.guest.get("/trend").body
            return struct.unpack_from("<i", body)[0], body[12:]

        wait_until("an open hotspot", lambda: answers(spot.port))
        def line() -> set[int]:
            return set(np.frombuffer(first()[1], "<i2").reshape(3, -1)[1][:8].tolist())

        wait_until("the last hour", lambda: first()[0] <= -10 and -0x8000 not in line())
        slot, _ = first()
        assert slot >= -32
        now = round(spot.guest.get("/now").json["channels"][1]["c"] / 10)
        assert line() == {now}, "the chip has said the same all the time"
    finally:
        spot.close()
