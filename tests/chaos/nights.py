"""Cooks at night, by real firmware, broker, host and store, while each of them and all between them fails at random.

    PYTHONPATH=tests:tests/host .venv/bin/python -m chaos.nights --seed 20261126 --times 200

Kills and stops host, broker and store; wipes what the broker keeps; lines are half open, held up, or rough; the logger
loses power once or ten times; its frames come again, in any order; a second host takes in beside the first; a second
logger goes by the same number; the host's clock is set wrong by hours or a year, in a zone whose clocks change twice in
that night. In the end: is every journalled frame in the ledger once, byte for byte, and every point in the mirror?
Ends with status 1 if a promise was broken. Each night is so many simulated hours; nights go on until there were so many
faults, one with mosquitto, one with the broker of our own, by turns.
"""

import argparse
import json
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

_TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(_TESTS), str(_TESTS / "host")]

from chaos.nights_faults import HOUR, KINDS, Faults, Undo  # noqa: E402
from chaos.nights_stage import LOGGER, Stage, settle, ticks_of  # noqa: E402


class Night:
    """One night. ``pause_s``: between the beginnings of faults, from and to."""

    def __init__(self, stage: Stage, seed: int, pause_s: tuple[float, float]) -> None:
        self.stage, self.dice, self.pause_s = stage, random.Random(seed), pause_s
        self.faults, self.done = Faults(stage, self.dice), Counter[str]()
        self._ends: dict[str, tuple[float, Undo]] = {}  # what it is done to: when it ends, how
        self.silence_s, self._count, self._heard = 0.0, 0, time.monotonic()

    def run(self, times: int) -> None:
        """Begin, do so many faults or fewer if the night is over before, and let all be well again."""
        self.stage.host.start()
        self.stage.host.wait()
        self.stage.switch_on()
        settle("the first frames are stored", lambda: self._stored() >= 2)
        while sum(self.done.values()) < times and not self.stage.over():
            self._begin()
            until = time.monotonic() + self.dice.uniform(*self.pause_s)
            while time.monotonic() < until:
                self._end(time.monotonic())
                time.sleep(0.05)
            self._stored()
        self._end(float("inf"))

    def _begin(self) -> None:
        free = [k for k, (on, _, _, _, theirs) in KINDS.items() if on not in self._ends
                and not (theirs and self.stage.ours)]
        if not free:
            return
        kind = self.dice.choices(free, [KINDS[k][1] for k in free])[0]
        on, _, least, most, _ = KINDS[kind]
        undo = getattr(self.faults, kind)()
        self._ends[on] = time.monotonic() + self.dice.uniform(least, most), undo
        self.done[kind] += 1

    def _end(self, now: float) -> None:
        for on, (at, undo) in list(self._ends.items()):
            if at <= now:
                del self._ends[on]
                undo()

    def _stored(self) -> int:
        ledger = self.stage.host.ledger()
        count = ledger.frame_count(LOGGER)
        ledger.close()
        now = time.monotonic()
        self.silence_s = max(self.silence_s, now - self._heard)
        if count > self._count:
            self._count, self._heard = count, now
        return count

    def brought_home(self) -> int:
        """Frames that the first ledger lacks once it has taken in the logger's journal, as a person would let it."""
        home, journal = self.stage.host.home, self.stage.folder / "flash" / "journal"
        command = [sys.executable, "-m", "pitscribe.cli", "--home", home, "import", journal]
        subprocess.run(command, check=True, capture_output=True, timeout=90)
        held = self.stage.host.held()
        return sum(held.get(key) != frame for key, frame in self.stage.journalled().items())

    def refused(self) -> bool:
        """Whether a second host on the same home is refused."""
        home = self.stage.host.home
        command = [sys.executable, "-m", "pitscribe.cli", "--home", home, "serve", "--page-port", "0"]
        return subprocess.run(command, capture_output=True, timeout=90).returncode != 0

    def held(self) -> tuple[int, int, list[object]]:
        """(frames journalled, frames that only the second host was given, what is lost or altered) once all is well."""
        stage = self.stage
        settle("the night is over", stage.over, 500)
        for name in ("flash", *(["twin"] if self.done["twin"] else [])):  # one after the other: each by itself
            self._empty(name)
        found = [self._missing(name) for name in ("flash", "twin")]
        return sum(f[0] for f in found), sum(f[1] for f in found), [key for f in found for key in f[2]]

    def _empty(self, name: str) -> None:
        """Leave a logger on until all that it has is held."""
        stage = self.stage
        for _ in range(5):  # it may write one more frame before it is switched off
            if name not in stage.boards:
                stage.switch_on(name)
            settle(f"every frame of {name} is held", lambda: not self._missing(name)[2], 240)
            stage.boards[name].check()
            stage.switch_off(name)
            if not self._missing(name)[2]:
                return

    def _missing(self, name: str) -> tuple[int, int, list[object]]:
        stage = self.stage
        first, second = stage.host.held(), stage.second.held() if stage.second else {}
        clashes = stage.set_aside().get("clash", set())
        sent = stage.journalled(name).items()
        lost: list[object] = []
        elsewhere = 0
        for key, frame in sent:
            if first.get(key) != frame and frame not in clashes:
                elsewhere += second.get(key) == frame
                lost += [key] if second.get(key) != frame else []
        return len(sent), elsewhere, lost


def night(folder: Path, *, seed: int, hours: float, speed: int, times: int, ours: bool,
          pause_s: tuple[float, float] = (0.2, 1.0), mirror: bool = True) -> dict[str, object]:
    """Play one night; its figures. Raises AssertionError if a promise was broken."""
    stage = Stage(folder, seed, hours, speed, ours=ours)
    try:
        played = Night(stage, seed, pause_s)
        played.run(times)
        journalled, elsewhere, lost = played.held()
        refused = played.refused()
        lacking = played.brought_home() if elsewhere else 0
        held = stage.host.held()
        taken, told, untold = ticks_of(held)
        figures: dict[str, object] = {
            "seed": seed, "broker": "ours" if ours else "mosquitto", "faults": sum(played.done.values()),
            "by kind": dict(sorted(played.done.items())), "journalled": journalled, "held": len(held),
            "lost": len(lost), "doubled": stage.host.doubled(), "second host's alone": elsewhere,
            "of them lacking after an import": lacking,
            "aside": {reason: len(data) for reason, data in stage.set_aside().items()},
            "ticks": taken, "ticks missed and told": told, "ticks missed untold": untold,
            "longest silence s": round(played.silence_s, 1), "same home refused": refused,
            "twin told": "Two loggers" in stage.host.log(),
        }
        if mirror:
            figures |= mirrored(stage)
        assert stage.host.stop() == 0, "the host did not end in order"
        promised(figures)
        return figures
    finally:
        stage.close()


def mirrored(stage: Stage) -> dict[str, object]:
    """The mirror's figures, once the cook is over and it has settled."""
    ledger = stage.host.ledger()
    ledger.end_cook(stage.cook, at=round(1000 * stage.bench.clock.now()))
    ledger.close()
    # The hours are over: now each of them is read back. No logger is on that would be told this time.
    stage.host.set_wrong(3 * HOUR)
    settle("the mirror has settled", lambda: stage.mirrored()[3], 240)
    points, found, doubled, _ = stage.mirrored()
    return {"points": points, "points lost": points - found, "points doubled": doubled}


def promised(figures: dict[str, object]) -> None:
    """AssertionError for a promise that was broken."""
    assert not figures["lost"], figures
    assert not figures["doubled"], figures
    assert not figures["of them lacking after an import"], figures
    assert set(figures["aside"]) <= {"clash"}, figures  # type: ignore[call-overload]
    assert figures["same home refused"], figures
    assert not figures["ticks missed untold"], figures
    assert not figures.get("points lost"), figures
    assert not figures.get("points doubled"), figures


def main() -> int:
    """Play nights until there were so many faults."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, default in (("seed", 20261126), ("times", 200), ("speed", 100), ("minutes", 60)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--hours", type=float, default=4.0, help="simulated, of one night")
    given = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # with all that was started
    began, faults, nights = time.monotonic(), 0, 0
    while faults < given.times and time.monotonic() - began < 60 * given.minutes:
        with tempfile.TemporaryDirectory() as folder:
            figures = night(
                Path(folder), seed=given.seed + nights, hours=given.hours, speed=given.speed,
                times=given.times - faults, ours=nights % 2 == 1,
            )
        nights, faults = nights + 1, faults + int(str(figures["faults"]))
        print(json.dumps({**figures, "seconds": round(time.monotonic() - began)}), flush=True)
    print(f"{faults} faults in {nights} nights, no promise broken")
    return 0


if __name__ == "__main__":
    sys.exit(main())
