"""Cooks of the second physics: cooked, and served with their truth. Held out: nothing is chosen on them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .hand import Seen
from .oval import SLICES, Joints
from .oval_draw import FIRES as FIRES
from .oval_draw import HOURS, Drawn, Where
from .oval_draw import KINDS as KINDS
from .oval_draw import draw as draw
from .pits import Pits
from .sensing import T0, cook_record, cut, open_leads, sensed
from .truth import (
    UNDER_K,
    Array,
    BenchCook,
    Course,
    FireTruth,
    Span,
    Truth,
    boxcar,
    dry_pace,
    fire_truth,
    reached,
    runs,
    stall_spans,
)

STEP_S = 20.0
LOOK_STEPS = 3
@dataclass(slots=True)
class Courses:
    """What a batch did: float32 (steps, cooks, slices[, shells])."""

    inside: Any
    heat: Any
    spent: Any
    air: Array  # (steps, cooks), the grate's middle
    power: Array
    turned: Array  # (steps, cooks): +1 the tip to the fire, -1 away


def _run(batch: Sequence[Drawn], middles: Array) -> Courses:
    joints = Joints([d.joint for d in batch])
    pits = Pits([d.pit for d in batch], STEP_S, HOURS)
    n, m = int(HOURS * 3600 / STEP_S), len(batch)
    inside = np.empty((n, *joints.celsius.shape), dtype=np.float32)
    heat, spent = (np.empty((n, *joints.skin.shape), dtype=np.float32) for _ in range(2))
    air, power, turned = np.empty((n, m)), np.empty((n, m)), np.empty((n, m))
    x = (np.arange(SLICES) + 0.5) / SLICES
    gradient = np.array([d.gradient_k for d in batch])
    turn = np.array([1.0 if d.tip_to_fire else -1.0 for d in batch])
    ratio = np.array([d.pit.ratio for d in batch])[:, None]
    sights = [[d.places.get("flat"), d.places.get("tip") or Where(0.07, 0.0), *d.places.values()] for d in batch]
    for k in range(n):
        t = k * STEP_S
        if k % LOOK_STEPS == 0:
            for i, d in enumerate(batch):
                seen = [0.0 if w is None else _look_at(joints.celsius[i], w, middles) for w in sights[i]]
                before = d.script.rotated
                d.script.look(i, t, Seen(seen[0], seen[1], min(seen[2:])), joints, pits)
                turn[i] *= -1 if d.script.rotated > before else 1
                pits.level[i] = d.pit.level(t)
            pits.tend(t)
        pits.step(t)
        felt = pits.felt()
        strength = gradient * np.clip((felt - pits.ambient) / np.maximum(pits.level - pits.ambient, 30.0), 0, 1.5)
        around = felt[:, None] + (turn * strength)[:, None] * (0.5 - x)
        walls = around - (felt - pits.wall)[:, None]
        for i, d in enumerate(batch):
            if d.script.pulled_at <= t:
                around[i] = walls[i] = d.script.rest_c
        joints.step(STEP_S, around, walls, ratio)
        inside[k], heat[k], spent[k] = joints.celsius, joints.heat, joints.spent
        air[k], power[k], turned[k] = felt, pits.power, turn
    return Courses(inside, heat, spent, air, power, turned)


def _run_dry(batch: Sequence[Drawn]) -> Any:
    """The same joints without evaporation in steady pits of the first level: (steps, cooks, slices, shells)."""
    joints = Joints([d.joint for d in batch], evaporates=False)
    level = np.array([d.pit.levels[0][1] for d in batch])[:, None] + np.zeros((len(batch), SLICES))
    ratio = np.array([d.pit.ratio for d in batch])[:, None]
    n = int(HOURS * 3600 / DRY_STEP_S)
    inside = np.empty((n, *joints.celsius.shape), dtype=np.float32)
    for k in range(n):
        joints.step(DRY_STEP_S, level, level, ratio)
        inside[k] = joints.celsius
    return inside


DRY_STEP_S = 60.0


def _weights(where: Where, middles: Array) -> list[tuple[int, int, float]]:
    """The slices and shells about a place, and their shares."""
    s = min(max(where.along * SLICES - 0.5, 0.0), SLICES - 1.001)
    r = float(np.interp(where.depth, middles, np.arange(middles.size)))
    r = min(r, middles.size - 1.001)
    i, j = int(s), int(r)
    p, q = s - i, r - j
    return [(i, j, (1 - p) * (1 - q)), (i + 1, j, p * (1 - q)), (i, j + 1, (1 - p) * q), (i + 1, j + 1, p * q)]


def _look_at(celsius: Any, where: Where, middles: Array) -> Any:
    """The temperature at a place: of one joint (slices, shells), or of a course (steps, slices, shells)."""
    return sum(w * celsius[..., i, j] for i, j, w in _weights(where, middles))


def cook(batch: Sequence[Drawn]) -> list[BenchCook]:
    """Cook them all at once."""
    middles = Joints([batch[0].joint]).middles
    courses, dry = _run(batch, middles), _run_dry(batch)
    return [_served(d, i, courses, dry[:, i], middles) for i, d in enumerate(batch)]


def _served(d: Drawn, i: int, c: Courses, dry: Any, middles: Array) -> BenchCook:
    t = T0 + np.arange(c.air.shape[0]) * STEP_S
    rng, script, x = d.rng, d.script, (np.arange(SLICES) + 0.5) / SLICES
    pulled = T0 + script.pulled_at
    levels = [(T0 + at, level) for at, level in d.pit.levels]
    usual = np.array([level for _, level in levels])[np.searchsorted([at for at, _ in levels], t, side="right") - 1]
    true = {name: np.asarray(_look_at(c.inside[:, i], w, middles), dtype=float) for name, w in d.places.items()}
    meat = dict(true)
    if d.moved:
        name, at_h, to = d.moved
        there = np.asarray(_look_at(c.inside[:, i], to, middles), dtype=float)
        meat[name] = np.where(t >= T0 + 3600 * at_h, there, meat[name])
    end = _end(d, t, np.min(list(meat.values()), axis=0))
    stalls = {}
    for name, where in d.places.items():
        at = int(np.clip(where.along * SLICES, 0, SLICES - 1))
        local = d.gradient_k * c.turned[:, i] * (0.5 - x[at])
        pace = dry_pace(np.asarray(_look_at(dry, where, middles), dtype=float), levels[0][1], DRY_STEP_S)
        stalls[name] = stall_spans(Course(
            t, STEP_S, true[name], c.air[:, i] + local, usual + local, c.heat[:, i, at].astype(float),
            c.spent[:, i, at].astype(float), pace, min(pulled, end)))
    reach = {name: reached(t, y, min(pulled, end)) for name, y in meat.items()}
    acts = [(T0 + at, kind) for at, kind in script.done if T0 + at < end]
    acts += [(T0 + at, "fuel") for at in d.pit.laid if T0 + at < min(end, pulled)]
    told = [a for a in acts if rng.uniform() < d.told]
    gaps = {"grate": 0.15, "far end": -0.45}
    air = {n: c.air[:, i] + d.gradient_k * gaps[n] for n in d.air}
    series = [sensed(d.sensing, t, y, n, "meat", rng, lag_s=rng.uniform(15, 70), offset=rng.normal(0, 0.8),
                     opens=open_leads(rng, t, 0.12),
                     until=T0 + 3600 * rng.uniform(3, 15) if rng.uniform() < 0.03 else np.inf) for n, y in meat.items()]
    series += [sensed(d.sensing, t, y, n, "air", rng, lag_s=rng.uniform(4, 45), offset=rng.normal(0, 1.5),
                      opens=open_leads(rng, t, 0.08)) for n, y in air.items()]
    record = cut(cook_record(d.name, series, told, 95.0), end)
    fire = _fire(d, t, c.air[:, i], c.power[:, i], levels, min(pulled, end))
    traits = {"cooker": d.pit.cooker, "every_s": d.sensing.every_s, "quantum": d.sensing.quantum, "told": d.told}
    return BenchCook(d.name, d.kind, "oval", record,
                     Truth(stalls, reach, fire, (end - T0) / 3600, t, {"grate": c.air[:, i]} | air, meat, tuple(acts)),
                     traits)


def _end(d: Drawn, t: Array, coldest: Array) -> float:
    """When the record ends: some time after the pull, or when all is done [UTC s]."""
    done = float(t[np.argmax(coldest > 96.0)]) + 1800 if (coldest > 96.0).any() else float(t[-1])
    pulled = T0 + d.script.pulled_at
    stays = 3600.0 * d.rng.uniform(0.2, 3.0)
    held = T0 + d.pit.levels[-1][0] + 5 * 3600 if d.script.dropped and d.script.drop_note == "hold" else done
    return min(float(t[-1]), pulled + stays if pulled < done else done, held)


def _fire(
    d: Drawn, t: Array, air: Array, power: Array, levels: Sequence[tuple[float, float]], until: float
) -> FireTruth:
    """Fades are found in the course itself: whenever the air passes 25 degF under the band and no lid did it."""
    shut = np.ones(t.size, dtype=bool)
    for a, b in d.pit.opened:
        shut &= ~((t >= T0 + a - 40) & (t < T0 + b + 1500))
    quiet = boxcar(np.interp(t, t[shut], air[shut]), 10, STEP_S)  # a dip of minutes before the split catches is none
    by = [at for at, _ in levels]
    meant = np.array([c for _, c in levels])[np.searchsorted(by, t, side="right") - 1]
    up = np.flatnonzero(quiet > levels[0][1] - 6)
    warm = float(t[up[0]]) if up.size else until
    expected: list[Span] = [(T0, warm), *((at, at + 2.5 * 3600) for at in by[1:])]
    well = (t > warm) & (t < until) & (np.abs(quiet - meant) < 30)
    swing = np.subtract(*np.percentile((quiet - meant)[well], [90, 10])) / 2 if well.any() else 0.0
    half = max(8.3, float(swing))
    off = (float(np.median((quiet - meant)[well])) if well.any() else 0.0)  # what this hand makes of its level
    low = meant + off - half
    deep = (quiet < low - UNDER_K) & (t < until)
    for a, b in expected:
        deep &= ~((t >= a) & (t < b))
    fades = []
    fed = boxcar(power, 20, STEP_S) > 0.85
    for a, b in runs(t, deep, 3600.0):
        by_lid = any(T0 + o < a < T0 + s + 2700 and s - o > 480 for o, s in d.pit.opened)
        if b - a < 900 or by_lid:
            continue
        k = int((a - T0) / STEP_S)
        begins = np.flatnonzero(fed[:k])
        back = np.flatnonzero((quiet > low)[k:])
        fades.append((float(t[begins[-1]]) if begins.size else a, float(t[k + back[0]]) if back.size else np.inf))
    return fire_truth(t, quiet, [(at, c + off - half, c + off + half) for at, c in levels], fades=fades,
                      splits=[T0 + s for s in d.pit.laid], lids=[T0 + a for a, _ in d.pit.opened], until=until,
                      expected=expected)
