"""What was really so, for judging what was made of it. Noise-free, and nothing here was seen by a probe.

**The stall, as physics has it.** At a meat place, the stall is the time in which evaporation takes up what the pit
gives: over the meat's surface above and below the place (one column of the model), heat spent on vapour is at least
nine tenths of the heat that comes by convection and radiation, both summed over half an hour so that an opened lid or
a new split does not count. It begins when the share reaches 0.90 and ends when it falls under 0.85, or when the meat
is wrapped or pulled, whichever is first; a dip under 0.85 of less than 40 min belongs to it. What is left, a tenth or
so, is what warms the meat: a few kelvin an hour at most. A pit that gives nothing (the fire is out) stalls nothing.
Bare meat has a second such time near 95 degC, under the boiling point: it is listed, but the first is the stall.
This says nothing of the place's temperature, so a detector that works on temperature is judged by something else.

``truth.npz``: t_s (n,) s of the world; place, kind, channel, chip, tc, cs (p,); true (n, p), the place itself: air,
or meat at the probe's tip; junction (n, p), the probe's junction there; terminal, die (n,), the logger's box;
wire_at_100, wire_knee, cold_error, cold_drift, terminal_error, amp_offset_mv, amp_gain (p,), what was drawn for each
probe and chip; pit (n, 6): near, far, steel, W of fire, humidity ratio, outside air; heat_t_s (m,), heat, spent (m,
columns) W/m2; column (p,), -1 for air; stall_begin_s, stall_end_s (p,), the first, NaN where there was none; stalls
(k, 3), all of them: row of the place, begin, end; heat_j, spent_j, vapour_kg, drip_kg, sums.
"""

import json
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.simulate.bath import BathWorld
from pitscribe.simulate.world import BLOCK, World

Array = NDArray[np.float64]
SMOOTH_S = 1800
_NAMES = ("place", "kind", "channel", "chip", "tc", "cs")
BEGINS_AT, ENDS_UNDER, BRIDGE_S, SHORTEST_S = 0.90, 0.85, 2400, 1200


class Stall(NamedTuple):
    """Begin and end of a stall, s of the world."""

    begin: float
    end: float


def evaporated_share(heat: Array, spent: Array) -> Array:
    """Return spent over heat, each (m,) per block, both summed over the half hour around; 0 where no heat comes."""
    window = np.ones(min(SMOOTH_S // BLOCK, heat.size))
    gave, took = np.convolve(heat, window, "same"), np.convolve(spent, window, "same")
    result: Array = np.where(gave > 0, took / np.where(gave > 0, gave, 1.0), 0.0)
    return result


def find_stalls(heat: Array, spent: Array, until_s: float) -> list[Stall]:
    """Return the stalls of one column by this module's definition; ``until_s``: wrapped, pulled or the end."""
    last = min(heat.size, int(until_s // BLOCK))
    share = evaporated_share(heat[:last], spent[:last])
    high = np.flatnonzero(share >= ENDS_UNDER)
    if not high.size:
        return []
    runs = np.split(high, np.flatnonzero(np.diff(high) * BLOCK > BRIDGE_S) + 1)
    found = []
    for run in runs:
        reached = run[share[run] >= BEGINS_AT]
        if reached.size and (run[-1] + 1 - reached[0]) * BLOCK >= SHORTEST_S:
            found.append(Stall(float(reached[0] * BLOCK), float((run[-1] + 1) * BLOCK)))
    return found


def stalls(world: World, until_s: float) -> dict[str, list[Stall]]:
    """Return the stalls of each meat place so far, in the order of time."""
    stop = min([until_s] + [h.world_ms / 1000 for h in world.hand.happenings if h.kind in ("wrap", "pull")])
    return {
        p.place: find_stalls(world.heat[:, column], world.spent[:, column], stop)
        for p in world.scenario.placements
        if (column := _column(world, p.kind, p.along)) >= 0
    }


def first(spans: list[Stall]) -> Stall:
    """Return the first of some stalls, NaN to NaN if there is none."""
    return spans[0] if spans else Stall(float("nan"), float("nan"))


def _column(world: World, kind: str, along: float) -> int:
    nx = world.meat.body.shape[0]
    return min(nx - 1, int(along * nx)) if kind == "meat" else -1


def as_arrays(world: World, until_s: float) -> dict[str, Any]:
    """Return what ``truth.npz`` holds, up to a second of the world that it has reached."""
    n = min(world.until_s, int(until_s) + 1)
    blocks = n // BLOCK
    places = world.scenario.placements
    found = stalls(world, float(n))
    spans = [first(found.get(p.place, [])) for p in places]
    every = [(i, *s) for i, p in enumerate(places) for s in found.get(p.place, [])]
    budget = world.meat.budget
    return {
        "t_s": np.arange(n, dtype=np.float64),
        **{key: np.array([getattr(p, key) for p in places]) for key in _NAMES},
        "true": world.true[:n].astype(np.float32), "junction": world.junction[:n].astype(np.float32),
        "terminal": world.box[:n, 0].astype(np.float32), "die": world.box[:n, 1].astype(np.float32),
        "wire_at_100": np.array([e.at_100 for e in world.wire_errors]),
        "wire_knee": np.array([e.knee for e in world.wire_errors]),
        "cold_drift": np.array([e.cold_drift for e in world.chip_errors]),
        "terminal_error": np.array([e.terminal for e in world.chip_errors]),
        "cold_error": np.array([e.cold for e in world.chip_errors]),
        "amp_offset_mv": np.array([e.offset_mv for e in world.chip_errors]),
        "amp_gain": np.array([e.gain for e in world.chip_errors]),
        "pit": world.smoke[:n].astype(np.float32),
        "heat_t_s": np.arange(blocks) * float(BLOCK),
        "heat": world.heat[:blocks].astype(np.float32), "spent": world.spent[:blocks].astype(np.float32),
        "column": np.array([_column(world, p.kind, p.along) for p in places]),
        "stall_begin_s": np.array([s.begin for s in spans]), "stall_end_s": np.array([s.end for s in spans]),
        "stalls": np.array(every, dtype=np.float64).reshape(-1, 3),
        "heat_j": budget.heat.sum(), "spent_j": budget.spent.sum(),
        "vapour_kg": budget.vapour.sum(), "drip_kg": budget.drip.sum(),
        "scenario": json.dumps({"name": world.scenario.name, "seed": world.seed, "utc0_ms": world.scenario.utc0_ms}),
    }


def write(world: World | BathWorld, until_s: float, path: Path) -> None:
    """Write ``truth.npz``, whole or not at all."""
    arrays = world.as_arrays(until_s) if isinstance(world, BathWorld) else as_arrays(world, until_s)
    part = path.with_suffix(".part")
    with part.open("wb") as out:
        np.savez(out, **arrays)
    part.replace(path)
