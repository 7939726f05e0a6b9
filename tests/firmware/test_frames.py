"""The encoder on real MicroPython: against the golden vectors, and against the host's decoder by property tests."""

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from firmware_rig import FIRMWARE, Worker, run
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pitscribe.wire.frames import FrameKey, check, decode_event, decode_ticks

ENCODE = """
import asyncio, binascii
from pitlogger.frames import Block, Encoder

def answer(case):
    if "event" in case:
        encoder = Encoder(case["logger"], case["boot"], b"", 1000)
        frame = encoder.event(case["sequence"], case["uptime_ms"], case["event"], case["fields"])
        return {"hex": binascii.hexlify(frame).decode()}
    table = bytes(case["table"])
    n, c = len(case["hot"]), len(table)
    block = Block(n, c)
    block.high, block.low = case["uptime_ms"] >> 24, case["uptime_ms"] & 0xFFFFFF
    for i in range(n):
        block.put([case[column][i][j] for j in range(c) for column in ("hot", "cold", "fault")])
    block.ticks += len(case["missed"])
    for i in case["missed"]:
        block.missed[i >> 3] |= 0x80 >> (i & 7)
    encoder = Encoder(case["logger"], case["boot"], table, case["period_ms"], n)
    async def go():
        length = await encoder.ticks(block)
        return encoder.seal(block, length, case["sequence"])
    return {"hex": binascii.hexlify(asyncio.run(go())).decode()}
"""


@pytest.fixture(scope="module")
def encoder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Worker]:
    """MicroPython with the firmware's encoder, a frame a question."""
    worker = Worker(ENCODE, tmp_path_factory.mktemp("encoder"))
    yield worker
    worker.close()


def vectors(name: str) -> list[dict]:
    return json.loads((FIRMWARE / "vectors" / name).read_text())


FITS = [v for v in vectors("ticks.json") if v["shortest"]]


@pytest.mark.parametrize("vector", FITS, ids=[v["name"] for v in FITS])
def test_encoder_gives_the_golden_bytes(vector, encoder):
    assert encoder.ask(vector["says"])["hex"] == vector["hex"]


@pytest.mark.parametrize("vector", vectors("events.json"), ids=lambda v: v["name"])
def test_event_frame_says_what_the_golden_vector_says(vector, encoder):
    # JSON may be written in more than one way, so the members are compared, not the bytes.
    frame = bytes.fromhex(encoder.ask(vector["says"])["hex"])
    event = decode_event(frame)
    says = vector["says"]
    assert event.key == FrameKey(says["logger"], says["boot"], says["sequence"])
    assert (event.uptime_ms, event.name, event.fields) == (says["uptime_ms"], says["event"], says["fields"])


NARROW, WIDE = st.integers(-(2**15), 2**15 - 1), st.integers(-(2**23), 2**23 - 1)


def walk(step: st.SearchStrategy[int], start: st.SearchStrategy[int], n: int, low: int, high: int):
    """Values that go from one to the next by small steps, as a probe does."""
    made = st.tuples(start, st.lists(step, min_size=n, max_size=n))
    return made.map(lambda s: [min(high, max(low, int(v))) for v in s[0] + np.cumsum(s[1])])


@st.composite
def tick_cases(draw) -> dict:
    table = draw(st.lists(st.sampled_from([0x00, 0x13, 0x17, 0x23, 0x33, 0x47, 0x53, 0x65]), min_size=1, max_size=8))
    n = draw(st.integers(1, min(150, 560 // len(table))))
    missed = []
    if draw(st.booleans()) and n > 1:
        ticks = min(255, n + draw(st.integers(1, 60)))
        missed = sorted(draw(st.permutations(range(1, ticks)))[: ticks - n])
    calm = draw(st.booleans())
    columns = {}
    for column in ("hot", "cold", "fault"):
        values = []
        for entry in table:
            wide = column == "hot" and entry >> 4 in (2, 3, 4, 6)  # WIRE.md 2
            low, high = (-(2**23), 2**23 - 1) if wide else (-(2**15), 2**15 - 1)
            if not entry >> 4:
                values.append([0] * n)
            elif calm:
                start = st.integers(-300, 3000) if column == "hot" else st.integers(0, 400)
                values.append(draw(walk(st.integers(-3, 3) if column != "fault" else st.just(0), start, n, low, high)))
            else:
                values.append(draw(st.lists(WIDE if wide else NARROW, min_size=n, max_size=n)))
        columns[column] = np.array(values).T.tolist()
    return {
        "logger": draw(st.integers(0, 2**32 - 1)),
        "boot": draw(st.integers(0, 2**16 - 1)),
        "sequence": draw(st.integers(0, 2**32 - 1)),
        "uptime_ms": draw(st.integers(0, 2**48 - 1 - 255 * 60000)),
        "period_ms": draw(st.integers(250, 60000)),
        "table": table,
        "missed": missed,
        **columns,
    }


SLOW = settings(deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))


@SLOW
@given(case=tick_cases())
def test_host_decodes_what_the_firmware_encoded(case, encoder):
    frame = bytes.fromhex(encoder.ask(case)["hex"])
    head = check(frame)
    assert head.key == FrameKey(case["logger"], case["boot"], case["sequence"])
    assert head.length == len(frame) <= 4096
    runs = decode_ticks([frame])
    n = len(case["hot"])
    present = [i for i in range(n + len(case["missed"])) if i not in case["missed"]]
    if not any(entry >> 4 for entry in case["table"]):
        return  # a table without a chip has no columns: nothing more to compare
    (run_,) = runs
    uptime = case["uptime_ms"]
    assert run_.uptime_ms.tolist() == [uptime + i * case["period_ms"] for i in present]
    assert run_.missed_ms.tolist() == [uptime + i * case["period_ms"] for i in case["missed"]]
    for column in ("hot", "cold", "fault"):
        assert getattr(run_, column).tolist() == case[column]


def test_worst_frame_that_settings_allow_fits_into_4096_bytes(encoder):
    rng = np.random.default_rng(31856)
    n, table = 70, [0x33] * 8
    hot = rng.integers(-(2**23), 2**23, (n, 8)).tolist()
    cold, fault = (rng.integers(-(2**15), 2**15, (n, 8)).tolist() for _ in range(2))
    head = {"logger": 1, "boot": 1, "sequence": 1, "uptime_ms": 2**48 - 1, "period_ms": 1000, "table": table}
    missed = list(range(1, 256 - n))
    frame = bytes.fromhex(encoder.ask({**head, "missed": missed, "hot": hot, "cold": cold, "fault": fault})["hex"])
    assert 3500 < len(frame) <= 4096
    assert check(frame).length == len(frame)


def test_encoder_uses_small_integers_of_the_board_only_in_its_bit_stream(tmp_path: Path):
    """A small integer of a 32-bit port lies within +-2**30; the accumulator must never leave that."""
    script = """
import asyncio
from pitlogger.frames import Block, Encoder
class Watched(Encoder):
    top = 0
    def _put(self, value, count):
        Watched.top = max(Watched.top, self._acc << count | value, value)
        Encoder._put(self, value, count)
block = Block(40, 8)
for i in range(40):
    block.put([8388607 - 16777215 * (i % 2), 32767 - 65535 * (i % 2), -32768 + 65535 * (i % 2)] * 8)
asyncio.run(Watched(0xFFFFFFFF, 0xFFFF, bytes([0x33] * 8), 1000).ticks(block))
print(Watched.top)
"""
    assert 0xFFF < int(run(script, tmp_path)) < 2**30
