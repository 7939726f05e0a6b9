"""All of ``pitscribe serve``, in the time of a bench: ``nights_serve.py BENCH_FOLDER STEP_FILE UTC0_MS ARGUMENTS...``

The only difference from ``pitscribe``: the clock is the bench's, set wrong by as many seconds as STEP_FILE says.
"""

import sys
from pathlib import Path

from pitscribe import cli
from pitscribe.commands import serve
from pitscribe.simulate.rig import WorldClock


class SteppedClock:
    """The bench's clock, set wrong."""

    def __init__(self, bench: Path, step: Path, utc0_ms: int) -> None:
        self._world, self._step = WorldClock(bench, utc0_ms), step

    def now(self) -> float:
        """UTC as this host believes."""
        return self._world.now() + float(self._step.read_text() or 0)


if __name__ == "__main__":
    made = SteppedClock(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
    serve.SystemClock = lambda: made  # type: ignore[assignment,misc]
    sys.exit(cli.main(sys.argv[4:]))
