"""What the parts of ``chaos.storage`` share: frames, a ledger's contents, a command of pitscribe's."""

import contextlib
import io
from pathlib import Path

from intake_rig import LOGGER, anchor, ticks

from pitscribe.cli import main as pitscribe
from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire.frames import check

CLOCK = SetClock(1_780_000_000.0)
FRAMES = [*(ticks(n, n=255 if n % 40 == 7 else 32) for n in range(600)), anchor(600, 1_780_000_000_000)]
Figures = dict[str, object]


def checked(frames: list[bytes]) -> list[tuple[object, bytes]]:
    """Frames as the ledger takes them."""
    return [(check(frame), frame) for frame in frames]


def held(path: Path) -> set[bytes]:
    """The frames in a ledger, once its pages were found sound and none of them twice."""
    ledger = Ledger(path, CLOCK, check_pages=True)
    try:
        found = [stored.frame for stored in ledger.frames(LOGGER)]
    finally:
        ledger.close()
    assert len(found) == len(set(found)), "a frame is held twice"
    return set(found)


def run(home: Path, *words: object) -> tuple[int, str]:
    """A command of pitscribe's, in this process: its status, and what it printed."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        status = pitscribe(["--home", str(home), *map(str, words)])
    return status, out.getvalue()
