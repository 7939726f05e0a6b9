"""A small made-up cook for the tests of watch and page: real frames with real chip codes in a real ledger.

Its curves are drawn, not simulated (the bench does that): an air temperature that swings with the splits, and joints
that heat, stand still for some hours and go on.
"""

import functools
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.metrology import chips, its90
from pitscribe.wire.frames import Channel, FrameKey, check, encode_event, encode_ticks

LOGGER = 0x00C0FFEE
SECOND = 0x00C0FFEF  # a logger of its own for the places that are `apart`
UP_MS = 10_000  # uptime of both at the cook's start
START = 1_780_171_200.0  # 2026-05-30T20:00:00Z
OPEN_BIT = 1  # fault register bit 0 of the MAX31856: thermocouple open (data sheet)


BASE = "http://127.0.0.1:8421"  # where the page takes itself to be; nothing listens there


def keys(snapshot: Any) -> list[str]:
    """Which troubles with the record a snapshot tells: not what the cook asks for."""
    return [trouble["key"] for trouble in snapshot.body["troubles"] if trouble["about"] == "record"]


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
    apart: tuple[str, ...] = ()  # places on the second logger
    seed: int = 7
    done_s: float = 0.0  # seconds of the cook that are in the ledger
    faults: dict[str, int] | None = None  # fault register by place, from now on
    away: set[int] = field(default_factory=set)  # loggers whose frames stay in their journal
    journal: dict[int, list[bytes]] = field(default_factory=dict)  # what they hold there
    sequences: dict[int, int] = field(default_factory=dict)

    def loggers(self) -> dict[int, list[Place]]:
        """The places of each logger, in the order of their channels."""
        split = {LOGGER: [p for p in PLACES if p.name not in self.apart]}
        return split | ({SECOND: [p for p in PLACES if p.name in self.apart]} if self.apart else {})

    def state(self, online: bool = True, **more: object) -> None:
        """The loggers say how they are."""
        for logger, places in self.loggers().items():
            following = self.sequences.get(logger, 0)
            base = {
                "v": 1,
                "online": online,
                "boot": 1,
                "up": UP_MS + round(self.done_s * 1000),
                "name": "smoker" if logger == LOGGER else "second",
                "period_ms": round(self.period_s * 1000),
                "table": [_byte(p) for p in places],
                "missed": 0,
            }
            journal = {"first": 0, "next": following, "cursor": following, "lost": 0, "ok": True}
            self.ledger.saw_state(logger, base | {"journal": journal} | more)

    def carry_on(self, seconds: float, *, anchor: bool = True) -> None:
        """Store what the loggers read in the next ``seconds``, and set the clock to their end."""
        first = round(self.done_s / self.period_s)
        last = round((self.done_s + seconds) / self.period_s)
        steps = np.arange(first, last)
        hours = steps * self.period_s / 3600
        rng = np.random.default_rng([self.seed, first])
        cold_c = 24 + 3 * np.sin(hours / 3)
        codes = {}
        for place in PLACES:
            emf = its90.emf(place.tc, curve(place, hours, rng)) - its90.emf(place.tc, cold_c)
            hot, cold = chips.code_from_emf(place.chip, place.tc, emf, cold_c)
            codes[place.name] = hot, cold, np.full(steps.size, (self.faults or {}).get(place.name, 0))
        self.clock.at = START + self.done_s + seconds
        for logger, places in self.loggers().items():
            columns = zip(*(codes[p.name] for p in places), strict=True)
            self._store(logger, places, steps, *(np.stack(c, axis=1).astype(np.int32) for c in columns), anchor=anchor)
        self.done_s += seconds

    def bring_back(self, logger: int) -> None:
        """A logger that was away is there again and sends what it kept."""
        self.away.discard(logger)
        self._send(self.journal.pop(logger, []))

    def anchor(self, logger: int, uptime_ms: int, utc: float) -> bytes:
        """The frame of an anchor that a logger takes, good to 50 ms."""
        fields = {"utc_ms": round(utc * 1000), "err_ms": 50, "from": "host"}
        return encode_event(self._key(logger), uptime_ms, "anchor", fields)

    def _store(
        self, logger: int, places: list[Place], steps: np.ndarray, hot: np.ndarray, cold: np.ndarray, fault: np.ndarray,
        *, anchor: bool,
    ) -> None:
        frames = []
        if anchor and not self.sequences.get(logger):
            frames.append(self.anchor(logger, UP_MS, START))
        table = tuple(Channel(p.chip, p.tc) for p in places)
        period = round(self.period_s * 1000)
        for i in range(0, steps.size, 32):
            cut = slice(i, i + 32)
            uptime = UP_MS + int(steps[i]) * period
            frames.append(encode_ticks(self._key(logger), uptime, period, table, hot[cut], cold[cut], fault[cut]))
        if logger in self.away:
            self.journal.setdefault(logger, []).extend(frames)
        else:
            self._send(frames)

    def send(self, frame: bytes) -> None:
        """Store one frame."""
        self._send([frame])

    def _send(self, frames: list[bytes]) -> None:
        self.ledger.store_frames([(check(f), f) for f in frames], "test")

    def _key(self, logger: int) -> FrameKey:
        self.sequences[logger] = self.sequences.get(logger, 0) + 1
        return FrameKey(logger, 1, self.sequences[logger] - 1)


def _byte(place: Place) -> int:
    chips_by_number = ("none", "max31855", "max31856", "max31856-gain8", "max31856-gain32")
    return chips_by_number.index(place.chip) << 4 | "BEJKNRST".index(place.tc)


def make_world(
    folder: Path,
    *,
    hours: float = 6.0,
    period_s: float = 10.0,
    name: str = "Two briskets",
    apart: tuple[str, ...] = (),
    told: bool = True,
) -> World:
    """A new ledger in ``folder``: ``hours`` of a cook not ended; ``told``: its loggers have said how they are."""
    file, made = _made((START, PLACES), hours, period_s, name, apart, told)
    path, clock = folder / "ledger.sqlite", SetClock(made.clock.at)
    path.write_bytes(file)
    ledger = Ledger(path, clock)
    return replace(made, ledger=ledger, clock=clock, away=set(), journal={}, sequences=dict(made.sequences))


@functools.cache
def _made(
    of: object, hours: float, period_s: float, name: str, apart: tuple[str, ...], told: bool
) -> tuple[bytes, World]:
    """The ledger's file of such a world and what else it is, its ledger closed. Most tests begin with the same one.

    ``of``: what this module has for START and PLACES, as a test may put others there.
    """
    with tempfile.TemporaryDirectory() as folder:
        world = _make(Path(folder), hours, period_s, name, apart)
        if told:
            world.state()
        world.ledger.close()
        return (Path(folder) / "ledger.sqlite").read_bytes(), world


def _make(folder: Path, hours: float, period_s: float, name: str, apart: tuple[str, ...]) -> World:
    clock = SetClock(START)
    ledger = Ledger(folder / "ledger.sqlite", clock)
    cook = ledger.start_cook(name, target_c=95.0)
    world = World(ledger, clock, cook, period_s, apart)
    where = {p.name: (logger, n) for logger, places in world.loggers().items() for n, p in enumerate(places)}
    for place in PLACES:
        ledger.place(cook.id, place.tc, *where[place.name], place.name, place.kind)
    if hours:
        world.carry_on(hours * 3600)
    return world
