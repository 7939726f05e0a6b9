"""Several real ``pitscribe serve`` that take in together: one mosquitto, one VictoriaMetrics, loggers played over paho.

What is counted in the end is counted apart from what is tested: the loggers' own frames against each ledger's file, and
every point by the store's own export.
"""

import json
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from intake_rig import PlayedLogger, anchor, ticks
from servers import Mosquitto, VictoriaMetrics, wait_until

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.mirror.check import check
from pitscribe.mirror.connect import connect
from pitscribe.mirror.mirror import Mirror, Pace
from pitscribe.mirror.server import Address
from pitscribe.wire.share import Layout

TICKS = 8  # of a frame, a second apart
PLACES = (("K", "grate", "air"), ("T", "flat", "meat"))  # the two channels of ``intake_rig.TABLE``
BOOT_S = 40.0  # until a process serves; a loaded machine is slow


WHOLE = ("-m", "pitscribe.cli")
# The intake as ``serve`` has it.
PART = """
import sys, time
from pathlib import Path
from pitscribe.clock import SystemClock
from pitscribe.commands.sharing import layout_of
from pitscribe.config import read_config
from pitscribe.intake.shared import SharedIntake
from pitscribe.ledger.ledger import Ledger
config = read_config(Path(sys.argv[2]))
ledger = Ledger(config.home / "ledger.sqlite", SystemClock(), check_pages=True)
intake = SharedIntake(
    ledger, SystemClock(), config.broker.host, config.broker.port, layout=layout_of(config.share), reconnect_s=(1, 1)
)
intake.start()
print("ledger  is open", flush=True)
said = {}
while True:
    time.sleep(0.5)
    before, said = said, {kind: wrong.text for kind, wrong in intake.status().errors.items()}
    if said != before:
        print(said, intake.status().faults, flush=True)
"""


class Process:
    """One ``pitscribe serve`` with a home of its own; not ``whole``: its intake alone."""

    def __init__(
        self, folder: Path, name: str, members: tuple[str, ...], broker: Mosquitto, store: VictoriaMetrics, whole: bool
    ) -> None:
        self.name, self.home, self._whole = name, folder / name, whole
        self.home.mkdir()
        listed = ", ".join(f'"{one}"' for one in members)
        (self.home / "pitscribe.toml").write_text(
            f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[share]\nname = "{name}"\nmembers = [{listed}]\n'
            f'[mirror]\nurl = "{store.url}"\nbucket = "pit"\n[host]\ntrust_clock = true\n'
        )
        self.process: subprocess.Popen[str] | None = None
        self.kills = 0

    def begin(self) -> None:
        """Start it, without waiting."""
        command = [sys.executable, *(WHOLE if self._whole else ("-c", PART)), "--home", self.home]
        command += ["serve", "--page-port", "0"] if self._whole else []
        with (self.home / "log").open("a") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)

    def wait(self, times: int = 1) -> None:
        """Wait until it serves, for the so many-th time."""
        wait_until(f"{self.name} serves", lambda: self.log().count("ledger  ") >= times, BOOT_S)

    def log(self) -> str:
        """All that it said."""
        return (self.home / "log").read_text()

    def kill(self) -> None:
        """End it as a power cut does."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process = None
            self.kills += 1

    def stop(self) -> None:
        """End it in order."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(60)
            self.process = None

    def ledger(self) -> Ledger:
        """Its ledger, for a second reader."""
        return Ledger(self.home / "ledger.sqlite", SetClock(time.time()))


class Together:
    """Processes, broker and store; ``frames`` of each of some loggers, whose cooks are in their keepers' ledgers."""

    def __init__(self, folder: Path, members: tuple[str, ...], loggers: int, frames: int, whole: bool) -> None:
        self.broker, self.store = Mosquitto(folder), VictoriaMetrics(folder)
        self.layout = Layout("pit", members[0], members)
        self.members, self.frame_count = members, frames
        self.processes = {name: Process(folder, name, members, self.broker, self.store, whole) for name in members}
        # In hours that are over: of the present one nothing is read back and mended before it ends.
        self.began_ms = int(time.time() // 3600 - TICKS * frames / 3600 - 1) * 3_600_000
        self.frames = {0xAABB0000 + n: self._frames(0xAABB0000 + n) for n in range(loggers)}
        for number in self.frames:
            self._begin_cook(number)
        self.played: list[PlayedLogger] = []
        self._whole, self._mirrors, self._mirror_s = whole, list[Mirror](), 0.0

    def _frames(self, number: int) -> list[bytes]:
        first = anchor(0, self.began_ms, logger=number)
        return [first, *(ticks(n, logger=number, n=TICKS) for n in range(1, self.frame_count))]

    def _begin_cook(self, number: int) -> None:
        ledger = self.keeper(number).ledger()
        cook = ledger.start_cook(f"{number:08x}", at=self.began_ms)
        for channel, (tc, place, kind) in enumerate(PLACES):
            ledger.place(cook.id, tc, number, channel, place, kind)
        ledger.close()

    def keeper(self, number: int) -> Process:
        """The process that keeps a logger."""
        return self.processes[self.layout.keeper_of(number)]

    def __enter__(self) -> "Together":
        self.broker.start()
        self.store.start()
        for process in self.processes.values():
            process.begin()
        for process in self.processes.values():
            process.wait()
        return self

    def play(self) -> None:
        """Have the loggers send all that they have."""
        for number, frames in self.frames.items():
            self.played.append(PlayedLogger(self.broker, frames, number=number, window=8, ack_s=3.0).start())

    def said(self) -> int:
        """How many frames were said to be stored."""
        return sum(len(one.said) for one in self.played)

    def strike(self, victim: str, down_s: float) -> None:
        """Kill a process, the broker or the store, and start it again after a while."""
        if victim in self.processes:
            self.processes[victim].kill()
            self.mirror_on()
            time.sleep(down_s)
            self.processes[victim].begin()
            self.processes[victim].wait(self.processes[victim].kills + 1)
        else:
            server = self.broker if victim == "broker" else self.store
            server.stop(kill=True)
            time.sleep(down_s)
            server.start()

    def mirror_on(self) -> None:
        """Where no ``serve`` mirrors: two passes of each ledger's mirror, whose clock is set on for it."""
        if self._whole:
            return
        if not self._mirrors:
            where, pace = Address(self.store.url, "", "pit"), Pace(confirm_s=1)
            self._mirrors = [
                Mirror(one.ledger(), where, one.name, pace=pace, real=lambda: self._mirror_s)
                for one in self.processes.values()
            ]
        for mirror in 2 * self._mirrors:
            self._mirror_s += 100.0
            mirror.step()

    def __exit__(self, *_: object) -> None:
        for one in self.played:
            one.close()
        for mirror in self._mirrors:
            mirror.stop()
            mirror._ledger.close()
        for process in self.processes.values():
            process.kill()
        self.store.stop()
        self.broker.stop()

    # what it came to

    def waiting(self) -> int:
        """How many frames wait anywhere to be passed on."""
        found = 0
        for process in self.processes.values():
            ledger = process.ledger()
            found += sum(count.frames for count in ledger.waiting_counts().values())
            ledger.close()
        return found

    def frames_not_once(self) -> list[str]:
        """What is wrong with the frames: each is to be once in its keeper's ledger as it was sent, and in no other."""
        out = []
        for process in self.processes.values():
            ledger = process.ledger()
            for number, frames in self.frames.items():
                held = sorted((one.key.sequence, one.frame) for one in ledger.frames(number))
                if held != (list(enumerate(frames)) if process is self.keeper(number) else []):
                    out.append(f"{process.name}: {len(held)} frames of {number:08x}")
            if ledger.asides():
                out.append(f"{process.name}: {ledger.asides()}")
            ledger.close()
        return out

    def wanted(self) -> int:
        """How many samples all frames hold: each tick of each place."""
        return len(self.frames) * (self.frame_count - 1) * TICKS * len(PLACES)

    def in_store(self) -> tuple[int, int]:
        """(samples in the store, how many of them have the place and the time of another one)."""
        self.store.get("/internal/force_flush")
        said = self.store.get("/api/v1/export", **{"match[]": "pitscribe_temp_flags"}).splitlines()
        keys = []
        for line in said:
            series = json.loads(line)
            name = series["metric"]["cook"].partition(" ")[2], series["metric"]["place"]
            keys += [(*name, t) for t in series["timestamps"]]
        return len(keys), len(keys) - len(set(keys))

    def checked(self) -> tuple[int, int, int, bool]:
        """(points, found, doubled, whether all is the same) as each process's own check of its mirror says."""
        link = connect(Address(self.store.url, "", "pit"))
        found = []
        for process in self.processes.values():
            ledger = process.ledger()
            mirror = ledger.mirror(link.address.key)
            for cook in ledger.cooks():
                found += list(check(ledger, mirror.id, link, cook, process.name))
            ledger.close()
        link.close()
        sums = [sum(getattr(one, name) for one in found) for name in ("points", "found", "doubled")]
        return sums[0], sums[1], sums[2], all(one.same for one in found)


def patiently(what: str, condition: Callable[[], object]) -> None:
    """As ``wait_until``, for what costs something to ask."""
    deadline = time.monotonic() + 180
    while not condition():
        assert time.monotonic() < deadline, f"waited in vain until {what}"
        time.sleep(0.2)


def run(
    folder: Path, *, loggers: int, frames: int, kills: int, seed: int, down_s: tuple[float, float], whole: bool,
    servers: bool = False,
) -> dict[str, int]:
    """Play the loggers while processes are killed and started again; return the figures.

    down_s : seconds from a kill to the next start, from and to;  whole : with all of ``serve``, not its intake alone
    servers : broker and store are killed as well
    """
    dice = random.Random(seed)
    with Together(folder, ("north", "south", "west"), loggers, frames, whole) as group:
        group.play()
        total = loggers * frames
        for n in range(kills):
            goal = total * (n + 1) // (kills + 2)
            wait_until(f"{goal} are said to be stored", lambda goal=goal: group.said() >= goal, 120)
            victim = dice.choice([*group.members, "broker", "store"] if servers else group.members)
            group.strike(victim, dice.uniform(*down_s))
        wait_until("all are said to be stored", lambda: all(one.done() for one in group.played), 300)
        patiently("nothing waits", lambda: not group.waiting())
        wrong = group.frames_not_once()
        patiently("all is in the store", lambda: group.mirror_on() or group.in_store()[0] >= group.wanted())
        patiently("the mirrors have settled", lambda: group.mirror_on() or group.checked()[3])
        stored, twice = group.in_store()
        points, found, doubled, same = group.checked()
        assert wrong == []
        assert same
        return {
            "frames": total, "sent": sum(one.sent for one in group.played), "kills": kills, "frames lost or twice": 0,
            "samples": group.wanted(), "samples in the store": stored, "samples lost": group.wanted() - stored + twice,
            "samples doubled": twice, "points": points, "points lost": points - found, "points doubled": doubled,
        }
