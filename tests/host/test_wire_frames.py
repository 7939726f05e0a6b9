"""Frames against WIRE.md: what is written is read, and nothing else is believed.

Outside sources (SOURCES.md section 11): CRC-32 check value of "123456789" from the CRC catalogue (CRC-32/ISO-HDLC);
zigzag values from the Protocol Buffers encoding page.
"""

import time
import tracemalloc
import zlib

import numpy as np
import pytest
import wire_plain
from hypothesis import event, given, settings
from hypothesis import strategies as st

from pitscribe.errors import FrameError
from pitscribe.wire import frames as wire
from pitscribe.wire.encode import _numbers, tick_body
from pitscribe.wire.layout import CHIPS, TYPES, channel_code

CHANNELS = st.builds(wire.Channel, st.sampled_from(CHIPS), st.sampled_from(TYPES))
KEYS = st.builds(wire.FrameKey, st.integers(0, 2**32 - 1), st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1))
UPTIMES = st.integers(0, 2**48 - 1)


def codes(random, ticks, table, kind):
    """Return a column set, (ticks, C): walks, constants or wild ones, within the width of each chip."""
    out = np.zeros((ticks, len(table)), np.int64)
    for place, entry in enumerate(table):
        bits = 24 if kind == 0 and entry.chip.startswith(("max31856", "mcp9600-adc")) else 16
        half = 1 << (bits - 1)
        if entry.chip != "none":
            step = random.choice([0, 0, 1, 3, 40, 2000, half])
            walk = np.cumsum(random.integers(-step, step + 1, ticks)) + random.integers(-half, half)
            out[:, place] = (walk + half) % (2 * half) - half
    return out


@st.composite
def tick_frames(draw, most=255):
    """Return the arguments of encode_ticks; the numbers by a seed, since hypothesis would draw them one by one."""
    table = draw(st.lists(CHANNELS, min_size=1, max_size=8))
    ticks = draw(st.integers(1, most))
    missed = tuple(sorted(draw(st.sets(st.integers(1, ticks - 1), max_size=ticks - 1)))) if ticks > 1 else ()
    random = np.random.default_rng(draw(st.integers(0, 2**32)))
    columns = [codes(random, ticks - len(missed), table, kind) for kind in range(3)]
    return draw(KEYS), draw(UPTIMES), draw(st.integers(250, 60000)), table, *columns, missed


def sealed(body, kind=wire.TICKS, key=wire.FrameKey(1, 2, 3)):  # noqa: B008
    return wire.seal(kind, key, 5000, body)


@settings(deadline=None, derandomize=True, max_examples=150)
@given(tick_frames(), st.integers(0, 2**32))
def test_every_tick_frame_decodes_to_what_was_encoded_whatever_the_parameters(given_frame, seed):
    key, up, period, table, hot, cold, fault, missed = given_frame
    random = np.random.default_rng(seed)

    def any_form(steps, strays, width):
        form = int(random.choice([*range(12), 13, 14]))
        return (strays is not None and bool(random.integers(2)), form)

    picks = [None, any_form]
    for pick in picks:
        body = tick_body(period, table, hot, cold, fault, missed, pick)
        if len(body) > 4072:
            with pytest.raises(FrameError, match="length"):
                wire.seal(wire.TICKS, key, up, body)
            continue
        frame = wire.seal(wire.TICKS, key, up, body)
        assert wire.check(frame) == wire.Head(wire.TICKS, len(frame), key, up)
        [run] = wire.decode_ticks([frame])
        assert (run.logger, run.boot, run.table) == (key.logger, key.boot, tuple(table))
        np.testing.assert_array_equal(run.hot, hot)
        np.testing.assert_array_equal(run.cold, cold)
        np.testing.assert_array_equal(run.fault, fault)
        due = up + period * np.arange(len(hot) + len(missed))
        np.testing.assert_array_equal(run.missed_ms, due[list(missed)])
        np.testing.assert_array_equal(run.uptime_ms, np.delete(due, list(missed)))
        assert (run.hot.dtype, run.uptime_ms.dtype, run.period_ms.dtype) == (np.int32, np.int64, np.int32)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.lists(tick_frames(most=70), min_size=1, max_size=12), st.randoms(use_true_random=False))
def test_frames_of_all_shapes_decode_together_as_alone_in_any_order_and_each_key_once(many, order):
    frames = {one[0]: wire.encode_ticks(*one) for one in many}
    alone = sorted(tick for frame in frames.values() for tick in ticks_of(wire.decode_ticks([frame])))
    given_ones = list(frames.values()) * 2
    order.shuffle(given_ones)
    runs = wire.decode_ticks(given_ones)
    assert sorted(ticks_of(runs)) == alone
    assert len({(run.logger, run.boot, run.table) for run in runs}) == len(runs)
    assert all((np.diff(run.uptime_ms) >= 0).all() and (np.diff(run.missed_ms) >= 0).all() for run in runs)


def ticks_of(runs):
    """Return the ticks in runs as comparable rows."""
    return [
        (run.logger, run.boot, run.table, int(up), int(period), *hot.tolist(), *cold.tolist(), *fault.tolist())
        for run in runs
        for up, period, hot, cold, fault in zip(
            run.uptime_ms, run.period_ms, run.hot, run.cold, run.fault, strict=True)
    ]


@st.composite
def nonsense_bodies(draw):
    """Return bodies that hold but mean nothing, and such with some bit of them turned over, or ones put in."""
    random = np.random.default_rng(draw(st.integers(0, 2**32)))
    table = bytes(draw(st.lists(st.sampled_from([0x12, 0x17, 0x22, 0x02, 0x45, 0x53, 0x65]), min_size=1, max_size=8)))
    ticks, mapped = draw(st.sampled_from([1, 2, 3, 30, 33, 34, 64, 65, 70, 130])), draw(st.booleans())
    missed = random.random(ticks) < 0.2 * mapped
    missed[0] = False
    bitmap = np.packbits(missed).tobytes() if mapped else b""
    columns = wire_plain.any_columns(random, table, int(ticks - missed.sum()))
    body = bytearray(bytes([0xE8, 3, ticks, len(table) | 128 * mapped]) + table + columns + bitmap)
    change = draw(st.sampled_from(["none", "none", "turn", "ones"]))
    if change == "turn":
        at = draw(st.integers(0, 8 * len(body) - 1))
        body[at // 8] ^= 1 << at % 8
    elif change == "ones":
        at = draw(st.integers(4, len(body)))
        body[at:at] = b"\xff" * draw(st.integers(1, 5))
    return bytes(body[:4000])


@settings(deadline=None, derandomize=True, max_examples=300)
@given(st.lists(nonsense_bodies() | st.binary(max_size=90), min_size=1, max_size=4))
def test_sealed_nonsense_is_read_exactly_as_the_plain_reader_reads_it(bodies):
    frames = [sealed(body, key=wire.FrameKey(place, 0, 0)) for place, body in enumerate(bodies)]
    lanes = wire.check_many(frames * 31)  # so many that they go in lanes, not one by one
    for frame, body, many in zip(frames, bodies, lanes, strict=False):
        alone = wire.check_many([frame])[0]
        try:
            period, table, missed, hot, cold, fault = wire_plain.read_body(body)
        except wire_plain.RefusedError:
            assert isinstance(alone, FrameError)
            assert isinstance(many, FrameError)
            assert (alone.reason, many.reason) == ("body", "body")
            with pytest.raises(FrameError):
                wire.decode_ticks([frame])
            continue
        event("held")
        assert alone == many == wire.read_head(frame)
        [run] = wire.decode_ticks([frame])
        assert [channel_code(one) for one in run.table] == table
        assert (run.hot.tolist(), run.cold.tolist(), run.fault.tolist()) == (hot, cold, fault)
        assert run.missed_ms.tolist() == [5000 + period * place for place in missed]


@settings(deadline=None, derandomize=True, max_examples=300)
@given(st.binary(max_size=200))
def test_random_bytes_are_refused_with_a_reason(data):
    with pytest.raises(FrameError) as refusal:
        wire.check(data)
    assert refusal.value.reason in {"short", "mark", "kind", "length", "crc", "body"}
    with pytest.raises(FrameError):
        wire.decode_ticks([data])


@settings(deadline=None, derandomize=True, max_examples=100)
@given(tick_frames(most=40), st.data())
def test_a_flipped_bit_or_a_cut_is_always_found(given_frame, data):
    frame = wire.encode_ticks(*given_frame)
    bit = data.draw(st.integers(0, 8 * len(frame) - 1))
    flipped = bytearray(frame)
    flipped[bit // 8] ^= 1 << bit % 8
    cut = frame[: data.draw(st.integers(0, len(frame) - 1))]
    found = wire.check_many([frame, bytes(flipped), frame, cut, frame])
    assert [isinstance(one, FrameError) for one in found] == [False, True, False, True, False]
    assert found[3].reason == "short"


def test_no_single_flipped_bit_of_a_frame_goes_unseen():
    frame = wire.encode_ticks(wire.FrameKey(1, 2, 3), 4, 1000, [wire.Channel("max31855", "K")], [[1], [9]], [[2], [2]],
                              [[0], [0]])
    for bit in range(8 * len(frame)):
        flipped = bytearray(frame)
        flipped[bit // 8] ^= 1 << bit % 8
        with pytest.raises(FrameError):
            wire.check(bytes(flipped))


def hostile():
    """Return frames in sound envelopes that ask for as much work as a frame can."""
    start = bytes([0xE8, 3, 255, 8] + [0x42] * 8)
    fills = [b"\xff", b"\x00", b"\xb0", b"\xbf\xff", b"\x7f\xf8", b"\x0f\xff\x80\x00"]
    bodies = [start + (fill * 4060)[:4060] for fill in fills]
    bodies += [start + np.random.default_rng(seed).bytes(4060) for seed in range(6)]
    return [sealed(body, key=wire.FrameKey(1, 2, place)) for place, body in enumerate(bodies)]


def test_hostile_frames_cost_bounded_time_and_memory():
    frames = hostile() * 40
    wire.check_many(frames)  # tables are made once
    tracemalloc.start()
    begun = time.process_time()
    found = wire.check_many(frames)
    spent = time.process_time() - begun
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert all(isinstance(one, FrameError) for one in found)
    assert spent / len(frames) < 0.02  # about 1 ms each here
    assert peak < 40 * sum(map(len, frames))


def test_hostile_neighbours_do_not_disturb_good_frames():
    good = [wire.encode_ticks(wire.FrameKey(9, 1, place), 1000 * place, 1000, [wire.Channel("max31856", "K")],
                              [[place], [5]], [[1], [2]], [[0], [0]]) for place in range(60)]
    mixed = [one for pair in zip(good, hostile() * 5, strict=True) for one in pair]
    found = wire.check_many(mixed)
    assert found[::2] == [wire.read_head(frame) for frame in good]
    assert all(isinstance(one, FrameError) for one in found[1::2])


def test_bad_frame_given_to_decode_is_named():
    good = wire.encode_ticks(wire.FrameKey(9, 1, 0), 0, 1000, [wire.Channel("max31855", "K")], [[1]], [[1]], [[0]])
    with pytest.raises(FrameError, match=r"frame 1 of those given.*crc"):
        wire.decode_ticks([good, good[:-1] + bytes([good[-1] ^ 1])])
    with pytest.raises(FrameError, match="frame 1 of those given is an event"):
        wire.decode_ticks([good, wire.encode_event(wire.FrameKey(9, 1, 1), 0, "boot", {})])
    with pytest.raises(FrameError, match="sequence=3"):
        wire.decode_ticks([good, sealed(b"nonsense")])
    assert wire.decode_ticks([]) == []
    assert wire.check_many([]) == []


def test_a_later_boot_or_another_table_begins_a_run_of_its_own():
    tables = [[wire.Channel("max31855", "K")], [wire.Channel("max31855", "T")]]
    frames = [
        wire.encode_ticks(wire.FrameKey(9, boot, boot * 10 + place), 1000 * place, 1000, table, [[1]], [[1]], [[0]])
        for boot in (2, 1)
        for place, table in enumerate(tables)
    ]
    assert [(run.boot, list(run.table)) for run in wire.decode_ticks(frames)] == [
        (boot, table) for boot in (1, 2) for table in tables
    ]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"table": []}, "0 entries"),
        ({"table": [wire.Channel("max31855", "K")] * 9}, "9 entries"),
        ({"table": [wire.Channel("ad8495", "K")]}, "no code for chip"),
        ({"table": [wire.Channel("max31855", "X")]}, "no code for chip"),
        ({"table": [wire.Channel("max31855", "")]}, "no code for chip"),
        ({"period_ms": 249}, "period 249"),
        ({"missed": (0,)}, "tick 0 is never missed"),
        ({"missed": (5,)}, "count from 0"),
        ({"missed": tuple(range(1, 255))}, "1 to 255"),
        ({"hot": [[32768], [0]]}, "does not fit in 16 bits"),
        ({"cold": [[1]]}, "not the same number of ticks"),
        ({"fault": [0, 0]}, "must be integers of shape"),
        ({"hot": [[1.5], [2.0]]}, "must be integers"),
        ({"uptime_ms": -1}, "48 bits"),
        ({"uptime_ms": 2**48}, "48 bits"),
        ({"key": wire.FrameKey(2**32, 0, 0)}, "header"),
        ({"key": wire.FrameKey(0, -1, 0)}, "header"),
    ],
)
def test_encoder_refuses_what_the_format_cannot_hold(change, said):
    sound = {
        "key": wire.FrameKey(1, 2, 3), "uptime_ms": 0, "period_ms": 1000, "table": [wire.Channel("max31855", "K")],
        "hot": [[1], [2]], "cold": [[1], [2]], "fault": [[0], [0]],
    }
    assert wire.check(wire.encode_ticks(**sound))
    with pytest.raises(FrameError, match=said):
        wire.encode_ticks(**(sound | change))


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@settings(deadline=None, derandomize=True)
@given(KEYS, UPTIMES, st.text(max_size=20), st.dictionaries(st.text(max_size=8), JSON, max_size=5))
def test_every_event_decodes_to_what_was_encoded(key, up, name, fields):
    fields.pop("event", None)
    try:
        frame = wire.encode_event(key, up, name, fields)
    except FrameError:
        return  # over 480 bytes
    assert wire.decode_event(frame) == wire.Event(key, up, name, fields)
    assert wire.check(frame) == wire.Head(wire.EVENT, len(frame), key, up)


@settings(deadline=None, derandomize=True)
@given(st.binary(max_size=100) | st.text(alphabet='[]{}":,eventNaI\\ud8001', max_size=60).map(str.encode))
def test_event_with_any_body_is_read_or_refused_as_such(body):
    try:
        assert isinstance(wire.decode_event(sealed(body, wire.EVENT)).fields, dict)
    except FrameError as refusal:
        assert refusal.reason == "body"  # noqa: PT017


@pytest.mark.parametrize("value", ["NaN", "-Infinity", "1e999", '"\\ud800"', "[" * 400, "9" * 450 + "e9"])
def test_event_that_no_database_could_hold_is_refused(value):
    with pytest.raises(FrameError, match="body"):
        wire.check(sealed(b'{"event":"a","x":' + value.encode() + b"}", wire.EVENT))


def test_event_too_long_or_not_json_is_not_written():
    with pytest.raises(FrameError, match="480 at most"):
        wire.encode_event(wire.FrameKey(1, 2, 3), 0, "a", {"x": "y" * 470})
    with pytest.raises(FrameError, match="JSON"):
        wire.encode_event(wire.FrameKey(1, 2, 3), 0, "a", {"x": float("nan")})
    with pytest.raises(FrameError, match="JSON"):
        wire.encode_event(wire.FrameKey(1, 2, 3), 0, "a", {"x": object()})


def test_crc_is_the_one_of_the_catalogue():
    """CRC-32/ISO-HDLC: check CBF43926, of nothing 0, residue 2144DF1C (SOURCES.md section 11)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    frame = sealed(b"", wire.EVENT)
    assert int.from_bytes(frame[-4:], "little") == zlib.crc32(frame[:-4])
    assert zlib.crc32(frame) == 0x2144DF1C
    assert zlib.crc32(b"") == 0


@pytest.mark.parametrize(
    ("step", "number"),
    [(0, 0), (-1, 1), (1, 2), (-2, 3), (2, 4), (2147483647, 4294967294), (-2147483648, 4294967295)],
)
def test_numbers_stand_for_differences_as_zigzag_has_it(step, number):
    """Zigzag values of SOURCES.md section 11 (those of the Protocol Buffers encoding), here at a width of 32 bits."""
    assert _numbers([0, step], 32) == [number]


def test_frames_of_one_boot_with_other_periods_and_overlapping_times_are_put_in_order():
    table = [wire.Channel("max31855", "K")]

    def frame(sequence, up, period, values):
        column = np.array(values)[:, None]
        return wire.encode_ticks(wire.FrameKey(9, 1, sequence), up, period, table, column, column, 0 * column)

    [run] = wire.decode_ticks([frame(2, 500, 700, [50, 51]), frame(1, 0, 1000, [10, 11, 12])])
    assert run.uptime_ms.tolist() == [0, 500, 1000, 1200, 2000]
    assert run.period_ms.tolist() == [1000, 700, 1000, 700, 1000]
    assert run.hot[:, 0].tolist() == run.cold[:, 0].tolist() == [10, 50, 11, 51, 12]


@pytest.mark.parametrize("lanes", [1, 40])
def test_a_one_anywhere_in_the_padding_is_refused(lanes):
    start = bytes([0xE8, 3, 1, 1, 0x13])
    for used in range(1, 8):
        # heads: hot k = 0 and a number of so many ones, cold and fault all 0
        bits = "0000" + "1" * used + "0" + "1111" + "1111"
        padding = -len(bits) % 8
        for place in range(padding):
            rest = "0" * place + "1" + "0" * (padding - place - 1)
            body = start + int(bits + rest, 2).to_bytes((len(bits) + padding) // 8, "big")
            good = start + int(bits + "0" * padding, 2).to_bytes((len(bits) + padding) // 8, "big")
            for found in wire.check_many([sealed(body)] * lanes):
                assert isinstance(found, FrameError)
                assert "padding" in str(found)
            assert not isinstance(wire.check_many([sealed(good)] * lanes)[0], FrameError)
