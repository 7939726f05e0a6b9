"""A cook's charts: pit and meat with stalls, danger zone, notes and forecasts; and the spread."""

from collections.abc import Sequence

import numpy as np

from pitscribe.cook.answers import Analysis
from pitscribe.cook.grid import Cells, FloatArray, Grid, cells_of, grid_of
from pitscribe.cook.lookback import Lookback
from pitscribe.cook.plain import difference
from pitscribe.cook.safety_spans import ZONE
from pitscribe.cook.safety_tables import ZONE_C
from pitscribe.ledger.values import Note
from pitscribe.report.plot import AIR, BAND, INK, MEAT, STALL, WARN, Drawing, Panel, head_of, style_of
from pitscribe.report.times import Times
from pitscribe.series import CookRecord

BESIDES = ("fuel",)  # notes that come again and again: ticks at the foot, without a number
_WIDE, _NARROW = 720.0, 366.0
SHARE_WORDS = {0.25: "a quarter", 0.5: "half", 0.75: "three quarters"}
_SHARE = {0.25: "at \N{VULGAR FRACTION ONE QUARTER}", 0.5: "at \N{VULGAR FRACTION ONE HALF}",
          0.75: "at \N{VULGAR FRACTION THREE QUARTERS}"}


def numbered(notes: Sequence[Note]) -> list[Note]:
    """The notes that have a number on the page, in order of time."""
    return sorted((n for n in notes if n.kind not in BESIDES), key=lambda n: n.at_ms)


def scaled(celsius: FloatArray, unit: str) -> FloatArray:
    """Temperatures in the person's unit. float64 (n,), degC."""
    return celsius * 1.8 + 32 if unit == "F" else celsius


def one(celsius: float, unit: str) -> float:
    """The same for one."""
    return celsius * 1.8 + 32 if unit == "F" else celsius


def chart(
    record: CookRecord, said: Analysis, back: Sequence[Lookback], unit: str, times: Times, *, wide: bool = True
) -> str:
    """Pit and meat over the time of day, and beneath when it was forecast to be done."""
    grid = grid_of(record.places)
    if not grid.n:
        return ""
    cells = [(s.kind, s.place, cells_of(s, grid)) for s in record.places]
    drawing = _drawing("Temperatures of pit and meat over time", _axis(grid, back), wide)
    some = [(i, n.at_ms / 1000) for i, n in enumerate(numbered(record.notes), 1)]
    notes = [(i, t) for i, t in some if drawing.x[0] <= t <= drawing.x[1]]
    low, high, cut = _range([c for _, _, c in cells], said, unit)
    words = f"Pit and meat, {unit}" + (f" (drawn up to {high:.0f})" if cut else "")
    panel = drawing.panel(220.0 if wide else 250.0, (low, high), words, head=head_of(notes, drawing))
    _shades(panel, said, grid, unit)
    for styles, wanted in ((AIR, "air"), (MEAT, "meat")):
        for i, (_, place, c) in enumerate(x for x in cells if x[0] == wanted):
            panel.curve(grid.ends, scaled(c.celsius, unit), style_of(styles, i), place)
    if said.target_c is not None:
        panel.level(one(said.target_c, unit), "target")
    panel.marks(notes)
    for note in record.notes:
        if note.kind in BESIDES and drawing.x[0] <= note.at_ms / 1000 <= drawing.x[1]:
            panel.upright(note.at_ms / 1000, colour=INK, dash="", y=(low, low + 0.025 * (high - low)))
    _foretold(drawing, back)
    drawing.foot(times.ticks(*drawing.x, 10 if wide else 5), f"time of day, from {times.when(grid.origin)}")
    return drawing.svg()


def spread_chart(
    record: CookRecord, said: Analysis, back: Sequence[Lookback], unit: str, times: Times, *, wide: bool = True
) -> str:
    """The spread over the same time, with its standard uncertainty and the limit."""
    even = said.evenness
    grid = grid_of(record.places)
    scale = 1.8 if unit == "F" else 1.0
    drawing = _drawing("Spread of the meat places over time", _axis(grid, back), wide)
    top = 1.08 * max(float(np.nanmax(even.spread_k)), 1.3 * even.limit_k) * scale
    words = f"Spread of the meat, {unit}; limit {difference(even.limit_k, unit)}"
    panel = drawing.panel(95.0, (0.0, top), words, ruled=4)
    good = np.isfinite(even.spread_k)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(int), [0]))))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        y, half = even.spread_k[a:b] * scale, 2 * even.u_k[a:b] * scale
        keep = np.unique(np.linspace(0, b - a - 1, min(b - a, 200)).astype(int))
        panel.band(even.t[a:b][keep], np.maximum(y - half, 0.0)[keep], (y + half)[keep], STALL)
    panel.curve(even.t, even.spread_k * scale, style_of(MEAT, 3)._replace(dash="", width=1.4), "spread")
    panel.level(even.limit_k * scale, "limit")
    for note in numbered(record.notes):
        if drawing.x[0] <= note.at_ms / 1000 <= drawing.x[1]:
            panel.upright(note.at_ms / 1000, dash="1 3")
    drawing.foot(times.ticks(*drawing.x, 10 if wide else 5), "shaded: the probes' uncertainty, 95 %")
    return drawing.svg()


def _drawing(label: str, x: tuple[float, float], wide: bool) -> Drawing:
    return Drawing(label, x, width=_WIDE if wide else _NARROW, left=34.0, right=84.0 if wide else 70.0)


def _axis(grid: Grid, back: Sequence[Lookback]) -> tuple[float, float]:
    """From the first minute to the last, or to where the last forecast's range ends, if that is not far."""
    end = grid.end(grid.n - 1)
    late = [b.forecast.p90 for b in back if b.forecast.p90 is not None]
    room = end + 0.12 * (end - grid.origin)
    return grid.origin, max([end, *(min(p90, room) for p90 in late)])


def _range(cells: Sequence[Cells], said: Analysis, unit: str) -> tuple[float, float, bool]:
    """(low, high) of the axis, and whether something is higher: a spike must not press all else together."""
    known = [c.celsius[np.isfinite(c.celsius)] for c in cells]
    some = [k for k in known if k.size]
    if not some:
        return one(0.0, unit), one(150.0, unit), False
    top = max(float(np.quantile(k, 0.99)) for k in some)
    greatest = max(float(k.max()) for k in some)
    low = min(float(k.min()) for k in some)
    wanted = [x for x in (said.target_c,) if x is not None]
    high = max([top * 1.08 + 2.0, *(w + 8.0 for w in wanted)])
    high = greatest + 3.0 if greatest < high * 1.1 else high
    return one(min(low - 2.0, 0.0), unit), one(high, unit), greatest > high


def _shades(panel: Panel, said: Analysis, grid: Grid, unit: str) -> None:
    """Stalls, of each place on top of the other; the danger zone while the place that was longest in it is."""
    end = grid.end(grid.n - 1)
    for stall in said.stalls:
        panel.span(stall.begin, stall.end or end, STALL, opacity=0.16)
    for phase in said.phases:
        if phase.kind == "stall":
            middle = (phase.begin + min(phase.end or end, end)) / 2
            panel.words(middle, panel.y[1] - 0.04 * (panel.y[1] - panel.y[0]), "stall", anchor="middle")
    zones = [s for s in said.safety.spans if s.what == ZONE]
    for i, zone in enumerate(zones):
        low, high = (one(c, unit) for c in ZONE_C)
        panel.span(zone.begin, zone.end, WARN, opacity=0.22, y=(low, high))
        if not i and zone.end - zone.begin > 0.12 * (end - grid.origin):
            panel.words(zone.end, low + 0.04 * (panel.y[1] - panel.y[0]), "danger zone ", anchor="end")


def _foretold(drawing: Drawing, back: Sequence[Lookback]) -> None:
    """A row each: the 80 % range and the median of when the coldest place would be done, and when it was."""
    known = [b for b in back if b.forecast.p50 is not None]
    if not known:
        return
    panel = drawing.panel(15.0 * len(known), (0.0, float(len(known))), "When it would be done: 80 % range and median",
                          ruled=0)
    for row, look in enumerate(reversed(known)):
        f = look.forecast
        low, high = row + 0.2, row + 0.8
        panel.upright(f.made, colour=INK, dash="", y=(low, high))
        if (f.p10 or f.made) >= drawing.x[1]:
            panel.words(drawing.x[1] - 0.008 * (drawing.x[1] - drawing.x[0]), row + 0.5, "later", anchor="end")
        else:
            panel.span(f.p10 or f.made, f.p90 or drawing.x[1], BAND, opacity=0.8, y=(low, high), edge=True)
            if f.p50 is not None and f.p50 <= drawing.x[1]:
                panel.upright(f.p50, colour=INK, dash="", y=(row + 0.05, row + 0.95), width=2.0)
        panel.names.append((panel.py(row + 0.5), _SHARE[look.share], INK))
    came = known[0].came
    if came is not None:
        panel.upright(came, colour="#d55e00", dash="", width=1.6)
        panel.words(came, 0.5, " done", colour="#a34700")
