"""The whole firmware for days of simulated time: main.py as it is, the clock in jump mode, chips in its own process.

A jump takes no time, so a day takes some seconds; the other side of a socket answers in real time, which is seconds of
simulated time each: the settings allow for that.
"""

import json
import subprocess
from pathlib import Path
from typing import NamedTuple

from firmware_rig import HEAP, MICROPYTHON, environment
from servers import wait_until

from pitscribe.wire import lines

LONG = Path(__file__).parent / "long"  # a bench without a socket
CHANNELS = [{"chip": "max31855", "cs": cs, "place": f"place {cs}", "kind": "meat"} for cs in (17, 20, 21, 22, 26, 27)]

# In front of main.py: what is in use is written to a file each so many seconds, after a collection, by the tick itself.
# It takes some 2 KB of the heap that it measures.
_WATCHED = """
import gc
from pitlogger.sampler import Sampler
class Seen:
    due = most = 0
take = Sampler.take
def watched(self):
    take(self)
    up = self.last_uptime() // 1000
    if up % COLLECT and up < Seen.due:
        return
    gc.collect()
    Seen.most = max(Seen.most, gc.mem_alloc())
    if up >= Seen.due:
        Seen.due += EVERY
        with open("heap.txt", "a") as f:
            f.write("[%d, %d, %d, %d, %d]\\n" % (up, gc.mem_alloc(), Seen.most, self.missed, self.dropped))
Sampler.take = watched
import main
"""


class Row(NamedTuple):
    """At an uptime [s]: heap in use, the most so far [bytes]; ticks missed and stretches dropped so far."""

    up_s: int
    used: int
    most: int
    missed: int
    dropped: int


class LongRun:
    """A logger whose flash is ``folder``; it looks at its heap every ``look_s`` s, and tells it every ``every_s`` s."""

    def __init__(
        self, folder: Path, config: dict, every_s: int, look_s: int = 60, speed: float = 0, heap: str = HEAP,
        **env: str
    ) -> None:
        folder.mkdir(exist_ok=True)
        (folder / "config.json").write_text(json.dumps({"name": "pit", "channels": CHANNELS, **config}))
        (folder / "watched.py").write_text(_WATCHED.replace("EVERY", str(every_s)).replace("COLLECT", str(look_s)))
        self.flash = folder
        settings = environment(True, PITSCRIBE_SPEED=str(speed), PITSCRIBE_EASE_MS="0", **env)
        settings["MICROPYPATH"] = f"{LONG}:{settings['MICROPYPATH']}"
        self._console = (folder / "console.log").open("wb")
        self._process = subprocess.Popen(
            [str(MICROPYTHON), "-X", heap, "watched.py"], cwd=folder, env=settings, stdin=subprocess.PIPE,
            stdout=self._console, stderr=self._console,
        )
        self.asked = 0  # questions put so far

    def rows(self) -> list[Row]:
        """What it told so far."""
        file = self.flash / "heap.txt"
        text = file.read_text() if file.exists() else ""
        return [Row(*json.loads(line)) for line in text.splitlines(keepends=True) if line.endswith("\n")]

    def ask(self, ask: str, **more: object) -> None:
        """Put a question to it over the cable; what it answers goes to the console's file."""
        self.asked += 1
        assert self._process.stdin is not None
        self._process.stdin.write(lines.question(self.asked, ask, **more))
        self._process.stdin.flush()

    def answers(self) -> int:
        """How many questions it has answered."""
        return self.console().count("\n~A")

    def console(self) -> str:
        """What it said."""
        return (self.flash / "console.log").read_text(errors="replace")

    def until(self, hours: float, seconds: float, meanwhile=lambda: None) -> list[Row]:
        """Wait until it has run for so many hours; return what it told. ``meanwhile`` is called over and over."""

        def over() -> bool:
            assert self._process.poll() is None, f"it ended:\n{self.console()[-2000:]}"
            meanwhile()
            rows = self.rows()
            return bool(rows) and rows[-1].up_s >= 3600 * hours

        wait_until(f"{hours} h are over", over, seconds)
        return self.rows()

    def close(self) -> None:
        """Cut the power."""
        self._process.kill()
        self._process.wait()
        self._console.close()


def told(rows: list[Row]) -> str:
    """Rows as text."""
    return "\n".join(f"{row.up_s / 3600:6.1f} h: {row.used} B, most {row.most}, missed {row.missed}" for row in rows)
