"""The bring-up checklist's board: the firmware on a pseudo-terminal, wired as each scene of BRINGUP.md says.

    .venv/bin/python tests/hardware/bringup_rig.py      writes into the checklist what the commands print
"""

import contextlib
import io
import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
sys.path += [str(ROOT / folder) for folder in ("hardware", "tests", "tests/firmware") if
             str(ROOT / folder) not in sys.path]

import numpy as np  # noqa: E402
from firmware_rig import ChipBench, WordChip  # noqa: E402
from servers import wait_until  # noqa: E402
from usb_rig import CableLogger  # noqa: E402

import pinmap  # noqa: E402
from pitscribe import cli  # noqa: E402
from pitscribe.metrology import its90  # noqa: E402
from pitscribe.metrology.chips import code_from_emf, max31855_word  # noqa: E402

CHECKLIST = ROOT / "hardware" / "BRINGUP.md"
PORT = "/dev/ttyACM0"  # what the checklist calls it
MAP = pinmap.load()
_BLOCK = re.compile(r"<!-- scene: (.+?) -->\n```console\n(.*?)```\n", re.DOTALL)
# What is another each time.
_MASKS = ((r"boot \d+", "boot N"), (r"up for \d+ s", "up for N s"), (r"\d+ frames?", "N frames"),
          (r"frames? \d+( to \d+)?", "frames A to B"), (r"\d+ new, \d+ known", "N new, N known"),
          (r"known to [\d.]+ s", "known to N s"), (r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?", "DATE"),
          (r"(?m)^ *\d+  (?=\S)", "N  "))
SPEED = "20"


def chip(tip: float = 24.0, terminals: float = 24.0, fault: int = 0) -> WordChip:
    """A MAX31855K without errors, tip and terminals at so many degC; fault 1 open, 2 to ground, 4 to supply."""
    mv = its90.emf("K", tip) - its90.emf("K", terminals)
    hot, cold = code_from_emf("max31855", "K", np.array([mv]), np.array([terminals]))
    return WordChip(max31855_word(0 if fault & 1 else int(hot[0]), int(cold[0]), fault))


def _six(**other: WordChip) -> dict[int, WordChip]:
    """All six, probes at rest, but for some: c0=..."""
    return {cs: other.get(f"c{c}") or chip(24.0 + 0.5 * (c % 2)) for c, cs in enumerate(MAP.selects)}


SCENES = {
    "no amplifier": dict,
    "one amplifier, no probe": lambda: {MAP.selects[0]: chip(fault=1)},
    "six amplifiers, no probe": lambda: {cs: chip(fault=1) for cs in MAP.selects},
    "probes at rest": _six,
    "probe 0 warm, probe 1 warm and reversed": lambda: _six(c0=chip(33.0), c1=chip(15.0)),
    "probe 4 grounded": lambda: _six(c4=chip(24.0, fault=2)),
    "all in ice": lambda: {cs: chip(0.5 * (c % 3), 25.0) for c, cs in enumerate(MAP.selects)},
    "note button pressed": _six,
}


class Block(NamedTuple):
    """A block of the checklist: its scene, and each command with what it should print."""

    scene: str
    said: list[tuple[str, str]]


def blocks(text: str) -> list[Block]:
    """Every block of the checklist, in its order."""
    found = []
    for match in _BLOCK.finditer(text):
        parts = re.split(r"(?m)^\$ (.*)\n", match[2])[1:]
        found.append(Block(match[1], list(zip(parts[::2], parts[1::2], strict=True))))
    return found


def masked(text: str) -> str:
    """What a command printed, without what is another each time: boot, seconds, frames, dates."""
    for pattern, word in _MASKS:
        text = re.sub(pattern, word, text)
    return "\n".join(line.rstrip() for line in text.splitlines())


class Bench:
    """The board of one scene after the other; "again" is the last one with its power cut in between."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._n = folder, 0
        self._open: contextlib.ExitStack = contextlib.ExitStack()
        self._chips: dict[int, WordChip] = {}
        self._settings: dict = {}

    def run(self, block: Block) -> list[tuple[str, str, str]]:
        """(command, what the checklist says, what it printed) of each command of a block."""
        self._open.close()
        if block.scene != "again":
            self._n += 1
            self._chips = SCENES[block.scene]()
            things = ("buttons", "buzzer") if "button" in block.scene else ()
            self._settings = {"name": "pit", "frame_ticks": 64, "hotspot": {"when": "never"},
                              **MAP.settings(things=things)}
        home = self._folder / f"home{self._n}"
        home.mkdir(exist_ok=True)
        (home / "pitscribe.toml").write_text("[host]\ntrust_clock = true\n")
        found = []
        with self._board(block.scene) as port:
            for command, said in block.said:
                found.append((command, said, self._printed(command, home, port)))
                if "button" in block.scene and "cook start" in command:
                    self._press()
        return found

    def _press(self) -> None:
        """Hold the note button down for 0.4 s, and wait until that is over."""
        begin = self._bench.world_ms + 300
        (self._folder / "pressed").write_text(f"{MAP.buttons['note']} {begin} {begin + 400}")
        wait_until("the note", lambda: self._bench.world_ms > begin + 2000)

    @contextlib.contextmanager
    def _board(self, scene: str) -> Iterator[Path]:
        bench = self._bench = ChipBench(self._chips)
        port, pressed = self._folder / "port", self._folder / "pressed"
        pressed.write_text("")
        speed = "1" if "button" in scene else SPEED  # a button's time must be the cook's
        logger = CableLogger(self._folder / f"flash{self._n}", bench, self._settings, port, PITSCRIBE_SPEED=speed,
                             PITSCRIBE_PRESSED=str(pressed))
        try:
            yield port
        finally:
            logger.cut_power()
            bench.close()

    def _printed(self, command: str, home: Path, port: Path) -> str:
        command, _, tail = command.partition(" | tail -n ")
        words = shlex.split(command)
        out = io.StringIO()
        if words[0] == "grep":
            return subprocess.run(command, shell=True, cwd=ROOT, capture_output=True, text=True, check=True).stdout
        assert words[0] == "./host/run", command
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            status = cli.main(["--home", str(home), *(str(port) if word == PORT else word for word in words[1:])])
        assert status == 0, out.getvalue()
        lines = out.getvalue().replace(str(port), PORT).splitlines(keepends=True)
        return "".join(lines[-int(tail) :] if tail else lines)


def write() -> None:
    """Write into the checklist what its commands print now."""
    os.environ["TZ"] = "UTC"
    text = CHECKLIST.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        for block in blocks(text):
            body = "".join(f"$ {command}\n{printed}" for command, _, printed in bench.run(block))
            old = re.compile(rf"(<!-- scene: {re.escape(block.scene)} -->\n```console\n\$ "
                             rf"{re.escape(block.said[0][0])}\n).*?(```\n)", re.DOTALL)
            text = old.sub(lambda m, b=body: m[1] + b.split("\n", 1)[1] + m[2], text, count=1)
    CHECKLIST.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
