"""Several cooks beside each other as one page to keep: their courses laid over each other, and their figures."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from pitscribe.cook.answers import Analysis
from pitscribe.cook.besides import CAUTION, Besides, Figure, Row
from pitscribe.cook.figures import AT_TARGET
from pitscribe.cook.grid import FloatArray, Grid, cells_of, grid_of
from pitscribe.cook.origins import Origin
from pitscribe.cook.pit import pit_course
from pitscribe.cook.plain import degrees, difference, signed, span
from pitscribe.report import html
from pitscribe.report.cook_chart import scaled
from pitscribe.report.plot import COOKS, INK, STALL, Drawing, Panel, shortened, style_of, ticks
from pitscribe.series import CookRecord

MOST = 4  # cooks that can be told apart in one plot
ROW = 17.0
_WIDE, _NARROW = 720.0, 366.0
_LETTERS_OF = {"wrap": "W", "unwrap": "U", "boat": "B", "pan": "P", "pull": "off", "hold": "H", "ice": "I"}


@dataclass(frozen=True, slots=True)
class Shown:
    """One of the cooks: its record, its analysis, and from where its time is counted."""

    record: CookRecord
    said: Analysis
    origin: Origin


def comparison_html(cooks: Sequence[Shown], found: Besides, *, unit: str, when: Callable[[float], str]) -> str:
    """The page. ``unit``: "F" or "C"; ``when``: UTC s -> date and time of day."""
    title = " and ".join(found.names) if len(found.names) == 2 else ", ".join(found.names)
    how = f"Time is counted, in each, from {found.align.words(unit)}."
    rows = [(name, f"{when(o.t)}{_give(o)}") for name, o in zip(found.names, found.origins, strict=True)]
    head = html.facts([(name, f"begun {when(c.record.cook.started_ms / 1000)}; counted from {at}")
                       for c, (name, at) in zip(cooks, rows, strict=True)])
    heads, lines = table_of(found, unit)
    body = "".join((
        f"<h1>{escape(title)}</h1>", html.paragraph(how), head,
        html.figure(overlay(cooks, found, unit), overlay(cooks, found, unit, wide=False)),
        html.section("Figures, and by how much they differ", html.table(heads, lines), html.paragraph(
            "± holds 95 % for what is known of probes, of notes (written down within 4 min), of how sharply a stall "
            "begins and ends, and of tasters. Differences in brackets cannot be told from nothing; without a ± it is "
            "not known how sure they are. " + _target(found, unit), "small quiet")),
        html.section("What this does not say", html.paragraph(CAUTION)),
    ))
    return html.page(title, body)


def _target(found: Besides, unit: str) -> str:
    """What the time to the target is to."""
    if found.target_c is None:
        return ""
    target = degrees(found.target_c, unit)
    if not any(row.name == AT_TARGET for row in found.rows):
        return f"In none of them every place was seen to reach {target}."
    return f"The target that all are timed to is {target}."


def _give(origin: Origin) -> str:
    return f" ± {span(1.96 * origin.u_s)}" if origin.u_s else ""


def table_of(found: Besides, unit: str) -> tuple[list[str], list[list[str]]]:
    """Heads and rows of what is told: each cook's figure, and beside those but the first by how much they differ."""
    first, *others = found.names
    heads, rows = ["quantity", first], []
    for name in others:
        heads += [name, "difference" if len(others) == 1 else f"less {first}"]
    for row in found.rows:
        cells = [row.name, figure_words(row.figures[0], row, unit)]
        for f, d in zip(row.figures[1:], row.differences, strict=True):
            cells += [figure_words(f, row, unit), difference_words(d, row, unit)]
        rows.append(cells)
    return heads, rows


def figure_words(f: Figure, row: Row, unit: str) -> str:
    """A figure with its half width for 95 %: "250 F ± 5.2", or why there is none."""
    if f.value is None:
        return f.why_not or "not known"
    words = {
        "degC": lambda: degrees(f.value or 0.0, unit), "K": lambda: difference(f.value or 0.0, unit),
        "K h": lambda: f"{difference(f.value or 0.0, unit)} h", "h": lambda: _hours(f.value or 0.0),
        "%": lambda: f"{f.value:.1f} %", "points": lambda: f"{f.value:.1f}", "kg": lambda: f"{f.value:.2f} kg",
    }[row.unit]()
    return words if f.u95 is None else f"{words} ± {_half(f.u95, row, unit)}"


def difference_words(d: Figure, row: Row, unit: str) -> str:
    """A difference with its sign and half width; in brackets where it cannot be told from nothing."""
    if d.value is None:
        return ""
    words = {
        "degC": lambda: signed(d.value or 0.0, unit), "K": lambda: signed(d.value or 0.0, unit),
        "K h": lambda: f"{signed(d.value or 0.0, unit)} h",
        "h": lambda: ("-" if (d.value or 0.0) < 0 else "+") + _hours(abs(d.value or 0.0)),
        "%": lambda: f"{d.value:+.1f} %", "points": lambda: f"{d.value:+.1f}", "kg": lambda: f"{d.value:+.2f} kg",
    }[row.unit]()
    if d.u95 is None:
        return words
    words = f"{words} ± {_half(d.u95, row, unit)}"
    return words if d.told else f"({words})"


def _hours(hours: float) -> str:
    """A length of time, to the minute; before the origin it has a sign."""
    return ("-" if hours < 0 else "") + span(60.0 * round(abs(hours) * 60)) if abs(hours) >= 1.5 / 60 else "0 min"


def _half(u95: float, row: Row, unit: str) -> str:
    if row.unit == "h":
        return _hours(u95)
    return f"{u95 * (1.8 if unit == 'F' and row.unit in ('degC', 'K', 'K h') else 1.0):.1f}"


def overlay(cooks: Sequence[Shown], found: Besides, unit: str, *, wide: bool = True) -> str:
    """Pit, coldest place and spread of all the cooks over the time from their origins, and who stalled when."""
    some = [(c, grid_of(c.record.places)) for c in cooks]
    spans = [((g.origin - c.origin.t) / 3600, (g.end(g.n - 1) - c.origin.t) / 3600) for c, g in some if g.n]
    if not spans:
        return ""
    drawing = Drawing("Pit, coldest place and spread of the cooks, one over the other",
                      (min(a for a, _ in spans), max(b for _, b in spans)), width=_WIDE if wide else _NARROW,
                      left=34.0, right=150.0 if wide else 84.0)
    panels = ("Pit", 90.0, _pit), ("Coldest meat place", 190.0, _coldest), ("Spread", 90.0, _spread)
    for title, height, course in panels:
        lines = [course(c, g, unit) if g.n else np.empty(0) for c, g in some]
        known = [line[np.isfinite(line)] for line in lines]
        if not any(k.size for k in known):
            continue
        low = 0.0 if title == "Spread" else min(float(np.quantile(k, 0.01)) for k in known if k.size)
        high = max(float(np.quantile(k, 0.995)) for k in known if k.size)
        room = 0.06 * (high - low) + 1.0
        ends = (low if title == "Spread" else low - room, high + room)
        panel = drawing.panel(height, ends, f"{title}, {unit}", ruled=4)
        for i, ((c, g), line) in enumerate(zip(some, lines, strict=True)):
            style = style_of(COOKS, i)
            style = style._replace(width=1.2) if title == "Pit" else style
            panel.curve((g.ends - c.origin.t) / 3600, line, style, found.names[i])
        panel.upright(0.0, colour=INK, dash="", width=0.7)
    _rows(drawing, cooks, found)
    marks = ticks(*drawing.x, 10 if wide else 5)
    drawing.foot([(x, f"{x:g}") for x in marks], f"hours from {found.align.words(unit)}")
    return drawing.svg()


def _rows(drawing: Drawing, cooks: Sequence[Shown], found: Besides) -> None:
    """A row a cook: shaded where any place stalled, letters where something was done."""
    n = float(len(cooks))
    title = "Stalled (shaded); W wrap, U unwrap, B boat, P pan, I ice, H hold, off pulled"
    title = title if drawing.width > _NARROW else "Stalled (shaded), and acts"
    panel = drawing.panel(ROW * n, (0.0, n), title, ruled=0)
    for i, c in enumerate(cooks):
        row = n - 1 - i
        for p in c.said.phases:
            if p.kind == "stall":
                ends = (p.begin, p.end or c.said.at or p.begin)
                a, b = ((t - c.origin.t) / 3600 for t in ends)
                panel.span(a, b, STALL, opacity=0.45, y=(row + 0.12, row + 0.88), edge=True)
        _letters(panel, c, row + 0.5)
        panel.names.append((panel.py(row + 0.5), found.names[i], style_of(COOKS, i).colour))


def _letters(panel: Panel, c: Shown, y: float) -> None:
    last = -1e9
    for note in sorted(c.record.notes, key=lambda n: n.at_ms):
        x = (note.at_ms / 1000 - c.origin.t) / 3600
        if note.kind in _LETTERS_OF and panel.drawing.px(x) - last > 11:
            near_the_end = panel.drawing.px(x) > panel.drawing.width - panel.drawing.right - 12.0
            panel.words(x, y, _LETTERS_OF[note.kind], anchor="end" if near_the_end else "middle")
            last = panel.drawing.px(x)


def _pit(c: Shown, grid: Grid, unit: str) -> FloatArray:
    return scaled(pit_course([cells_of(s, grid) for s in c.record.air], grid.n), unit)


def _coldest(c: Shown, grid: Grid, unit: str) -> FloatArray:
    """The least of the places that were good in each minute."""
    table = [cells_of(s, grid).celsius for s in c.record.meat]
    if not table:
        return np.full(grid.n, np.nan)
    return scaled(np.fmin.reduce(np.stack(table), axis=0), unit)


def _spread(c: Shown, grid: Grid, unit: str) -> FloatArray:
    spread = c.said.evenness.spread_k
    return spread * 1.8 if unit == "F" else spread


def text_of(found: Besides, unit: str) -> list[str]:
    """The same table as lines for a terminal."""
    heads, rows = table_of(found, unit)
    some = [[shortened(head, 28) for head in heads], *rows]
    widths = [max(len(row[i]) for row in some) for i in range(len(heads))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in some]
