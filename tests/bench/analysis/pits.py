"""Cookers of the second physics: air and wall of a pit, and what heats it: wood by hand, coals, a thermostat, pellets.

All cookers of a batch are stepped at once. Power is told as a share of what holds the level. Air is light and follows
flame and wall in a minute or two; the wall is heavy: half an hour of sheet steel, hours of ceramic
(``WALL_S``: how fast it goes where the power takes it). A fire by hand has
unlit wood, flame and coals; wood catches only over what glows, so that a bed let down far enough does not come back.

Swings, splits and times: common practice, no source (SOURCES.md section 12); time constants are our allowances.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from .truth import Array

BY_HAND = ("offset", "wild")
COOKERS = (*BY_HAND, "kettle", "ceramic", "electric", "pellet")
WALL_S = {"offset": (2000, 5000), "wild": (1500, 3500), "kettle": (1500, 4000), "ceramic": (6000, 14000),
          "electric": (1500, 6000), "pellet": (1500, 4500)}
FLAME = {"offset": (0.14, 0.24), "wild": (0.15, 0.23), "kettle": (0.12, 0.25), "ceramic": (0.08, 0.15),
         "electric": (0.08, 0.2), "pellet": (0.1, 0.25)}  # share of the pit's excess that follows the power at once
DRAUGHT = {"offset": 0.10, "wild": 0.14, "kettle": 0.08, "ceramic": 0.04, "electric": 0.0, "pellet": 0.03}
GUST_K = {"offset": 0.8, "wild": 1.6, "kettle": 0.7, "ceramic": 0.3, "electric": 0.1, "pellet": 0.8}
SPLIT_MIN = 45.0  # a split of size 1 holds the level for so long


@dataclass(slots=True)
class PitSpec:
    """One cooker and what happens to its fire. Times in s from the start of the cook."""

    cooker: str
    levels: list[tuple[float, float]]  # (from, degC), ascending from 0
    ambient_c: float
    warm: float  # share of its excess that the wall has at the start
    ratio: float  # kg/kg of water vapour, without what the fire adds
    away: tuple[tuple[float, float], ...] = ()  # nobody feeds it (by hand), or its fuel gives out (the others)
    choked: tuple[tuple[float, float, float], ...] = ()  # (from, to, share of the draught that is left)
    seed: int = 0
    laid: list[float] = field(default_factory=list)  # splits, as they were laid
    opened: list[tuple[float, float]] = field(default_factory=list)  # lid: (from, to)

    def level(self, t: float) -> float:
        """The level that is meant at a time."""
        return [c for at, c in self.levels if at <= t][-1]


class Pits:
    """The state of all cookers; (n,) each."""

    def __init__(self, specs: Sequence[PitSpec], step_s: float, hours: float) -> None:
        self.specs, self.step_s, n = specs, step_s, len(specs)
        self.rngs = [np.random.default_rng((s.seed, 5)) for s in specs]
        draw = lambda span: np.array([r.uniform(*span[s.cooker]) for r, s in zip(self.rngs, specs, strict=True)])  # noqa: E731
        self.wall_s, self.flame = draw(WALL_S), draw(FLAME)
        each = lambda low, high: np.array([r.uniform(low, high) for r in self.rngs])  # noqa: E731
        self.air_s, self.lid_pull = each(50, 140), each(0.7, 2.0)
        self.flame_s, self.coal_s, self.catch_s = each(1200, 2200), each(2800, 5600), each(100, 420)
        self.dying_s = each(900, 5000)
        self.ambient = np.array([s.ambient_c for s in specs])
        self.level = np.array([s.level(0) for s in specs])
        self.wall = self.ambient + np.array([s.warm for s in specs]) * (1 - self.flame) * (self.level - self.ambient)
        self.air = self.wall.copy()
        self.hand = np.array([s.cooker in BY_HAND for s in specs])
        self.thermostat = np.array([s.cooker == "electric" for s in specs])
        self.pellet = np.array([s.cooker == "pellet" for s in specs])
        self.unlit, self.flames = np.zeros(n), np.where(self.hand, 14.0 * 60, 0.0)
        self.coals = np.where(self.hand, 35.0 * 60, 0.0)  # s of full power
        self.on, self.held, self.power = np.ones(n, dtype=bool), np.ones(n), np.ones(n)
        self.hysteresis = each(0.6, 3.0)
        self.period, self.amount = each(300, 900), each(0.1, 0.35)
        self.draught, self.gust = np.zeros(n), np.zeros(n)
        self.sway = np.array([DRAUGHT[s.cooker] for s in specs])
        self.gust_k = np.array([GUST_K[s.cooker] for s in specs]) * each(0.4, 1.6)
        steps = int(hours * 3600 / step_s) + 1
        self.noise = np.stack([np.random.default_rng((s.seed, 6)).normal(size=(steps, 2)) for s in specs], axis=2)
        self.steps = 0
        self.open_until, self.next_look, self.last_split = np.zeros(n), each(0, 300), np.full(n, -1e9)
        self.lays_under = each(-4, 2)

    def step(self, t: float) -> None:
        """Go on by a step from ``t`` [s]."""
        dt, reach = self.step_s, np.maximum(self.level - self.ambient, 20.0)
        white = self.noise[self.steps]
        self.steps += 1
        self.draught += -self.draught * dt / 1500 + self.sway * np.sqrt(2 * dt / 1500) * white[0]
        self.gust += -self.gust * dt / 150 + self.gust_k * np.sqrt(2 * dt / 150) * white[1]
        breath = np.exp(self.draught)
        supply = np.ones(self.air.size)
        for i, s in enumerate(self.specs):
            for a, b, left in s.choked:
                breath[i] *= left if a <= t < b else 1.0
            if not self.hand[i]:
                tau = 30.0 if self.thermostat[i] else self.dying_s[i]
                for a, b in s.away:
                    supply[i] *= np.exp(-(t - a) / tau) if a <= t < b else 1.0
        fire = self._burn(dt, breath)
        set_ = self._controlled(t, dt) * supply * np.where(self.thermostat, 1.0, breath)
        self.power = np.where(self.hand, fire, set_)
        is_open = np.where(t < self.open_until, self.lid_pull, 0.0)
        goal = (self.wall + self.flame * reach * self.power + is_open * self.ambient) / (1 + is_open)
        self.air += (goal - self.air) * (1 - np.exp(-dt * (1 + is_open) / self.air_s))
        loses = self.flame / (1 - self.flame)
        gains = (self.air - self.wall) - loses * (self.wall - self.ambient)
        self.wall += gains * (1 - np.exp(-dt / (self.wall_s * loses)))

    def _burn(self, dt: float, breath: Array) -> Array:
        """Wood by hand: its power."""
        glow = np.clip((self.flames / self.flame_s + self.coals / self.coal_s) / 0.45, 0.0, 1.0)
        caught = self.unlit * np.where(glow > 0.2, glow, 0.0) * (1 - np.exp(-dt / self.catch_s))
        burnt = self.flames * np.minimum(breath * dt / self.flame_s, 0.5)
        gone = self.coals * np.minimum(breath * dt / self.coal_s, 0.5)
        self.unlit -= caught
        self.flames += 0.62 * caught - burnt
        self.coals += 0.38 / 0.62 * burnt - gone
        return (burnt + gone) / dt

    def _controlled(self, t: float, dt: float) -> Array:
        """Electric (on and off), pellets (by the cycle) and coals under a vent: their power."""
        off = self.level - self.air
        self.on = np.where(off < -self.hysteresis, False, np.where(off > self.hysteresis, True, self.on))
        slow = np.where(self.pellet, 400.0, 1200.0)
        shut = t < self.open_until
        wants = np.clip(1 + off / np.where(self.pellet, 25.0, 45.0), 0.15, 2.2)
        self.held += np.where(shut, 0.0, (wants - self.held) * dt / slow)
        cycle = 1 + self.amount * (2 * ((t / self.period) % 1.0 < 0.35) - 0.7)
        return np.where(self.thermostat, np.where(self.on, 2.4, 0.0), self.held * np.where(self.pellet, cycle, 1.0))

    def tend(self, t: float) -> None:
        """Whoever has a fire by hand looks at it now and then, and lays a split when it has come down."""
        for i in np.flatnonzero(self.hand & (t >= self.next_look)):
            s, rng = self.specs[i], self.rngs[i]
            self.next_look[i] = t + rng.uniform(100, 500) + (rng.uniform(300, 1200) if rng.uniform() < 0.06 else 0.0)
            if any(a <= t < b for a, b in s.away) or t < self.open_until[i]:
                continue
            low = self.air[i] < self.level[i] + self.lays_under[i] - (12 if s.cooker == "wild" else 0)
            if not low or t - self.last_split[i] < 900 or self.power[i] > 1.05:
                continue
            size = rng.lognormal(0.05 if s.cooker == "offset" else 0.3, 0.25)
            if self.power[i] < 0.3:  # nearly out: kindling, two splits, and the wait
                self.flames[i] += 12 * 60
                size *= 1.7
            self.unlit[i] += size * SPLIT_MIN * 60
            self.last_split[i] = t
            s.laid.append(t)
            self.open_until[i] = max(self.open_until[i], t + (rng.uniform(10, 40) if rng.uniform() < 0.4 else 0.0))

    def open_lid(self, i: int, t: float, seconds: float) -> None:
        """Open a lid for a while."""
        self.open_until[i] = max(self.open_until[i], t + seconds)
        self.specs[i].opened.append((t, t + seconds))

    def felt(self) -> Array:
        """The grate's air with its gusts [degC]."""
        return self.air + self.gust
