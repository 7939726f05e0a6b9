"""The world of one cook: weather, fire, smoker, meat, hand, probes and the logger's box, in step and seeded.

It moves in blocks of 5 s (the smoker by 1 s) and chunks of 60 s, always the same ones from the same seed, whoever asks
and however. What happened is kept second by second, so any time up to ``until_s`` can be asked for again.
"""

import math

import numpy as np
from numpy.typing import NDArray

from pitscribe.simulate.chips import Fault, draw_chip_error
from pitscribe.simulate.hand import Hand, Happening
from pitscribe.simulate.meat import Meat, Surroundings
from pitscribe.simulate.probes import draw_wire_error, junction_in_air, junction_in_meat
from pitscribe.simulate.psychro import relative_to_ratio
from pitscribe.simulate.scenario import Scenario
from pitscribe.simulate.smoker import Smoker, Weather
from pitscribe.simulate.wiring import Wiring

Array = NDArray[np.float64]
CHUNK = 60  # s
BLOCK = 5  # s
# Slow noises, each with its own memory in s: gusts, clouds; then per air place flutter, eddies and drift.
_WIND, _CLOUD = 0, 1
_BESIDE_FIRE_K = 60.0  # how much warmer than the outside a box stands beside a firebox; our own figure
_FLUTTER = ((4.0, 0.55), (35.0, 0.8), (240.0, 0.8))  # s, K: turbulence at the grate


class World:
    """A cook that goes on as far as it is asked to. ``run_to`` moves it; ``seconds_kept`` rows can be read."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario, self.seed = scenario, seed
        spec = scenario.weather
        self._ratio = relative_to_ratio(spec.mean_c, spec.relative)
        self.weather = Weather(self._outside(-scenario.warm_up_s), spec.wind, self._ratio)
        self.smoker = Smoker(scenario.smoker, coals=1.3)
        for name in ("firebox_steel", "chamber_steel", "near", "far"):
            setattr(self.smoker, name, self.weather.air)
        for _ in range(2):
            self.smoker.add_split(scenario.hand.split_kg)
        self.meat = Meat(scenario.meat)
        self.meat_on = self.turned = False
        self.hand = Hand(seed)
        self._air = [p for p in scenario.placements if p.kind == "air" and p.beside is None]
        memory = [60.0, 1500.0] + [tau for _ in self._air for tau, _ in _FLUTTER]
        self._keep = np.exp(-1.0 / np.array(memory))
        self._kick = np.sqrt(1 - self._keep**2)
        self._noise = np.zeros(self._keep.size)
        self._place_probes()
        self._allocate(int(scenario.hours * 3600) + 4 * CHUNK)
        self._box = self._terminal = self.weather.air
        self._warm_up()

    @property
    def happenings(self) -> list[Happening]:
        """What the person has done so far."""
        return self.hand.happenings

    def _outside(self, t: float) -> float:
        spec = self.scenario.weather
        return spec.mean_c - spec.swing_c * math.cos(2 * math.pi * (t / 3600 - spec.coolest_h) / 24)

    def _place_probes(self) -> None:
        draws = np.random.default_rng((self.seed, 2))
        self.wire_errors = []
        self.chip_errors = []
        follow = []
        for p in self.scenario.placements:
            follow.append(junction_in_air(p.probe) if p.kind == "air" else junction_in_meat(p.probe))
            self.wire_errors.append(draw_wire_error(draws, p.tc, p.probe.grade))
            self.chip_errors.append(draw_chip_error(draws, p.chip, p.tc))
        self.junctions = tuple(follow)
        self._weights = np.array([(j.medium, j.walls, j.stem) for j in follow])
        self._catch_up = np.array([1 - math.exp(-1 / j.tau) for j in follow])
        self._row = {p.channel: i for i, p in enumerate(self.scenario.placements)}
        self.wiring = Wiring()
        for i, p in enumerate(self.scenario.placements):
            self.wiring.add(p, self.loop, self.chip_errors[i], self.seed).break_it(self.scenario.faults)
        self.chips = self.wiring.spi

    def _allocate(self, seconds: int) -> None:
        n = len(self.scenario.placements)
        self.true = np.zeros((seconds, n))  # the place itself
        self.junction = np.zeros((seconds, n))
        self.box = np.zeros((seconds, 2))  # terminal block, die
        self.smoke = np.zeros((seconds, 6))  # near, far, chamber steel, fire W, humidity ratio, outside air
        nx = self.meat.body.shape[0]
        self.heat = np.zeros((seconds // BLOCK + 1, nx))  # W/m2 from the pit, mean of both sides, per block
        self.spent = np.zeros_like(self.heat)
        self.until_s = 0

    def _grow(self) -> None:
        for name in ("true", "junction", "box", "smoke", "heat", "spent"):
            old = getattr(self, name)
            setattr(self, name, np.concatenate((old, np.zeros_like(old))))

    def _warm_up(self) -> None:
        """Light the fire before world 0 and let the steel get hot; the meat waits in the cold."""
        for t in range(-self.scenario.warm_up_s, 0, BLOCK):
            self.hand.act(self, t)
            self._set_weather(t)
            for _ in range(BLOCK):
                self.smoker.step(self.weather)
        first = np.array([self._air_at(p.along) if p.kind == "air" else self.meat_seen(p.place)
                          for p in self.scenario.placements])
        self._tips, self._reads = first, first.copy()

    def _air_at(self, along: float) -> float:
        return self.smoker.near + along * (self.smoker.far - self.smoker.near)

    def meat_seen(self, place: str) -> float:
        """Return the true temperature of the meat at a place, deg C."""
        p = next(p for p in self.scenario.placements if p.place == place)
        return self.meat.at(p.along, p.depth)

    def run_to(self, seconds: float) -> None:
        """Go on until the second after ``seconds`` is known."""
        while self.until_s < seconds + 2:
            self._run_chunk()

    def _set_weather(self, t: float) -> None:
        spec = self.scenario.weather
        self.weather.air = self._outside(t)
        self.weather.wind = max(0.0, spec.wind + spec.gusts * float(self._noise[_WIND]))

    def _run_chunk(self) -> None:
        start = self.until_s
        if start + CHUNK > len(self.true):
            self._grow()
        kicks = np.random.default_rng((self.seed, 0, start // CHUNK)).standard_normal((CHUNK, self._noise.size))
        kicks *= self._kick
        noise = np.empty_like(kicks)
        for k in range(0, CHUNK, BLOCK):
            self._run_block(start + k, kicks[k : k + BLOCK], noise[k : k + BLOCK])
        self._read_probes(start, noise)
        self.until_s = start + CHUNK

    def _run_block(self, t: int, kicks: Array, noise: Array) -> None:
        self.hand.act(self, t)
        smoker, meat = self.smoker, self.meat
        skin = meat.body.skin
        load = steam = 0.0
        if self.meat_on:
            load = float(np.sum(meat.heat_now * skin))
            steam = float(np.sum(meat.vapour_now * skin))
        for i in range(BLOCK):
            self._noise = self._noise * self._keep + kicks[i]
            noise[i] = self._noise
            self._set_weather(t + i)
            smoker.step(self.weather, load, steam)
            self.smoke[t + i] = (smoker.near, smoker.far, smoker.chamber_steel, smoker.power, smoker.ratio,
                                 self.weather.air)
        meat.step(self._around_meat(t), BLOCK)
        self.heat[t // BLOCK] = meat.heat_now.mean(axis=0)
        self.spent[t // BLOCK] = meat.spent_now.mean(axis=0)
        for i, p in enumerate(self.scenario.placements):
            if p.kind == "meat":
                now = meat.at(p.along, p.depth)
                self.true[t : t + BLOCK, i] = self._tips[i] + (now - self._tips[i]) * np.arange(1, BLOCK + 1) / BLOCK
                self._tips[i] = now

    def _around_meat(self, t: int) -> Surroundings:
        """The air along the meat: the point faces the fire until it is turned."""
        if not self.meat_on:
            outside = self.weather.air + 2.0
            return Surroundings(outside, outside, self.weather.ratio)
        nx = self.meat.body.shape[0]
        share = 0.25 + 0.45 * (np.arange(nx) + 0.5) / nx
        toward = share if self.turned else share[::-1]
        recent = self.smoke[t : t + BLOCK, :2].mean(axis=0)
        return Surroundings(recent[0] + toward * (recent[1] - recent[0]), self.smoker.chamber_steel, self.smoker.ratio)

    def _read_probes(self, start: int, noise: Array) -> None:
        """What the junctions and the logger's box do in a chunk whose smoker and meat are known."""
        rows = slice(start, start + CHUNK)
        smoke = self.smoke[rows]
        calm = np.clip((smoke[:, 0] - smoke[:, 5]) / 90.0, 0.0, 1.3)  # a cold pit does not flutter
        for j, p in enumerate(self._air):
            swirl = sum(noise[:, 2 + 3 * j + k] * size for k, (_, size) in enumerate(_FLUTTER))
            self.true[rows, self._row[p.channel]] = (
                smoke[:, 0] + p.along * (smoke[:, 1] - smoke[:, 0]) + swirl * calm
            )
        by_place = {p.place: self._row[p.channel] for p in self.scenario.placements}
        true = self.true[rows]
        for p in self.scenario.placements:
            if p.beside is not None:
                true[:, self._row[p.channel]] = true[:, by_place[p.beside]]
        base = np.empty_like(true)
        for i, p in enumerate(self.scenario.placements):
            if p.kind == "meat":
                base[:, i] = smoke[:, :2].mean(axis=1) if self.meat_on else smoke[:, 5]
            else:
                base[:, i] = smoke[:, 2] if p.stem_in is None else true[:, by_place[p.stem_in]]
        target = self._weights[:, 0] * true + self._weights[:, 1] * smoke[:, 2:3] + self._weights[:, 2] * base
        catch_up = np.broadcast_to(self._catch_up, true.shape)
        for fault in self.scenario.faults:
            if fault.kind == "slipped-out":
                catch_up = self._slip_out(fault, start, target, catch_up)
        reads, out = self._reads, self.junction[rows]
        for i in range(CHUNK):
            reads = reads + catch_up[i] * (target[i] - reads)
            out[i] = reads
        self._reads = reads
        self._warm_box(start, smoke[:, 5], noise[:, _CLOUD])

    def _slip_out(self, fault: Fault, start: int, target: Array, catch_up: Array) -> Array:
        """Have a meat probe lie in the pit's air, in the swirl of the first air place; return how fast each follows."""
        seconds = np.arange(start, start + CHUNK)
        out = (seconds >= fault.start) & (seconds < fault.end)
        if not out.any():
            return catch_up
        i, rows = self._row[fault.channel], slice(start, start + CHUNK)
        p, smoke, first = self.scenario.placements[i], self.smoke[rows], self._air[0]
        swirl = self.true[rows, self._row[first.channel]] - smoke[:, 0] - first.along * (smoke[:, 1] - smoke[:, 0])
        air = smoke[:, 0] + p.along * (smoke[:, 1] - smoke[:, 0]) + swirl
        follows = junction_in_air(p.probe)
        self.true[rows, i] = np.where(out, air, self.true[rows, i])
        target[out, i] = (follows.medium * air + (follows.walls + follows.stem) * smoke[:, 2])[out]
        catch_up = catch_up.copy()
        catch_up[out, i] = 1 - math.exp(-1 / follows.tau)
        return catch_up

    def _warm_box(self, start: int, outside: Array, cloud: Array) -> None:
        spec = self.scenario.weather
        hot = [f for f in self.scenario.faults if f.kind == "hot-box"]
        for i in range(CHUNK):
            hour = (start + i) / 3600 - spec.coolest_h
            sun = max(0.0, math.sin(2 * math.pi * (hour - 1.0) / 24)) * min(1.0, max(0.15, 0.7 + 0.5 * float(cloud[i])))
            warm = float(outside[i]) + 2.5 + spec.sun_k * sun
            if any(f.start <= start + i < f.end for f in hot):
                warm += _BESIDE_FIRE_K
            self._box += (warm - self._box) / 1100.0
            self._terminal += (self._box - self._terminal) / 100.0  # plugs follow the board
            self.box[start + i] = (self._terminal, self._box)

    def loop(self, channel: int, seconds: Array) -> tuple[Array, Array, Array]:
        """What a chip is wired to: tip and terminal block with the wire's error, die; deg C, shape of ``seconds``."""
        self.run_to(float(seconds[-1]))
        at = np.maximum(seconds, 0.0)
        low = at.astype(np.int64)
        part = at - low
        i = self._row[channel]
        window = slice(int(low[0]), int(low[-1]) + 2)
        low = low - window.start

        def between(column: Array) -> Array:
            rows = column[window]
            result: Array = rows[low] + part * (rows[low + 1] - rows[low])
            return result

        hot = between(self.junction[:, i])
        terminal, wire = between(self.box[:, 0]), self.wire_errors[i]
        return hot + wire.of(hot), terminal + wire.of(terminal), between(self.box[:, 1])
