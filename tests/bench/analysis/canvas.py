"""A few shapes of SVG over a common time axis: panels one beneath the other, lines, bands, bars, marks, words."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WIDTH, LEFT, RIGHT, TOP, FOOT, BETWEEN = 960.0, 74.0, 120.0, 40.0, 34.0, 30.0
MOST_POINTS = 700  # of a line: a picture has no more
APART = 13.0  # between two names


@dataclass
class Canvas:
    """Hours on the x axis, from 0 to ``hours``; panels are added from the top."""

    title: str
    hours: float
    parts: list[str] = field(default_factory=list)
    below: float = TOP
    panels: list["Panel"] = field(default_factory=list)

    def x(self, hour: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * min(max(hour, 0.0), self.hours) / self.hours

    def panel(self, height: float, low: float, high: float, step: float, label: str) -> "Panel":
        """A panel with a y axis from ``low`` to ``high``, ruled every ``step`` (0: not at all)."""
        made = Panel(self, self.below, height, low, high)
        self.panels.append(made)
        self.below += height + BETWEEN
        self.parts.append(f'<rect x="{LEFT}" y="{made.top:.0f}" width="{WIDTH - LEFT - RIGHT:.0f}" '
                          f'height="{height:.0f}" fill="none" stroke="#999"/>')
        for value in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step if step else ():
            y = made.y(float(value))
            self.parts.append(f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke="#e4e4e4"/>')
            self.text(LEFT - 6, y + 4, f"{value:g}", anchor="end")
        middle = made.top + height / 2
        self.parts.append(f'<text transform="translate(16 {middle:.0f}) rotate(-90)" text-anchor="middle">'
                          f"{escape(label)}</text>")
        for hour in range(0, int(self.hours) + 1, 1 if self.hours <= 12 else 2):
            self.parts.append(f'<line x1="{self.x(hour):.1f}" x2="{self.x(hour):.1f}" y1="{made.top:.0f}" '
                              f'y2="{made.top + height:.0f}" stroke="#eee"/>')
        return made

    def text(self, x: float, y: float, words: str, *, anchor: str = "start", colour: str = "#222", size: int = 12
             ) -> None:
        self.parts.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}" '
                          f'font-size="{size}">{escape(words)}</text>')

    def svg(self) -> str:
        """The whole picture."""
        foot = self.below - BETWEEN
        for panel in self.panels:
            panel.named()
        for hour in range(0, int(self.hours) + 1, 1 if self.hours <= 12 else 2):
            self.text(self.x(hour), foot + 16, f"{hour}", anchor="middle")
        self.text((LEFT + WIDTH - RIGHT) / 2, foot + 31, "hours since the first sample", anchor="middle")
        self.text(LEFT, 24, self.title, size=15)
        height = foot + FOOT + 6
        return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}" role="img" '
                f'font-family="sans-serif" font-size="12"><title>{escape(self.title)}</title>'
                f'<rect width="{WIDTH:g}" height="{height:g}" fill="#fff"/>' + "\n".join(self.parts) + "</svg>\n")


@dataclass
class Panel:
    """One panel of a canvas; x in hours, y in its own unit."""

    canvas: Canvas
    top: float
    height: float
    low: float
    high: float
    labels: list[tuple[float, str, str]] = field(default_factory=list)  # y, name, colour

    def y(self, value: float) -> float:
        return self.top + self.height * (self.high - min(max(value, self.low), self.high)) / (self.high - self.low)

    def line(self, hours: Array, values: Array, colour: str, *, dash: str = "", width: float = 1.6, name: str = ""
             ) -> None:
        """A line, broken where a value is not finite, with its name at its right end."""
        keep = np.unique(np.linspace(0, hours.size - 1, min(hours.size, MOST_POINTS)).astype(int))
        path, pen = [], "M"
        for h, v in zip(hours[keep].tolist(), values[keep].tolist(), strict=True):
            if not np.isfinite(v):
                pen = "M"
                continue
            path.append(f"{pen}{self.canvas.x(h):.1f} {self.y(v):.1f}")
            pen = "L"
        style = f' stroke-dasharray="{dash}"' if dash else ""
        self._add(f'<path d="{"".join(path)}" fill="none" stroke="{colour}" stroke-width="{width}"{style}/>')
        have = np.flatnonzero(np.isfinite(values))
        if name and have.size:
            self.labels.append((self.y(float(values[have[-1]])), name, colour))

    def area(self, hours: Sequence[float], low: Sequence[float], high: Sequence[float], colour: str) -> None:
        """The band between two lines."""
        edge = [*zip(hours, high, strict=True), *reversed([*zip(hours, low, strict=True)])]
        points = " ".join(f"{self.canvas.x(h):.1f},{self.y(v):.1f}" for h, v in edge)
        self._add(f'<polygon points="{points}" fill="{colour}" fill-opacity="0.3"/>')

    def bar(self, a: float, b: float, low: float, high: float, colour: str, *, opacity: float = 1.0) -> None:
        """A box from hour ``a`` to ``b``."""
        width = max(self.canvas.x(b) - self.canvas.x(a), 1.0)
        self._add(f'<rect x="{self.canvas.x(a):.1f}" y="{self.y(high):.1f}" width="{width:.1f}" '
                  f'height="{self.y(low) - self.y(high):.1f}" fill="{colour}" fill-opacity="{opacity}"/>')

    def upright(self, hour: float, colour: str, *, dash: str = "4 3", low: float | None = None,
                high: float | None = None) -> None:
        """A vertical line at an hour."""
        y1, y2 = self.y(self.high if high is None else high), self.y(self.low if low is None else low)
        x = self.canvas.x(hour)
        self._add(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{y1:.1f}" y2="{y2:.1f}" stroke="{colour}" '
                  f'stroke-dasharray="{dash}" stroke-width="1.3"/>')

    def level(self, value: float, colour: str, name: str, *, dash: str = "6 3") -> None:
        """A horizontal line, named at the right."""
        y = self.y(value)
        self._add(f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke="{colour}" '
                  f'stroke-dasharray="{dash}"/>')
        self.labels.append((y, name, colour))

    def named(self) -> None:
        """Write the names at the right, none over another."""
        below = -np.inf
        for y, name, colour in sorted(self.labels):
            below = max(y, below + APART)
            self.canvas.text(WIDTH - RIGHT + 5, below + 4, name, colour=colour)

    def words(self, hour: float, value: float, text: str, *, colour: str = "#222", anchor: str = "start",
              size: int = 12, down: float = 4.0) -> None:
        shift = {"start": 5.0, "middle": 0.0, "end": -5.0}[anchor]
        self.canvas.text(self.canvas.x(hour) + shift, self.y(value) + down, text, colour=colour, anchor=anchor,
                         size=size)

    def _add(self, part: str) -> None:
        self.canvas.parts.append(part)
