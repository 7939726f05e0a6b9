"""What a dashboard consists of, as data: pictures in rows, what each of them asks, and how it looks.

Colours are Okabe and Ito's, by role: air vermilion, meat blue, whatever the places are called, in shades of it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from boards.asks import Ask, Of

BLUE, SKY, GREEN, ORANGE, VERMILION, PURPLE = "#0072B2", "#56B4E9", "#009E73", "#E69F00", "#D55E00", "#CC79A7"

DEGREES = "none"  # Grafana's unit cannot follow a variable: the title says which degrees they are
SHARE, CLOCK, SECONDS, HOURS, NUMBER = "percentunit", "dateTimeAsLocalNoDateIfToday", "s", "h", "none"
IN = "${unit:text}"


@dataclass(frozen=True)
class Role:
    """How what a line stands for looks."""

    colour: str
    dashed: bool = False
    shades: bool = False  # several series of one role


MEAT_ROLE, AIR_ROLE = Role(BLUE, shades=True), Role(VERMILION, shades=True)
TARGET_ROLE, BAND_ROLE = Role(PURPLE, dashed=True), Role(ORANGE, dashed=True)
LIKELY, PERHAPS = Role(GREEN), Role(GREEN, dashed=True)
SPREAD_ROLE, BOX_ROLE = Role(SKY), Role(GREEN)


class Kind(Enum):
    """How a picture shows what it was told."""

    CURVES = "curves"
    NUMBERS = "numbers"
    BARS = "bars"
    TABLE = "table"
    STATES = "states"


@dataclass(frozen=True)
class Line:
    """One question and what its answer is called; ``{place}`` in the name is the series' tag."""

    ask: Ask
    name: str
    role: Role | None = None


@dataclass(frozen=True)
class Steps:
    """From which value on a number is good, to be looked at, or bad; the first one is for all below the second."""

    colours: tuple[str, ...]
    values: tuple[float, ...]


@dataclass(frozen=True)
class Picture:
    """One panel. size : of Grafana's 24 columns, and rows

    units : of a table's columns, by name;  steps : None, no thresholds;  interval : the shortest step, and window
    moved : its time is that of the earlier cook;  states : what whole numbers mean, and their colour
    """

    kind: Kind
    title: str
    words: str
    lines: tuple[Line, ...]
    size: tuple[int, int]
    unit: str = DEGREES
    decimals: int | None = 0
    units: Mapping[str, str] = field(default_factory=dict)
    steps: Steps | None = None
    interval: str = "1m"  # a logger may read no oftener
    moved: bool = False
    states: Mapping[int, tuple[str, str]] = field(default_factory=dict)
    nothing: str = ""  # what is shown where there is no answer
    to_cook: bool = False  # a click on a cook's name leads to its dashboard


@dataclass(frozen=True)
class Marks:
    """Points that are marked in all curves. text : the field that says what it was, where texts are kept"""

    name: str
    of: Of
    text: str
    colour: str


@dataclass(frozen=True)
class Board:
    """One dashboard. key : its part of the address;  variables : which, beside store, ledger and unit

    rows : (title, pictures)
    """

    key: str
    title: str
    words: str
    variables: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Picture, ...]], ...]
    marks: tuple[Marks, ...] = ()
    since: str = "now-24h"
    refresh: str = "30s"
