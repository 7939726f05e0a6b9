"""The board's side of the USB lines, on MicroPython: what it takes for a question, and what it writes."""

import base64
import json

import pytest
from firmware_rig import Worker, run
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.wire.lines import LineReader, question, read_line, written

SCRIPT = """
import asyncio, binascii, io
from pitlogger.usblines import Lines, Writer
import time

_sleep_ms = asyncio.sleep_ms
asyncio.sleep_ms = lambda ms: _sleep_ms(0)  # the pauses are for others, of whom there are none here

class Out(io.IOBase):
    def __init__(self, takes):
        self.buffer, self.takes, self.said, self.n = self, takes, b"", 0
    def ioctl(self, request, argument):
        return 4 if request == 3 else -1  # 3: poll; it has no file number
    def write(self, data):
        count = self.takes[self.n % len(self.takes)]
        self.n += 1
        self.said += bytes(data[:count])
        return min(count, len(data))

def answer(q):
    data = binascii.a2b_base64(q["data"])
    if q["what"] == "read":
        lines = Lines(b"~?", q["most"])
        found = []
        for byte in data:
            got = lines.take(byte)
            if got is not None:
                found.append(binascii.b2a_base64(got).decode().strip())
        return [found, lines.mangled]
    out = Out(q["takes"])
    asyncio.run(Writer(out, time, 5000).line(q["letter"].encode(), data))
    return binascii.b2a_base64(out.said).decode().strip()
"""


def b64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def unb64(text: str) -> bytes:
    return base64.b64decode(text)


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    worker = Worker(SCRIPT, tmp_path_factory.mktemp("board"))
    yield worker
    worker.close()


def taken(board, data: bytes, most: int = 6000) -> tuple[list[bytes], int]:
    found, mangled = board.ask({"what": "read", "data": b64(data), "most": most})
    return [unb64(one) for one in found], mangled


TEXT = st.binary(max_size=60).map(lambda text: text.replace(b"~", b"-"))
ASKED = st.builds(
    lambda number, more: question(number, "set", settings=more),
    st.integers(0, 2**31),
    st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=6), st.integers(), max_size=4),
)


@settings(max_examples=60)
@given(st.lists(st.tuples(TEXT, ASKED, st.sampled_from([b"", b"\r", b"\r\n"])), max_size=5), TEXT)
def test_questions_come_back_whole_from_any_text_around_them(board, said, end):
    stream = b"".join(text + line[:-1] + (after or b"\n") for text, line, after in said) + end
    found, mangled = taken(board, stream)
    assert found == [line.strip(b"\n")[2:-9] for _, line, _ in said]
    assert mangled == 0


@settings(max_examples=60)
@given(ASKED, st.data())
def test_a_question_with_one_byte_wrong_or_lost_is_noticed(board, line, data):
    line = line.strip(b"\n")
    at = data.draw(st.integers(0, len(line) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda b: b not in (line[at], 10, 13)))
    for bad in (line[:at] + bytes([byte]) + line[at + 1 :], line[:at] + line[at + 1 :]):
        assert taken(board, bad + b"\n") == ([], 1 if bad[:2] == b"~?" else 0)


def test_a_question_that_is_too_long_is_counted_and_the_next_is_read(board):
    found, mangled = taken(board, b"~?" + b"x" * 9000 + b"\n" + question(1, "stop"), 500)
    assert (len(found), mangled) == (1, 1)


@settings(max_examples=40)
@given(
    st.binary(max_size=700),
    st.sampled_from("FANS"),
    st.lists(st.integers(0, 64), min_size=1, max_size=5).filter(any),
)
def test_what_the_board_writes_through_any_short_counts_is_what_the_host_reads(board, data, letter, takes):
    payload = b64(data) if letter == "F" else json.dumps({"text": b64(data)})
    said = board.ask({"what": "write", "data": b64(payload.encode()), "letter": letter, "takes": takes})
    wire = unb64(said)
    content = data if letter == "F" else payload.encode()
    assert wire == written(letter.encode(), content)
    assert LineReader().feed(wire) == [read_line(wire.strip(b"\n"))]


def test_noise_costs_no_memory(tmp_path):
    script = """
import gc
from pitlogger.usblines import Lines
lines = Lines(b"~?", 6000)
noise = b"~Fabc" * 50 + b"garbage ~? in the middle" * 40
def shout(n):
    for _ in range(n):
        for byte in noise:
            lines.take(byte)
shout(1)
lines.take(10)
gc.collect()
before = gc.mem_alloc()
shout(30)
gc.collect()
print(gc.mem_alloc() - before)
"""
    assert int(run(script, tmp_path)) <= 64
