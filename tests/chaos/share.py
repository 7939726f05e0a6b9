"""Three processes that take in together; they, their broker and their store are killed again and again.

Prints what became of every frame and every point.

    .venv/bin/python tests/chaos/share.py --seed 20261126 --frames 600 --kills 12
"""

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "host")]

from share_rig import run  # noqa: E402


def main() -> None:
    """Run it once."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in (("seed", 20261126), ("frames", 600), ("kills", 12), ("loggers", 6)):
        parser.add_argument(f"--{name}", type=int, default=default)
    given = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        size = {name: getattr(given, name) for name in ("seed", "loggers", "frames", "kills")}
        figures = run(Path(folder), **size, down_s=(0.0, 6.0), whole=True, servers=True)
    print(json.dumps({"seed": given.seed, "seconds": round(time.monotonic() - began), **figures}, indent=1))


if __name__ == "__main__":
    main()
