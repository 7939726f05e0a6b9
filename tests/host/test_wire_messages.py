"""Messages and topics against WIRE.md section 5. The texts of good messages are written out from it by hand."""

import json
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.errors import MessageError
from pitscribe.wire import messages as wire
from pitscribe.wire.frames import Channel, FrameKey

NOW = {"v": 1, "boot": 7, "up": 81000, "table": [0x13, 0x00, 0x27], "codes": [[430, 400, 0], None, [-5, 1600, 513]]}
JOURNAL = {"first": 10, "next": 500, "cursor": 480, "lost": 2, "ok": True}
ANCHOR = {"up": 5000, "utc_ms": 1794052800123, "err_ms": 41, "from": "host"}
STATE = {
    "v": 1, "online": True, "boot": 7, "up": 81500, "name": "pit", "firmware": "0.1.0", "period_ms": 1000,
    "table": [0x13, 0x23], "missed": 3, "journal": JOURNAL, "anchor": ANCHOR,
}


def written(message):
    return json.dumps(message).encode()


def test_now_says_the_last_tick():
    now = wire.parse_now(written(NOW | {"later": [1, 2]}))
    assert now == wire.Now(
        7, 81000, (Channel("max31855", "K"), Channel("none", "B"), Channel("max31856", "T")),
        ((430, 400, 0), None, (-5, 1600, 513)),
    )


def test_state_says_how_the_logger_is():
    state = wire.parse_state(written(STATE | {"later": {}}))
    table = (Channel("max31855", "K"), Channel("max31856", "K"))
    journal, anchor = wire.Journal(10, 500, 480, 2, True), wire.AnchorSaid(5000, 1794052800123, 41, "host")
    condition = wire.Condition(81500, "pit", "0.1.0", 1000, table, 3, journal, anchor)
    assert state == wire.State(True, 7, condition)
    assert wire.parse_state(written(STATE | {"anchor": None})).condition.anchor is None


def test_last_will_says_that_the_logger_is_gone():
    assert wire.parse_state(b'{"v":1,"online":false,"boot":7}') == wire.State(False, 7, None)


NOT_OBJECTS = [b"", b"\xff", b"[]", b"null", b"1", b'{"v":1', b"[" * 5000, b'{"v":1,"x":' + b"[" * 4000, b"{}" * 5000,
               b'{"v":NaN}', b'{"v":1e999}', b'{"v":1,"x":"\\ud800"}', b'{"v":' + b"9" * 5000 + b"}"]


@pytest.mark.parametrize("parse", [wire.parse_now, wire.parse_state, wire.parse_stored, wire.parse_order])
@pytest.mark.parametrize("payload", NOT_OBJECTS, ids=range(len(NOT_OBJECTS)))
def test_what_is_no_message_is_refused(parse, payload):
    with pytest.raises(MessageError):
        parse(payload)


@pytest.mark.parametrize(
    ("change", "culprit"),
    [
        ({"v": 2}, "now.v"), ({"v": True}, "now.v"), ({"v": "1"}, "now.v"), ({"v": 1.0}, "now.v"),
        ({"boot": -1}, "now.boot"), ({"boot": 65536}, "now.boot"), ({"boot": None}, "now.boot"),
        ({"up": 2**48}, "now.up"), ({"up": 1e5}, "now.up"), ({"up": 10**4000}, "now.up"),
        ({"table": []}, "now.table"), ({"table": [18] * 9}, "now.table"), ({"table": {}}, "now.table"),
        ({"table": [0x72, 0, 0]}, "now.table[0]"), ({"table": [18, 0x18, 0]}, "now.table[1]"),
        ({"table": [18, 0, 256]}, "now.table[2]"), ({"table": [18, 0, "K"]}, "now.table[2]"),
        ({"codes": [[1, 2, 3]]}, "now.codes"), ({"codes": [[1, 2, 3], [1, 2, 3], [1, 2, 3]]}, "now.codes[1]"),
        ({"codes": [None, None, None]}, "now.codes[0]"), ({"codes": [[1, 2], None, [1, 2, 3]]}, "now.codes[0]"),
        ({"codes": [[2**23, 2, 3], None, [1, 2, 3]]}, "now.codes[0][0]"),
        ({"codes": [[1, 2, 3], None, [1, 32768, 3]]}, "now.codes[2][1]"),
        ({"codes": [[1, 2, 3], None, [1, 2, False]]}, "now.codes[2][2]"),
        ({"codes": "codes"}, "now.codes"),
    ],
)
def test_now_that_does_not_fit_is_refused_by_the_members_name(change, culprit):
    with pytest.raises(MessageError) as refusal:
        wire.parse_now(written(NOW | change))
    assert str(refusal.value).startswith(culprit + ":")


@pytest.mark.parametrize(
    ("change", "culprit"),
    [
        ({"v": 0}, "state.v"), ({"online": 1}, "state.online"), ({"online": "yes"}, "state.online"),
        ({"name": 5}, "state.name"), ({"name": "x" * 101}, "state.name"), ({"firmware": None}, "state.firmware"),
        ({"period_ms": 100}, "state.period_ms"), ({"missed": -1}, "state.missed"),
        ({"table": [0x72]}, "state.table[0]"),
        ({"journal": []}, "state.journal"), ({"journal": JOURNAL | {"first": -1}}, "state.journal.first"),
        ({"journal": JOURNAL | {"next": 2**32 + 1}}, "state.journal.next"),
        ({"journal": JOURNAL | {"ok": None}}, "state.journal.ok"), ({"anchor": 5}, "state.anchor"),
        ({"anchor": ANCHOR | {"utc_ms": 10**15}}, "state.anchor.utc_ms"),
        ({"anchor": ANCHOR | {"err_ms": -1}}, "state.anchor.err_ms"), ({"anchor": ANCHOR | {"from": 3}},
         "state.anchor.from"),
    ],
)
def test_state_that_does_not_fit_is_refused_by_the_members_name(change, culprit):
    with pytest.raises(MessageError) as refusal:
        wire.parse_state(written(STATE | change))
    assert str(refusal.value).startswith(culprit + ":")


@pytest.mark.parametrize(("parse", "message"), [(wire.parse_now, NOW), (wire.parse_state, STATE)])
def test_every_missing_member_is_named(parse, message):
    for name in message:
        with pytest.raises(MessageError, match=rf"\.{name} is missing"):
            parse(written({key: value for key, value in message.items() if key != name}))


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)


@settings(deadline=None, derandomize=True, max_examples=300)
@given(st.sampled_from([NOW, STATE]), st.data())
def test_any_value_in_any_member_is_read_or_refused(message, data):
    name = data.draw(st.sampled_from(sorted(message)))
    payload = written(message | {name: data.draw(ANYTHING)})
    try:
        (wire.parse_now if message is NOW else wire.parse_state)(payload)
    except MessageError as refusal:
        assert len(str(refusal)) < 300  # noqa: PT017  # one line, whatever was in it


@settings(derandomize=True)
@given(st.sets(st.tuples(st.integers(0, 3), st.integers(0, 40))))
def test_ranges_name_the_stored_frames_and_no_others(frames):
    ranges = wire.ranges_of(FrameKey(5, boot, sequence) for boot, sequence in frames)
    assert {(boot, one) for boot, first, last in ranges for one in range(first, last + 1)} == frames
    assert ranges == sorted(ranges)
    for before, after in pairwise(ranges):
        assert before[0] != after[0] or after[1] > before[2] + 1  # two that touch would be one
    assert wire.parse_stored(wire.stored(ranges)) == ranges


@pytest.mark.parametrize(
    "ranges", [[(1, 5, 4)], [(65536, 1, 2)], [(1, -1, 2)], [(1, 2, 2**32 + 1)], [(1, 2)], [(1, 2, 3.0)]]
)
def test_stored_that_makes_no_sense_is_neither_written_nor_read(ranges):
    with pytest.raises(MessageError, match=r"stored.stored\[0\]"):
        wire.stored(ranges)
    with pytest.raises(MessageError, match=r"stored.stored\[0\]"):
        wire.parse_stored(written({"v": 1, "stored": ranges}))


def test_time_order_is_as_specified():
    payload = wire.time_order(7, 81000, 1794052800123, 3)
    assert json.loads(payload) == {"v": 1, "order": "time", "boot": 7, "re_up": 81000, "utc_ms": 1794052800123,
                                   "err_ms": 3}
    assert wire.parse_order(payload) == ("time", {"boot": 7, "re_up": 81000, "utc_ms": 1794052800123, "err_ms": 3})
    assert wire.parse_order(b'{"v":1,"order":"sing"}') == ("sing", {})
    with pytest.raises(MessageError, match=r"order\.err_ms"):
        wire.time_order(7, 81000, 1794052800123, -3)


def test_sound_order_is_as_specified():
    payload = wire.sound_order("target", 20)
    assert json.loads(payload) == {"v": 1, "order": "sound", "pattern": "target", "s": 20}
    for pattern, seconds in (("song", 20), ("low", 0), ("low", 61)):
        with pytest.raises(MessageError, match="no sound"):
            wire.sound_order(pattern, seconds)


def test_topics_are_as_specified():
    assert wire.frame_topic(0xC0FFEE) == "pitscribe/1/00c0ffee/frame"
    assert wire.now_topic(1) == "pitscribe/1/00000001/now"
    assert wire.state_topic(2**32 - 1) == "pitscribe/1/ffffffff/state"
    assert wire.stored_topic(0) == "pitscribe/1/00000000/stored"
    assert wire.order_topic(10) == "pitscribe/1/0000000a/order"
    assert wire.every_logger("frame") == "pitscribe/1/+/frame"


@settings(derandomize=True)
@given(st.integers(0, 2**32 - 1), st.sampled_from(wire.WORDS))
def test_every_topic_parses_to_what_it_was_made_of(logger, word):
    assert wire.parse_topic(wire.topic(logger, word)) == (logger, word)


@pytest.mark.parametrize(
    "topic",
    ["", "pitscribe/1/00c0ffee", "pitscribe/2/00c0ffee/frame", "pitscribe/1/00C0FFEE/frame", "pitscribe/1/c0ffee/frame",
     "pitscribe/1/00c0ffee/frames", "pitscribe/1/00c0ffee/frame/x", "other/1/00c0ffee/frame", "pitscribe/1/+/frame",
     "pitscribe/1/0x00c0ff/frame", "pitscribe/1/ 0c0ffee/frame", "/pitscribe/1/00c0ffee/frame"],
)
def test_foreign_topic_is_refused(topic):
    with pytest.raises(MessageError, match="topic"):
        wire.parse_topic(topic)


@pytest.mark.parametrize(("logger", "word"), [(-1, "now"), (2**32, "now"), (1, "then")])
def test_topic_that_cannot_be_is_not_made(logger, word):
    with pytest.raises(MessageError, match="no topic"):
        wire.topic(logger, word)
