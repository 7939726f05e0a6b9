"""A thousand loggers and more on one process, in real time: what they cost, how soon a frame is safe, what gives out.

    PYTHONPATH=tests .venv/bin/python -m chaos.crowd --loggers 1000 --seconds 180
    PYTHONPATH=tests .venv/bin/python -m chaos.crowd --loggers 1000 2000 4000 8000 --seconds 60
    PYTHONPATH=tests .venv/bin/python -m chaos.crowd --broker ours --loggers 100 200 400

Each logger is a connection of its own to a real mosquitto, or to the broker of our own: `now` each second, a frame of
32 ticks and six channels each 32 s, `state` each minute. The host is all of `pitscribe serve` (page, live analysis,
a running cook of the first logger); nothing of it knows that it is measured but a stop-watch around its intake. Steps
go on until one fails: frames wait for longer than a frame lasts, or messages come in slower than they are sent.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

_TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(_TESTS), str(_TESTS / "host")]

from chaos.crowd_host import seconds_of  # noqa: E402
from servers import Mosquitto, wait_until  # noqa: E402

from pitscribe.wire.frames import Channel, FrameKey, encode_ticks  # noqa: E402

FIRST = 0xC0000000
OF_A_PROCESS = 1000  # loggers of a sending process
FRAME_S = 32.0
CALM_S = 8.0  # between the coming of loggers and the measurement


class Step(NamedTuple):
    """What was measured at one number of loggers. Times in s, shares of a core."""

    loggers: int
    core: float
    threads: dict[str, float]
    commit: tuple[float, float, float]  # from arrival in the process to after the durable commit: p50, p99, longest
    whole: tuple[float, float, float]  # from the logger's sending to its hearing ``stored``, by way of the broker
    frames: tuple[int, int]  # sent, said to be stored
    nows: tuple[int, int]  # sent, arrived
    orders: int
    oldest: float  # frame that waits in the end
    queue: int
    page: float
    rss_mb: float
    files: int
    broker: float | None  # mosquitto's share of a core
    late: float  # of the senders
    dropped: int
    heard: int  # loggers whose last words the host knows

    def gave_out(self) -> str:
        """What failed; empty if nothing did."""
        if self.late > FRAME_S / 4:
            return f"the senders themselves were {self.late:.0f} s late: nothing is known of the host"
        if self.dropped:
            return f"{self.dropped} connections were ended"
        if self.whole[1] > FRAME_S or self.oldest > FRAME_S:
            return "a frame is not safe within the time of a frame"
        if self.nows[1] < 0.95 * self.nows[0]:
            return f"of {self.nows[0]} `now` {self.nows[1]} were taken in meanwhile"
        return ""

    def text(self) -> str:
        """For a person."""
        busy = ", ".join(f"{n} {100 * s:.0f} %" for n, s in sorted(self.threads.items(), key=lambda i: -i[1])[:5])
        broker = "" if self.broker is None else f", mosquitto {100 * self.broker:.0f} %"
        ms = [[1000 * x for x in times] for times in (self.commit, self.whole)]
        return (
            f"{self.loggers:6} loggers: {100 * self.core:.0f} % of a core ({busy}){broker}; {self.rss_mb:.0f} MB, "
            f"{self.files} files\n"
            f"        arrival to durable commit p50 {ms[0][0]:.1f}, p99 {ms[0][1]:.1f}, longest {ms[0][2]:.0f} ms; "
            f"sending to `stored` p50 {ms[1][0]:.1f}, p99 {ms[1][1]:.1f}, longest {ms[1][2]:.0f} ms\n"
            f"        frames {self.frames[1]} of {self.frames[0]} stored; now {self.nows[1]} of {self.nows[0]} heard; "
            f"{self.orders} orders; {self.heard} known; snapshot {1000 * self.page:.0f} ms; queue {self.queue}, "
            f"oldest {self.oldest:.1f} s, senders {self.late:.1f} s late; the machine's load {os.getloadavg()[0]:.0f} "
            f"on {os.cpu_count()} cores"
        )


class Talker:
    """A process that answers a line with JSON."""

    def __init__(self, name: str, *given: object) -> None:
        command = [sys.executable, str(Path(__file__).with_name(name)), *map(str, given)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def line(self) -> str:
        """The next line that it says."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, f"{self.process.args[1]} has ended"  # type: ignore[index]
        return line

    def ask(self, question: object = "") -> Any:
        """What it has counted since the last time."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{question}\n")
        self.process.stdin.flush()
        return json.loads(self.line())

    def close(self) -> None:
        """Let it end."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        try:
            self.process.wait(60)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


class Place:
    """A broker, a host and the loggers so far."""

    def __init__(self, folder: Path, kind: str, seed: int) -> None:
        self.senders: list[Talker] = []
        self.mosquitto = None if kind == "ours" else Mosquitto(folder)
        if self.mosquitto is not None:
            self.mosquitto.start()
        self.host = Talker("crowd_host.py", folder / "home", 0 if self.mosquitto is None else self.mosquitto.port)
        self.url, (_, self.port, user, password) = json.loads(self.host.line())
        self.who = user or "", password or ""
        self.frames = folder / "frames"
        self.frames.write_text("\n".join(frame.hex() for frame in some_frames(seed)))
        self.count = 0

    def come(self, count: int) -> None:
        """Bring the loggers to this number; returns when all are connected."""
        new = []
        while self.count < count:
            some = min(OF_A_PROCESS, count - self.count)
            new.append(Talker("crowd_senders.py", self.port, *self.who, FIRST + self.count, some, self.frames))
            self.count += some
        for sender in new:
            sender.line()
        self.senders += new

    def cook(self) -> None:
        """Start a cook with the channels of the first logger, as a person does on the page."""
        places = [{"logger": f"{FIRST:08x}", "channel": c, "place": f"place {c}", "kind": "meat" if c else "air"}
                  for c in range(6)]
        wait_until("the first logger has spoken", lambda: b"pit 0" in get(f"{self.url}api/loggers"), 30)
        body = json.dumps({"name": "A crowd", "target_c": 93.0, "places": places}).encode()
        request = urllib.request.Request(f"{self.url}api/cooks", body, {"Content-Type": "application/json"})
        urllib.request.urlopen(request, timeout=20).close()

    def broker_s(self) -> float | None:
        """Processor seconds of mosquitto."""
        process = None if self.mosquitto is None else self.mosquitto.process
        return None if process is None else seconds_of(Path(f"/proc/{process.pid}/stat"))

    def measure(self, seconds: float) -> Step:
        """Count for so long."""
        for one in self.senders:
            one.ask()
        before, broker_before, began = self.host.ask(), self.broker_s(), time.monotonic()
        page = []
        while (left := began + seconds - time.monotonic()) > 0:
            time.sleep(min(left, 2.0))
            asked = time.monotonic()
            get(f"{self.url}api/snapshot")
            page.append(time.monotonic() - asked)
        after, broker_after, took = self.host.ask(), self.broker_s(), time.monotonic() - began
        said = [one.ask() for one in self.senders]
        counted = {name: sum(one["counts"].get(name, 0) for one in said)
                   for name in ("frames", "nows", "orders", "dropped", "refused")}
        waits = [wait for one in said for wait in one["waits"]]
        threads = {name: (spent - before["threads"].get(name, 0.0)) / took for name, spent in after["threads"].items()}
        broker = None if broker_after is None or broker_before is None else (broker_after - broker_before) / took
        return Step(
            self.count, (after["core_s"] - before["core_s"]) / took, threads, quantiles(after["waits"]),
            quantiles(waits), (counted["frames"], len(waits)), (counted["nows"], after["nows"]), counted["orders"],
            max((wait for one in said for wait in one["waiting"]), default=0.0), after["queue"],
            float(np.median(page)), after["rss_mb"], after["files"], broker, max(one["late"] for one in said),
            counted["dropped"] + counted["refused"], after["heard"],
        )

    def close(self) -> None:
        """End all of it."""
        for one in [*self.senders, self.host]:
            one.close()
        if self.mosquitto is not None:
            self.mosquitto.stop()


def quantiles(times: list[float]) -> tuple[float, float, float]:
    """p50, p99 and the longest; without any, all infinite."""
    if not times:
        return (float("inf"),) * 3
    return float(np.quantile(times, 0.5)), float(np.quantile(times, 0.99)), max(times)


def get(url: str) -> bytes:
    """What the page answers."""
    with urllib.request.urlopen(url, timeout=60) as answer:
        return bytes(answer.read())


def some_frames(seed: int, count: int = 64, period_ms: int = 1000) -> list[bytes]:
    """Frames as a cook gives them, six channels and 32 ticks; their keys are given them when they are sent."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        hot = 400 + np.cumsum(rng.integers(-1, 2, (32, 6)) * (rng.random((32, 6)) < 0.3), 0)
        cold = 480 + np.cumsum(rng.integers(-1, 2, (32, 6)) * (rng.random((32, 6)) < 0.2), 0)
        table = (Channel("max31855", "K"),) * 6
        out.append(encode_ticks(FrameKey(FIRST, 1, 0), 0, period_ms, table, hot, cold, hot * 0))
    return out


def crowd(
    folder: Path, kind: str, loggers: list[int], seconds: float, seed: int, calm_s: float = CALM_S
) -> list[Step]:
    """Measure at each number of loggers, until something gives out; each step is printed."""
    steps = []
    place = Place(folder, kind, seed)
    try:
        for count in loggers:
            place.come(count)
            if not steps:
                place.cook()
            time.sleep(calm_s)
            steps.append(place.measure(seconds))
            print(steps[-1].text(), flush=True)
            if why := steps[-1].gave_out():
                print(f"        GIVES OUT: {why}", flush=True)
                break
    finally:
        place.close()
    return steps


def main() -> int:
    """Status 1 if the first number of loggers was too much already."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--broker", choices=("mosquitto", "ours"), default="mosquitto")
    parser.add_argument("--loggers", type=int, nargs="+", default=[1000])
    parser.add_argument("--seconds", type=float, default=60.0, help="of each measurement")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        steps = crowd(Path(folder), given.broker, given.loggers, given.seconds, given.seed)
    return int(bool(steps[0].gave_out()))


if __name__ == "__main__":
    sys.exit(main())
