"""What the analysis costs on an 18-hour cook of six places at 1 Hz.

Run: .venv/bin/python -m pytest -s tests/bench/test_analysis_bench.py
"""

import time
from collections.abc import Callable

from cook_kitchen import Spec, cook_all, record, sense

from pitscribe.cook.analysis import analyse
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.rates import rates_of
from pitscribe.cook.replay import replay

HOURS = 18.0
PLACES = ("flat", "point", "tip", "middle", "edge")


def kitchen():
    """Five meat places and a pit, as coarse and noisy as a MAX31855 gives them."""
    truth = cook_all([Spec(hours=HOURS, half_mm=30 + 3 * i, juice=0.8, crust_kg=5.0, seed=3) for i in range(5)])
    sensed = {"every_s": 1.0, "quantum": 0.25, "noise": 0.08}
    meat = [sense(truth.t, truth.meat[:, i], place=n, kind="meat", seed=i, **sensed) for i, n in enumerate(PLACES)]
    return record([sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=9, **sensed), *meat])


def best_of(count: int, work: Callable[[], object]) -> float:
    took = []
    for _ in range(count):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return min(took)


def test_the_analysis_at_one_instant_and_its_replay_are_quick():
    rec = kitchen()
    meat = rec.meat[0]
    rates_s = best_of(7, lambda: rates_of(cells_of(meat, grid_of([meat]))))
    once_s = best_of(5, lambda: analyse(rec, target_c=95.0))
    ahead_s = best_of(2, lambda: analyse(rec, target_c=95.0, ahead=True)) - once_s
    replay_s = best_of(1, lambda: replay(rec, 900.0, target_c=95.0))
    print(
        f"\nrates of one place {1000 * rates_s:.1f} ms; analysis {1000 * once_s:.0f} ms; its forecast {ahead_s:.2f} s; "
        f"replay every 15 min with forecasts {replay_s:.1f} s"
    )
    assert rates_s < 0.050
    assert once_s < 0.300
    assert ahead_s < 2.0
    assert replay_s < 60.0
