"""The first physics: the slabs of tests/host/cook_kitchen.py, with wide ranges and more that happens to them.

Split "tune" draws from the middle of what a kitchen sees, "held" from wider ranges and with more trouble at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from cook_kitchen import STEP_S, Spec, cook_all, split_phase
from cook_kitchen import T0 as KITCHEN_T0

from .sensing import T0, Sensing, cook_record, cut, drawn, open_leads, sensed
from .truth import BenchCook, Course, FireTruth, Truth, dry_pace, fire_truth, reached, stall_spans

assert KITCHEN_T0 == T0  # both count from the same instant

HOURS = 18.0
NAMES = ("flat", "point", "tip")
KINDS = ("plain", "fire-back", "fade", "plain", "lids", "spritz", "wrap", "fire-out", "wrap-early", "two", "pit-down",
         "fade", "pit-up", "hold", "pull", "dry", "electric", "steam", "moved", "half-told")


@dataclass(frozen=True, slots=True)
class Drawn:
    """One cook before it is cooked: its places, what is noted, and how it is read."""

    name: str
    kind: str
    specs: tuple[Spec, ...]  # one for each place, then one for where a probe was moved to, if it was
    acts: tuple[tuple[float, str], ...]  # hours
    moved: tuple[int, float] | None  # which place's probe, when [h]
    told: float  # share of the acts that is noted
    sensing: Sensing
    places: tuple[str, ...]
    air: bool
    rng: np.random.Generator


def draw(split: str, i: int, seed: int) -> Drawn:
    """The ``i``-th cook of a split; the same for the same seed, whatever else is drawn."""
    rng = np.random.default_rng((seed, 0 if split == "tune" else 1, i, 77))
    kind = KINDS[i % len(KINDS)]
    common = _common(rng, wide=split == "held")
    acts = _happens(kind, common, rng)
    half = rng.uniform(24, 52) if split == "held" else rng.uniform(27, 48)
    per = [half, half * rng.uniform(1.0, 1.25), max(19.0, half * rng.uniform(0.4, 0.7))]
    count = int(rng.choice([1, 2, 3], p=[0.1, 0.2, 0.7]))
    specs = [Spec(**_own(common, rng), half_mm=h, depth=rng.uniform(0, d))
             for h, d in zip(per, (0.35, 0.35, 0.5), strict=True)][:count]
    moved = None
    if kind == "moved":
        moved = (int(rng.integers(count)), rng.uniform(2.5, 8))
        was = specs[moved[0]]
        specs.append(replace(was, depth=float(np.clip(was.depth + rng.choice([-0.3, 0.3]), 0.0, 0.7))))
    return Drawn(
        f"slab {split} {i} {kind}", kind, tuple(specs), tuple(sorted(acts)), moved,
        float(rng.choice([0.0, 0.5, 1.0], p=[0.3, 0.2, 0.5])), drawn(rng, HOURS - 4), NAMES[:count],
        bool(rng.uniform() < 0.94), rng,
    )


def _common(rng: np.random.Generator, *, wide: bool) -> dict[str, Any]:
    def u(low: float, high: float, more: float = 0.0) -> float:
        span = more if wide else 0.0
        return float(rng.uniform(low - span * (high - low), high + span * (high - low)))

    return {
        "hours": HOURS, "pit_c": u(107, 136, 0.15), "start_c": u(2, 18, 0.1), "k": u(0.42, 0.52),
        "alpha": u(1.2e-7, 1.5e-7), "film": u(14, 28, 0.15), "wet": u(0.03, 0.25), "juice": u(0.35, 0.95),
        "juice_c": u(57, 67, 0.1), "crust_kg": u(2.5, 6.5, 0.1), "sharp": u(2, 5, 0.2), "swing_k": u(2, 11, 0.1),
        "swing_min": u(28, 65, 0.1), "noise_k": u(0.3, 2.5), "humidity": u(0.006, 0.04), "ramp_h": u(0.15, 1.0),
        "seed": int(rng.integers(1 << 30)),
    }


def _own(common: dict[str, Any], rng: np.random.Generator) -> dict[str, Any]:
    """Places differ: the film by where they lie, the wetness of the skin."""
    mine = dict(common)
    mine["film"] *= rng.uniform(0.85, 1.15)
    mine["juice"] *= rng.uniform(0.8, 1.2)
    return mine


def _happens(kind: str, c: dict[str, Any], rng: np.random.Generator) -> list[tuple[float, str]]:
    """Set in ``c`` what happens in a cook of this kind; returns what a person did, (hour, note)."""
    at = float(rng.uniform(3, 8))
    if kind in ("fire-back", "fire-out", "fade"):
        gone = float(rng.uniform(0.5, 2.0)) if kind != "fire-out" else 99.0
        c["out"] = (at, at + gone)
        c["out_tau_h"] = float(rng.uniform(1.5, 5.0) if kind == "fade" else rng.uniform(0.5, 2.0))
        return [(at + gone, "fuel")] if gone < 99 else []
    if kind == "lids":
        c["lids"], c["lid_min"] = tuple(np.sort(rng.uniform(1, 12, 9)).tolist()), float(rng.uniform(1, 8))
        return [(h, "lid") for h in c["lids"]]
    if kind in ("spritz", "half-told"):
        c["spritz"] = tuple(np.arange(rng.uniform(1.5, 3), 9, rng.uniform(0.6, 1.2)).tolist())
        c["lids"], c["lid_min"] = c["spritz"], 1.0
        return [(h, "spritz") for h in c["spritz"]]
    if kind in ("wrap", "wrap-early", "two"):
        h = float(rng.uniform(2, 3.5) if kind == "wrap-early" else rng.uniform(5, 8))
        c["wraps"], c["lids"] = (h,), (h,)
        c["wrap_keeps"], c["wrap_film"] = float(rng.uniform(0.0, 0.2)), float(rng.uniform(0.6, 1.0))
        if kind == "two":
            c["wraps"], c["unwraps"], c["crust_kg"] = (h - 1.5,), (h,), float(rng.uniform(6, 10))
            return [(h - 1.5, "wrap"), (h, "text")]
        return [(h, "wrap")]
    if kind in ("pit-down", "pit-up"):
        low, high = float(rng.uniform(102, 112)), float(rng.uniform(126, 140))
        c["pit_c"] = high if kind == "pit-down" else low
        c["pit_steps"] = ((at, low if kind == "pit-down" else high),)
    elif kind == "hold":
        c["pit_steps"], c["pit_c"] = ((float(rng.uniform(8, 11)), float(rng.uniform(62, 72))),), 130.0
        return [(c["pit_steps"][0][0], "hold")]
    elif kind == "pull":
        c["pull"] = float(rng.uniform(8, 11))
        return [(c["pull"], "pull")]
    elif kind == "dry":
        c["wet"] = c["juice"] = 0.0
    elif kind == "electric":
        c["swing_k"], c["noise_k"], c["swing_min"] = float(rng.uniform(0.3, 3)), 0.2, float(rng.uniform(8, 20))
    elif kind == "steam":
        c["humidity"] = float(rng.uniform(0.08, 0.25))
    return []


def _dry(s: Spec) -> Spec:
    """The same place with the evaporation turned off, in a pit that is held at its level."""
    return replace(s, wet=0.0, juice=0.0, spritz=(), lids=(), wraps=(), unwraps=(), out=None, pit_steps=(), pull=None,
                   swing_k=0.0, noise_k=0.0, ramp_h=0.01, pit_c=max([s.pit_c, *(c for _, c in s.pit_steps)]))


def cook(batch: Sequence[Drawn]) -> list[BenchCook]:
    """Cook them all at once: a step costs the same for one and for a hundred."""
    specs = [s for d in batch for s in d.specs]
    truth = cook_all(specs + [_dry(s) for s in specs])
    out, j = [], 0
    for d in batch:
        columns = range(j, j + len(d.specs))
        out.append(_served(d, truth, columns, len(specs)))
        j += len(d.specs)
    return out


def _served(d: Drawn, cooked: Any, columns: range, dry_off: int) -> BenchCook:
    t, s, rng = cooked.t, d.specs[0], d.rng
    air = cooked.air[:, columns[0]]
    pull = T0 + 3600 * s.pull if s.pull is not None else float("inf")
    usual = np.full(t.size, s.pit_c)
    for at, value in s.pit_steps:
        usual[t >= T0 + 3600 * at] = value
    true = {name: cooked.meat[:, columns[i]] for i, name in enumerate(d.places)}
    meat = dict(true)
    if d.moved:
        name = d.places[d.moved[0]]
        meat[name] = np.where(t >= T0 + 3600 * d.moved[1], cooked.meat[:, columns[-1]], meat[name])
    coldest = np.min(list(meat.values()), axis=0)
    done = t[np.argmax(coldest > 96.0)] + 1800 if (coldest > 96.0).any() else t[-1]
    end = float(min(done, t[-1], pull + 3600))
    stalls = {}
    for a, name in zip(columns, d.places, strict=False):
        heat = np.maximum(air - true[name], 1.0)  # the kitchen tells the share alone; its weight is the drive
        pace = dry_pace(cooked.meat[:, a + dry_off], float(cooked.air[-1, a + dry_off]), STEP_S)
        stalls[name] = stall_spans(Course(t, STEP_S, true[name], air, usual, heat, cooked.share[:, a] * heat, pace,
                                          min(pull, end)))
    reach = {name: reached(t, y, min(pull, end)) for name, y in meat.items()}
    fire = _fire(s, t, air, min(pull, end))
    series = [sensed(d.sensing, t, c, n, "meat", rng, lag_s=rng.uniform(15, 60), offset=rng.normal(0, 0.8),
                     opens=open_leads(rng, t, 0.12)) for n, c in meat.items()]
    if d.air:
        series.append(sensed(d.sensing, t, air, "grate", "air", rng, lag_s=rng.uniform(4, 60),
                             offset=rng.normal(0, 1.5), opens=open_leads(rng, t, 0.08)))
    acts = tuple((T0 + 3600 * h, kind) for h, kind in d.acts if T0 + 3600 * h < end)
    told = [a for a in acts if rng.uniform() < d.told]
    record = cut(cook_record(d.name, series, told, 95.0), end)
    return BenchCook(d.name, d.kind, "slab", record,
                     Truth(stalls, reach, fire, (end - T0) / 3600, t, {"grate": air}, meat, acts),
                     {"every_s": d.sensing.every_s, "quantum": d.sensing.quantum, "told": d.told})


def _fire(s: Spec, t: np.ndarray, air: np.ndarray, until: float) -> FireTruth:
    half = max(8.3, 1.3 * s.swing_k)  # 15 degF, or what the fire swings by itself
    levels = [(T0, s.pit_c), *((T0 + 3600 * h, c) for h, c in s.pit_steps)]
    fades = [(T0 + 3600 * s.out[0], T0 + 3600 * s.out[1])] if s.out else []
    quiet = air
    if s.lids:
        dip = np.zeros(t.size, dtype=bool)
        for h in s.lids:
            dip |= (t >= T0 + 3600 * h - 60) & (t < T0 + 3600 * h + 60 * (s.lid_min + 20))
        quiet = np.interp(t, t[~dip], air[~dip])
    phase = split_phase(s, t.size)
    first = np.ceil(phase)
    splits = [] if s.swing_k < 2 else [
        T0 + 60 * s.swing_min * (n - phase) for n in np.arange(first, s.hours * 60 / s.swing_min)
        if not any(a - T0 <= 60 * s.swing_min * (n - phase) < b - T0 for a, b in fades)]
    expected = [(T0, T0 + 3600 * 3.0 * s.ramp_h)] + [(T0 + 3600 * h, T0 + 3600 * (h + 1.5)) for h, _ in s.pit_steps]
    return fire_truth(t, quiet, [(at, c - half, c + half) for at, c in levels], fades=fades, splits=splits,
                      lids=[T0 + 3600 * h for h in s.lids], until=until, expected=expected)
