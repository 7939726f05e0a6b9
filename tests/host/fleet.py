"""Many instruments in one cook: the physics of a bench cook once; probes, wires and chips drawn again and again.

Every code is read from the bench's own chips, as their buses would give it.
"""

from dataclasses import dataclass

import numpy as np

from pitscribe.metrology.chips import split_max31855, split_max31856
from pitscribe.simulate.chips import MAX31855, draw_chip_error, make_chip
from pitscribe.simulate.probes import ProbeSpec, draw_wire_error, junction_in_air, junction_in_meat
from pitscribe.simulate.scenario import SCENARIOS
from pitscribe.simulate.world import World

BURST = np.concatenate(([-125], np.arange(-19, 1)))  # s: two minutes back for the box, 20 s for the slope


@dataclass(frozen=True)
class Cook:
    """What really was: the world of a scenario, and the times at which everybody is read, s (n,)."""

    world: World
    times: np.ndarray

    @classmethod
    def of(cls, scenario: str, seed: int, hours: float, readings: int) -> "Cook":
        world = World(SCENARIOS[scenario], seed)
        world.run_to(hours * 3600)
        return cls(world, np.linspace(900, hours * 3600 - 60, readings).astype(int))

    def row(self, placement) -> int:
        return next(i for i, p in enumerate(self.world.scenario.placements) if p.channel == placement.channel)

    def true(self, placement) -> np.ndarray:
        """The place itself at the times, deg C."""
        return self.world.true[self.times, self.row(placement)]

    def follow(self, placement, junctions) -> np.ndarray:
        """What junctions of several builds at one place have, second by second: deg C (seconds, builds)."""
        true, smoke = self.world.true[: self.times[-1] + 60, self.row(placement)], self.world.smoke
        base = smoke[: true.size, 2] if placement.kind == "air" else smoke[: true.size, :2].mean(axis=1)
        medium, walls, stem, tau = np.array([(j.medium, j.walls, j.stem, j.tau) for j in junctions]).T
        target = true[:, None] * medium + smoke[: true.size, 2:3] * walls + base[:, None] * stem
        out, now = np.empty(target.shape), target[0]
        catch_up = 1 - np.exp(-1 / tau)
        for second in range(true.size):
            now = now + catch_up * (target[second] - now)
            out[second] = now
        return out


def draw_build(rng, kind: str) -> ProbeSpec:
    """A probe as people build or buy it for a place; our own picture, no source.

    Air: a bare bead of 30 to 24 AWG wire or a sheath of 1/16 in at its full length in the air, sooty or bright, in 0.3
    to 1 m/s. Meat: a sheath of 1/8 in, 40 to 75 mm deep.
    """
    if kind == "meat":
        return ProbeSpec("sheath", 0.0032, immersion=rng.uniform(0.040, 0.075))
    emissivity, speed = rng.uniform(0.3, 0.9), rng.uniform(0.3, 1.0)
    if rng.random() < 0.5:
        return ProbeSpec("bead", rng.uniform(0.0005, 0.00102), emissivity=emissivity, speed=speed)
    return ProbeSpec("sheath", 0.0015875, immersion=0.15, emissivity=emissivity, speed=speed)


class Instrument:
    """One probe on one chip, with errors of its own."""

    def __init__(self, placement, seed: int, grade: str | None = None) -> None:
        self.placement, self.grade = placement, grade or placement.probe.grade
        rng = np.random.default_rng((seed, placement.channel))
        self.wire = draw_wire_error(rng, placement.tc, self.grade)
        self.rng, self.seed = rng, seed
        self.build = draw_build(rng, placement.kind)
        self.junction = (junction_in_air if placement.kind == "air" else junction_in_meat)(self.build)
        self.plug_into_a_chip()

    def plug_into_a_chip(self) -> None:
        """Go to another chip of the same make."""
        self.error = draw_chip_error(self.rng, self.placement.chip, self.placement.tc)

    def _codes(self, loop, seconds):
        p = self.placement
        chip = make_chip(p.chip, p.channel, p.tc, loop, self.error, self.seed)
        mode = {"max31856-gain8": 0x08, "max31856-gain32": 0x0C}.get(p.chip, {"K": 3, "T": 7}[p.tc])
        if not isinstance(chip, MAX31855):
            chip.transfer(bytes((0x80, 0x90, mode)), 0, 0)
        rows = []
        for at in seconds.tolist():
            if isinstance(chip, MAX31855):
                rows.append(split_max31855(int.from_bytes(chip.transfer(b"", 4, int(1000 * at)), "big")))
            else:
                rows.append(split_max31856(chip.transfer(b"\x0a", 6, int(1000 * at))))
        return np.array(rows, np.int32).T

    def in_cook(self, cook: Cook, junction: np.ndarray):
        """t [s] and the codes of all bursts: (n,), three int32 (n,). ``junction``: a column of ``Cook.follow``."""

        def loop(channel, seconds):
            at = np.maximum(seconds, 0.0)
            grid = np.arange(int(at[0]), int(at[-1]) + 2)
            box = cook.world.box[grid]
            hot = np.interp(at, grid, junction[grid])
            terminal = np.interp(at, grid, box[:, 0])
            return hot + self.wire.of(hot), terminal + self.wire.of(terminal), np.interp(at, grid, box[:, 1])

        t = (cook.times[:, None] + BURST).ravel()
        return t.astype(float), *self._codes(loop, t)

    def in_bath(self, celsius: float, box_c: float, seconds: int = 120):
        """The codes of two minutes in a bath, with the box at rest."""

        def loop(channel, at):
            hot = np.full(at.shape, celsius)
            box = np.full(at.shape, box_c)
            return hot + self.wire.of(hot), box + self.wire.of(box), box

        return self._codes(loop, np.arange(10.0, 10.0 + seconds))
