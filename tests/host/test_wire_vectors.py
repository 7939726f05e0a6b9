"""The golden vectors of firmware_mpy/vectors, which bind both sides. The first is worked out by hand in its README."""

import json

import make_vectors
import pytest

from pitscribe.errors import FrameError
from pitscribe.wire import frames as wire
from pitscribe.wire.layout import channel, channel_code
from pitscribe.wire.segments import scan_segment


def vectors(name):
    return json.loads((make_vectors.FOLDER / name).read_text(encoding="utf-8"))


TICKS, EVENTS, BROKEN, SEGMENTS = (vectors(f"{name}.json") for name in ("ticks", "events", "broken", "segments"))


def by_name(vector):
    return vector["name"]


@pytest.mark.parametrize("name", make_vectors.files())
def test_committed_vectors_are_what_the_script_makes(name):
    assert (make_vectors.FOLDER / name).read_text(encoding="utf-8") == make_vectors.files()[name]


def said_by(run):
    return {
        "table": [channel_code(one) for one in run.table],
        "hot": run.hot.tolist(),
        "cold": run.cold.tolist(),
        "fault": run.fault.tolist(),
    }


@pytest.mark.parametrize("vector", TICKS, ids=by_name)
def test_tick_frame_says_what_its_vector_says(vector):
    frame, says = bytes.fromhex(vector["hex"]), vector["says"]
    head = wire.check(frame)
    assert head == wire.Head(
        1, len(frame), wire.FrameKey(says["logger"], says["boot"], says["sequence"]), says["uptime_ms"]
    )
    [run] = wire.decode_ticks([frame])
    assert said_by(run) == {name: says[name] for name in ("table", "hot", "cold", "fault")}
    ticks = range(len(says["hot"]) + len(says["missed"]))
    due = [says["uptime_ms"] + tick * says["period_ms"] for tick in ticks]
    assert run.missed_ms.tolist() == [due[tick] for tick in says["missed"]]
    assert run.uptime_ms.tolist() == [due[tick] for tick in ticks if tick not in says["missed"]]
    assert set(run.period_ms.tolist()) == {says["period_ms"]}


@pytest.mark.parametrize("vector", [one for one in TICKS if one["shortest"]], ids=by_name)
def test_encoder_writes_the_very_bytes_of_the_vector(vector):
    says = vector["says"]
    table = [channel(code) for code in says["table"]]
    frame = wire.encode_ticks(
        wire.FrameKey(says["logger"], says["boot"], says["sequence"]), says["uptime_ms"], says["period_ms"], table,
        says["hot"], says["cold"], says["fault"], says["missed"],
    )
    assert frame.hex() == vector["hex"]


def test_all_tick_vectors_decode_alike_together_and_alone():
    frames = [bytes.fromhex(one["hex"]) for one in TICKS]
    together = {(run.logger, run.boot, run.table): run for run in wire.decode_ticks(frames)}
    assert sum(len(run.uptime_ms) for run in together.values()) == sum(len(one["says"]["hot"]) for one in TICKS)
    for frame in frames:
        [alone] = wire.decode_ticks([frame])
        run = together[alone.logger, alone.boot, alone.table]
        for column in ("hot", "cold", "fault"):
            rows = {row.tobytes() for row in getattr(run, column)}
            assert all(row.tobytes() in rows for row in getattr(alone, column))


@pytest.mark.parametrize("vector", EVENTS, ids=by_name)
def test_event_frame_says_what_its_vector_says(vector):
    frame, says = bytes.fromhex(vector["hex"]), vector["says"]
    key = wire.FrameKey(says["logger"], says["boot"], says["sequence"])
    assert wire.decode_event(frame) == wire.Event(key, says["uptime_ms"], says["event"], says["fields"])
    assert wire.check(frame) == wire.Head(2, len(frame), key, says["uptime_ms"])


@pytest.mark.parametrize("vector", BROKEN, ids=by_name)
def test_broken_frame_is_refused_for_the_reason_of_its_vector(vector):
    with pytest.raises(FrameError) as refusal:
        wire.check(bytes.fromhex(vector["hex"]))
    assert refusal.value.reason == vector["reason"]


def test_broken_frames_among_good_ones_are_told_apart():
    mixed = [one for pair in zip(TICKS * 3, BROKEN, strict=False) for one in pair]
    found = wire.check_many([bytes.fromhex(one["hex"]) for one in mixed])
    assert [one.reason if isinstance(one, FrameError) else None for one in found] == [
        one.get("reason") for one in mixed
    ]


@pytest.mark.parametrize("vector", SEGMENTS, ids=by_name)
def test_segment_yields_its_whole_frames_and_names_its_damage(vector):
    frames, damaged = scan_segment(bytes.fromhex(vector["hex"]))
    assert [frame.hex() for frame in frames] == vector["frames"]
    assert damaged == [tuple(one) for one in vector["damaged"]]
