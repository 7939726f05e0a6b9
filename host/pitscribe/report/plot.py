"""A small kit for plots as inline SVG: panels one beneath the other over one x axis; lines, bands, spans, marks, names.

What a line is for is told by its style and by its name beside it; colours, of Okabe and Ito's set, are by role and come
on top, so that a print in black and white can be read. Sizes are in the drawing's own units, which the page scales.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

INK, QUIET, RULE = "#1b1815", "#564f47", "#dcd6ca"
STALL, WARN, BAND = "#56b4e9", "#e69f00", "#f0e442"
APART = 12.0  # between two names one beneath the other
_LETTER = 5.9  # width of one, about
_DOT = 6.5  # half width of a numbered mark
_MOST = 1200  # points of a line: more are thinned to the least and the greatest of each stretch


class Style(NamedTuple):
    """How a line is drawn."""

    colour: str
    dash: str = ""
    width: float = 1.6


AIR = (Style("#d55e00", "", 1.1), Style("#b87a00", "5 2", 1.1), Style("#d55e00", "2 2", 1.1))
MEAT = (Style("#0072b2", "", 2.0), Style("#00805d", "7 3", 2.0), Style("#3a94cf", "2 2", 2.2),
        Style(INK, "9 3 2 3", 1.8))
COOKS = (Style(INK, "", 2.0), Style("#0072b2", "7 3", 2.0), Style("#d55e00", "2 2", 2.2),
         Style("#00805d", "9 3 2 3", 2.0))


def style_of(styles: Sequence[Style], i: int) -> Style:
    """The i-th style; they come again where there are more lines than styles."""
    return styles[i % len(styles)]


@dataclass
class Drawing:
    """A whole plot. ``label`` is what it is called for those who do not see it; ``x`` the ends of its x axis."""

    label: str
    x: tuple[float, float]
    width: float = 720.0
    left: float = 40.0
    right: float = 70.0
    panels: list["Panel"] = field(default_factory=list)
    parts: list[str] = field(default_factory=list)
    below: float = 0.0

    def px(self, x: float) -> float:
        """Where a value of x lies; what is beyond the axis lies at its end."""
        low, high = self.x
        inside = min(max(x, low), high)
        return self.left + (inside - low) / (high - low) * (self.width - self.left - self.right)

    def panel(self, height: float, y: tuple[float, float], title: str, *, head: float = 0.0, ruled: int = 5) -> "Panel":
        """A panel beneath the others.

        y : ends of its axis;  head : room above it for marks;  ruled : about so many lines across, 0: none
        """
        top = self.below + head + 20.0
        made = Panel(self, top, height, y)
        self.panels.append(made)
        self.below = top + height
        self.text(self.left, top - head - 7.0, title, strong=True)
        for value in ticks(*y, ruled) if ruled else ():
            self.line(self.left, self.width - self.right, made.py(value), made.py(value), RULE)
            self.text(self.left - 5.0, made.py(value) + 4.0, f"{value:g}", anchor="end")
        return made

    def foot(self, at: Sequence[tuple[float, str]], words: str) -> None:
        """The x axis under the last panel: (value, what is written there), and what it is."""
        for x, text in at:
            for one in self.panels:
                one.behind.append(straight(self.px(x), self.px(x), one.top, one.top + one.height, RULE))
            self.text(self.px(x), self.below + 14.0, text, anchor="middle")
        self.below += 28.0
        self.text((self.left + self.width - self.right) / 2, self.below, words, anchor="middle", colour=QUIET)
        self.below += 6.0

    def text(self, x: float, y: float, words: str, *, anchor: str = "start", colour: str = INK, strong: bool = False
             ) -> None:
        """Words at a point of the drawing."""
        weight = ' font-weight="650"' if strong else ""
        self.parts.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}"{weight}>'
                          f"{escape(words)}</text>")

    def line(self, x1: float, x2: float, y1: float, y2: float, colour: str, *, dash: str = "", width: float = 1.0
             ) -> None:
        """A straight line between two points of the drawing."""
        self.parts.append(straight(x1, x2, y1, y2, colour, dash=dash, width=width))

    def svg(self, kind: str = "") -> str:
        """The element; ``kind`` is its class. What lies behind (``Panel.span``, ``Panel.band``) is drawn first."""
        for one in self.panels:
            one.write_names()
        behind = [part for one in self.panels for part in one.behind]
        frames = [f'<rect x="{self.left:g}" y="{one.top:.1f}" width="{self.width - self.left - self.right:g}" '
                  f'height="{one.height:g}" fill="none" stroke="{QUIET}"/>' for one in self.panels]
        return (f'<svg class="{kind}" viewBox="0 0 {self.width:g} {self.below:.0f}" role="img" '
                f'aria-label="{escape(self.label)}">' + "".join((*behind, *self.parts, *frames)) + "</svg>")


@dataclass
class Panel:
    """One panel of a drawing."""

    drawing: Drawing
    top: float
    height: float
    y: tuple[float, float]
    names: list[tuple[float, str, str]] = field(default_factory=list)  # where, what, colour
    behind: list[str] = field(default_factory=list)

    def py(self, y: float) -> float:
        """Where a value of y lies; what is beyond the axis lies at its end."""
        low, high = self.y
        return self.top + (high - min(max(y, low), high)) / (high - low) * self.height

    def curve(self, x: FloatArray, y: FloatArray, style: Style, name: str = "") -> None:
        """A line, broken where ``y`` is not finite, with its name at its right end. float64 (n,) each."""
        path, pen = [], "M"
        for a, b in zip(*thinned(x, y), strict=True):
            if not np.isfinite(b):
                pen = "M"
                continue
            path.append(f"{pen}{self.drawing.px(float(a)):.1f} {self.py(float(b)):.1f}")
            pen = "L"
        self.drawing.parts.append(f'<path d="{"".join(path)}" fill="none" stroke="{style.colour}" stroke-width='
                                  f'"{style.width:g}" stroke-linejoin="round"{_dashed(style.dash)}/>')
        have = np.flatnonzero(np.isfinite(y))
        if name and have.size:
            self.names.append((self.py(float(y[have[-1]])), name, style.colour))

    def span(self, a: float, b: float, colour: str, *, opacity: float = 0.2, y: tuple[float, float] | None = None,
             edge: bool = False) -> None:
        """What is shaded from x ``a`` to ``b``, over all of the panel or between two values of y; with an edge."""
        low, high = self.y if y is None else y
        left, width = self.drawing.px(a), max(self.drawing.px(b) - self.drawing.px(a), 1.5)
        line = f' stroke="{INK}" stroke-width="0.7"' if edge else ""
        self.behind.append(f'<rect x="{left:.1f}" y="{self.py(high):.1f}" width="{width:.1f}" '
                           f'height="{self.py(low) - self.py(high):.1f}" fill="{colour}" fill-opacity="{opacity:g}"'
                           f"{line}/>")

    def band(self, x: FloatArray, low: FloatArray, high: FloatArray, colour: str) -> None:
        """What lies between two lines, shaded. float64 (n,) each, all finite."""
        edge = [*zip(x, high, strict=True), *zip(x[::-1], low[::-1], strict=True)]
        points = " ".join(f"{self.drawing.px(float(a)):.1f},{self.py(float(b)):.1f}" for a, b in edge)
        self.behind.append(f'<polygon points="{points}" fill="{colour}" fill-opacity="0.35"/>')

    def level(self, y: float, name: str = "", *, colour: str = QUIET, dash: str = "6 3") -> None:
        """A line across, named at the right."""
        drawing = self.drawing
        drawing.line(drawing.left, drawing.width - drawing.right, self.py(y), self.py(y), colour, dash=dash)
        if name:
            self.names.append((self.py(y), name, colour))

    def upright(self, x: float, *, colour: str = QUIET, dash: str = "2 2", y: tuple[float, float] | None = None,
                width: float = 1.0) -> None:
        """A line upwards, over all of the panel or between two values of y."""
        low, high = self.y if y is None else y
        at = self.drawing.px(x)
        self.drawing.line(at, at, self.py(low), self.py(high), colour, dash=dash, width=width)

    def marks(self, at: Sequence[tuple[int, float]]) -> None:
        """Numbered marks above the panel: (number, x), x ascending; beside each other where there is room."""
        for (i, x), row in zip(at, rows_of([self.drawing.px(x) for _, x in at]), strict=True):
            px, py = self.drawing.px(x), self.top - 8.0 - 2 * _DOT * row
            self.drawing.line(px, px, py + _DOT, self.top + self.height, QUIET, dash="1 3")
            self.drawing.parts.append(f'<circle cx="{px:.1f}" cy="{py:.1f}" r="{_DOT - 0.5:g}" fill="#fff" '
                                      f'stroke="{INK}"/>')
            self.drawing.parts.append(f'<text class="mark" x="{px:.1f}" y="{py + 3.2:.1f}" text-anchor="middle" '
                                      f'fill="{INK}">{i}</text>')

    def words(self, x: float, y: float, text: str, *, anchor: str = "start", colour: str = INK, down: float = 4.0
              ) -> None:
        """Words beside a point of the panel; they stand ``down`` below it, by themselves in the middle of it."""
        self.drawing.text(self.drawing.px(x), self.py(y) + down, text, anchor=anchor, colour=colour)

    def write_names(self) -> None:
        """Write the names at the right, none over another, as near to their lines as that allows."""
        some = sorted(self.names)
        where = apart([y for y, _, _ in some], APART, self.top, self.top + self.height)
        room = int((self.drawing.right - 6.0) / _LETTER)
        for y, (_, name, colour) in zip(where, some, strict=True):
            self.drawing.text(self.drawing.width - self.drawing.right + 5.0, y + 4.0, shortened(name, room),
                              colour=colour)
        self.names.clear()


def straight(x1: float, x2: float, y1: float, y2: float, colour: str, *, dash: str = "", width: float = 1.0) -> str:
    """The element of a straight line."""
    return (f'<line x1="{x1:.1f}" x2="{x2:.1f}" y1="{y1:.1f}" y2="{y2:.1f}" stroke="{colour}" '
            f'stroke-width="{width:g}"{_dashed(dash)}/>')


def _dashed(dash: str) -> str:
    return f' stroke-dasharray="{dash}"' if dash else ""


def shortened(text: str, letters: int) -> str:
    """A text as far as there is room for it."""
    return text if len(text) <= letters else text[: max(letters - 1, 1)].rstrip() + "\N{HORIZONTAL ELLIPSIS}"


def head_of(at: Sequence[tuple[int, float]], drawing: Drawing) -> float:
    """How much room ``Panel.marks`` needs above a panel for these."""
    return 2 * _DOT * (max(rows_of([drawing.px(x) for _, x in at]), default=-1) + 1)


def rows_of(px: Sequence[float]) -> list[int]:
    """In which row each of some marks stands, so that none covers another; ``px`` ascending."""
    ends: list[float] = []
    rows = []
    for x in px:
        row = next((i for i, end in enumerate(ends) if x - end >= 2 * _DOT), len(ends))
        ends[row : row + 1] = [x]
        rows.append(row)
    return rows


def apart(at: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Ascending places moved until they are ``gap`` apart, between two ends if they have room there."""
    out: list[float] = []
    for y in at:
        out.append(max(y, out[-1] + gap if out else low))
    limit = high
    for i in range(len(out) - 1, -1, -1):
        out[i] = min(out[i], limit)
        limit = out[i] - gap
    return out


def thinned(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A line with no more points than can be seen; the extremes, and where it is broken, stay."""
    if x.size <= _MOST:
        return x, y
    keep = []
    for some in np.array_split(np.arange(x.size), _MOST // 3):
        good = some[np.isfinite(y[some])]
        bad = some[~np.isfinite(y[some])]
        keep += [*bad[:1], *(good[[np.argmin(y[good]), np.argmax(y[good])]] if good.size else [])]
    at = np.unique(np.array(keep, dtype=np.intp))
    return x[at], y[at]


def ticks(low: float, high: float, count: int) -> list[float]:
    """About so many round numbers between two."""
    rough = (high - low) / count
    power = 10.0 ** np.floor(np.log10(rough))
    step = power * next((s for s in (1.0, 2.0, 5.0) if s * power >= rough), 10.0)
    first, last = int(np.ceil(low / step)), int(np.floor(high / step))
    return [round(i * step, 10) for i in range(first, last + 1)]
