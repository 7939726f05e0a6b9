"""Reads ``pinmap.toml``, the single truth of pins, buses, channels and parts, and says what in it cannot be.

Nothing but the standard library: firmware's tests, the documents' generator and the set-up command can all read it.
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FILE = Path(__file__).with_name("pinmap.toml")
THINGS = ("screen", "buzzer", "buttons", "supply", "battery")  # what a logger works without
CHIPS = ("max31855", "max31856")
KINDS = ("power-out", "power-or", "power-in", "ground", "output", "input", "tristate", "open-drain", "pull-up",
         "pull-down", "passive")
_GROUNDS = ("GND", "AGND")


class PinMapError(ValueError):
    """The pin map contradicts itself or the board; the message has a line for each thing that is wrong."""


@dataclass(frozen=True, slots=True)
class Pin:
    """A pin of the board's header: its place (from 1), its name, its GP number (None: supply, ground, control), and
    the functions that the chip has there, such as ``spi0.sck``."""

    n: int
    name: str
    gp: int | None
    offers: frozenset[str]


@dataclass(frozen=True, slots=True)
class Use:
    """A GP pin in use: what for, its net, the function that it must offer ("" for plain digital), and what it is
    electrically. ``thing`` is one of THINGS, or "" for the logger proper; ``chip`` the amplifier that alone has it."""

    what: str
    gp: int
    net: str
    asks: str
    kind: str
    thing: str = ""
    chip: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """A kind of part: reference ("-": one without pads), rating, at least two generic choices, pads -> (kind, net)."""

    ref: str
    what: str
    rating: str
    choices: tuple[str, ...]
    note: str
    each: bool  # one a channel; {c} in names is the channel
    chip: str  # of amplifiers: which one
    thing: str
    ohm: int
    pads: tuple[tuple[str, str, str], ...]  # pad, kind, net


@dataclass(frozen=True, slots=True)
class PinMap:
    """The whole map, checked."""

    board: str
    pins: tuple[Pin, ...]
    reserved: dict[int, str]
    spi: dict[str, int]
    i2c: dict[str, int]
    channels: tuple[tuple[int, tuple[str, ...]], ...]  # select pin, chips that may be there
    screen_address: int
    buzzer: int
    buttons: dict[str, int]
    supply: dict[str, int]
    parts: tuple[Part, ...]

    @property
    def selects(self) -> list[int]:
        """The amplifiers' select pins, by channel."""
        return [cs for cs, _ in self.channels]

    def uses(self) -> list[Use]:
        """Every GP pin that something hangs on."""
        found = [Use(f"channel {c} select", cs, f"CS{c}", "", "output") for c, cs in enumerate(self.selects)]
        for name, kind in (("sck", "output"), ("miso", "input"), ("mosi", "output")):
            only = "max31856" if name == "mosi" else ""
            found.append(Use(f"SPI0 {name}", self.spi[name], f"SPI0_{name.upper()}", f"spi0.{name}", kind, "", only))
        for name in ("sda", "scl"):
            net = f"I2C0_{name.upper()}"
            found.append(Use(f"I2C0 {name}", self.i2c[name], net, f"i2c0.{name}", "open-drain", "screen"))
        found.append(Use("buzzer", self.buzzer, "BUZZER", "", "output", "buzzer"))
        # A button needs no driver: the chip's own pull-up is on.
        found += [Use(f"button {name}", gp, f"BUTTON_{name.upper()}", "", "pull-up", "buttons")
                  for name, gp in self.buttons.items()]
        found.append(Use("supply measured", self.supply["pin"], "SUPPLY", "adc", "input", "supply"))
        return found

    def pin_of(self, gp: int) -> Pin:
        """The header pin of a GP number. KeyError if it is on none."""
        return {pin.gp: pin for pin in self.pins if pin.gp is not None}[gp]

    def spare(self) -> list[Pin]:
        """GP pins on the header that nothing hangs on."""
        used = {use.gp for use in self.uses()}
        return [pin for pin in self.pins if pin.gp is not None and pin.gp not in used]

    def settings(self, chips: list[str] | None = None, things: tuple[str, ...] = THINGS) -> dict[str, Any]:
        """What ``config.json`` must say of pins and buses for a build with these chips (default: the standard
        build's) and things."""
        chips = chips or [may[0] for _, may in self.channels]
        panel: dict[str, Any] = {"screen": "ssd1306", "i2c": 0, "address": self.screen_address}
        panel |= {"buzzer": self.buzzer if "buzzer" in things else -1}
        panel |= {name: gp if "buttons" in things else -1 for name, gp in self.buttons.items()}
        has_supply = "supply" in things
        return {
            "channels": [{"chip": chip, "spi": 0, "cs": cs} for chip, cs in zip(chips, self.selects, strict=True)],
            "spi": [{"id": 0, **self.spi}],
            "i2c": [{"id": 0, **self.i2c}] if "screen" in things else [],
            "panel": panel,
            "supply_pin": self.supply["pin"] if has_supply else 0,
            "supply_ratio": self.supply["ratio"],
        }


def load(file: Path = FILE) -> PinMap:
    """Read the map. Raises PinMapError for one that contradicts itself or the board, or lacks something."""
    try:
        return read(tomllib.loads(file.read_text(encoding="utf-8")))
    except tomllib.TOMLDecodeError as error:
        raise PinMapError(f"{file}: {error}") from None


def read(given: dict[str, Any]) -> PinMap:
    """Make the map of what the file says. Raises PinMapError."""
    try:
        made = _made(given)
    except (KeyError, TypeError) as error:
        raise PinMapError(f"pinmap: there is no {error}, or it is of another kind") from None
    if wrong := complaints(made):
        raise PinMapError("\n".join(wrong))
    return made


def _made(given: dict[str, Any]) -> PinMap:
    board = given["board"]
    pins = tuple(
        Pin(one["n"], one.get("name") or f"GP{one['gp']}", one.get("gp"), frozenset(one.get("offers", ())))
        for one in board["pins"]
    )
    return PinMap(
        board["type"], pins, {int(gp): why for gp, why in board["reserved"].items()},
        _numbers(given["spi0"], "sck", "mosi", "miso", "baud"), _numbers(given["i2c0"], "sda", "scl", "baud"),
        tuple((one["cs"], tuple(one["chips"])) for one in given["channel"]), given["screen"]["address"],
        given["buzzer"]["pin"], _numbers(given["buttons"], "page", "note"),
        _numbers(given["supply"], "pin", "ratio"), tuple(_part(one) for one in given["part"]),
    )


def _numbers(table: dict[str, int], *keys: str) -> dict[str, int]:
    return {key: table[key] for key in keys}


def _part(one: dict[str, Any]) -> Part:
    pads = tuple((pad, kind, net) for pad, (kind, net) in one.get("pads", {}).items())
    return Part(one["ref"], one["what"], one["rating"], tuple(one["choices"]), one.get("note", ""),
                one.get("each") == "channel", one.get("chip", ""), one.get("with", ""), one.get("ohm", 0), pads)


def complaints(made: PinMap) -> list[str]:
    """What is wrong with a map: a pin used twice, one that does not offer what is asked, one that is not there."""
    return [*_of_pins(made), *_of_board(made), *_of_parts(made)]


def _of_pins(made: PinMap) -> list[str]:
    wrong: list[str] = []
    taken: dict[int, str] = {}
    at = {pin.gp: pin for pin in made.pins if pin.gp is not None}
    for use in made.uses():
        if use.gp in taken:
            wrong.append(f"GP{use.gp}: {use.what} and {taken[use.gp]} are both on it")
        taken[use.gp] = use.what
        if use.gp in made.reserved:
            wrong.append(f"GP{use.gp}: {use.what} is on a pin of the board's own ({made.reserved[use.gp]})")
        elif use.gp not in at:
            wrong.append(f"GP{use.gp}: {use.what} is on a pin that is not on the header")
        elif use.asks and use.asks not in at[use.gp].offers:
            wrong.append(f"GP{use.gp}: {use.what} asks for {use.asks}, which is not there")
    return wrong


def _of_board(made: PinMap) -> list[str]:
    wrong = []
    if [pin.n for pin in made.pins] != list(range(1, len(made.pins) + 1)):
        wrong.append("board.pins: header pins are not numbered from 1 on, each once")
    gps = [pin.gp for pin in made.pins if pin.gp is not None] + list(made.reserved)
    wrong += [f"GP{gp}: is twice on the board" for gp in sorted(set(gps)) if gps.count(gp) > 1]
    wrong += [f"channel {c}: no such chip: {', '.join(may) or 'none'}"
              for c, (_, may) in enumerate(made.channels) if not may or not set(may) <= set(CHIPS)]
    return wrong


def _of_parts(made: PinMap) -> list[str]:
    wrong = []
    for part in made.parts:
        if len(set(part.choices)) < 2:
            wrong.append(f"{part.ref} ({part.what}): fewer than two choices")
        if part.thing not in ("", *THINGS):
            wrong.append(f"{part.ref}: there is no {part.thing!r} that it could be with")
        wrong += [f"{part.ref}.{pad}: no such electrical kind: {kind}"
                  for pad, kind, _ in part.pads if kind not in KINDS]
    top, bottom = (next((p.ohm for p in made.parts if p.ref == ref), 0) for ref in ("R4", "R5"))
    if not bottom or round(1000 * (top + bottom) / bottom) != made.supply["ratio"]:
        wrong.append(f"supply.ratio: {made.supply['ratio']} is not what R4 and R5 make: {top} over {bottom} Ohm")
    return wrong


def board_pads(made: PinMap) -> list[tuple[str, str, str]]:
    """(pad, kind, net) of the board's supply and ground pins; pads are named by number and name: ``36 3V3``."""
    kinds = {"3V3": "power-out", "VSYS": "power-or"}
    found = []
    for pin in made.pins:
        if pin.name in _GROUNDS:
            found.append((f"{pin.n} {pin.name}", "ground", "GND"))
        elif pin.name in kinds:
            found.append((f"{pin.n} {pin.name}", kinds[pin.name], pin.name))
    return found
