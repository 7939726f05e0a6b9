"""What the logger reads from outside, on real MicroPython with a heap as small as the board's: settings, the host's
words, an MQTT broker's packets, HTTP requests, answers of name and time servers, certificates, its own journal.

Inputs go into a file, and one process of MicroPython takes them all: what a caller of these functions does not catch
must not come out of them, and what they take of the heap they give back.
"""

import json
import struct
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "firmware"))

from firmware_rig import FIRMWARE, HEAP, MICROPYTHON, environment

from pitscribe.wire import messages
from pitscribe.wire.frames import read_head
from pitscribe.wire.mac import authenticated
from pitscribe.wire.segments import scan_segment

from . import Target, frames, promise

SECRET = "0123456789abcdef0123456789abcdef"
MOST_KEPT = 1500  # bytes of heap: names that became known, and nothing that grows
LONGEST_S = 60.0
_DRIVER = """
import gc, struct, sys
def each(path):
    with open(path, "rb") as f:
        n, before = 0, 0
        while True:
            head = f.read(2)
            if len(head) < 2:
                break
            data = f.read(struct.unpack("<H", head)[0])
            try:
                run(data)
            except ALLOWED:
                pass
            del data
            n += 1
            if n == 50:
                gc.collect()
                before = gc.mem_alloc()
    gc.collect()
    print(n, gc.mem_alloc() - before if n > 50 else 0)
each("inputs")
"""
_STREAM = """
class Stream:                     # bytes that came, and then the end
    def __init__(self, data):
        self.data, self.at = data, 0
        self.s = self
    async def read(self, n):
        piece = self.data[self.at : self.at + n]
        self.at += len(piece)
        return piece
    async def readexactly(self, n):
        piece = await self.read(n)
        if len(piece) < n:
            raise EOFError
        return piece
    async def drain(self): pass
    def write(self, data): pass
    def close(self): pass
"""
_SETTINGS = """
from pitlogger import rules, settings
KEYS = set(rules.defaults())
ALLOWED = ()
def run(data):
    with open("config.json", "wb") as f:
        f.write(data)
    values, complaints = settings.read("config.json")
    assert set(values) == KEYS and all(complaints), "whole settings, and words for what is wrong"
"""
WORDS = """
import json, os, time
from pitlogger import files, rules
from pitlogger.frames import Encoder
from pitlogger.journal import Journal
from pitlogger.uplink import Uplink
ALLOWED = ()
os.mkdir("journal")
files.write_number("journal/boot", 0)      # so that this is boot 1, as the host's signed words have it
j = Journal("journal", 0xBEEF)
e = Encoder(0xBEEF, j.boot, b"", 1000)
for n in range(3):
    j.append(lambda sequence: e.event(sequence, n, "x", {}))
orders = []
class Report:
    def order(self, message): orders.append(message)
class Client:
    in_flight = 0
values = rules.defaults()
values["secret"] = SECRET
up = Uplink(lambda *_: Client(), j, None, 0xBEEF, values, time, Report())
def run(data):
    up._sent, up._next = [(n, j.boot) for n in range(3)], 3
    for word in ("stored", "order"):
        up.take(word, data)
    if j.cursor or len(up._sent) < 3:
        assert json.loads(data)["stored"] == [[j.boot, 0, 2]], "nobody else lets go of frames"
        j.cursor = 0
        print("let go")
    while orders:
        said = orders.pop()
        assert {k: said[k] for k in said if k not in ("v", "mac")} in ORDERS, "nobody else gives orders"
        print("order")
"""
_PACKETS = _STREAM + """
import asyncio, time
from pitlogger.mqtt import Client
ALLOWED = (OSError, EOFError, ValueError, IndexError)      # what the uplink takes for a lost connection
async def find(name): return "127.0.0.1"
def heard(topic, payload, retained):
    assert isinstance(topic, str) and isinstance(payload, bytes)
client = Client("h", 1883, "c", "u", "p", 60, 10, time, heard, lambda tag: None, find)
def run(data):
    client._stream = Stream(data)
    client._pending[:] = [(1, 0, 0), (2, 1, 0)]
    asyncio.run(client.run())
"""
_REQUESTS = _STREAM + """
import asyncio
from pitlogger.request import Refused, read_body, request
ALLOWED = (Refused, EOFError)
async def both(stream):
    first = await stream.read(256)
    method, path, query, headers, rest = await request(stream, first)
    assert path[0] == "/" and "?" not in path
    if method == "POST":
        assert isinstance(await read_body(stream, headers, rest), dict)
def run(data):
    asyncio.run(both(Stream(data)))
"""
_REPLIES = """
from pitlogger import dns, ntp, portal
ALLOWED = (ntp.Refused,)
COOKIE = b"12345678"
QUERY = b"ab" + dns._query("pit.example")[2:]
def run(data):
    found = dns._answers(QUERY, data)
    assert found is None or all(len(one.split(".")) == 4 for one in found)
    made = portal.reply(data, bytes((192, 168, 4, 1)))
    assert made is None or made[:2] == data[:2] and len(made) <= len(data) + 16
    anchor = ntp.answer(data, COOKIE, 1000, 1040)
    assert anchor is None or anchor["utc_ms"] > 1735689600000
"""
_CERTIFICATES = """
from pitlogger import secure
ALLOWED = ()
def run(data):
    assert isinstance(secure.not_before(data), int)
"""
_JOURNALS = """
import os
from binascii import crc32
from pitlogger.frames import Encoder
from pitlogger.journal import Journal
ALLOWED = ()
buf = bytearray(4096)
def run(data):
    with open("journal/00000000.seg", "wb") as f:
        f.write(data)
    for name in os.listdir("journal"):
        if name.endswith(".seg") and name != "00000000.seg":
            os.remove("journal/" + name)
    try:
        os.remove("journal/cursor")
    except OSError:
        pass
    j = Journal("journal", 0xBEEF)
    at = 0
    while True:
        length = j.fetch(at, buf)
        if not length:
            break
        assert crc32(memoryview(buf)[:length]) == 0x2144DF1C, "a frame whose CRC fails"
        at = int.from_bytes(buf[10:14], "little") + 1
    e = Encoder(0xBEEF, j.boot, b"", 1000)
    assert j.append(lambda sequence: e.event(sequence, 5, "x", {})), "the journal goes on"
    assert j.next > at - 1, "no number twice"
    j._close()
os.mkdir("journal")
"""

_TOPICS = "pitscribe/1/0000beef/"
_STORED = authenticated(SECRET, _TOPICS + "stored", messages.stored([(1, 0, 2)]))
_ORDERS = [authenticated(SECRET, _TOPICS + "order", one) for one in (
    messages.time_order(1, 5000, 1_800_000_000_000, 20), messages.sound_order(messages.SOUNDS[0], 10))]
SIGNED = [_STORED, *_ORDERS]
_MEANT = [{k: v for k, v in json.loads(one).items() if k not in ("v", "mac")} for one in _ORDERS]
WORDS = f"SECRET, ORDERS = {SECRET!r}, {_MEANT!r}\n" + WORDS


def _packet(kind: int, body: bytes) -> bytes:
    """An MQTT 3.1.1 packet of less than 128 bytes."""
    return bytes((kind, len(body))) + body


def _name(text: str) -> bytes:
    return len(text).to_bytes(2, "big") + text.encode()


_HEARD = [
    _packet(0x90, b"\0\1\1\1") + _packet(0x30, _name(_TOPICS + "stored") + b"{}") + _packet(0x40, b"\0\1"),
    _packet(0x32, _name(_TOPICS + "order") + b"\0\7" + b'{"v":1}') + _packet(0xD0, b""),
]
_ASKED = [
    b"GET /now?x=1 HTTP/1.1\r\nHost: 192.168.4.1\r\n\r\n",
    b"POST /note HTTP/1.1\r\nHost: 192.168.4.1:80\r\nContent-Type: application/json\r\nContent-Length: 15\r\n\r\n"
    b'{"kind":"wrap"}',
]
_QUESTION = b"\x01\x00\x00\x01\0\0\0\0\0\0\3pit\7example\0\0\1\0\1"
_ANSWERS = [
    b"ab\x81\x80\0\1\0\1\0\0\0\0\3pit\7example\0\0\1\0\1\xc0\x0c\0\1\0\1\0\0\0\x1e\0\4\x0a\0\0\1", b"ab" + _QUESTION,
    struct.pack(">BBbb11I", 0x24, 2, 6, -20, 10, 20, 7, *struct.unpack(">II", b"12345678") * 1, 0, 0,
                0xE8000000, 0, 0xE8000000, 1000)[:48],
]


def _certificate() -> bytes:
    """Enough of one for its first date: RFC 5280 section 4.1, by hand."""

    def element(tag: int, content: bytes) -> bytes:
        size = bytes((len(content),)) if len(content) < 128 else bytes((0x82,)) + len(content).to_bytes(2, "big")
        return bytes((tag,)) + size + content

    dates = element(0x30, element(0x17, b"260101000000Z") + element(0x18, b"20560101000000Z"))
    version, number, names = element(0xA0, element(2, b"\2")), element(2, b"\x11" * 16), element(0x30, b"\5\0" * 80)
    inner = version + number + element(0x30, b"") + names
    return element(0x30, element(0x30, inner + dates) + element(3, bytes(200)))


def on_board(script: str, inputs: Sequence[bytes]) -> list[str]:
    """Have MicroPython take the inputs, and hold it to its promises; return what it printed besides."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        here = Path(folder)
        (here / "inputs").write_bytes(b"".join(struct.pack("<H", len(one[:65535])) + one[:65535] for one in inputs))
        (here / "fuzz.py").write_text(script + _DRIVER)
        done = subprocess.run(
            [str(MICROPYTHON), "-X", HEAP, "fuzz.py"], cwd=here, env=environment(False), capture_output=True, text=True,
            timeout=LONGEST_S + len(inputs) / 20)
        promise(done.returncode == 0, (done.stdout + done.stderr)[-2000:])
        *printed, last = done.stdout.splitlines()
        count, kept = map(int, last.split())
        promise(count == len(inputs), "all were taken")
        promise(kept <= MOST_KEPT, f"{kept} bytes of heap were kept after {count} inputs")
        return printed


def _open_journals(inputs: Sequence[bytes]) -> None:
    """Such as damage can leave: that whole sound frames change places it cannot."""
    orders = ([read_head(frame).key.sequence for frame in scan_segment(one)[0]] for one in inputs)
    likely = [one for one, order in zip(inputs, orders, strict=True) if order == sorted(set(order))]
    if likely:
        on_board(_JOURNALS, likely)


def _target(name: str, script: str, examples: Sequence[bytes]) -> Target:
    def run(inputs: Sequence[bytes]) -> None:
        on_board(script, inputs)

    return Target(f"board-{name}", run, examples, batch=1000)


TARGETS = (
    _target("settings", _SETTINGS, [(FIRMWARE / "config.example.json").read_bytes(), b"{}"]),
    _target("words", WORDS, SIGNED),
    _target("packets", _PACKETS, _HEARD),
    _target("requests", _REQUESTS, _ASKED),
    _target("replies", _REPLIES, _ANSWERS),
    _target("certificates", _CERTIFICATES, [_certificate()]),
    Target("board-journals", _open_journals, frames.journals(), batch=1000),
)
