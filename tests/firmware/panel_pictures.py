"""Makes docs/pictures/panel.png: the pages of the logger's screen, side by side, as its simulated glass has them.

``tests/firmware/panel_pictures.py [FILE]``. Ten hours of a scenario of our own pass in virtual time first.
"""

import math
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))  # as pytest has it

from i2c_rig import block, dip
from panel_rig import panel_run, png

OUT = Path(__file__).parents[2] / "docs" / "pictures" / "panel.png"
PAGE = 14
END_MS = 10 * 3_600_000
GAP = 8  # pixels of the glass between two pages
PLACES = (("grate", "air", 225, 275), ("far end", "air", 225, 275), ("flat", "meat", -100, 203),
          ("point", "meat", -100, 203))  # fmt: skip


def course() -> list[list[list[int]]]:
    """Codes of MAX31855, a quarter degree C each, a quarter of an hour apart: two places of a fire that is fed
    every 70 minutes, two pieces of meat that stall."""
    rows: list[list[list[int]]] = [[] for _ in PLACES]
    for i in range(END_MS // 900_000 + 1):
        hours = i / 4
        fire = 121 + 6 * math.sin(i / 4.7 * 2 * math.pi) + 2 * math.sin(i * 1.7)
        heat = 1 - math.exp(-hours / 0.25)
        meat = 5 + 66 * (1 - math.exp(-hours / 2.2)) + max(0.0, hours - 6.5) * 4.5
        for row, value in zip(rows, (20 + (fire - 20) * heat, 20 + (fire - 27) * heat, meat, meat + 4), strict=True):
            row.append([i * 900_000, round(4 * value)])
    return rows


def main() -> int:
    """Run the logger and take the pictures."""
    channels = [{"chip": "max31855", "cs": 17 + i, "place": place, "kind": kind, "low": low,
                 "high": high} for i, (place, kind, low, high) in enumerate(PLACES)]
    presses = [(END_MS + 5000 + 6000 * i, END_MS + 5100 + 6000 * i) for i in range(5)]
    with tempfile.TemporaryDirectory() as name:
        ran = panel_run(
            Path(name), block(dip(0)), ms=END_MS + 40_000, chips=course(), channels=channels, panel={"page": PAGE},
            journal_kb=420,
            period_ms=5000, begin=END_MS, heap="heapsize=1m", presses={PAGE: presses}, steps=[(1000, "anchor")],
            spot=("pit-7469", "abcdefghjkmn", "482915", "http://192.168.4.1/"),
        )  # fmt: skip
        pages = [ran.at(END_MS + 4900 + 6000 * i) for i in range(6)]
    rows = []
    for left in (0, 3):
        rows += [[*a, *[2] * GAP, *b, *[2] * GAP, *c] for a, b, c in zip(*pages[left : left + 3], strict=True)]
        rows += [[2] * len(rows[0])] * (GAP if left == 0 else 0)
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else OUT
    out.write_bytes(png(rows, 3))
    return 0


if __name__ == "__main__":
    sys.exit(main())
