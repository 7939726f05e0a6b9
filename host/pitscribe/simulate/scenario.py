"""The scenarios of the bench: our own cooks. Who cooks what on which cooker, in what weather, watched by what probes.

A scenario is data; ``world`` plays it. Nothing in it says when the meat stalls or when the fire wants wood: the hand
acts on what it sees (``hand``), and the rest is physics.
"""

from dataclasses import dataclass, field
from typing import Literal

from pitscribe.simulate.chips import Fault
from pitscribe.simulate.meat import MeatSpec
from pitscribe.simulate.probes import ProbeSpec
from pitscribe.simulate.smoker import SmokerSpec

UTC0_MS = 1_781_341_200_000  # 2026-06-13 09:00 UTC


@dataclass(frozen=True)
class Placement:
    """A probe on a channel, its tip at a place.

    along: for air, the share of the grate from the firebox end to the far end; for meat, the share of its length from
    the flat's thin end to the point's. depth: share of the thickness from the bottom (meat only).
    stem_in (air only): the meat place that the stem sits in; without it the stem comes through the smoker's steel.
    beside (air only): an air place before this one in the list that is a finger's breadth away: the same air.
    cs on bus spi; or, of a chip on I2C, address on bus i2c and model, its device id.
    """

    channel: int
    chip: str
    tc: str
    cs: int
    place: str
    kind: Literal["air", "meat"]
    probe: ProbeSpec
    along: float
    depth: float = 0.5
    spi: int = 0
    stem_in: str | None = None
    beside: str | None = None
    i2c: int = 0
    address: int = 0x60
    model: int = 0x40


@dataclass(frozen=True)
class HandSpec:
    """How the person cooks; times in s after the meat went on, temperatures in deg C."""

    band_c: float = 116.0  # lays a split when the pit is seen below this
    looks_every_s: float = 240.0
    split_kg: float = 0.95
    split_spread_kg: float = 0.13
    distracted: float = 0.10  # share of looks after which nobody looks for a while
    spritz_from_s: float | None = 3.0 * 3600
    spritz_every_s: float = 55 * 60.0
    rotate_at_s: float | None = 4.6 * 3600
    wrap_at_c: float | None = 73.0  # of the meat place named below
    wrap: Literal["foil", "paper"] = "paper"
    wrap_place: str = "flat"
    pull_at_c: float | None = 93.3
    away: tuple[tuple[float, float], ...] = ()  # from, to: nobody is there


@dataclass(frozen=True)
class WeatherSpec:
    """The day: mean, swing and hours from world 0 to its coolest time; m/s; relative humidity at the mean."""

    mean_c: float = 20.0
    swing_c: float = 6.0
    coolest_h: float = 1.5
    wind: float = 1.6
    gusts: float = 0.6
    relative: float = 0.6
    sun_k: float = 9.0  # what full sun adds to the logger's box


@dataclass(frozen=True)
class Scenario:
    """One cook that the bench can play."""

    name: str
    title: str
    hours: float
    placements: tuple[Placement, ...]
    hand: HandSpec = field(default_factory=HandSpec)
    meat: MeatSpec = field(default_factory=MeatSpec)
    smoker: SmokerSpec = field(default_factory=SmokerSpec)
    weather: WeatherSpec = field(default_factory=WeatherSpec)
    faults: tuple[Fault, ...] = ()
    meats: tuple[str, ...] = ("brisket",)
    target_c: float = 93.3
    utc0_ms: int = UTC0_MS
    warm_up_s: int = 4500  # the fire is lit so long before world 0


_BEAD = ProbeSpec("bead", 0.00102)  # 24 AWG
_MEAT = ProbeSpec("sheath", 0.0032, immersion=0.070)
_MEAT_SHORT = ProbeSpec("sheath", 0.0032, immersion=0.045)

SIX = (
    Placement(0, "max31855", "K", 17, "grate", "air", _BEAD, 0.45),
    Placement(1, "max31856", "K", 20, "far end", "air", _BEAD, 0.95),
    Placement(2, "max31855", "T", 21, "flat", "meat", _MEAT, 0.30),
    Placement(3, "max31856", "T", 22, "point", "meat", _MEAT, 0.76),
    Placement(4, "max31856-gain8", "T", 26, "tip", "meat", _MEAT_SHORT, 0.06),
    Placement(5, "max31855", "K", 27, "middle", "meat", _MEAT, 0.52),
)

TWO = (
    Placement(0, "max31855", "K", 17, "grate", "air", _BEAD, 0.45),
    Placement(1, "max31856", "T", 20, "flat", "meat", _MEAT, 0.5),
)

# A stick with its point in the meat and a sheath of 3/16 in above it that is to read the air, as a thermometer of one
# piece has; a thin junction clipped beside it; and a gauge of 1/4 in through the dome's steel.
_STICK = ProbeSpec("sheath", 0.0048, immersion=0.050)
_DOME = ProbeSpec("sheath", 0.0064, immersion=0.060, speed=0.3)

FOUR = (
    Placement(0, "max31856", "K", 17, "grate", "air", _BEAD, 0.50),
    Placement(1, "max31855", "K", 20, "stick", "air", _STICK, 0.50, stem_in="flat", beside="grate"),
    Placement(2, "max31855", "K", 21, "dome", "air", _DOME, 0.70),
    Placement(3, "max31856", "T", 22, "flat", "meat", _MEAT, 0.40),
)

_SMALL_MEAT = MeatSpec(length=0.20, width=0.18, thickness=(0.030, 0.034, 0.036, 0.034), layers=9)

SCENARIOS: dict[str, Scenario] = {
    s.name: s
    for s in (
        Scenario("backyard", "A whole brisket, wrapped when the stall lets go", 14.0, SIX),
        Scenario(
            "bare", "The same brisket, never wrapped: the stall runs its course", 18.0, SIX,
            hand=HandSpec(wrap_at_c=None, band_c=117.0),
        ),
        Scenario(
            "fire-out", "The cook falls asleep and the fire goes out", 14.0, SIX,
            hand=HandSpec(away=((5.0 * 3600, 8.2 * 3600),), rotate_at_s=None, wrap="foil"),
        ),
        Scenario(
            "bad-wires", "A gusty day with a broken probe, a short and a chip that dies", 14.0, SIX,
            hand=HandSpec(wrap="foil", wrap_at_c=73.0),
            weather=WeatherSpec(mean_c=12.0, wind=3.5, gusts=1.5, sun_k=14.0),
            faults=(
                Fault(2, "open", 2.0 * 3600, 2.2 * 3600),
                Fault(3, "open", 3.0 * 3600, 3.1 * 3600),
                Fault(5, "short-ground", 4.0 * 3600, 4.5 * 3600),
                Fault(4, "dead-ff", 6.0 * 3600, 6.5 * 3600),
                Fault(1, "dead-00", 9.0 * 3600),
            ),
        ),
        Scenario("stick", "A thick air sensor whose stem sits in the meat, a thin junction beside it", 12.0, FOUR),
        Scenario(
            "small", "A thin piece on two channels, for tests: an hour shows most of it", 3.0, TWO,
            hand=HandSpec(spritz_from_s=1200.0, spritz_every_s=900.0, rotate_at_s=1800.0, wrap_at_c=60.0),
            meat=_SMALL_MEAT, target_c=90.0,
        ),
    )
}
