"""The plot of a calibration as inline SVG: what the correction leaves at each point, and how sure the correction is.

Colours of Okabe and Ito's set, told apart by shape as well: a band for the correction, dots with bars for the points.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Of the drawing, which is scaled to the page: a phone shows it at three quarters, paper at one and a half.
_WIDTH, _HEIGHT = 480.0, 180.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 62.0, 12.0, 10.0, 42.0
_BAND, _LINE, _DOT = "#56B4E9", "#0072B2", "#000000"


class PlotPoint(NamedTuple):
    """A point: reading, what the correction leaves, half width for 95 %; in the units of the plot."""

    x: float
    y: float
    half: float


class _Axes(NamedTuple):
    x: tuple[float, float]
    y: tuple[float, float]

    def px(self, x: float) -> float:
        return _LEFT + (x - self.x[0]) / (self.x[1] - self.x[0]) * (_WIDTH - _LEFT - _RIGHT)

    def py(self, y: float) -> float:
        return _TOP + (self.y[1] - y) / (self.y[1] - self.y[0]) * (_HEIGHT - _TOP - _BOTTOM)


def residual_plot(points: Sequence[PlotPoint], x: FloatArray, half: FloatArray, unit: str) -> str:
    """An SVG element. x, half: float64 (n,), readings and the correction's half width for 95 % there; unit: F or C."""
    most = 1.15 * max(float(half.max()), *(abs(p.y) + p.half for p in points))
    axes = _Axes((float(x[0]), float(x[-1])), (-most, most))
    edge = [*zip(x, half, strict=True), *zip(x[::-1], -half[::-1], strict=True)]
    band = " ".join(f"{axes.px(a):.1f},{axes.py(b):.1f}" for a, b in edge)
    parts = [
        f'<polygon points="{band}" fill="{_BAND}" fill-opacity="0.35"/>',
        *_grid(axes, unit),
        f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{axes.py(0):.1f}" y2="{axes.py(0):.1f}" stroke="{_LINE}" '
        'stroke-width="1.5"/>',
        *(_point(axes, point) for point in points),
    ]
    label = "What the correction leaves at each point, with bars for 95 %, and a band for the correction itself"
    return f'<svg viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" role="img" aria-label="{label}">' + "".join(parts) + "</svg>"


def _point(axes: _Axes, point: PlotPoint) -> str:
    x, y = axes.px(point.x), axes.py(point.y)
    top, bottom = axes.py(point.y + point.half), axes.py(point.y - point.half)
    caps = "".join(f'<line x1="{x - 5:.1f}" x2="{x + 5:.1f}" y1="{at:.1f}" y2="{at:.1f}"/>' for at in (top, bottom))
    bar = f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{top:.1f}" y2="{bottom:.1f}"/>{caps}'
    return (
        f'<g stroke="{_DOT}" stroke-width="1.5">{bar}'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="{_DOT}" stroke="none"/></g>'
    )


def _grid(axes: _Axes, unit: str) -> list[str]:
    parts = []
    low = _HEIGHT - _BOTTOM
    for x in _ticks(*axes.x, 6):
        at = axes.px(x)
        parts.append(f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{_TOP}" y2="{low}" stroke="#ddd"/>'
                     f'<text x="{at:.1f}" y="{low + 15}" text-anchor="middle">{x:g}</text>')
    for y in _ticks(*axes.y, 5):
        at = axes.py(y)
        parts.append(f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{at:.1f}" y2="{at:.1f}" stroke="#ddd"/>'
                     f'<text x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">{y:+g}</text>' if y else
                     f'<text x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">0</text>')
    middle = (_TOP + low) / 2
    parts.append(f'<text x="{(_LEFT + _WIDTH - _RIGHT) / 2:.1f}" y="{_HEIGHT - 5}" text-anchor="middle">reading, '
                 f"{unit}</text>")
    parts.append(f'<text transform="translate(14 {middle}) rotate(-90)" text-anchor="middle">left, {unit}</text>')
    return parts


def _ticks(low: float, high: float, count: int) -> list[float]:
    """About so many round numbers between two."""
    rough = (high - low) / count
    power = 10.0 ** np.floor(np.log10(rough))
    step = power * next((s for s in (1.0, 2.0, 5.0) if s * power >= rough), 10.0)
    first, last = int(np.ceil(low / step)), int(np.floor(high / step))
    return [round(i * step, 10) for i in range(first, last + 1)]
