"""Power cuts: at every operation of the logger's flash, on MicroPython's own littlefs, in five ways; what was lost?

    PYTHONPATH=tests .venv/bin/python -m chaos.power                     every operation of both ways to keep a journal
    PYTHONPATH=tests .venv/bin/python -m chaos.power --seed 5 --times 200          so many of them, drawn by the seed
    PYTHONPATH=tests .venv/bin/python -m chaos.power --outfit                      of an update of the firmware as well

The session is a boot, sampling, rotation of segments, acknowledgements, changed settings and the count of losses; after
each cut the flash is mounted, the journal opened and the session taken up again (tests/firmware/cut_rig.py). The last
operation is left out, half done, half done with noise behind it, done bit by bit by chance, or done without an answer.
Ends with status 1 if a promise was broken, and says which.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

_TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(_TESTS), str(_TESTS / "firmware"), str(_TESTS / "host")]

import cut_rig  # noqa: E402

A_PROCESS = 150  # cuts that one MicroPython makes


def cut(folder: Path, *, newest: bool, seed: int, times: int = 0) -> tuple[int, int, list[object]]:
    """Cut ``times`` times, 0 for every operation and way.

    Returns (operations of the session, cuts made, what was broken). ``newest``: a full journal keeps the newest.
    """
    total = cut_rig.operations(folder, newest)
    kinds = [(n, mode) for n in range(total) for mode in range(cut_rig.MODES)]
    if 0 < times < len(kinds):
        kinds = sorted(random.Random(seed).sample(kinds, times))
    wrong: list[object] = []
    for at in range(0, len(kinds), A_PROCESS):
        wrong += cut_rig.cuts(folder, newest, kinds[at : at + A_PROCESS])
    return total, len(kinds), wrong


def main() -> int:
    """Print what became of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--times", type=int, default=0, help="cuts of each way to keep a journal (default: all)")
    parser.add_argument("--outfit", action="store_true", help="also at each 25th operation of a firmware update")
    given = parser.parse_args()
    broken = 0
    for newest in (False, True):
        began = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            total, cuts, wrong = cut(Path(folder), newest=newest, seed=given.seed, times=given.times)
        kept = "newest" if newest else "oldest"
        print(f"{kept} kept: {total} operations, {cuts} power cuts in {time.monotonic() - began:.0f} s, "
              f"{len(wrong)} broke a promise", flush=True)
        for one in wrong[:20]:
            print("  ", one)
        broken += len(wrong)
    if given.outfit:
        update = [sys.executable, str(_TESTS / "firmware" / "outfit_cuts.py"), "--step", "25"]
        broken += subprocess.run(update, check=False).returncode
    return int(broken > 0)


if __name__ == "__main__":
    sys.exit(main())
