"""What ``pitscribe outfit`` can be asked."""

import argparse
from pathlib import Path


def add_outfit(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    p = sub.add_parser(
        "outfit",
        help="put the firmware on a logger's board, or a newer one, over its USB cable",
        description="Compile the firmware, copy it to the board at PORT beside what runs there, compare it with what "
        "the board reads back, switch to it by one rename, restart, and show the first readings. A second run updates: "
        "journal and settings stay. Where a run ends early, the logger starts with the old modules or the new ones.",
    )
    p.set_defaults(module="outfit")
    p.add_argument("port", metavar="PORT", help="its serial port: /dev/ttyACM0")
    p.add_argument("--settings", type=Path, metavar="FILE", help="config.json for the board, also where it has one "
                   "(default: what it has; else you are asked)")
    p.add_argument("--room", action="store_true", help="where the flash is full, let the oldest of the journal go that "
                   "the host has stored, as the logger itself would")
    p.add_argument("--dry", action="store_true", help="say what would be done, and do nothing; a logger that runs is "
                   "not stopped")
