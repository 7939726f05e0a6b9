"""The host of ``crowd.py`` and ``month.py``: all of ``pitscribe serve`` in a process, with a stop-watch at its intake.

    crowd_host.py FOLDER PORT [UTC]      the broker's at 127.0.0.1; 0: the broker of our own

Prints where it is, then answers each line on standard input with what was counted since the last one, as JSON. With
UTC its clock stands at that time [s], until a line that is not empty sets it on.
"""

import contextlib
import json
import os
import sys
import threading
import time
from pathlib import Path

from pitscribe.clock import SetClock, SystemClock
from pitscribe.commands.host import Host
from pitscribe.config import BrokerConfig, PageConfig
from pitscribe.intake.gate import key_of
from pitscribe.intake.mqtt import Intake
from pitscribe.watch.telling.teller import Rules

TICK = os.sysconf("SC_CLK_TCK")


class Timed(Intake):
    """Knows how long each frame took from its arrival in this process to after its durable commit."""

    def __init__(self, *given, **named):
        self.came_at, self.waits, self.nows = {}, [], 0
        super().__init__(*given, **named)

    def _came(self, message):
        if message.topic.endswith("frame"):
            self.came_at[key_of(message.payload)] = time.perf_counter()
        else:
            self.nows += message.topic.endswith("now")
        super()._came(message)

    def _tell_stored(self, keys):
        now = time.perf_counter()
        self.waits += [now - self.came_at.pop(key) for key in keys if key in self.came_at]
        super()._tell_stored(keys)


class TimedHost(Host):
    """With that intake."""

    def _make_intake(self):
        return Timed


def seconds_of(stat: Path) -> float:
    """Processor seconds of a process or a thread (proc(5): utime and stime)."""
    fields = stat.read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def told(host: Host) -> str:
    """What was counted since the last time."""
    intake, status = host.intake, host.intake.status()
    names = {thread.native_id: thread.name for thread in threading.enumerate()}
    threads = {}
    for task in Path("/proc/self/task").iterdir():
        name = names.get(int(task.name), "others").partition("-host-")[0].partition("_")[0]
        with contextlib.suppress(OSError):  # it has just ended
            threads[name] = threads.get(name, 0.0) + seconds_of(task / "stat")
    waits, intake.waits = intake.waits, []
    nows, intake.nows = intake.nows, 0
    rss = int(Path("/proc/self/status").read_text().split("VmRSS:")[1].split()[0]) / 1024
    return json.dumps({
        "waits": waits, "nows": nows, "queue": status.queue, "stored": status.stored, "heard": len(status.heard),
        "core_s": seconds_of(Path("/proc/self/stat")), "threads": threads, "rss_mb": rss,
        "files": len(list(Path("/proc/self/fd").iterdir())), "tasks": len(list(Path("/proc/self/task").iterdir())),
        "errors": {kind: wrong.text for kind, wrong in status.errors.items()},
    })


def main() -> None:
    """Go on until standard input ends."""
    folder, port = Path(sys.argv[1]), int(sys.argv[2])
    clock = SetClock(float(sys.argv[3])) if len(sys.argv) > 3 else SystemClock()
    broker = BrokerConfig(host="127.0.0.1", port=port) if port else BrokerConfig(port=0, listen="127.0.0.1")
    with TimedHost(folder, clock, broker, page=PageConfig(port=0), telling=(Rules(), None)) as host:
        print(json.dumps([host.page.url, host.where]), flush=True)
        for line in sys.stdin:
            if line.strip():
                clock.at = float(line)
            print(told(host), flush=True)


if __name__ == "__main__":
    main()
