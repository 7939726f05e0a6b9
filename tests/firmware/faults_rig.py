"""Faults made to happen around the firmware in real time: what a tick is late by, and what becomes of the frames."""

import json
import resource
import subprocess
import threading
from pathlib import Path

from firmware_rig import BOARD, HEAP, MICROPYTHON, compiled, environment

PERIOD_MS = 250

# The application as main.py makes it, with a chip that notes when it is read. No virtual time: what blocks shows.
PROGRAM = """
import asyncio, json, time
import network
from pitlogger import settings
from pitlogger.app import App
values, complaints = settings.read("config.json")
def queued():
    # How long this process had to wait for a processor so far, ms: that is the computer's doing, not the firmware's.
    with open("/proc/self/schedstat") as f:
        return int(f.read().split()[1]) // 1000000
class Chip:
    at = 0
    def configure(self): pass
    def read(self, codes, at):
        now = time.ticks_ms()
        if Chip.first is None:
            Chip.first = now
        late = time.ticks_diff(now, Chip.first) - Chip.at * %(period)d
        Chip.at += 1
        waited = queued()
        Chip.worst = max(Chip.worst, late)
        Chip.own = max(Chip.own, late - (waited - Chip.waited))
        Chip.waited = waited
        codes[at], codes[at + 1], codes[at + 2] = Chip.at %% 5 + 400, 390, 0
Chip.first, Chip.worst, Chip.own, Chip.waited = None, 0, 0, queued()
app = App(values, complaints, [Chip()], 1, time, "power", network.WLAN(), None)
def told():
    up, j = app.uplink, app.journal
    return {"ticks": Chip.at, "worst_ms": Chip.own, "with_others_ms": Chip.worst, "missed": app.sampler.missed,
            "dropped": app.sampler.dropped,
            "lost": app.lost, "next": j.next, "cursor": j.cursor, "ok": j.ok, "connections": up.connections,
            "trouble": up.trouble, "wifi": app.net.wifi.rounds}
async def go():
    asyncio.create_task(app.run())
    while True:
        await asyncio.sleep_ms(500)
        print(json.dumps(told()))
asyncio.run(go())
"""


class RealTimeLogger:
    """The firmware's application in a process of its own, at the pace of the clock."""

    def __init__(self, flash: Path, port: int, **more: object) -> None:
        self.flash = flash
        broker = {"host": "127.0.0.1", "port": port, "ack_s": 2, **more.pop("broker", {})}  # type: ignore[dict-item]
        values = {"period_ms": PERIOD_MS, "frame_ticks": 4, "now_s": 1, "state_s": 5, "average": 1, "usb": 0}
        values |= {"hotspot": {"when": "never"}, "channels": [{"chip": "max31855", "cs": 17}], "broker": broker, **more}
        (flash / "config.json").write_text(json.dumps(values))
        (flash / "program.py").write_text(PROGRAM % {"period": PERIOD_MS})
        self._lines: list[str] = []
        self.process = subprocess.Popen(
            [str(MICROPYTHON), "-X", HEAP, "program.py"],
            cwd=flash,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            restore_signals=False,  # SIGXFSZ stays ignored: a file that may not grow is an error of its write
            env=environment(False, PITSCRIBE_AIR="air.json", MICROPYPATH=f"{self._shim()}:{compiled()}:.frozen"),
        )
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        self._lines.extend(self.process.stdout)

    def _shim(self) -> Path:
        """A folder with the simulated radio alone: time, sockets and files are the computer's own."""
        folder = self.flash / "shim"
        folder.mkdir(exist_ok=True)
        (folder / "network.py").write_text((BOARD / "network.py").read_text())
        self.air({"home": "home!"})
        return folder

    def air(self, reach: dict[str, str]) -> None:
        """Say which Wi-Fi networks are in reach."""
        fresh = self.flash / "air.new"
        fresh.write_text(json.dumps(reach))
        fresh.replace(self.flash / "air.json")

    def told(self) -> dict:
        """What it told of itself last, within half a second."""
        for line in reversed(self._lines):
            if line.startswith("{") and line.endswith("}\n"):
                return dict(json.loads(line))
        return {"ticks": 0, "connections": 0, "next": 0, "cursor": 0, "lost": 0}

    def flash_fails(self, yes: bool) -> None:
        """Make every write to a file fail from now on (EFBIG), or let them be."""
        hard = resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE)[1]
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (0 if yes else hard, hard))

    def stop(self) -> None:
        """End it as a power cut does."""
        self.process.kill()
        self.process.wait()

    def console(self) -> str:
        """What it printed last."""
        return "".join(self._lines[-30:])
