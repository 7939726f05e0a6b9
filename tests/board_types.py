"""Checks the firmware's types against stubs of the Pico W's MicroPython: what there is on the board, and nothing else.

The stubs are installed among all other packages; mypy wants them in a folder of their own, which stands in for Python's
library. So they are linked into .mypy_cache/board. Arguments go to mypy.
"""

import os
import subprocess
import sys
from importlib.metadata import distribution
from pathlib import Path

ROOT = Path(__file__).parents[1]
STUBS = ("micropython-rp2-rpi_pico_w-stubs", "micropython-stdlib-stubs")


def link(folder: Path) -> None:
    """Link all modules of the stubs into ``folder``, and nothing else."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    for name in STUBS:
        files = distribution(name).files or []
        for top in {file.parts[0] for file in files if file.suffix == ".pyi" or file.name == "VERSIONS"}:
            (folder / top).symlink_to(Path(str(distribution(name).locate_file(top))))


def main() -> int:
    """Check; return mypy's exit status."""
    folder = ROOT / ".mypy_cache" / "board"
    link(folder)
    return subprocess.run(
        [sys.executable, "-m", "mypy", "--config-file", "firmware_mpy/mypy.ini", "-m", "main", "-p", "pitlogger",
         *sys.argv[1:]],
        cwd=ROOT,
        env={**os.environ, "BOARD_STUBS": str(folder)},
    ).returncode


if __name__ == "__main__":
    sys.exit(main())
