"""Six varied cooks with what was said of them, and when; the truth beside it. Pictures for docs/COOKS.md.

    PYTHONPATH=tests:tests/host .venv/bin/python -m bench.analysis.pictures docs/pictures/cooks [NAME...]

What is drawn at a time was said at that time: forecasts are made at each look from the record cut there, and stalls,
fire events and hints stand where they were noticed. Some 40 s a cook.
"""

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from pitscribe.cook.analysis import analyse
from pitscribe.cook.answers import Analysis
from pitscribe.cook.forecast import COLDEST, Forecast
from pitscribe.cook.hints import Hint
from pitscribe.cook.replay import moments

from . import ovals, picture, slab
from .cooks import cooks
from .truth import BenchCook

TARGET_C = 90.5  # 195 degF
EVERY_S = 900.0
SLAB_SEED, OVAL_SEED = 4242, 41


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of a cook: at its end, and at each look."""

    last: Analysis
    forecasts: tuple[Forecast, ...]  # of the coldest place (of the only one), one a look
    hints: tuple[Hint, ...]  # each once, as it stood last


def told(cook: BenchCook, every_s: float = EVERY_S) -> Said:
    """Walk through a cook as a replay does, looking every ``every_s``, and keep what the pictures need."""
    forecasts: list[Forecast] = []
    hints: dict[tuple[str, float], Hint] = {}
    said = None
    for t in moments(cook.record, every_s):
        said = analyse(cook.record.until(t), target_c=TARGET_C, ahead=True)
        forecasts += [f for f in said.forecasts if f.place == COLDEST]
        if said.hint is not None:
            hints[said.hint.place, said.hint.said] = said.hint
    assert said is not None
    return Said(said, tuple(forecasts), tuple(hints.values()))


def _slab(i: int) -> BenchCook:
    return next(islice(slab.cook([slab.draw("tune", i, SLAB_SEED)]), 1))


def _oval(i: int) -> BenchCook:
    return next(iter(ovals.cook([ovals.draw(i, OVAL_SEED)])))


def _fire(i: int) -> BenchCook:
    return list(cooks("fires", i + 1, OVAL_SEED))[i]


COOKS: dict[str, Callable[[], BenchCook]] = {
    "wrapped": lambda: _oval(1),
    "two-stalls": lambda: _slab(29),
    "no-stall": lambda: _slab(15),
    "fire-out": lambda: _fire(34),
    "electric": lambda: _slab(56),
    "ice": lambda: _oval(191),
}


def reached(cook: BenchCook) -> float | None:
    """When the coldest place really was at the target [UTC s]; None: it never was."""
    at = []
    for y in cook.truth.meat.values():
        over = np.flatnonzero((y >= TARGET_C) & (cook.truth.t < cook.truth.fire.until))
        at.append(float(cook.truth.t[over[0]]) if over.size else None)
    known = [t for t in at if t is not None]
    return max(known) if len(known) == len(at) else None


def pictures(names: list[str]) -> Iterator[tuple[str, str]]:
    """(name, SVG) of the cooks that are named; of all without names."""
    for name in names or COOKS:
        cook = COOKS[name]()
        yield name, picture.drawn(cook, told(cook), TARGET_C, reached(cook))


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, svg in pictures(sys.argv[2:]):
        (folder / f"{name}.svg").write_text(svg, encoding="utf-8")
        print(f"{name}: {len(svg) / 1024:.0f} KB")
