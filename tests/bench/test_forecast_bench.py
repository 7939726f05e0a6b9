"""What a forecast costs a processor: six places of 18 hours at 1 Hz, once and every 15 min.

Run: .venv/bin/python -m pytest -s tests/bench/test_forecast_bench.py
"""

import time

import numpy as np
from cook_kitchen import Spec, cook_all, record, sense

from pitscribe.cook.forecast import forecasts_of
from pitscribe.cook.grid import Cells, Grid, cells_of, grid_of

NAMES = ("flat", "point", "tip", "middle", "edge", "deckle")


def kitchen() -> tuple[dict[str, Cells], list[Cells], Grid]:
    """Six meat places and a pit for 18 hours."""
    specs = [Spec(hours=18.0, half_mm=30 + 3 * i, juice=0.8, crust_kg=5.0, seed=3) for i in range(len(NAMES))]
    truth = cook_all(specs)
    how = {"every_s": 1.0, "quantum": 0.25, "noise": 0.08}
    meat = [sense(truth.t, truth.meat[:, i], place=n, kind="meat", seed=i, **how) for i, n in enumerate(NAMES)]
    rec = record([sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=9, **how), *meat])
    grid = grid_of(rec.places)
    cells = {s.place: cells_of(s, grid) for s in rec.places}
    air = [cells.pop("grate")]
    return cells, air, grid


def test_a_forecast_and_its_replay_are_quick_enough():
    cells, air, grid = kitchen()

    def cut(c: Cells, n: int) -> Cells:
        return Cells(c.celsius[:n], c.u[:n], c.step[:n], c.late_s, c.failing)

    took = []
    for n in range(15, grid.n + 1, 15):
        began = time.process_time()
        forecasts_of({k: cut(c, n) for k, c in cells.items()}, [cut(air[0], n)], (), Grid(grid.origin, n), [95.0])
        took.append(time.process_time() - began)
    print(f"\nforecast of six places, s of a processor: longest {max(took):.2f}; {len(took)} looks {np.sum(took):.1f}")
    assert max(took) < 2.0
    assert np.sum(took) < 50.0
