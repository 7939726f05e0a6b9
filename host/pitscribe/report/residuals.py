"""The plot of a calibration: what the correction leaves at each point, and how sure the correction is."""

from collections.abc import Sequence
from typing import NamedTuple

from pitscribe.report.plot import INK, STALL, Drawing, FloatArray, ticks

_DOT = 3.5


class PlotPoint(NamedTuple):
    """A point: reading, what the correction leaves, half width for 95 %; in the units of the plot."""

    x: float
    y: float
    half: float


def residual_plot(points: Sequence[PlotPoint], x: FloatArray, half: FloatArray, unit: str) -> str:
    """An SVG element. x, half: float64 (n,), readings and the correction's half width for 95 % there; unit: F or C."""
    most = 1.15 * max(float(half.max()), *(abs(p.y) + p.half for p in points))
    label = "What the correction leaves at each point, with bars for 95 %, and a band for the correction itself"
    drawing = Drawing(label, (float(x[0]), float(x[-1])), width=480.0, left=46.0, right=12.0)
    panel = drawing.panel(128.0, (-most, most), f"left, {unit}")
    panel.band(x, -half, half, STALL)
    panel.level(0.0, colour="#0072b2", dash="")
    for point in points:
        at, low, high = drawing.px(point.x), panel.py(point.y - point.half), panel.py(point.y + point.half)
        drawing.line(at, at, high, low, INK, width=1.5)
        for end in (low, high):
            drawing.line(at - 5.0, at + 5.0, end, end, INK, width=1.5)
        drawing.parts.append(f'<circle cx="{at:.1f}" cy="{panel.py(point.y):.1f}" r="{_DOT}" fill="{INK}"/>')
    drawing.foot([(v, f"{v:g}") for v in ticks(float(x[0]), float(x[-1]), 6)], f"reading, {unit}")
    return drawing.svg()
