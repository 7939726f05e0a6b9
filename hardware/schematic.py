"""The schematic, drawn with schemdraw from the netlist: every pad says the net that it is on.

Nets are named, not drawn across the page: two pads with one name are joined. What the picture says of a pad comes from
the netlist alone, so that it cannot differ from it.
"""

from typing import Literal

import schemdraw
import schemdraw.elements as elm

from netlist import Build, Nets, nets_of
from pinmap import PinMap

_LEAD = 0.6
_SIZE = 10
_ROW, _COLUMN = 5.2, 14.0  # of the amplifiers

_NOTE = ("Pads with the same net name (blue) are joined. C0b to C5b, and often C0a to C5a, are on a bought module "
         "already. The lower row is not needed: leave out what you do not want.")
# What stands beside a part with two pads; its rating is in the parts list.
_VALUES = {"R1": "4.7k", "R2": "4.7k", "R3": "330", "R4": "200k", "R5": "100k", "C1": "100n", "F1": "500 mA",
           "D1": "Schottky", "SW1": "next page", "SW2": "note", "LS1": "piezo", "BT1": "3 x AA"}

_H = Literal["left", "center", "right"]
_V = Literal["top", "center", "bottom"]
Ends = dict[tuple[str, str], str]  # (part, pad) -> net


def draw(pinmap: PinMap, build: Build) -> str:
    """Return the schematic of a build as SVG."""
    schemdraw.use("svg")
    ends = _ends(nets_of(pinmap, build))
    drawing = schemdraw.Drawing(show=False)
    drawing.config(unit=2, fontsize=_SIZE, lw=1.2, font="sans-serif", bgcolor="white", margin=0.3)
    _text(drawing, (-4, 4.6), "Pitscribe logger: schematic", "left", "center", _SIZE + 4)
    _text(drawing, (-4, 3.7), _NOTE, "left", "center")
    _board(drawing, pinmap, ends)
    for channel, chip in enumerate(build.chips):
        _amplifier(drawing, ends, channel, chip, (13.5 + _COLUMN * (channel % 2), -_ROW * (channel // 2)))
    _things(drawing, pinmap, build, ends)
    return bytes(drawing.get_imagedata("svg")).decode()


def _ends(nets: Nets) -> Ends:
    return {(end.ref, end.pad): net for net, ends in nets.items() for end in ends}


def _text(drawing: schemdraw.Drawing, at: tuple[float, float], text: str, halign: _H, valign: _V,
          size: float = _SIZE, colour: str = "black") -> None:
    if valign == "center":
        at = (at[0], at[1] - 0.08)  # schemdraw sets a line's middle too high
    mark = elm.Label().at(at).theta(0).color(colour)
    drawing.add(mark.label(text, loc="center", halign=halign, valign=valign, fontsize=size, ofst=(0, 0)))


# Where a net's name stands at the end of a lead that goes that way: alignment, and the step from the end.
_BESIDE: dict[str, tuple[_H, _V, float, float]] = {
    "right": ("left", "center", 0.1, 0), "left": ("right", "center", -0.25, 0),
    "up": ("center", "bottom", 0, 0.1), "down": ("center", "top", 0, -0.2),
}


def _tag(drawing: schemdraw.Drawing, at: tuple[float, float], way: str, net: str) -> None:
    """A short lead, and at its end the net's name; ground and supply have their symbols besides."""
    lead = drawing.add(elm.Line().at(at).length(_LEAD).theta({"right": 0, "left": 180, "up": 90, "down": 270}[way]))
    end = lead.end
    halign, valign, dx, dy = _BESIDE[way]
    x, y = end[0] + dx, end[1] + dy
    if net == "GND" and way == "down":
        drawing.add(elm.Ground().at(end).theta(0))
        y -= 0.65
    colour = {"GND": "#000000", "3V3": "#D55E00"}.get(net, "#0072B2")  # Okabe and Ito's vermilion and blue
    _text(drawing, (x, y), net, halign, valign, colour=colour)


def _ic(drawing: schemdraw.Drawing, at: tuple[float, float], ref: str, what: str, left: list[str], right: list[str],
        ends: Ends, size: tuple[float, float]) -> None:
    """A box with pads left and right, each tagged with its net."""
    x, y = at
    width, height = size
    box = elm.Rect(corner1=(x - width / 2, y - height / 2), corner2=(x + width / 2, y + height / 2))
    drawing.add(box.at((0, 0)).theta(0))
    _text(drawing, (x, y + height / 2 + 0.15), f"{ref}  {what}", "center", "bottom")
    sides: tuple[tuple[_H, int, list[str]], ...] = (("left", -1, left), ("right", 1, right))
    for way, sign, pads in sides:
        for i, pad in enumerate(pads):
            at_y = y + height / 2 - height * (i + 0.5) / len(pads)
            _text(drawing, (x + sign * (width / 2 - 0.2), at_y), pad, way, "center")
            _tag(drawing, (x + sign * width / 2, at_y), way, ends[ref, pad])


def _board(drawing: schemdraw.Drawing, pinmap: PinMap, ends: Ends) -> None:
    """The board with the pins that are used, in the order of its header; the others are open."""
    ref = pinmap.parts[0].ref
    used = [pad for (part, pad) in ends if part == ref]
    by_number = sorted(used, key=lambda pad: int(pad.split()[0]))
    half = len(pinmap.pins) // 2
    left = [pad for pad in by_number if int(pad.split()[0]) <= half]
    right = [pad for pad in by_number if int(pad.split()[0]) > half][::-1]
    _ic(drawing, (1.5, -5.2), ref, pinmap.board, left, right, ends, (5.4, 14.5))


def _amplifier(drawing: schemdraw.Drawing, ends: Ends, c: int, chip: str, at: tuple[float, float]) -> None:
    """An amplifier with its capacitors, socket and probe."""
    ref, out = f"A{c}", "SDO" if chip == "max31856" else "SO"
    left = ["VCC", "GND", "SCK", "CS", *(["SDI"] if chip == "max31856" else []), out]
    _ic(drawing, at, ref, chip.upper(), left, ["T+", "T-"], ends, (2.4, 3.0))
    x, y = at[0] + 3.6, at[1]
    _two(drawing, elm.Capacitor(), (x, y + 0.9), f"C{c}a", "10n", ("1", "2"), ends, 1.8)
    _two(drawing, elm.Capacitor(), (x - 8.6, y + 0.9), f"C{c}b", "100n", ("1", "2"), ends, 1.8)
    _pair(drawing, (x + 2.0, y), f"J{c}", "socket", ends)
    _pair(drawing, (x + 3.6, y), f"P{c}", "probe", ends)


def _two(drawing: schemdraw.Drawing, element: elm.Element2Term, at: tuple[float, float], ref: str, value: str,
         pads: tuple[str, str], ends: Ends, length: float) -> None:
    """A part with two pads, drawn downwards; its pads' names stand where they matter (polarity)."""
    part = drawing.add(element.at(at).theta(270).length(length))
    beside = at[0] + (0.6 if ref.startswith("SW") else 0.4)
    _text(drawing, (beside, at[1] - length / 2), f"{ref}\n{value}", "left", "center", _SIZE - 2)
    for pad, end, step, way in ((pads[0], part.start, -0.25, "up"), (pads[1], part.end, 0.25, "down")):
        if pad not in ("1", "2"):  # its ends differ
            _text(drawing, (end[0] - 0.15, end[1] + step), pad, "right", "center", _SIZE - 2)
        _tag(drawing, end, way, ends[ref, pad])


def _pair(drawing: schemdraw.Drawing, at: tuple[float, float], ref: str, what: str, ends: Ends) -> None:
    """The two poles of a thermocouple's socket or probe."""
    x, y = at
    _text(drawing, at, f"{ref}\n{what}", "center", "center", _SIZE - 2)
    for pad, way, step in (("+", "up", 0.55), ("-", "down", -0.55)):
        drawing.add(elm.Dot(open=True).at((x, y + step)))
        _tag(drawing, (x, y + step), way, ends[ref, pad])


_ELEMENTS = {"R": elm.Resistor, "C": elm.Capacitor, "F": elm.Fuse, "D": elm.Schottky, "SW": elm.Button,
             "LS": elm.RBox, "BT": elm.Battery}


def _things(drawing: schemdraw.Drawing, pinmap: PinMap, build: Build, ends: Ends) -> None:
    """What a logger works without, in a row below: a part with two pads each, and the screen."""
    pads_of = {part.ref: [pad for pad, _, _ in part.pads] for part in pinmap.parts}
    x, y = -2.5, -16.6
    for thing, refs in (("screen", ("R1", "R2")), ("buzzer", ("R3", "LS1")), ("buttons", ("SW1", "SW2")),
                        ("supply", ("R4", "R5", "C1")), ("battery", ("BT1", "F1", "D1"))):
        if thing not in build.things:
            continue
        _text(drawing, (x - 0.8, y + 2.3), f"{thing}:", "left", "center")
        if thing == "screen":
            _ic(drawing, (x + 1.6, y - 1), "DS1", "screen", ["VCC", "GND", "SCL", "SDA"], [], ends, (2.0, 2.4))
            x += 4.2
        for ref in refs:
            pads = pads_of[ref]
            element = _ELEMENTS[ref.rstrip("0123456789")]()
            _two(drawing, element, (x, y), ref, _VALUES[ref], (pads[0], pads[1]), ends, 2.0)
            x += 2.3
        x += 0.8
