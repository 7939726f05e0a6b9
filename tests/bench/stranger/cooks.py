"""Draws cooks of eighteen families and runs them: what is done, what is true, and what the probes read."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from .meat import NX, NZ, Array, Meat
from .pit import Pit

DT = 10.0
FAMILIES = (
    "offset naked",
    "offset paper",
    "offset foil",
    "offset boat",
    "pellet naked",
    "pellet foil",
    "electric humid",
    "ceramic naked",
    "ceramic paper",
    "fire out, revived",
    "fire out for good",
    "unwrapped while wet",
    "held, then cooked on",
    "no stall: foil at once",
    "ice and rotation",
    "lid left open",
    "probe trouble",
    "gaps, degC",
)
NAMES = ("flat", "point", "tip", "edge")


@dataclass
class Cook:
    """One cook; series by the minute unless said otherwise, degC and seconds from its start."""

    name: str
    family: str
    unit: str
    sampling: float
    target: float
    true: dict[str, Array] = field(default_factory=dict)
    taken: dict[str, Array] = field(default_factory=dict)
    pit: Array = field(default_factory=lambda: np.zeros(0))
    goal: Array = field(default_factory=lambda: np.zeros(0))
    hold: Array = field(default_factory=lambda: np.zeros(0))
    times: Array = field(default_factory=lambda: np.zeros(0))
    columns: dict[str, Array] = field(default_factory=dict)  # as read, in `unit`, NaN where empty
    events: list[tuple[float, str]] = field(default_factory=list)
    out: float | None = None
    doubtful: dict[str, float] = field(default_factory=dict)  # place: from when its probe is not where it was
    lost: float = 0.0  # part of the weight


class Run:
    """A cook under way: the cooker, the meat and the hand that tends both."""

    def __init__(self, index: int, seed: int) -> None:
        self.rng = rng = np.random.default_rng([seed, index])
        u = rng.uniform
        self.family = family = FAMILIES[index % len(FAMILIES)]
        kind = next((k for k in ("offset", "pellet", "electric", "ceramic") if family.startswith(k)), "")
        kind = kind or str(rng.choice(["offset", "offset", "pellet", "ceramic"]))
        self.set = u(109, 141) if kind != "electric" else u(102, 118)
        self.pit = Pit(kind, rng, u(-4, 32), self.set)
        self.pit.b.moist += 0.04 * (rng.random() < 0.2)  # a pan of water
        along = np.linspace(0.0, 1.0, NX)
        thick = u(0.075, 0.125) * (1.0 - along) + u(0.032, 0.06) * along
        thick = thick * (0.75 + 0.25 * np.sqrt(np.clip(np.minimum(along, 1 - along) / 0.12, 0, 1)))
        cold = rng.random() < 0.6
        length, start = u(0.26, 0.42), u(2, 6) if cold else u(12, 18)
        self.meat = Meat(length, thick, start, u(0.42, 0.52), u(0.5e-9, 2.0e-9), u(1.6, 3))
        self.slant, self.wrap, self.ice = u(-7, 7), np.ones((NX, NZ)), 0.0
        self.lid_until, self.holding = -1.0, False
        self.target = float(rng.choice([90.6, 90.6, 93.3, 95.0]))  # 195, 195, 200, 203 F
        self.cook = Cook(f"{index:03d}", f"{family} ({kind})", "C" if "degC" in family or rng.random() < 0.2 else "F",
                         float(rng.choice([2, 5, 10, 15, 30, 60])), self.target)
        spots = [(0.42, 0.5), (0.15, 0.5), (0.88, 0.5), (0.65, 0.28)][: int(rng.choice([2, 3, 3, 4]))]
        self.spots = {n: (int(np.clip(x + u(-0.06, 0.06), 0, 0.99) * NX), int(np.clip(z + u(-0.1, 0.1), 0, 1) * NZ))
                      for n, (x, z) in zip(NAMES, spots, strict=False)}
        self.plan: list[tuple[float, float, str, Callable[[float], None]]] = []  # (not before, core at least, ...)
        self._intend(rng)

    def _intend(self, rng: np.random.Generator) -> None:
        u, f = rng.uniform, self.family
        core = u(62, 76)
        if "paper" in f or (f in ("probe trouble", "gaps, degC") and rng.random() < 0.5):
            self._do(0, core, "paper", self._wrapped(0.35))
        if f in ("offset foil", "pellet foil", "unwrapped while wet") or (f == "ice and rotation"):
            self._do(0, core, "foil", self._wrapped(0.001))
        if "at once" in f:
            self._do(u(0.2, 0.7) * 3600, 0, "foil", self._wrapped(0.001))
        if "boat" in f:
            self._do(0, core, "boat", self._boat)
        if f == "unwrapped while wet":
            self._do(0, core + u(3, 8), "unwrap", self._unwrapped)
        if f == "held, then cooked on":
            start = u(58, 66)
            self._do(0, start, "hold", self._hold(u(66, 75), u(2.0, 4.0) * 3600))
        if f == "ice and rotation":
            self._do(u(0.3, 1.2) * 3600, 0, "ice", self._iced)
        if f == "lid left open":
            self._do(u(1.5, 6) * 3600, 0, "lid left open", self._lid(u(12, 30) * 60))
        if f == "electric humid":
            self.pit.b.moist += 0.03
        if f.startswith("fire out"):
            back = u(45, 150) * 60 if f.endswith("revived") else 1e9
            self._do(u(2.5, 6.5) * 3600, 0, "fire out", self._die(back))
        for k in range(int(rng.choice([0, 0, 1, 2]))):
            self._do((3 + 2 * k) * 3600 + u(0, 3000), 0, "rotate", self._rotate)
        if rng.random() < 0.4:
            for k in range(int(rng.integers(2, 7))):
                self._do((2.0 + 0.8 * k) * 3600 + u(0, 900), 0, "spritz", self._spritzed(u(0.03, 0.12)))
        if rng.random() < 0.3:
            self._do(u(4, 8) * 3600, 0, "pit set anew", self._reset(u(6, 16)))

    def _do(self, after: float, core: float, name: str, act: Callable[[float], None]) -> None:
        self.plan.append((after, core, name, act))

    def _lid(self, seconds: float) -> Callable[[float], None]:
        def act(t: float) -> None:
            self.lid_until = max(self.lid_until, t + seconds)

        return act

    def _wrapped(self, passes: float) -> Callable[[float], None]:
        def act(t: float) -> None:
            self.wrap[:] = passes
            self.lid_until = t + self.rng.uniform(60, 240)

        return act

    def _boat(self, t: float) -> None:
        self.wrap[:] = np.where(self.meat.top > 0, 1.0, 0.001)
        self.lid_until = t + 150

    def _unwrapped(self, t: float) -> None:
        self.wrap[:] = 1.0
        self.meat.skin[:] = 3.5  # its own juice wets it, and the outer layers have had time to even out
        self.meat.m[:, (0, -1)] = np.maximum(self.meat.m[:, (0, -1)], 1.9)
        self.lid_until = t + 180

    def _hold(self, at: float, seconds: float) -> Callable[[float], None]:
        before = self.set

        def over(t: float) -> None:
            self.set, self.holding = before, False

        def act(t: float) -> None:
            self.set, self.holding = at, True
            self._do(t + seconds, 0, "cook on", over)

        return act

    def _die(self, seconds: float) -> Callable[[float], None]:
        def back(t: float) -> None:
            self.pit.lit, self.pit.next = True, t
            self.pit.feed(1.2e7 if self.pit.kind == "offset" else 0.0)

        def act(t: float) -> None:
            self.pit.lit, self.cook.out = False, t
            self._do(t + seconds, 0, "fire relit", back)

        return act

    def _iced(self, t: float) -> None:
        self.ice = self.rng.uniform(0.3, 0.9) * 334e3  # J per m of width: melting it
        self.lid_until = t + 90

    def _rotate(self, t: float) -> None:
        self.slant = -self.slant
        self.lid_until = t + self.rng.uniform(40, 120)

    def _spritzed(self, kg: float) -> Callable[[float], None]:
        def act(t: float) -> None:
            if self.wrap[0, -1] > 0.9:
                self.meat.spritz(kg)
                self.lid_until = t + self.rng.uniform(30, 70)

        return act

    def _reset(self, kelvin: float) -> Callable[[float], None]:
        def act(t: float) -> None:
            self.set += 0.0 if self.holding else kelvin

        return act

    def core(self) -> float:
        """Temperature of the first place."""
        return float(self.meat.t[next(iter(self.spots.values()))])

    def run(self, longest: float = 20.0) -> Cook:
        """The whole cook, until every place is at its target for 20 min, or `longest` hours."""
        n, every, rows = int(longest * 3600 / DT), int(60 / DT), []
        slope = np.linspace(-1.0, 1.0, NX)[:, None]
        tip = np.zeros((NX, NZ))
        tip[-6:, NZ // 2 :] = 1.0
        done, weight = 0, float(np.sum(self.meat.m * self.meat.volume))
        for i in range(n):
            t = i * DT
            for item in [p for p in self.plan if t >= p[0] and self.core() >= p[1]]:
                self.plan.remove(item)
                self.cook.events.append((t, item[2]))
                item[3](t)
            air = self.pit.step(t, DT, self.set, 1.0 if t < self.lid_until else 0.0)
            around = air + self.slant * slope * (0.3 if air < self.set - 20 else 1.0)
            cold = tip * (45.0 if self.ice > 0 else 0.0)
            vapour = self.pit.b.moist * 353.0 / (air + 273.15)
            self.meat.step(DT, around, self.pit.wall, self.pit.b.film, vapour, self.wrap, cold)
            self.ice -= float(np.sum(cold * self.meat.ts * self.meat.expose)) * DT
            if i % every == 0:
                rows.append([air, self.set, float(self.holding), *(self.meat.t[s] for s in self.spots.values()),
                             *(self.meat.taken(s[0]) for s in self.spots.values())])
                done = done + 1 if all(self.meat.t[s] >= self.target for s in self.spots.values()) else 0
                if done > 20 or (self.cook.out is not None and t > self.cook.out + 6 * 3600 and not self.pit.lit):
                    break
        self.cook.lost = (weight - float(np.sum(self.meat.m * self.meat.volume))) / weight * 0.737
        return self._noted(np.array(rows))

    def _noted(self, rows: Array) -> Cook:
        c, k = self.cook, len(self.spots)
        c.pit, c.goal, c.hold = rows[:, 0], rows[:, 1], rows[:, 2]
        for j, name in enumerate(self.spots):
            c.true[name], c.taken[name] = rows[:, 3 + j], rows[:, 3 + k + j]
        return c
