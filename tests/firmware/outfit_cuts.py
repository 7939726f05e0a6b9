"""The power goes, or the cable, at every step of an update on real littlefs; then: what starts, and does a further run
mend it?

    .venv/bin/python tests/firmware/outfit_cuts.py      every operation of the flash, three ways, and every command

The board's program here is a set of few files that says what it is and ends, so a case takes a second: what a set does
when it stays or not is in test_outfit_switch.py and test_outfit_update.py.
"""

import argparse
import contextlib
import io
import json
import os
import random
import shutil
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from outfit_rig import OutfitBoard, on_flash, telling_firmware

from pitscribe.commands import outfit
from pitscribe.commands.outfit_set import compiled_set
from pitscribe.config import read_config
from pitscribe.errors import SourceError

BLOCKS = 64
WAYS = 3  # what becomes of the operation at which the power goes: nothing, half of it, half of it and noise
_START = """
import machine
machine.reset = sys.exit
with open("main.py") as f:
    text = f.read()
exec(text)
"""
Start = tuple[str, str, bool]  # set, settings, whether on trial


@dataclass(frozen=True)
class Seen:
    """What a start after the cut ran, and the one after that."""

    first: Start
    second: Start

    @property
    def word(self) -> str:
        """`old`, or `new` where that is on trial and would be left; an error for all else."""
        old, new = ("one", "one", False), ("two", "two", True)
        if self.second != old or self.first not in (old, new):
            raise AssertionError(f"neither the old set nor the new one on trial, each with its settings: {self}")
        return "old" if self.first == old else "new"


class Update:
    """A board with set `one` and settings `one`, to be given set `two` and settings `two`, again and again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sets = {name: compiled_set(telling_firmware(folder / name, name)) for name in ("one", "two")}
        self.settings = {}
        for name in self.sets:
            self.settings[name] = folder / f"{name}.json"
            self.settings[name].write_text(json.dumps({"name": name, "secret": f"the secret of {name}"}))
        self.board = OutfitBoard(folder / "flash.img", None, folder / "port", blocks=BLOCKS)
        self.give("one")
        self.started(self.board.flash)  # which puts the settings in place
        self._began = folder / "began.img"
        shutil.copy(self.board.flash, self._began)

    def again(self) -> None:
        """The board as it was before the update, with power."""
        self.board.switch_off()
        shutil.copy(self._began, self.board.flash)
        self.board.power_on()

    def give(self, name: str) -> None:
        """All of outfit that is done at the prompt, and no more."""
        self.board.await_prompt()
        port = os.path.realpath(self.board.cable.port)
        arguments = argparse.Namespace(port=port, room=False, dry=False, settings=self.settings[name])
        with contextlib.redirect_stdout(io.StringIO()):
            outfit._Outfit(read_config(self.folder / "home"), arguments, self.sets[name])._put()

    def cut(self, operation: int, way: int) -> bool:
        """Let the power go at this operation of an update. Returns whether it did."""
        self.again()
        self.board.cut_after(operation, way)
        with contextlib.suppress(SourceError):
            self.give("two")
        return self.board.dead

    def seen(self) -> Seen:
        """What two starts run, one after the other, neither of which takes a tick."""
        self.board.switch_off()
        copy = self.folder / "after.img"
        shutil.copy(self.board.flash, copy)
        return Seen(self.started(copy), self.started(copy))

    def started(self, image: Path) -> Start:
        """What a start from this flash runs."""
        self.board.switch_off()
        return tuple(json.loads(on_flash(image, _START, path=str(self.board.inside)).splitlines()[-1]))

    def mends(self) -> bool:
        """Whether a further run brings the new set, whole, whatever the cut left."""
        self.board.power_on()
        self.give("two")
        return self.seen().word == "new"

    def close(self) -> None:
        """Let go of the board."""
        self.board.cut_power()


def main() -> int:
    """Cut everywhere; print what came of it."""
    parser = argparse.ArgumentParser(description="Cut the power at every operation of the flash in an update")
    parser.add_argument("--step", type=int, default=1, help="only each so many operations")
    step = parser.parse_args().step
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        update = Update(Path(folder))
        for way in range(WAYS):
            operation = random.Random(way).randrange(step)
            while update.cut(operation, way):
                counts[update.seen().word] += 1
                counts["mended"] += update.mends()
                operation += step
        update.close()
    print(f"{counts['old'] + counts['new']} cuts: {counts['old']} left the old set with the old settings, "
          f"{counts['new']} the new ones on trial; {counts['mended']} mended by a further run")
    return 0 if counts["mended"] == counts["old"] + counts["new"] else 1


if __name__ == "__main__":
    sys.exit(main())
