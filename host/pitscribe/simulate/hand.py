"""The person at the pit: looks now and then, lays wood, opens the lid, wraps, pulls, and is sometimes elsewhere.

It sees the pit's air and the meat's temperature as a person sees them, on a dial and on a thermometer of its own, a
little off. It never sees the future, and its chances are drawn as it goes, from a stream of its own.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pitscribe.simulate.meat import WRAPS, Wrap

if TYPE_CHECKING:
    from pitscribe.simulate.world import World

ON_A_TABLE = Wrap(0.0, 0.35, 0.2)  # wrapped, under a towel


@dataclass(frozen=True)
class Happening:
    """Something that the person did; ``kind`` is one of the notes' kinds."""

    world_ms: int
    kind: str
    text: str

    def as_json(self) -> dict[str, object]:
        """The happening as a line of happenings.jsonl."""
        return {"world_ms": self.world_ms, "kind": self.kind, "text": self.text}


class Hand:
    """Acts on a world every few seconds; what it did is in ``happenings``."""

    def __init__(self, seed: int) -> None:
        self._rng = np.random.default_rng((seed, 1))
        self.happenings: list[Happening] = []
        self._dial_error = float(self._rng.uniform(-2.5, 2.5))
        self._thermometer_error = float(self._rng.uniform(-0.7, 0.7))
        self._next_look = -1e9
        self._next_spritz: float | None = None
        self._lid_until = -1e9
        self._rotated = self._wrapped = self.pulled = False
        self._relit = -1e9

    def act(self, world: "World", t: float) -> None:
        """Do what there is to do at world time ``t`` in s (negative while the pit warms up)."""
        spec = world.scenario.hand
        smoker = world.smoker
        smoker.lid = 1.0 if t < self._lid_until else 0.0
        world.meat_on = t >= 0 and not self.pulled and not (self._wrapped and t < self._off_until)
        if any(start <= t < end for start, end in spec.away):
            return
        if t >= self._next_look:
            self._look_at_fire(world, t)
        if t < 60 or self.pulled or t < self._lid_until:
            return
        self._tend_meat(world, t)

    _off_until = -1e9

    def _tell(self, t: float, kind: str, text: str) -> None:
        self.happenings.append(Happening(round(max(t, 0.0) * 1000), kind, text))

    def _open(self, t: float, low: float, high: float) -> None:
        self._lid_until = t + float(self._rng.uniform(low, high))

    def _look_at_fire(self, world: "World", t: float) -> None:
        spec, smoker, rng = world.scenario.hand, world.smoker, self._rng
        wait = spec.looks_every_s * float(rng.uniform(0.5, 1.6))
        if t > 0 and rng.random() < spec.distracted:
            wait += float(rng.uniform(300, 1000))
        self._next_look = t + wait
        if self.pulled:
            return
        seen = 0.5 * (smoker.near + smoker.far) + self._dial_error
        burning = sum(s.volatile for s in smoker.splits)
        if seen < 80.0 and burning < 0.2 and t > 600 and smoker.lid == 0.0 and t - self._relit > 900:
            self._relight(world, t)
        elif seen < spec.band_c and burning < 0.42 and t - self._relit > 900:
            kilograms = float(np.clip(rng.normal(spec.split_kg, spec.split_spread_kg), 0.6, 1.6))
            smoker.add_split(kilograms, float(rng.uniform(0.14, 0.20)))
            small = " (a small one)" if kilograms < 0.85 else " (a big one)" if kilograms > 1.25 else ""
            if t >= 0:
                self._tell(t, "fuel", f"one split{small}")

    def _relight(self, world: "World", t: float) -> None:
        world.smoker.coals += 0.9  # a chimney of glowing charcoal
        for _ in range(2):
            world.smoker.add_split(world.scenario.hand.split_kg)
        self._relit = t
        self._tell(t, "fuel", "fire was out: a chimney of coals and two splits")

    def _tend_meat(self, world: "World", t: float) -> None:
        spec, rng = world.scenario.hand, self._rng
        seen = world.meat_seen(spec.wrap_place) + self._thermometer_error
        if spec.pull_at_c is not None and seen >= spec.pull_at_c:
            self.pulled = True
            self._open(t, 40, 70)
            world.meat.wrap = ON_A_TABLE
            self._tell(t, "pull", f"tender; {spec.wrap_place} at {seen * 1.8 + 32:.0f} F, off to rest")
        elif not self._wrapped and spec.wrap_at_c is not None and seen >= spec.wrap_at_c:
            self._wrapped = True
            self._open(t, 50, 80)
            self._off_until = t + float(rng.uniform(150, 260))
            world.meat.wrap = WRAPS[spec.wrap]
            self._tell(t, "wrap", f"in {spec.wrap}, {spec.wrap_place} at {seen * 1.8 + 32:.0f} F")
        elif not self._rotated and spec.rotate_at_s is not None and t >= spec.rotate_at_s and not self._wrapped:
            self._rotated = True
            world.turned = not world.turned
            self._open(t, 45, 80)
            self._tell(t, "rotate", "turned end for end")
        elif spec.spritz_from_s is not None and not self._wrapped:
            if self._next_spritz is None:
                self._next_spritz = spec.spritz_from_s + float(rng.uniform(0, 600))
            if t >= self._next_spritz:
                self._open(t, 20, 45)
                world.meat.spray(float(rng.uniform(0.02, 0.05)))
                self._next_spritz = t + spec.spritz_every_s * float(rng.uniform(0.75, 1.4))
                self._tell(t, "spritz", "cider vinegar and water")
