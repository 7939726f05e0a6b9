"""The host's storage fails on purpose: damage, a full disk, a lock, no right to write, a migration that is killed.

    PYTHONPATH=tests .venv/bin/python -m chaos.storage                          each part, 40 times, and every migration
    PYTHONPATH=tests .venv/bin/python -m chaos.storage damage full --seed 5 --times 200

damage       a ledger and its log lose pages, sectors, bits, their end, header or first page, or the log itself:
             `pitscribe check` tells, `pitscribe recover` takes out what is good, the logger's journal brings the rest
backup       `pitscribe backup` while `serve` takes in from a logger, and is killed; each is restored
full         a file system in memory (as root; else a limit on the file's size) is full at any write
locked       another program holds the database for too long
readonly     the home may not be written: commands read, and serve says so in one line
migration    SIGKILL before each statement of the way from every earlier version to the newest

Ends with status 1 by an AssertionError where a promise was broken.
"""

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

_TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(_TESTS), str(_TESTS / "firmware"), str(_TESTS / "host")]

from chaos.storage_backup import backup  # noqa: E402
from chaos.storage_damage import damage  # noqa: E402
from chaos.storage_migration import migration  # noqa: E402
from chaos.storage_room import full, locked, readonly  # noqa: E402

PARTS = {part.__name__: part for part in (damage, backup, full, locked, readonly, migration)}


def main() -> int:
    """Run the parts that are asked for, and print what came of each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"{', '.join(PARTS)} (default: all)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--times", type=int, default=40)
    given = parser.parse_args()
    for part in given.parts or PARTS:
        if part not in PARTS:
            parser.error(f"no part {part!r}; there are {', '.join(PARTS)}")
        began = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            figures = PARTS[part](Path(folder), given.seed, given.times)
        spent = round(time.monotonic() - began, 1)
        print(part, json.dumps({"seed": given.seed, "seconds": spent, **figures}), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
