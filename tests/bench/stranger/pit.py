"""Four kinds of cooker as steel (or clay) and air with a leak: offset fed by hand, pellet, electric, ceramic.

Air: heat of the fire plus what flows in = what the wall takes plus what flows out, at each instant.
Wall: C dT/dt = hA (air - wall) - UA (wall - ambient).  An open lid is a large leak.  Sizes are our allowance, no
source: a small offset of 45 kg plate has 45 * 480 J/K = 22 kJ/K, with its firebox about twice that.
"""

from dataclasses import dataclass

import numpy as np

KINDS = ("offset", "pellet", "electric", "ceramic")


@dataclass
class Build:
    """C J/K, hA and UA and leak W/K, greatest heat W, film coefficient at the meat W/m2 K, kg water per kg air."""

    c: float
    ha: float
    ua: float
    leak: float
    most: float
    film: float
    moist: float


def build(kind: str, rng: np.random.Generator) -> Build:
    """A cooker of its kind, each size drawn within its range."""
    u = rng.uniform
    if kind == "offset":
        return Build(u(3e4, 9e4), u(30, 50), u(16, 32), u(10, 22), 2e4, u(11, 19), u(0.015, 0.04))
    if kind == "pellet":
        return Build(u(1.5e4, 3e4), u(30, 45), u(8, 14), u(6, 12), 9e3, u(14, 22), u(0.015, 0.03))
    if kind == "electric":
        return Build(u(1.0e4, 2e4), u(12, 18), u(3, 5), u(0.8, 2.0), 1500.0, u(7, 11), u(0.04, 0.12))
    return Build(u(9e4, 1.6e5), u(20, 30), u(4, 7), u(2.5, 5), 5e3, u(8, 11), u(0.04, 0.08))


class Pit:
    """State of one cooker; `step` gives the air's temperature."""

    def __init__(self, kind: str, rng: np.random.Generator, ambient: float, goal: float) -> None:
        self.kind, self.rng, self.ambient = kind, rng, ambient
        self.b = build(kind, rng)
        self.wall = self.air = goal - 5.0
        self.lit, self.flame, self.coal = True, 0.0, 0.0
        self.next, self.fans, self.integral, self.heat = 0.0, 0.0, self.need(goal), 0.0
        self.care = rng.uniform(0.7, 1.3)
        self.due = rng.uniform(22, 45) * 60
        self.feed(self.need(goal) * self.due, 0.45)
        self.heat = self.need(goal)
        self.swirl = 0.0

    def need(self, goal: float) -> float:
        """Heat in W that holds `goal`."""
        b = self.b
        return (goal - self.ambient) * (b.leak + b.ha * b.ua / (b.ha + b.ua))

    def feed(self, joule: float, coal: float = 0.3) -> None:
        """Wood of this much heat on the fire: part burns as gas, part as coal."""
        self.flame += joule * (1.0 - coal)
        self.coal += joule * coal

    def _offset(self, t: float, dt: float, goal: float) -> float:
        if self.lit and t >= self.next:
            enough = self.need(goal) * self.due * self.care * (1.8 + 0.04 * (goal - self.air))
            wish = enough - self.flame - self.coal
            split = self.rng.uniform(0.6, 1.2) * self.need(goal) * 1800.0  # a log sized to its cooker, J
            self.feed(split * float(np.clip(round(wish / split), 0, 3)))
            self.next = t + self.due * self.rng.uniform(0.6, 1.3)
        draught = 1.0  # the hand at the damper
        if self.lit:
            draught = float(np.clip(1.0 - 0.04 * (self.air - goal), 0.35, 1.3))
        flame, coal = draught * self.flame / 900.0, draught * self.coal / 3000.0
        self.flame -= dt * flame
        self.coal -= dt * coal
        return flame + coal

    def step(self, t: float, dt: float, goal: float, lid: float) -> float:
        """Air in degC after `dt` seconds with the lid open by `lid` (0 to 1)."""
        b, miss = self.b, goal - self.air
        if self.kind == "offset":
            self.heat = self._offset(t, dt, goal)
        elif not self.lit:
            tau = 5400.0 if self.kind == "ceramic" else 150.0  # clay cookers fade, an electric one is simply off
            self.heat -= dt * self.heat / tau
        elif self.kind == "electric":
            self.heat = b.most if miss > 2.0 else 0.0 if miss < -2.0 else self.heat
        else:
            tau, gain = (240.0, 0.03) if self.kind == "pellet" else (600.0, 0.01)
            if abs(miss) < 15.0:
                self.integral += dt * miss * self.need(goal) * 2e-5
            wish = float(np.clip(self.integral + gain * miss * self.need(goal), 0.05 * self.need(goal), b.most))
            self.heat += dt * (wish - self.heat) / tau
        leak = b.leak + lid * 250.0
        air = (self.heat + leak * self.ambient + b.ha * self.wall) / (leak + b.ha)
        self.air += (air - self.air) * min(1.0, dt / 40.0)
        self.wall += dt * (b.ha * (self.air - self.wall) - b.ua * (self.wall - self.ambient)) / b.c
        self.swirl += -dt * self.swirl / 60.0 + self.rng.normal(0.0, 0.15) * np.sqrt(dt)
        return self.air + (0.2 if self.kind == "electric" else 0.5) * self.swirl
