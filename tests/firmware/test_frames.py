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
from pitlogger.frames import Encoder
from pitlogger.stretch import STRETCH, Stretch

def answer(case):
    if "event" in case:
        encoder = Encoder(case["logger"], case["boot"], b"", 1000)
        frame = encoder.event(case["sequence"], case["uptime_ms"], case["event"], case["fields"])
        return {"hex": binascii.hexlify(frame).decode()}
    table = bytes(case["table"])
    n, c, missed = len(case["hot"]), len(table), case["missed"]
    encoder = Encoder(case["logger"], case["boot"], table, case["period_ms"], case.get("most", 256))
    stretch, frames = Stretch(STRETCH, c), []

    def seal():
        frames.append(binascii.hexlify(encoder.seal(case["sequence"] + len(frames))).decode())
        encoder.clear()

    async def go():
        present = 0
        for tick in range(n + len(missed)):     # as the sampler fills stretches, and the recorder frames
            if tick in missed:
                stretch.missed[stretch.ticks >> 3] |= 0x80 >> (stretch.ticks & 7)
                stretch.ticks += 1
                continue
            if stretch.present == STRETCH:
                await done()
            if not stretch.ticks:
                uptime = case["uptime_ms"] + tick * case["period_ms"]
                stretch.high, stretch.low = uptime >> 24, uptime & 0xFFFFFF
            stretch.put([case[column][present][j] for j in range(c) for column in ("hot", "cold", "fault")])
            present += 1
        await done()
        if encoder.present:
            seal()

    async def done():
        if not encoder.takes(stretch):
            seal()
        await encoder.add(stretch)
        stretch.clear()
        if encoder.full:
            seal()

    asyncio.run(go())
    return {"hex": frames[0], "frames": frames}
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
    n = draw(st.integers(1, 150))
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
        "sequence": draw(st.integers(0, 2**32 - 4)),
        "uptime_ms": draw(st.integers(0, 2**48 - 1 - 255 * 60000)),
        "period_ms": draw(st.integers(250, 60000)),
        "table": table,
        "missed": missed,
        "most": draw(st.sampled_from([64, 128, 256])),
        **columns,
    }


SLOW = settings(deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))


@SLOW
@given(case=tick_cases())
def test_host_decodes_what_the_firmware_encoded(case, encoder):
    frames = [bytes.fromhex(text) for text in encoder.ask(case)["frames"]]
    for place, frame in enumerate(frames):
        head = check(frame)
        assert head.key == FrameKey(case["logger"], case["boot"], case["sequence"] + place)
        assert head.length == len(frame) <= 4096
    runs = decode_ticks(frames)
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
    n, table = 64, [0x33] * 8
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
from pitlogger.frames import Encoder
from pitlogger.rice import Bits
from pitlogger.stretch import Stretch
class Watched(Bits):
    top = 0
    def put(self, value, count):
        Watched.top = max(Watched.top, self._acc << count | value, value)
        Bits.put(self, value, count)
stretch = Stretch(40, 8)
for i in range(40):
    stretch.put([8388607 - 16777215 * (i % 2), 32767 - 65535 * (i % 2), -32768 + 65535 * (i % 2)] * 8)
encoder = Encoder(0xFFFFFFFF, 0xFFFF, bytes([0x33] * 8), 1000)
encoder._bits = Watched(encoder._bits.buf)
asyncio.run(encoder.add(stretch))
print(Watched.top)
"""
    assert 0xFFF < int(run(script, tmp_path)) < 2**30


def test_encoding_a_stretch_allocates_nothing_but_its_turns(tmp_path: Path):
    """With the heap locked, an allocation is a MemoryError. A turn is a generator, which asyncio cannot do without."""
    script = """
import micropython
from pitlogger.frames import Encoder
from pitlogger.stretch import Stretch
table = bytes([0x13, 0x23])
encoder, stretch = Encoder(0xFFFFFFFF, 0xFFFF, table, 1000, 128), Stretch(64, 2)
for i in range(64):
    stretch.put([400 + i % 3, 300 + i * i % 5, 0, 13000 + i * 7919 % 97, -1600, i % 9 // 8])
def encode():
    encoder._open(stretch)
    for column in range(3):
        encoder._heads(stretch.columns[column], column)
    for channel in range(2):
        for column in range(3):
            codes, width, bits = stretch.columns[column], encoder._width(channel, column), encoder._bits
            encoder._steps(codes, channel, column, 1, 63, width)
            encoder._strays(codes, channel, column, 1, 63, width)
            bits.block(bits.steps, 63, width, bits.form(bits.steps, 63, width))
            bits.block(bits.strays, 63, width, bits.form(bits.strays, 63, width))
micropython.heap_lock()
encode()
micropython.heap_unlock()
print("nothing")
"""
    assert run(script, tmp_path) == "nothing\n"
