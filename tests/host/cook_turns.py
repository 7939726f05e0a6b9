"""Cooks on a grate with a hot and a cold end, in which the meat is turned: two places exchange the gradient.

Each cook is run twice, with what was done and without it, so that the effect of an act is known from the physics
(the slabs of ``cook_kitchen``) and not from any definition: what the spread is, less what it would have been.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from cook_kitchen import STEP_S, Spec, Truth, cook_all, record, sense

from pitscribe.series import CookRecord

PLACES = ("flat", "middle", "point")


@dataclass
class Turned:
    """One cook: its record, what was done when, and its true spread with and without that [K], every ``STEP_S``."""

    record: CookRecord
    at_h: float
    kind: str
    spread: np.ndarray
    without: np.ndarray

    def effect(self, minutes: float) -> float:
        """What the act truly did to the spread, as a mean over the 10 min before ``minutes`` after it [K]."""
        i = slice(*(int((self.at_h * 60 + m) * 60 / STEP_S) for m in (minutes - 10, minutes)))
        return float((self.spread[i] - self.without[i]).mean())


def _specs(rng: np.random.Generator, kind: str) -> tuple[list[Spec], list[Spec], float]:
    """(places with the act, without it, hour of the act)."""
    at = rng.uniform(2.5, 8.0)
    gradient = rng.uniform(8, 28)  # from end to end: 25 to 50 degF (common practice, no source), and less
    common: dict[str, Any] = {
        "hours": 12.0, "start_c": rng.uniform(2, 15), "alpha": rng.uniform(1.2e-7, 1.5e-7), "film": rng.uniform(14, 28),
        "wet": rng.uniform(0.0, 0.3), "juice": rng.uniform(0.0, 0.9), "juice_c": rng.uniform(58, 68),
        "crust_kg": rng.uniform(2, 6), "swing_k": rng.uniform(1, 9), "swing_min": rng.uniform(25, 60),
        "noise_k": rng.uniform(0.3, 2), "seed": int(rng.integers(1 << 30)),
    }
    level, half = rng.uniform(110, 130), rng.uniform(24, 46)
    acted, plain = [], []
    for share in (-0.5, 0.0, 0.5):
        spec = Spec(**common, half_mm=half * rng.uniform(0.85, 1.15), depth=rng.uniform(0, 0.4),
                    pit_c=level + share * gradient)
        plain.append(spec)
        acted.append({
            "rotate": lambda s=spec, o=share: replace(s, pit_steps=((at, level - o * gradient),)),
            "wrap": lambda s=spec: replace(s, wraps=(at,)),
            "lid": lambda s=spec: replace(s, lids=(at,)),
            "spritz": lambda s=spec: replace(s, spritz=(at,), lids=(at,), lid_min=1.0),
        }[kind]())
    return acted, plain, at


def turned_cooks(count: int, seed: int, kind: str = "rotate", *, told: bool = True) -> list[Turned]:
    """``count`` cooks with one act each; the same seed gives the same cooks. ``told``: the act is noted."""
    rng = np.random.default_rng(seed)
    drawn = [_specs(rng, kind) for _ in range(count)]
    truth = cook_all([s for acted, plain, _ in drawn for s in (*acted, *plain)])
    return [_cook(truth, 6 * i, kind, drawn[i][2], rng, told) for i in range(count)]


def _cook(truth: Truth, j: int, kind: str, at: float, rng: np.random.Generator, told: bool) -> Turned:
    how: dict[str, Any] = {
        "every_s": float(rng.choice([5, 10, 30, 60])), "quantum": float(rng.choice([0.25, 0.0078125])),
        "noise": float(rng.choice([0.0, 0.05, 0.15])),
    }
    # Offsets as large as the 0.8 K that ``sense`` states for u.
    meat = [
        sense(truth.t, truth.meat[:, j + i], place=name, kind="meat", seed=int(rng.integers(1 << 30)),
              lag_s=rng.uniform(20, 60), offset=rng.normal(0, 0.8), **how)
        for i, name in enumerate(PLACES)
    ]
    air = sense(truth.t, truth.air[:, j + 1], place="grate", kind="air", seed=int(rng.integers(1 << 30)), **how)
    spreads = [np.ptp(truth.meat[:, j + o : j + o + 3], axis=1) for o in (0, 3)]
    return Turned(record([air, *meat], ((at, kind),) if told else ()), at, kind, *spreads)
