"""A small made-up cook for the tests of watch and page: real frames with real chip codes in a real ledger.

Its curves are drawn, not simulated (the bench does that): an air temperature that swings with the splits, and joints
that heat, stand still for some hours and go on.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.metrology import chips, its90
from pitscribe.wire.frames import Channel, FrameKey, check, encode_event, encode_ticks

LOGGER = 0x00C0FFEE
START = 1_780_171_200.0  # 2026-05-30T20:00:00Z
OPEN_BIT = 1  # fault register bit 0 of the MAX31856: thermocouple open (data sheet)


@dataclass(frozen=True)
class Place:
    """One channel: its chip, its wire, and the shape of its curve."""

    name: str
    kind: str
    chip: str
    tc: str
    level: float  # air: degC in the middle; meat: degC where it stands still
    pace: float  # meat: hours to the stall
    rest: float = 3.0  # meat: hours of the stall


PLACES = (
    Place("grate", "air", "max31855", "K", 121.0, 0),
    Place("firebox end", "air", "max31855", "K", 133.0, 0),
    Place("flat", "meat", "max31856", "T", 67.0, 4.6, 3.4),
    Place("point", "meat", "max31856", "T", 69.5, 3.9, 2.2),
    Place("tip", "meat", "max31856", "K", 72.0, 3.3, 1.6),
    Place("second flat", "meat", "max31856-gain8", "K", 66.0, 4.9, 3.9),
)


def curve(place: Place, hours: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """degC at ``hours`` since the start."""
    if place.kind == "air":
        swing = 6.0 * np.sin(2 * np.pi * hours / 0.8) + 3.0 * np.sin(2 * np.pi * hours / 3.1 + 1)
        warm = 1 - np.exp(-(hours + 0.02) / 0.25)
        return 15 + (place.level - 15 + swing) * warm + rng.normal(0, 0.5, hours.size)
    knots_h = [0, 0.4, place.pace, place.pace + place.rest, place.pace + place.rest + 5.5, 60]
    knots_c = [4.0, 5.0, place.level - 0.5, place.level + 1.0, 94.0, 99.0]
    # A running mean over three quarters of an hour takes the corners off.
    fine = np.arange(-1, 61, 0.02)
    line = np.convolve(np.pad(np.interp(fine, knots_h, knots_c), 18, "edge"), np.ones(37) / 37, "valid")
    return np.interp(hours, fine, line) + rng.normal(0, 0.03, hours.size)


@dataclass
class World:
    """A ledger with a cook that can be carried on, and a clock that stands where it was carried to."""

    ledger: Ledger
    clock: SetClock
    cook: Cook
    period_s: float
    seed: int = 7
    sequence: int = 0
    done_s: float = 0.0  # seconds of the cook that are in the ledger
    faults: dict[str, int] | None = None  # fault register by place, from now on

    def state(self, online: bool = True, **more: object) -> None:
        """The logger says how it is."""
        table = [_byte(p) for p in PLACES]
        base = {"v": 1, "online": online, "boot": 1, "name": "smoker", "table": table, "missed": 0}
        journal = {"first": 0, "next": self.sequence, "cursor": self.sequence, "lost": 0, "ok": True}
        self.ledger.saw_state(LOGGER, base | {"journal": journal} | more)

    def carry_on(self, seconds: float, *, anchor: bool = True) -> None:
        """Store what the logger reads in the next ``seconds``, and set the clock to their end."""
        first = round(self.done_s / self.period_s)
        last = round((self.done_s + seconds) / self.period_s)
        steps = np.arange(first, last)
        hours = steps * self.period_s / 3600
        rng = np.random.default_rng([self.seed, first])
        cold_c = 24 + 3 * np.sin(hours / 3)
        hot = np.empty((steps.size, len(PLACES)), np.int32)
        cold, fault = np.empty_like(hot), np.zeros_like(hot)
        for column, place in enumerate(PLACES):
            emf = its90.emf(place.tc, curve(place, hours, rng)) - its90.emf(place.tc, cold_c)
            hot[:, column], cold[:, column] = chips.code_from_emf(place.chip, place.tc, emf, cold_c)
            fault[:, column] = (self.faults or {}).get(place.name, 0)
        self.clock.at = START + self.done_s + seconds
        self._store(steps, hot, cold, fault, anchor)
        self.done_s += seconds

    def _store(self, steps: np.ndarray, hot: np.ndarray, cold: np.ndarray, fault: np.ndarray, anchor: bool) -> None:
        frames = []
        if anchor and self.sequence == 0:
            fields = {"utc_ms": round(START * 1000), "err_ms": 50, "from": "host"}
            frames.append(encode_event(self._key(), 10_000, "anchor", fields))
        table = tuple(Channel(p.chip, p.tc) for p in PLACES)
        period = round(self.period_s * 1000)
        for i in range(0, steps.size, 32):
            cut = slice(i, i + 32)
            uptime = 10_000 + int(steps[i]) * period
            frames.append(encode_ticks(self._key(), uptime, period, table, hot[cut], cold[cut], fault[cut]))
        self.ledger.store_frames([(check(f), f) for f in frames], "test")

    def _key(self) -> FrameKey:
        self.sequence += 1
        return FrameKey(LOGGER, 1, self.sequence - 1)


def _byte(place: Place) -> int:
    chips_by_number = ("none", "max31855", "max31856", "max31856-gain8", "max31856-gain32")
    return chips_by_number.index(place.chip) << 4 | "BEJKNRST".index(place.tc)


def make_world(folder: Path, *, hours: float = 6.0, period_s: float = 10.0, name: str = "Two briskets") -> World:
    """A new ledger in ``folder`` with ``hours`` of a cook that is not ended."""
    clock = SetClock(START)
    ledger = Ledger(folder / "ledger.sqlite", clock)
    cook = ledger.start_cook(name, target_c=95.0)
    for channel, place in enumerate(PLACES):
        ledger.place(cook.id, place.tc, LOGGER, channel, place.name, place.kind)
    world = World(ledger, clock, cook, period_s)
    if hours:
        world.carry_on(hours * 3600)
    world.state()
    return world
