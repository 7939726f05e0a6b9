"""What a panel can ask of the mirror's store, in no language. docs/MIRROR.md has the measurements, tags and fields."""

from dataclasses import dataclass
from enum import Enum
from typing import Literal

How = Literal["mean", "last", "min", "max", "sum", "count"]

LONGEST_COOK = "3d"  # so far before the time shown a cook's start is looked for; our allowance, no source
EVER_DAYS = 1000  # before and after the time shown: so far PromQL looks where InfluxQL needs no limit; our allowance
FRESH = "25m"  # a forecast, made every ten minutes and mirrored soon after, is no longer the present one
MINUTE = "1m"


class Scale(Enum):
    """How a stored value becomes one that is shown; ``$unit`` is 1.8 or 1, as the reader chose degF or degC.

    40 below zero is the same temperature on both scales, so one formula without a case serves them.
    """

    PLAIN = "{}"
    TEMPERATURE = "({} + 40) * $unit - 40"
    DIFFERENCE = "{} * $unit"
    DEGREE_HOURS = "{} * $unit / 60"  # of a sum of minutes
    INSTANT = "{} * 1000"  # UTC s to the ms that Grafana takes

    def of(self, expression: str) -> str:
        """An expression, scaled."""
        return self.value.format(expression)


class Scope(Enum):
    """Whose points: the variables that choose them besides ``ledger``, which always does."""

    COOK = "cook"
    EARLIER = "earlier"  # the other of two cooks
    COOKS = "cooks"  # several
    LOGGER = "logger"
    LEDGER = ""


@dataclass(frozen=True)
class Of:
    """The series of a field. where : tags that are fixed;  by : tags that tell its series apart in the answer"""

    measurement: str
    field: str
    scope: Scope = Scope.COOK
    where: tuple[tuple[str, str], ...] = ()
    by: tuple[str, ...] = ()


@dataclass(frozen=True)
class Course:
    """A field over the time shown, one value for each of its intervals. ``apart``: hottest less coldest series."""

    of: Of
    how: How = "mean"
    scale: Scale = Scale.PLAIN
    apart: bool = False


@dataclass(frozen=True)
class Held:
    """A field that is written once, at a cook's start, and holds from then on: a level line."""

    of: Of
    scale: Scale = Scale.TEMPERATURE


@dataclass(frozen=True)
class Figure:
    """One number for each series. over : the time shown, or so much of its end;  coldest : the least of all series"""

    of: Of
    how: How = "last"
    scale: Scale = Scale.PLAIN
    over: str = ""
    coldest: bool = False


@dataclass(frozen=True)
class Swing:
    """Highest less lowest reading of each whole span."""

    of: Of
    span: str


@dataclass(frozen=True)
class Pace:
    """By how much the means of one span and the next differ, for an hour. ``an_hour``: spans in one."""

    of: Of
    span: str
    an_hour: int


@dataclass(frozen=True)
class InBand:
    """How many hours of the time shown, by means of minutes, a place was below, within or above the cook's band.

    Nothing where the cook has no band.
    """

    of: Of
    side: Literal["below", "within", "above"]


@dataclass(frozen=True)
class Usable:
    """The share of the samples shown that may be used."""

    of: Of


@dataclass(frozen=True)
class Spots:
    """Every point by itself: its time, the tags ``of.by``, and fields. ``texts``: told where the store keeps them."""

    of: Of
    fields: tuple[str, ...]
    texts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Whole:
    """A column of a table of cooks: a figure of all of a cook, whatever the time shown."""

    name: str
    of: Of
    how: How
    scale: Scale = Scale.PLAIN
    less: str = ""  # a field of the same points that is subtracted


@dataclass(frozen=True)
class Cooks:
    """A table with a row for each of the chosen cooks."""

    columns: tuple[Whole, ...]


Ask = Course | Held | Figure | Swing | Pace | InBand | Usable | Spots | Cooks

# the series that several dashboards ask for

MEAT = Of("pitscribe_temp", "celsius", where=(("kind", "meat"),), by=("place",))
AIR = Of("pitscribe_temp", "celsius", where=(("kind", "air"),), by=("place",))
SPREAD = Of("pitscribe_spread", "kelvin")
TARGET = Of("pitscribe_cook", "target_c")
BAND_LOW, BAND_HIGH = Of("pitscribe_cook", "band_low_c"), Of("pitscribe_cook", "band_high_c")
NOTES = Of("pitscribe_note", "id", by=("kind",))
FIRE_EVENTS = Of("pitscribe_event", "probability", where=(("place", "fire"),), by=("kind",))
STALLS = Of("pitscribe_event", "probability", where=(("kind", "stall"),), by=("place",))
EVENTS = Of("pitscribe_event", "probability", by=("place", "kind"))
