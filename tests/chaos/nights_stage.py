"""What a night has on stage: bench, logger, lines, broker, host, store; and what is counted of them in the end."""

import json
import os
import signal
import subprocess
import sys
import time
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

from chaos.nights_line import Line
from servers import Mosquitto, VictoriaMetrics, free_port, wait_until

from pitscribe.clock import SetClock
from pitscribe.commands.demo_frames import journal_frames
from pitscribe.intake.broker import read_credentials
from pitscribe.ledger.ledger import Ledger
from pitscribe.mirror.check import check
from pitscribe.mirror.connect import connect
from pitscribe.mirror.server import Address
from pitscribe.simulate.rig import Bench, Board, write_settings
from pitscribe.simulate.scenario import SCENARIOS, UTC0_MS
from pitscribe.wire.frames import TICKS, FrameKey, decode_ticks, read_head

SCENARIO = "backyard"
UNIQUE = "70697473"
LOGGER = zlib.crc32(bytes.fromhex(UNIQUE))
FRAME_TICKS = 64
PATIENCE_S = 2  # real: what the logger waits for on the network
BOOT_S = 90.0  # until a process serves; a loaded machine is slow


class KeepingMosquitto(Mosquitto):
    """A mosquitto that keeps its retained messages on disk, until they are wiped."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._store = folder / "mosquitto.db"
        with self._config.open("a") as file:
            file.write(f"persistence true\npersistence_location {folder}/\nautosave_interval 1\nuser root\n")

    def wipe(self) -> None:
        """Lose all that it knows; it must not run."""
        self._store.unlink(missing_ok=True)


class HostProcess:
    """``pitscribe serve`` with a home of its own, in the bench's time."""

    def __init__(self, home: Path, bench: Path, broker_port: int | None, store: VictoriaMetrics | None) -> None:
        self.home, self.step = home, home.parent / f"{home.name}.step"
        self._bench, self.port = bench, broker_port or free_port()
        self.store = store
        home.mkdir(mode=0o700)
        self.set_wrong(0.0)
        broker = f'[broker]\nhost = "127.0.0.1"\nport = {self.port}\n' if broker_port else ""
        mirror = f'[mirror]\nurl = "{store.url}"\nbucket = "pit"\n' if store else ""
        (home / "pitscribe.toml").write_text(f"{broker}{mirror}[host]\ntrust_clock = true\n")
        self._serve = ["serve", "--page-port", "0", *([] if broker_port else ["--broker-port", str(self.port)])]
        self.process: subprocess.Popen[bytes] | None = None

    def set_wrong(self, seconds: float) -> None:
        """Set its clock wrong, at once."""
        fresh = self.step.with_suffix(".new")
        fresh.write_text(str(seconds))
        fresh.replace(self.step)

    def start(self) -> None:
        """Start it, without waiting."""
        program = Path(__file__).with_name("nights_serve.py")
        command = [sys.executable, program, self._bench, self.step, str(UTC0_MS), "--home", self.home, *self._serve]
        environment = {**os.environ, "TZ": zone_that_changes(UTC0_MS / 1000 + 3600)}
        with (self.home / "log").open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log, env=environment)

    def log(self) -> str:
        """All that it said."""
        return (self.home / "log").read_text()

    def wait(self) -> None:
        """Wait until it serves."""
        wait_until("the host serves", lambda: "ledger  " in self.log(), BOOT_S)

    def signal(self, number: int) -> None:
        """Send it a signal, if it is there."""
        if self.process is not None:
            self.process.send_signal(number)

    def kill(self) -> None:
        """End it as a power cut does."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def stop(self) -> int:
        """End it in order; its status."""
        assert self.process is not None
        self.process.terminate()
        status = self.process.wait(90)
        self.process = None
        return status

    def ledger(self) -> Ledger:
        """Its ledger, for a second reader."""
        return Ledger(self.home / "ledger.sqlite", SetClock(UTC0_MS / 1000))

    def frames(self) -> list[tuple[FrameKey, bytes]]:
        """All frames of its ledger."""
        ledger = self.ledger()
        frames = ledger.frames(LOGGER)
        ledger.close()
        return [(one.key, one.frame) for one in frames]

    def held(self) -> dict[FrameKey, bytes]:
        """Its frames by their keys."""
        return dict(self.frames())

    def doubled(self) -> int:
        """How many of its frames have the key or the bytes of another one."""
        frames = self.frames()
        return len(frames) - min(len({key for key, _ in frames}), len({frame for _, frame in frames}))


def zone_that_changes(utc: float) -> str:
    """A time zone, as POSIX writes them, whose clocks go on by an hour at a UTC time and back an hour later."""
    on, back = (datetime.fromtimestamp(utc, UTC) + timedelta(hours=n) for n in (0, 2))
    return f"SET0SUM,{on.timetuple().tm_yday - 1}/{on:%H:%M:%S},{back.timetuple().tm_yday - 1}/{back:%H:%M:%S}"


class Stage:
    """All of a night. ``ours``: the host's own broker, else mosquitto."""

    def __init__(self, folder: Path, seed: int, hours: float, speed: int, *, ours: bool) -> None:
        self.folder, self.hours, self.speed, self.ours = folder, hours, speed, ours
        self.store, self.broker = VictoriaMetrics(folder), None if ours else KeepingMosquitto(folder)
        self.store.start()
        if self.broker is not None:
            self.broker.start()
        self.bench = Bench(folder / "bench", SCENARIO, seed, hours)
        self.host_line = None if self.broker is None else Line(self.broker.port, seed + 1)
        port = self.host_line.port if self.host_line else None
        self.host = HostProcess(folder / "home", folder / "bench", port, self.store)
        self.line = Line(self.broker.port if self.broker else self.host.port, seed + 2)
        self.cook = self._begin_cook()
        self.boards: dict[str, Board] = {}
        self.second: HostProcess | None = None
        for name in ("flash", "twin"):
            self._prepare(folder / name)

    def _begin_cook(self) -> int:
        ledger = self.host.ledger()
        cook = ledger.start_cook("a night", at=UTC0_MS)
        for one in SCENARIOS[SCENARIO].placements:
            ledger.place(cook.id, one.tc, LOGGER, one.channel, one.place, one.kind)
        ledger.close()
        return cook.id

    def _prepare(self, flash: Path) -> None:
        user, password = read_credentials(self.host.home) if self.ours else (None, None)
        write_settings(flash, SCENARIOS[SCENARIO], self.speed, "127.0.0.1", self.line.port, user, password)
        file = flash / "config.json"
        settings = json.loads(file.read_text())
        patience = PATIENCE_S * self.speed
        settings["broker"] |= {"keepalive_s": max(60, 3 * patience), "ack_s": max(10, patience)}
        file.write_text(json.dumps(settings | {"frame_ticks": FRAME_TICKS}))

    def switch_on(self, name: str = "flash") -> None:
        """Power for the logger whose flash that is."""
        end = round(self.hours * 3_600_000)
        self.boards[name] = Board(
            self.folder / name, self.bench, speed=self.speed, world_end_ms=end, heap="180k", unique_id=UNIQUE
        )

    def switch_off(self, name: str = "flash") -> None:
        """A power cut."""
        if (board := self.boards.pop(name, None)) is not None:
            board.cut_power()

    def over(self) -> bool:
        """Whether the night is over."""
        return self.bench.clock.world_ms() >= self.hours * 3_600_000

    def begin_second(self) -> None:
        """A second host, with a ledger of its own, on the same broker."""
        if self.broker is not None:
            if self.second is None:
                self.second = HostProcess(self.folder / "second", self.folder / "bench", self.broker.port, None)
            self.second.start()

    def journalled(self, name: str = "flash") -> dict[FrameKey, bytes]:
        """The frames in a logger's journal."""
        folder = self.folder / name / "journal"
        return {read_head(f).key: f for f in (journal_frames(folder) if folder.exists() else [])}

    def set_aside(self) -> dict[str, set[bytes]]:
        """What the host keeps aside, by reason."""
        ledger = self.host.ledger()
        found = {reason: {one.data for one in ledger.aside_items(reason, 100_000)} for reason in ledger.asides()}
        ledger.close()
        return found

    def mirrored(self) -> tuple[int, int, int, bool]:
        """(points, found, doubled, whether all is the same) as the check of the mirror says."""
        link = connect(Address(self.store.url, "", "pit"))
        ledger = self.host.ledger()
        name = ledger.mirror(link.address.key)
        found = list(check(ledger, name.id, link, ledger.cook(self.cook), "home"))
        ledger.close()
        link.close()
        sums = [sum(getattr(one, n) for one in found) for n in ("points", "found", "doubled")]
        return sums[0], sums[1], sums[2], all(one.same for one in found)

    def close(self) -> None:
        """End all of it."""
        for name in list(self.boards):
            self.switch_off(name)
        for host in (self.host, self.second):
            if host is not None:
                host.signal(signal.SIGCONT)
                host.kill()
        for line in (self.line, self.host_line):
            if line is not None:
                line.close()
        self.store.stop(kill=True)
        if self.broker is not None:
            self.broker.stop(kill=True)
        self.bench.stop()


def ticks_of(frames: dict[FrameKey, bytes]) -> tuple[int, int, int]:
    """(ticks taken, ticks told to be missed, ticks of which nothing is told) of a logger's frames, boot by boot."""
    taken = told = untold = 0
    for run in decode_ticks([f for f in frames.values() if read_head(f).kind == TICKS]):
        taken += run.uptime_ms.size
        told += run.missed_ms.size
        first, last = run.uptime_ms[0], max(run.uptime_ms[-1], run.missed_ms[-1] if run.missed_ms.size else 0)
        first = min(first, run.missed_ms[0]) if run.missed_ms.size else first
        untold += (last - first) // int(run.period_ms[0]) + 1 - run.uptime_ms.size - run.missed_ms.size
    return taken, told, int(untold)


def settle(what: str, condition: "object", seconds: float = 180.0) -> None:
    """As ``wait_until``, for what costs something to ask."""
    deadline = time.monotonic() + seconds
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < deadline, f"waited {seconds:.0f} s in vain until {what}"
        time.sleep(0.3)
