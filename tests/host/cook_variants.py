"""Varied cooks for the detectors, drawn from a seed.

Kinds: plain, fire out and back, fire out for good, lids, spritz, wrap in the stall, wrap before it, unwrapped again
(two stalls), pit lowered or raised, held at the end, pulled, dry skin (no stall), electric, damp pit. Notes are given
half the time.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from bench.analysis.truth import Spans
from cook_kitchen import Spec, Truth, cook_all, record, sense, truth_stalls

from pitscribe.series import CookRecord

KINDS = ("plain", "plain", "fire-back", "fire-out", "lids", "spritz", "wrap", "wrap-early", "two", "pit-down", "pit-up",
         "hold", "pull", "dry", "electric", "steam")


@dataclass
class Variant:
    """One cook: its record, the true stalls of each meat place, and how long it was [h]."""

    kind: str
    record: CookRecord
    stalls: dict[str, Spans]
    hours: float


def _specs(kind: str, rng: np.random.Generator) -> tuple[list[Spec], list[tuple[float, str]]]:
    common: dict[str, Any] = {
        "hours": 14.0, "pit_c": rng.uniform(107, 136), "start_c": rng.uniform(1, 20), "k": rng.uniform(0.42, 0.52),
        "alpha": rng.uniform(1.2e-7, 1.5e-7), "film": rng.uniform(14, 30), "wet": rng.uniform(0.02, 0.3),
        "juice": rng.uniform(0.3, 1.0), "juice_c": rng.uniform(56, 68), "crust_kg": rng.uniform(3, 8),
        "sharp": rng.uniform(2, 6), "swing_k": rng.uniform(2, 12), "swing_min": rng.uniform(25, 70),
        "noise_k": rng.uniform(0.3, 3), "humidity": rng.uniform(0.006, 0.04), "ramp_h": rng.uniform(0.1, 1.0),
        "seed": int(rng.integers(1 << 30)),
    }
    notes: list[tuple[float, str]] = []
    at = rng.uniform(4, 7)
    if kind == "fire-back":
        common["out"] = (at, at + rng.uniform(0.5, 1.5))
    elif kind == "fire-out":
        common["out"] = (at, 99.0)
    elif kind == "lids":
        common["lids"] = tuple(np.sort(rng.uniform(1, 12, 8)))
        common["lid_min"] = rng.uniform(1, 6)
        notes = [(h, "lid") for h in common["lids"]]
    elif kind == "spritz":
        common["spritz"] = tuple(np.arange(rng.uniform(1.5, 3), 9, rng.uniform(0.6, 1.2)))
        common["lids"], common["lid_min"] = common["spritz"], 1.0
        notes = [(h, "spritz") for h in common["spritz"]]
    elif kind in ("wrap", "wrap-early", "two"):
        h = rng.uniform(2, 3.5) if kind == "wrap-early" else rng.uniform(5, 8)
        common["wraps"], common["lids"] = (h,), (h,)
        common["wrap_keeps"], common["wrap_film"] = rng.uniform(0.0, 0.2), rng.uniform(0.6, 1.0)
        notes = [(h, "wrap")]
        if kind == "two":
            common["wraps"], common["unwraps"] = (h - 1.5,), (h,)
            common["crust_kg"] = 9.0
            notes = [(h - 1.5, "wrap"), (h, "text")]
    elif kind in ("pit-down", "pit-up"):
        common["pit_c"] = 135.0 if kind == "pit-down" else 107.0
        common["pit_steps"] = ((at, 110.0 if kind == "pit-down" else 135.0),)
    elif kind == "hold":
        common["pit_steps"] = ((rng.uniform(8, 11), 66.0),)
        common["pit_c"], common["crust_kg"] = 130.0, 3.0
    elif kind == "pull":
        common["pull"] = rng.uniform(8, 11)
        notes = [(common["pull"], "pull")]
    elif kind == "dry":
        common["wet"], common["juice"] = 0.0, 0.0
    elif kind == "electric":
        common["swing_k"], common["noise_k"] = 0.5, 0.2
    elif kind == "steam":
        common["humidity"] = rng.uniform(0.1, 0.25)
    half = rng.uniform(26, 50)
    flat = Spec(**common, half_mm=half, depth=rng.uniform(0, 0.35))
    point = Spec(**common, half_mm=half * rng.uniform(1.0, 1.25), depth=rng.uniform(0, 0.35))
    tip = Spec(**common, half_mm=max(19.0, half * rng.uniform(0.4, 0.7)), depth=rng.uniform(0, 0.5))
    return [flat, point, tip], notes


def variants(count: int, seed: int) -> list[Variant]:
    """``count`` cooks; the same seed gives the same cooks."""
    rng = np.random.default_rng(seed)
    drawn = [(KINDS[i % len(KINDS)], *_specs(KINDS[i % len(KINDS)], rng)) for i in range(count)]
    truth = cook_all([s for _, specs, _ in drawn for s in specs])
    return [_sensed(kind, notes, truth, 3 * i, rng) for i, (kind, _, notes) in enumerate(drawn)]


def _sensed(kind: str, notes: list[tuple[float, str]], truth: Truth, j: int, rng: np.random.Generator) -> Variant:
    every = float(rng.choice([1, 2, 5, 10, 30, 60], p=[0.1, 0.1, 0.2, 0.2, 0.2, 0.2]))
    quantum = float(rng.choice([0.25, 0.0078125, 0.1]))
    noise = float(rng.choice([0.0, 0.05, 0.15, 0.3]))
    gap_at = rng.uniform(1, 12)
    gaps = ((gap_at, gap_at + rng.uniform(0.1, 1.5)),) if rng.uniform() < 0.3 else ()
    lost = float(rng.choice([0.0, 0.02, 0.2]))
    how: dict[str, Any] = {"every_s": every, "quantum": quantum, "noise": noise, "gaps": gaps, "lost": lost}
    names = ("flat", "point", "tip")
    places = [
        sense(truth.t, truth.meat[:, j + i], place=name, kind="meat", seed=int(rng.integers(1 << 30)),
              lag_s=rng.uniform(20, 60), offset=rng.normal(0, 1.0), **how)
        for i, name in enumerate(names)
    ]
    places.append(sense(truth.t, truth.air[:, j], place="grate", kind="air", seed=int(rng.integers(1 << 30)),
                        lag_s=rng.uniform(4, 90), offset=rng.normal(0, 2.0), **how))
    told = tuple(notes) if rng.uniform() < 0.5 else ()
    stalls = {
        n: Spans(tuple(truth_stalls(truth, j + i, fraction=0.33, least_min=60)),
                 tuple(truth_stalls(truth, j + i, fraction=0.5, least_min=20)))
        for i, n in enumerate(names)
    }
    return Variant(kind, record(places, told), stalls, truth.specs[j].hours)
