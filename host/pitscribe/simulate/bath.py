"""Baths on the bench: probes are put into ice, boiling water, a stirred bath or a warm block, and the box gets warm.

A scenario of baths is data, as that of a cook is, and ``BathWorld`` plays it for the same chips, the same bus and the
same firmware. There is no weather and no hand that decides: all of it is worked out when it is made, and after its end
everything stays as it was. The same seed draws the same wires and chips as ``world.World`` does for the same channels
in the same order, so a probe that was calibrated here goes on into a cook there.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.simulate.chips import ChipError, Fault, draw_chip_error
from pitscribe.simulate.hand import Happening
from pitscribe.simulate.probes import NO_WIRE_ERROR, WireError, draw_wire_error
from pitscribe.simulate.scenario import SCENARIOS, SIX, TWO, UTC0_MS, Placement, Scenario
from pitscribe.simulate.wiring import Wiring

Array = NDArray[np.float64]
Steps = tuple[tuple[float, float], ...]  # (s of the world, deg C), straight between them, level before and behind

# Water at a standard atmosphere's 1609.344 m boils at 94.618 degC (SOURCES.md section 3).
MILE_M, BOILS_AT_A_MILE_C = 1609.344, 94.618
_STIR_S = 20.0  # how long a swirl of warmer water lasts at the junction: our own picture, no source
_SETTLING = ((0.0, 1.4), (90.0, 0.5), (240.0, 0.12), (480.0, 0.02), (700.0, 0.0))  # ice and water that are stirred
_DAY_MS = 86_400_000


@dataclass(frozen=True)
class Bath:
    """Something of one temperature to put probes into; ``unrest_k`` rms is what stirring leaves at a junction."""

    celsius: Steps
    unrest_k: float = 0.0


@dataclass(frozen=True)
class Dip:
    """A probe on a channel and where its tip goes: (s of the world, name of a bath), the first from the beginning on.

    tau_s: time constant of the junction there. 3 s: a sheath of 1/8 in, 1000 W/(m2 K) in stirred water (SOURCES.md
    section 5 has the formula). Of a chip on I2C: address on bus i2c and model, its device id, instead of cs on bus spi.
    """

    channel: int
    chip: str
    tc: str
    cs: int
    place: str
    into: tuple[tuple[float, str], ...]
    grade: str = "iec-1"
    tau_s: float = 3.0
    spi: int = 0
    i2c: int = 0
    address: int = 0x60
    model: int = 0x40


@dataclass(frozen=True)
class BathScenario:
    """Some baths, the probes that go into them, and how warm the logger's box gets.

    terminal_s : how long the terminal block takes to follow the board [s]; 0: it is as warm, always
    drawn_errors : whether wires and chips have the errors that a seed draws, or none
    """

    name: str
    title: str
    hours: float
    placements: tuple[Dip, ...]
    baths: dict[str, Bath] = field(hash=False)
    box: Steps = ((0.0, 22.0),)
    terminal_s: float = 100.0
    drawn_errors: bool = True
    faults: tuple[Fault, ...] = ()
    utc0_ms: int = UTC0_MS - _DAY_MS


class BathWorld:
    """Plays a scenario of baths; a world to the bench as ``world.World`` is."""

    def __init__(self, scenario: BathScenario, seed: int) -> None:
        self.scenario, self.seed = scenario, seed
        self._t = np.arange(int(scenario.hours * 3600) + 61, dtype=np.float64)
        self._row = {dip.channel: i for i, dip in enumerate(scenario.placements)}
        self._draw_parts()
        self._fill_baths()
        self._warm_box()
        self.happenings = self._moves()

    def _draw_parts(self) -> None:
        draws = np.random.default_rng((self.seed, 2))
        self.wire_errors: list[WireError] = []
        self.chip_errors: list[ChipError] = []
        self.wiring = Wiring()
        for dip in self.scenario.placements:
            wire, chip = draw_wire_error(draws, dip.tc, dip.grade), draw_chip_error(draws, dip.chip, dip.tc)
            if not self.scenario.drawn_errors:
                wire, chip = NO_WIRE_ERROR, ChipError(0.0, 0.0, 0.0)
            self.wire_errors.append(wire)
            self.chip_errors.append(chip)
            self.wiring.add(dip, self.loop, chip, self.seed).break_it(self.scenario.faults)
        self.chips = self.wiring.spi

    def _fill_baths(self) -> None:
        """``true``: what each tip is in, second by second; ``junction``: what follows it."""
        kinds = {}
        for number, (name, bath) in enumerate(self.scenario.baths.items()):
            swirl = np.random.default_rng((self.seed, 5, number)).standard_normal(self._t.size)
            kinds[name] = _level(bath.celsius, self._t) + bath.unrest_k * _first_order(swirl, _STIR_S, unit_rms=True)
        self.true = np.empty((self._t.size, len(self.scenario.placements)))
        self.junction = np.empty_like(self.true)
        for i, dip in enumerate(self.scenario.placements):
            for at, name in dip.into:
                self.true[int(at) :, i] = kinds[name][int(at) :]
            self.junction[:, i] = _first_order(self.true[:, i], dip.tau_s)

    def _warm_box(self) -> None:
        die = _level(self.scenario.box, self._t)
        self.box = np.column_stack((_first_order(die, self.scenario.terminal_s), die))

    def _moves(self) -> list[Happening]:
        moves = [(at, dip.place, name) for dip in self.scenario.placements for at, name in dip.into]
        return [Happening(round(1000 * at), "text", f"{place}: into the {name}") for at, place, name in sorted(moves)]

    def run_to(self, seconds: float) -> None:
        """Nothing: all is known from the beginning."""

    def loop(self, channel: int, seconds: Array) -> tuple[Array, Array, Array]:
        """What a chip is wired to: tip and terminal block with the wire's error, die; deg C, shape of ``seconds``."""
        i = self._row[channel]
        hot = np.interp(seconds, self._t, self.junction[:, i])
        terminal, die = (np.interp(seconds, self._t, self.box[:, k]) for k in range(2))
        wire = self.wire_errors[i]
        return hot + wire.of(hot), terminal + wire.of(terminal), die

    def as_arrays(self, until_s: float) -> dict[str, Any]:
        """What ``truth.npz`` holds: the names of ``simulate.truth`` as far as there is such a thing here."""
        n = min(self._t.size, int(until_s) + 1)
        dips = self.scenario.placements
        return {
            "t_s": self._t[:n],
            **{key: np.array([getattr(dip, key) for dip in dips]) for key in ("place", "channel", "chip", "tc", "cs")},
            "true": self.true[:n], "junction": self.junction[:n],
            "terminal": self.box[:n, 0], "die": self.box[:n, 1],
            "wire_at_100": np.array([e.at_100 for e in self.wire_errors]),
            "wire_knee": np.array([e.knee for e in self.wire_errors]),
            "cold_error": np.array([e.cold for e in self.chip_errors]),
            "amp_offset_mv": np.array([e.offset_mv for e in self.chip_errors]),
            "amp_gain": np.array([e.gain for e in self.chip_errors]),
        }


def _level(steps: Steps, t: Array) -> Array:
    at, celsius = np.array(steps).T
    between: Array = np.interp(t, at, celsius)
    return between


def _first_order(target: Array, tau_s: float, *, unit_rms: bool = False) -> Array:
    """What follows a target, (n,) a second apart, first order; in rest at its first value. tau 0: at once.

    unit_rms: the target is white noise of rms 1, and what follows it is to have rms 1 as well.
    """
    if tau_s == 0:
        return target
    keep = float(np.exp(-1.0 / tau_s))
    share = (1 - keep**2) ** 0.5 if unit_rms else 1 - keep
    out, now = np.empty_like(target), float(target[0])
    for i, value in enumerate(target.tolist()):
        now = keep * now + share * value
        out[i] = now
    return out


def _warming(name: str, title: str, *, errors: bool) -> BathScenario:
    """Blocks at two levels on MAX31855, and a box that warms by 15 K an hour through all that a day in the sun does."""
    rows = (("K", 93.3, 17), ("T", 93.3, 20), ("K", 60.0, 21), ("T", 60.0, 22))
    dips = tuple(
        Dip(channel, "max31855", tc, cs, f"{tc} at {celsius:g}", ((0.0, f"block at {celsius:g}"),))
        for channel, (tc, celsius, cs) in enumerate(rows)
    )
    baths = {f"block at {celsius:g}": Bath(((0.0, celsius),)) for celsius in (93.3, 60.0)}
    # It stands at 10 degC for 5 min and at 45 for 5 min.
    box = ((0.0, 10.0), (300.0, 10.0), (8700.0, 45.0))
    return BathScenario(name, title, 2.5, dips, baths, box, terminal_s=0.0, drawn_errors=errors)



def _dips(placements: tuple[Placement, ...], into: tuple[tuple[float, str], ...]) -> tuple[Dip, ...]:
    """The probes of a cook, on their channels, all in the same baths."""
    return tuple(Dip(p.channel, p.chip, p.tc, p.cs, p.place, into, p.probe.grade) for p in placements)


_BOIL = Bath(((0.0, BOILS_AT_A_MILE_C),), 0.03)
_ROOM = Bath(((0.0, 21.0),), 0.2)
_TWO_POINTS = ((0.0, "room"), (300.0, "ice"), (1800.0, "room"), (1860.0, "boil"))
_STAIRS = ((0.0, 30.0), (1200.0, 30.0), (1500.0, 60.0), (2700.0, 60.0), (3000.0, 90.0), (4200.0, 90.0))

BATHS: dict[str, BathScenario] = {
    s.name: s
    for s in (
        _warming("warming-box", "Constant blocks, ideal chips, and a box that warms from 10 to 45 C", errors=False),
        _warming("warming-box-drawn", "The same with the errors of real wires and chips", errors=True),
        BathScenario(
            "ice-and-boil", "The probes of a cook in an ice bath, then in water that boils a mile up", 1.0,
            _dips(SIX, _TWO_POINTS),
            {"room": _ROOM, "ice": Bath(tuple((300.0 + t, c) for t, c in _SETTLING), 0.01), "boil": _BOIL},
        ),
        BathScenario(
            "side-by-side", "Two probes in one stirred bath at three levels, to compare them", 1.25,
            _dips(TWO, ((0.0, "bath"),)), {"bath": Bath(_STAIRS, 0.02)},
        ),
    )
}

# Everything that the bench can play, by name.
SCENES: dict[str, Scenario | BathScenario] = {**SCENARIOS, **BATHS}
