"""What the tests of the hotspot run on: the whole firmware with an access point, raw requests, a board in real time."""

import json
import os
import socket
import struct
import subprocess
import zlib
from dataclasses import dataclass
from pathlib import Path

from firmware_rig import HEAP, MICROPYTHON, ChipBench, Logger, WordChip, environment
from journal_rig import events_in
from servers import free_port, wait_until

from pitscribe.wire.frames import FrameKey, encode_event

PIN = "482915"
KEY = "a key for tests"
CHANNELS = [
    {"chip": "max31855", "tc": "K", "cs": 17, "place": "grate", "kind": "air", "low": 200, "high": 300},
    {"chip": "max31855", "tc": "T", "cs": 20, "place": "flat", "kind": "meat"},
    {"chip": "none"},
    {"chip": "max31855", "tc": "T", "cs": 21, "place": "point", "kind": "meat"},
]


LOGGER = zlib.crc32(bytes.fromhex("70697473"))  # of the simulated board's unique id


def segment(first: int, frames: list[bytes], logger: int = LOGGER) -> bytes:
    """A segment of the journal as a file (WIRE.md section 4)."""
    head = b"PSJ1" + struct.pack("<II", logger, first)
    return head + struct.pack("<I", zlib.crc32(head)) + b"".join(frames)


def write_segments(journal: Path, count: int) -> dict[str, bytes]:
    """Put segments of 30 long events each into a journal's folder; the frames' numbers begin with 1."""
    made = {}
    journal.mkdir(parents=True)
    for first in range(1, 30 * count, 30):
        frames = [encode_event(FrameKey(LOGGER, 1, n), 1000 * n, "filler", {"text": "x" * 400})
                  for n in range(first, first + 30)]
        made[f"{first:08x}.seg"] = segment(first, frames)
        (journal / f"{first:08x}.seg").write_bytes(made[f"{first:08x}.seg"])
    return made


def words() -> dict:
    """107.25, 68 and 74.5 degC by the chips' own lines, the block at 25."""
    return {17: WordChip(0x06B41900), 20: WordChip(0x04401900), 21: WordChip(0x04A81900)}


@dataclass
class Answer:
    """What came back: status 0 where the connection ended without a word."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> dict:
        return json.loads(self.body)


def parse(raw: bytes) -> Answer:
    """Read an HTTP answer that ends with its connection."""
    if not raw:
        return Answer(0, {}, b"")
    head, _, body = raw.partition(b"\r\n\r\n")
    first, *lines = head.decode().split("\r\n")
    headers = dict(line.split(": ", 1) for line in lines)
    return Answer(int(first.split(" ")[1]), headers, body)


class Guest:
    """Someone at an address of the loopback net who sends bytes to a hotspot."""

    def __init__(self, port: int, address: str = "127.0.0.1") -> None:
        self.port, self.address = port, address

    def connect(self) -> socket.socket:
        """A connection, with a deadline."""
        sock = socket.socket()
        sock.settimeout(15)
        sock.bind((self.address, 0))
        sock.connect(("127.0.0.1", self.port))
        return sock

    def send(self, data: bytes) -> Answer:
        """Send bytes, read until the end."""
        with self.connect() as sock:
            got = b""
            try:
                sock.sendall(data)
                while piece := sock.recv(65536):
                    got += piece
            except ConnectionError:
                pass
            return parse(got)

    def get(self, path: str, host: str | None = None) -> Answer:
        """GET a path."""
        return self.send(f"GET {path} HTTP/1.1\r\nHost: {host or f'127.0.0.1:{self.port}'}\r\n\r\n".encode())

    def post(self, path: str, body: object, kind: str = "application/json") -> Answer:
        """POST an object."""
        data = body if isinstance(body, bytes) else json.dumps(body, ensure_ascii=False).encode()
        head = f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nContent-Type: {kind}\r\n"
        return self.send(head.encode() + f"Content-Length: {len(data)}\r\n\r\n".encode() + data)


class Hotspot:
    """A logger with its own network open, ``speed`` times as fast as the world."""

    def __init__(self, folder: Path, *, speed: int = 20, wait: bool = True, hotspot: dict | None = None,
                 cause: str = "power", **more):
        self.bench = ChipBench(words())
        self.port = free_port()
        own = {"when": "always", "port": self.port, "dns": 0, "pin": PIN, "key": KEY, **(hotspot or {})}
        config = {"name": "pit", "channels": CHANNELS, "hotspot": own, "usb": 0, "watchdog_ms": 0, **more}
        self.logger = Logger(folder, self.bench, config, PITSCRIBE_AP="127.0.0.1", PITSCRIBE_SPEED=str(speed),
                             PITSCRIBE_RESET_CAUSE=cause)
        self.guest = Guest(self.port)
        if wait:
            wait_until("an open hotspot", lambda: "hotspot:" in self.logger.console())

    def events(self, name: str) -> list[dict]:
        """What the journal's files hold of an event, as the host reads it."""
        return [event.fields for event in events_in(self.logger.flash, name)]

    def close(self) -> None:
        """Cut the power."""
        self.logger.cut_power()
        self.bench.close()


# The firmware's parts in real time: the simulated board's clock stands still while the firmware computes, so nothing
# is ever late there. Every second it prints the worst lateness of a tick so far and the live heap.
_REAL = """
import asyncio, gc, json, sys, time
from pitlogger import settings
from pitlogger.app import App
values, _ = settings.read("config.json")
class Chip:
    word = 1
    def configure(self): pass
    def read(self, codes, at):
        codes[at] = 429
        codes[at + 1] = 400
        codes[at + 2] = 0
class Point:
    def config(self, name=None, **given): return 4
    def active(self, on=None): return True
    def ifconfig(self): return ("127.0.0.1", "", "", "")
app = App(values, [], [Chip() for _ in values["channels"]], 7, time, "power", None, None, ap=Point())
class Lateness:
    worst = taken = 0
    first = None
period = values["period_ms"]
tick = app.sampler._on_tick
def measured():
    now = time.ticks_us()
    if Lateness.first is None:
        Lateness.first = now
    else:
        Lateness.taken += 1
        late = time.ticks_diff(now, Lateness.first) - 1000 * period * Lateness.taken
        if late < 0:
            Lateness.first += late
            late = 0
        Lateness.worst = max(Lateness.worst, late)
    tick()
app.sampler._on_tick = measured
async def tell():
    most = 0
    while True:
        await asyncio.sleep_ms(1000)
        gc.collect()
        most = max(most, gc.mem_alloc())
        print(json.dumps([Lateness.taken, Lateness.worst, app.sampler.missed, most, gc.mem_free()]))
async def beside():
    await asyncio.sleep_ms(0)
BESIDE
async def main():
    asyncio.create_task(tell())
    asyncio.create_task(beside())
    await app.run()
asyncio.run(main())
"""


class RealTime:
    """A board of which the clock is the computer's own; ``beside`` is run in the same program (a coroutine's body)."""

    def __init__(self, folder: Path, period_ms: int = 250, channels: int = 6, beside: str = "") -> None:
        self.port, self.names = free_port(), free_port()
        self.guest = Guest(self.port)
        kinds = ("air", "meat")
        config = {
            "period_ms": period_ms, "usb": 0, "trend_min": 1,
            "channels": [{"chip": "max31855", "cs": i, "place": f"place {i}", "kind": kinds[i % 2]}
                         for i in range(channels)],
            "hotspot": {"when": "always", "port": self.port, "dns": self.names, "pin": PIN, "key": KEY},
        }
        (folder / "config.json").write_text(json.dumps(config))
        body = "".join(f"    {line}\n" for line in beside.splitlines())
        (folder / "real.py").write_text(_REAL.replace("BESIDE\n", body))
        self._out = folder / "out"
        self._log = self._out.open("wb")
        self._process = subprocess.Popen(
            [str(MICROPYTHON), "-X", HEAP, "real.py"], cwd=folder, env=environment(False), stdout=self._log,
            stderr=self._log,
        )
        wait_until("an open hotspot", lambda: b"hotspot:" in self._out.read_bytes())

    def lines(self) -> list[list[int]]:
        """[ticks, worst lateness in us, missed, most live heap, free heap], a row a second."""
        return [json.loads(line) for line in self._out.read_text().splitlines() if line.startswith("[")]

    def busy_s(self) -> float:
        """How long it has computed."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def printed(self) -> str:
        """All that it said."""
        return self._out.read_text(errors="replace")

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.wait()
        self._log.close()
