"""The wiring picture: the board as it lies on the table, the modules, and every wire from pad to pad. Our own SVG.

A wire is drawn from the netlist and carries it (``data-net``, ``data-ends``), so that a test can hold the picture to
it. What a bought module has on it (its supply capacitor) is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

from netlist import Build, nets_of
from pinmap import Pin, PinMap

_TOP, _PITCH = 250, 36  # of the board's pins
_LEFT, _RIGHT = 520, 700  # the board's edges
_MODULE_X, _MODULE_W, _MODULE_TOP, _MODULE_PITCH, _PAD = 1120, 210, 253, 144, 17
_THING_X, _THING_W = 40, 200
# Okabe and Ito's colours, by role; every pad says in words where its wire goes besides.
_COLOURS = {"3V3": "#D55E00", "GND": "#000000", "SPI0_SCK": "#0072B2", "SPI0_MISO": "#009E73", "SPI0_MOSI": "#56B4E9",
            "I2C0_SDA": "#0072B2", "I2C0_SCL": "#56B4E9", "VSYS": "#E69F00"}
_OTHER = "#CC79A7"


@dataclass
class _Sheet:
    """What is drawn so far, and where each pad is: (part, pad) -> (x, y)."""

    marks: list[str] = field(default_factory=list)
    at: dict[tuple[str, str], tuple[float, float]] = field(default_factory=dict)

    def box(self, x: float, y: float, w: float, h: float, fill: str) -> None:
        self.marks.append(f'<rect x="{x}" y="{y}" width="{w}" height="{h}" rx="6" fill="{fill}" stroke="#333"/>')

    def text(
        self, x: float, y: float, text: str, anchor: str = "start", size: int = 13, weight: str = "normal"
    ) -> None:
        self.marks.append(f'<text x="{x}" y="{y + size * 0.35:.1f}" text-anchor="{anchor}" font-size="{size}" '
                          f'font-weight="{weight}">{escape(text)}</text>')

    def line(self, points: Sequence[tuple[float, float]], colour: str, width: float = 2.4) -> None:
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        self.marks.append(f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width}"/>')

    def dot(self, x: float, y: float, colour: str, r: float = 4) -> None:
        self.marks.append(f'<circle cx="{x:g}" cy="{y:g}" r="{r}" fill="{colour}"/>')

    def begin(self, net: str, ends: list[tuple[str, str]]) -> None:
        said = "; ".join(f"{ref}: {pad}" for ref, pad in ends)
        self.marks.append(f'<g class="wire" data-net="{escape(net)}" data-ends="{escape(said)}">')

    def end(self) -> None:
        self.marks.append("</g>")


class Picture:
    """One picture of one build."""

    def __init__(self, pinmap: PinMap, build: Build) -> None:
        self._map, self._build = pinmap, build
        self._nets = nets_of(pinmap, build)
        self._net_of = {(end.ref, end.pad): net for net, ends in self._nets.items() for end in ends}
        self._ref = pinmap.parts[0].ref
        self._sheet = _Sheet()
        # The board's pad from which a net's wire starts: its only one, of ground one on each side.
        self._from = {net: (self._ref, end.pad) for net, ends in self._nets.items() for end in ends
                      if end.ref == self._ref and net != "GND"}

    def draw(self) -> str:
        """Return the SVG."""
        sheet = self._sheet
        sheet.text(40, 40, "Pitscribe logger: wiring, seen from above, USB socket up", size=24, weight="bold")
        sheet.text(40, 74, "A dot joins; wires that cross without one do not. Each pad says which header pin its wire "
                           "goes to. Work with the supply unplugged.", size=15)
        self._board()
        for channel in range(len(self._build.chips)):
            self._module(channel)
        sheet.text(_MODULE_X + _MODULE_W, 170, "+ and - by the wire's colours: see BUILD.md.", size=12)
        sheet.text(_MODULE_X + _MODULE_W, 188, "C0a to C5a: in the module's terminals,", size=12)
        sheet.text(_MODULE_X + _MODULE_W, 206, "unless the module has them.", size=12)
        self._left_things()
        self._right_things()
        self._wires()
        body = "\n".join(sheet.marks)
        return ('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1660 1420" width="1660" height="1420" '
                'font-family="sans-serif"><title>Wiring of the Pitscribe logger</title>'
                f'<rect width="1660" height="1420" fill="white"/>\n{body}\n</svg>\n')

    def _pin_at(self, pin: Pin) -> tuple[float, float]:
        half = len(self._map.pins) // 2
        if pin.n <= half:
            return _LEFT, _TOP + (pin.n - 1) * _PITCH
        return _RIGHT, _TOP + (2 * half - pin.n) * _PITCH

    def _board(self) -> None:
        sheet = self._sheet
        half = len(self._map.pins) // 2
        sheet.box(_LEFT, _TOP - 40, _RIGHT - _LEFT, half * _PITCH + 50, "#e8f2e8")
        sheet.box((_LEFT + _RIGHT) / 2 - 30, _TOP - 58, 60, 40, "#cccccc")
        sheet.text((_LEFT + _RIGHT) / 2, _TOP - 38, "USB", "middle")
        middle = _TOP + half * _PITCH / 2
        sheet.text((_LEFT + _RIGHT) / 2, middle, self._ref, "middle", 18, "bold")
        for pin in self._map.pins:
            x, y = self._pin_at(pin)
            pad = f"{pin.n} {pin.name}"
            used = (self._ref, pad) in self._net_of
            sheet.dot(x, y, "#b8860b" if used else "#bbbbbb", 6)
            inward = 14 if x == _LEFT else -14
            sheet.text(x + inward, y, pad, "start" if x == _LEFT else "end", 13, "bold" if used else "normal")
            sheet.at[self._ref, pad] = (x, y)

    def _goes_to(self, net: str, side: str) -> str:
        if net == "GND":
            grounds = [(end.ref, end.pad) for end in self._nets[net] if end.ref == self._ref]
            return f"pin {self._start(grounds, side)[1]}"
        pad = self._from.get(net, ("", ""))[1]
        return f"pin {pad}" if pad else net

    def _part(self, x: float, y: float, w: float, ref: str, what: str, pads: list[str], right: bool) -> None:
        """A box whose pads are on its right or left edge, each with the pin that its wire goes to."""
        sheet = self._sheet
        sheet.box(x, y - 30, w, 36 + _PAD * len(pads), "#eef3fb")
        sheet.text(x + w / 2, y - 16, f"{ref}  {what}", "middle", 14, "bold")
        for i, pad in enumerate(pads):
            edge, py = (x + w if right else x), y + 8 + _PAD * i
            words = f"{pad}: {self._goes_to(self._net_of[ref, pad], 'left' if right else 'right')}"
            sheet.text(edge + (-10 if right else 10), py, words, "end" if right else "start")
            sheet.dot(edge, py, "#b8860b", 5)
            sheet.at[ref, pad] = (edge, py)

    def _module(self, c: int) -> None:
        chip = self._build.chips[c]
        out = ["SDI", "SDO"] if chip == "max31856" else ["SO"]
        y = _MODULE_TOP + _MODULE_PITCH * c
        self._part(_MODULE_X, y, _MODULE_W, f"A{c}", f"{chip.upper()}, channel {c}", ["VCC", "GND", "SCK", "CS", *out],
                   right=False)
        sheet, x = self._sheet, _MODULE_X + _MODULE_W
        for pad, py in (("T+", y + 20), ("T-", y + 70)):
            sheet.dot(x, py, "#b8860b", 5)
            sheet.text(x - 10, py, pad, "end")
            sheet.at[f"A{c}", pad] = (x, py)
        sheet.box(x + 40, y + 36, 46, 18, "#fff4d6")
        sheet.text(x + 63, y + 45, f"C{c}a", "middle", 11)
        sheet.at[f"C{c}a", "1"], sheet.at[f"C{c}a", "2"] = (x + 63, y + 36), (x + 63, y + 54)
        sheet.box(x + 130, y + 5, 120, 80, "#f2f2f2")
        sheet.text(x + 190, y + 36, f"P{c}  probe", "middle", 13, "bold")
        sheet.text(x + 190, y + 56, "in its socket" if self._has(f"J{c}") else "", "middle", 11)
        for pad, py in (("+", y + 20), ("-", y + 70)):
            sheet.dot(x + 130, py, "#b8860b", 5)
            sheet.text(x + 140, py, pad, "start", 15, "bold")
            sheet.at[f"P{c}", pad] = sheet.at[f"J{c}", pad] = (x + 130, py)

    def _has(self, ref: str) -> bool:
        return any(part == ref for part, _ in self._net_of)

    def _left_things(self) -> None:
        """Screen, buttons and sounder, left of the board; their pads look right."""
        sheet, x, edge = self._sheet, _THING_X, _THING_X + _THING_W
        if self._has("DS1"):
            self._part(x, 371, _THING_W, "DS1", "screen", ["VCC", "GND", "SCL", "SDA"], right=True)
            sheet.text(x, 470, "R1, R2: on the screen's module already;", size=12)
            sheet.text(x, 487, "else from SDA and SCL to VCC, 4.7 kOhm", size=12)
        for ref, what, y in (("SW2", "button, note", 772), ("SW1", "button, next page", 872)):
            if self._has(ref):
                self._part(x, y, _THING_W, ref, what, ["1", "2"], right=True)
        if self._has("LS1"):
            self._frame(x, 980, _THING_W, 100, "sounder")
            self._chain("BUZZER", [("R3", "330", x + 130), ("LS1", "piezo", x + 30)], edge, 1014, -1)
            self._hop("GND", ("LS1", "2"), [(x + 15, 1014), (x + 15, 1060), (edge, 1060)])

    def _right_things(self) -> None:
        """The supply's divider and the battery, right of the board, below the modules; their pads look left."""
        x, y = _MODULE_X, 1180
        if self._has("R4"):
            self._frame(x, y - 20, 460, 100, "supply measured")
            self._chain("VSYS", [("R4", "200k", x + 170)], x, y, 1)
            self._hop("SUPPLY", ("R4", "2"), [(x + 230, y), (x + 250, y), (x + 250, y + 32), (x, y + 32)])
            for ref, what, rx in (("R5", "100k", x + 270), ("C1", "100n", x + 360)):
                self._box(ref, what, rx, y + 48)
                top = [(x + 250, y + 32), (rx + 30, y + 32), (rx + 30, y + 38)]
                self._inner("SUPPLY", [("R5", "1"), ("C1", "1")], top)
                self._inner("GND", [(ref, "2")], [(rx + 30, y + 58), (rx + 30, y + 70)])
            self._hop("GND", ("R5", "2"), [(x + 390, y + 70), (x, y + 70)])
            self._sheet.at["C1", "2"] = (x + 390, y + 70)
        y = 1310
        if self._has("BT1"):
            self._frame(x, y - 20, 460, 80, "battery")
            self._chain("VSYS", [("D1", "ring left", x + 170), ("F1", "500 mA", x + 270), ("BT1", "+ left", x + 370)],
                        x, y, 1)
            self._hop("GND", ("BT1", "-"), [(x + 430, y), (x + 445, y), (x + 445, y + 45), (x, y + 45)])

    def _frame(self, x: float, y: float, w: float, h: float, name: str) -> None:
        self._sheet.box(x, y, w, h, "#fdf6ee")
        self._sheet.text(x + w / 2, y + h + 12, name, "middle", 14, "bold")

    def _box(self, ref: str, what: str, x: float, y: float) -> None:
        self._sheet.box(x, y - 10, 60, 20, "#fff4d6")
        self._sheet.text(x + 30, y, f"{ref} {what}", "middle", 10)

    def _inner(self, net: str, ends: list[tuple[str, str]], points: Sequence[tuple[float, float]]) -> None:
        """A piece of a net within a frame."""
        self._sheet.begin(net, ends)
        self._sheet.line(points, _COLOURS.get(net, _OTHER))
        self._sheet.end()

    def _hop(self, net: str, end: tuple[str, str], points: list[tuple[float, float]]) -> None:
        """A wire within a frame from a part to the frame's edge, where the outer wire takes it on."""
        self._inner(net, [end], points)
        x, y = points[-1]
        self._edge(net, end, x, y)

    def _edge(self, net: str, end: tuple[str, str], x: float, y: float) -> None:
        right = x == _THING_X + _THING_W
        self._sheet.dot(x, y, "#b8860b", 5)
        self._sheet.text(x + (-8 if right else 8), y - 15 if right else y - 9,
                         self._goes_to(net, "left" if right else "right"), "end" if right else "start", 11)
        self._sheet.at[end] = (x, y)

    def _chain(self, net: str, row: list[tuple[str, str, float]], edge: float, y: float, way: int) -> None:
        """Parts in a row, the first one's first pad (a diode's K) to the frame's edge, each to the next behind it."""
        at, end = edge, None
        for ref, what, x in row:
            pads = [pad for part, pad in self._net_of if part == ref]
            near, far = sorted(pads, key=lambda pad: self._net_of[ref, pad] != net)
            self._box(ref, what, x, y)
            start = x if way > 0 else x + 60
            self._inner(net, [(ref, near), *([end] if end else [])], [(at, y), (start, y)])
            if end is None:
                self._edge(net, (ref, near), edge, y)
            at, end, net = (x + 60 if way > 0 else x), (ref, far), self._net_of[ref, far]

    def _wires(self) -> None:
        """One track in the gutter for each net that leaves the board; the probes' wires besides."""
        tracks = {"left": iter(range(_LEFT - 25, 260, -20)), "right": iter(range(_RIGHT + 40, _MODULE_X - 60, 24))}
        for net in sorted(self._nets, key=self._order):
            ends = [(end.ref, end.pad) for end in self._nets[net] if (end.ref, end.pad) in self._sheet.at]
            mine = [end for end in ends if end[0] == self._ref]
            for side in ("right", "left"):
                here = [end for end in ends if end[0] != self._ref and self._side(end) == side]
                if mine and here:
                    self._track(net, self._start(mine, side), here, side, next(tracks[side]))
        for c in range(len(self._build.chips)):
            for pole in "+-":
                self._probe(f"TC{c}{pole}", pole)

    def _order(self, net: str) -> tuple[float, str]:
        """Tracks nearest to the board are those of the pins that are furthest down."""
        ends = [self._sheet.at[end.ref, end.pad] for end in self._nets[net] if end.ref == self._ref]
        return (-max(y for _, y in ends) if ends else 0.0, net)

    def _side(self, end: tuple[str, str]) -> str:
        return "left" if self._sheet.at[end][0] < (_LEFT + _RIGHT) / 2 else "right"

    def _start(self, mine: list[tuple[str, str]], side: str) -> tuple[str, str]:
        """Where a net's wire leaves the board: on that side if it can, else on the other; ground as far up as it is."""
        there = [end for end in mine if self._side(end) == side]
        return min(there or mine, key=lambda end: self._sheet.at[end][1])

    def _track(self, net: str, start: tuple[str, str], ends: list[tuple[str, str]], side: str, x: float) -> None:
        sheet, colour = self._sheet, _COLOURS.get(net, _OTHER)
        sx, sy = sheet.at[start]
        levels = [sheet.at[end][1] for end in ends]
        sheet.begin(net, [start, *ends])
        if self._side(start) == side:
            sheet.line([(sx, sy), (x, sy)], colour)
            levels.append(sy)
        else:  # over the top of the board
            over = _TOP - 90
            sheet.line([(sx, sy), (_RIGHT + 20, sy), (_RIGHT + 20, over), (x, over)], colour)
            levels.append(over)
        sheet.line([(x, min(levels)), (x, max(levels))], colour)
        for end in ends:
            ex, ey = sheet.at[end]
            sheet.line([(x, ey), (ex, ey)], colour)
        for level in levels:
            if min(levels) < level < max(levels):
                sheet.dot(x, level, colour)
        sheet.end()

    def _probe(self, net: str, pole: str) -> None:
        """A thermocouple's wire from the module to the socket and probe, the capacitor across on its way."""
        sheet = self._sheet
        ends = [(end.ref, end.pad) for end in self._nets[net] if (end.ref, end.pad) in sheet.at]
        (mx, my), (px, _) = (sheet.at[end] for end in (ends[0], ends[-1]))
        sheet.begin(net, ends)
        sheet.line([(mx, my), (px, my)], "#b8860b" if pole == "+" else "#7f7f7f")
        cx, cy = next(sheet.at[end] for end in ends if end[0].startswith("C"))
        sheet.line([(cx, my), (cx, cy)], "#b8860b" if pole == "+" else "#7f7f7f", 1.6)
        sheet.end()


def draw(pinmap: PinMap, build: Build) -> str:
    """Return the wiring picture of a build as SVG."""
    return Picture(pinmap, build).draw()
