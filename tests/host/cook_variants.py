"""Varied cooks for the detectors, drawn from a seed, and the score of what was said of them.

Kinds: plain, fire out and back, fire out for good, lids, spritz, wrap in the stall, wrap before it, unwrapped again
(two stalls), pit lowered or raised, held at the end, pulled, dry skin (no stall), electric, damp pit. Notes are given
half the time.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from cook_kitchen import T0, Spec, Truth, cook_all, record, sense, truth_stalls

from pitscribe.series import CookRecord

KINDS = ("plain", "plain", "fire-back", "fire-out", "lids", "spritz", "wrap", "wrap-early", "two", "pit-down", "pit-up",
         "hold", "pull", "dry", "electric", "steam")


@dataclass
class Variant:
    """One cook: its record, and for each meat place the stalls that it surely had and those it may be said to have."""

    kind: str
    record: CookRecord
    sure: dict[str, list[tuple[float, float]]]
    maybe: dict[str, list[tuple[float, float]]]
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
    sure = {n: truth_stalls(truth, j + i, fraction=0.33, least_min=60) for i, n in enumerate(names)}
    maybe = {n: truth_stalls(truth, j + i, fraction=0.5, least_min=20) for i, n in enumerate(names)}
    return Variant(kind, record(places, told), sure, maybe, truth.specs[j].hours)


@dataclass
class Score:
    """Counts over many cooks; delays in minutes from the sure begin (pace under a third) to noticed."""

    sure: int = 0
    found: int = 0
    said: int = 0
    right: int = 0
    hours: float = 0.0
    delays: list[float] = field(default_factory=list)
    begin_off: list[float] = field(default_factory=list)

    def __str__(self) -> str:
        return (
            f"sure {self.sure} found {self.found} recall {self.found / max(1, self.sure):.3f} | said {self.said} right "
            f"{self.right} precision {self.right / max(1, self.said):.3f} false/100h "
            f"{100 * (self.said - self.right) / max(1.0, self.hours):.2f} | delay median "
            f"{np.median(self.delays or [0]):.0f} min, begin off median {np.median(self.begin_off or [0]):.0f}, "
            f"within 45: {np.mean(np.abs(self.begin_off or [0]) <= 45):.2f}"
        )


def score(variant: Variant, said: dict[str, list], total: Score) -> list[str]:
    """Add one cook to ``total``; what was missed or wrong, in words. A call counts if it overlaps and begins near."""
    lines = []
    for place, sure in variant.sure.items():
        calls = said.get(place, [])
        used = set()
        for a, b in sure:
            total.sure += 1
            # Between the pace at half and at a third of its best, begin is a matter of taste; past that, 45 min.
            early = min([m for m, n in variant.maybe[place] if m <= a < n], default=a)
            hit = [i for i, s in enumerate(calls)
                   if s.begin < b and (s.end or 1e18) > a and early - 2700 <= s.begin <= a + 2700]
            if hit:
                total.found += 1
                used.update(hit)
                total.delays.append((calls[hit[0]].noticed - a) / 60)
                total.begin_off.append((calls[hit[0]].begin - a) / 60)
            else:
                lines.append(f"{variant.kind} {place} missed {(a - T0) / 3600:.1f}-{(b - T0) / 3600:.1f}")
        for i, s in enumerate(calls):
            total.said += 1
            spans = variant.maybe[place]
            near = any(a - 2700 < s.begin < b and (s.end or 1e18) > a for a, b in spans)
            total.right += near or i in used
            if not (near or i in used):
                end = "-" if s.end is None else f"{(s.end - T0) / 3600:.1f}"
                lines.append(
                    f"{variant.kind} {place} false {(s.begin - T0) / 3600:.1f}-{end} noticed "
                    f"{(s.noticed - T0) / 3600:.1f} p {s.probability:.2f} at {s.plateau_c:.0f} {s.cause[:60]}"
                )
    total.hours += variant.hours
    return lines
