"""A probe's calibration as one page to print and keep: self-contained HTML, A4, no script.

Everything that a person wrote is escaped. It has what ISO/IEC 17025 7.8 asks a certificate to tell as far as a kitchen
can tell it (from memory: what was measured, when, by what, results, uncertainty), and it says what it is not.
"""

from collections.abc import Callable, Iterator, Sequence
from html import escape

import numpy as np

from pitscribe.ledger.values import Probe, ProbeRecord
from pitscribe.metrology.calibration import Point, Through, fit_of, points_of, residuals, through_of
from pitscribe.metrology.correction import Calibration
from pitscribe.metrology.coverage import student_95
from pitscribe.report.figures import (
    KIND,
    condition_words,
    correction,
    dof_words,
    exact,
    expanded,
    k_words,
    signed,
    size,
    table_points,
)
from pitscribe.report.residuals import PlotPoint, residual_plot

DUE_MS = 365 * 86_400_000  # a year: our own advice, no source
_K_POINT = 1.96
_MOST_ROWS, _MOST_LETTERS = 6, 200  # for one page; the rest is in the ledger

_STYLE = """
@page { size: A4; margin: 10mm 14mm }
* { box-sizing: border-box }
body { font: 9.5pt/1.3 system-ui, sans-serif; color: #111; background: #fff; max-width: 182mm; margin: 0 auto }
h1 { font-size: 16pt; margin: 0 0 1mm }
h2 { font-size: 11pt; margin: 2.5mm 0 .8mm; border-bottom: 1px solid #999 }
p { margin: 1.2mm 0 } dl { display: grid; grid-template-columns: 34mm 1fr; gap: .6mm 3mm; margin: 1mm 0 }
dt { color: #555 } dd { margin: 0; overflow-wrap: anywhere }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums }
th { font-weight: 600; color: #333 }
th, td { text-align: right; white-space: nowrap; padding: .35mm 1.5mm; border-bottom: 1px solid #ddd }
th:first-child, td:first-child { text-align: left } svg { width: 100%; height: auto; display: block }
svg text { font: 9px system-ui, sans-serif; fill: #333 } .small { font-size: 8.5pt; color: #333 }
@media print { svg { max-height: 50mm } }
@media screen { body { padding: 6mm } }
@media screen and (max-width: 620px) {
  body { padding: 4mm; font-size: 11pt } dl { grid-template-columns: 1fr; gap: 0 } dd { margin-bottom: 1.5mm }
  svg text { font-size: 15px } .small { font-size: 10pt }
  .points tr { display: grid; grid-template-columns: repeat(4, 1fr); border-bottom: 1px solid #999 }
  .points th, .points td { border: 0; padding: .35mm .5mm; font-size: 10pt }
  .points :is(th, td):first-child { grid-column: span 4; font-weight: 600 }
  .points :is(th, td):last-child { grid-column: span 3 }
}
"""


def certificate(
    probe: Probe, record: ProbeRecord, *, units: str, now_ms: int, when: Callable[[float], str]
) -> str:
    """The page, for a record of the kind "calibration". ``when``: UTC s -> words; ``units``: "F" or "C".

    Raises CalibrationError if the record cannot be read.
    """
    points = points_of(record.body)
    found = fit_of(record.body, probe.tc, probe.tolerance)
    through = through_of(record.body)
    title = f"Calibration of thermocouple probe {probe.name}"
    body = "".join((
        "<h1>Calibration of a thermocouple probe</h1>",
        _facts(probe, record, through, units, when),
        "<h2>Points</h2>", _points(points, found, units, when),
        "<h2>What the correction leaves</h2>", _plot(points, found, units),
        "<h2>Correction and its uncertainty</h2>", _table(found, units),
        _meaning(found, through, units),
        "<h2>Next</h2>", _next(record, now_ms, when),
    ))
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body>{body}</body></html>\n'
    )


def _facts(
    probe: Probe, record: ProbeRecord, through: Through | None, units: str, when: Callable[[float], str]
) -> str:
    rows = [
        ("Probe", f"{probe.name}: type {probe.tc}, tolerance class {probe.tolerance}"),
        ("Measured", when(record.made_ms / 1000)),
        ("Written down", f"{when(record.entered_ms / 1000)}, as record {record.id}"),
    ]
    if through is None or record.logger is None:
        rows.append(("Read by", "an instrument of the owner's, not by a logger"))
    else:
        rows.append(("Read by", f"logger {record.logger:08x}, channel {record.channel}: {through.chip} for type "
                                f"{through.tc}, terminal block at {exact(through.cold_c, units, 1)}"))
    if conditions := condition_words(record.body.get("conditions") or {}):
        rows.append(("Conditions", conditions))
    told = "".join(f"<dt>{name}</dt><dd>{escape(text)}</dd>" for name, text in rows)
    if record.remark:
        told += f'<dt>Remark</dt><dd>{escape(shortened(record.remark))}</dd>'
    return f"<dl>{told}</dl>"


def _points(points: Sequence[Point], found: Calibration, units: str, when: Callable[[float], str]) -> str:
    rows = []
    for point, left in zip(points, residuals(points, found), strict=True):
        at = "" if point.to_ms is None else when(point.to_ms / 1000)
        n = str(point.n) if point.n else ""
        cells = (KIND.get(point.kind, point.kind), exact(point.reference, units), exact(point.reading, units),
                 size(_u(point), units), signed(float(left), units), n, at)
        rows.append(cells)
    heads = ("point", "should be", "read", "std. unc.", "left", "readings", "until")
    return _html_table(heads, rows[:_MOST_ROWS], "points") + (
        f'<p class="small">and {len(rows) - _MOST_ROWS} more, in the plot below</p>' if len(rows) > _MOST_ROWS else ""
    )


def shortened(text: str) -> str:
    """A remark as far as there is room for it on one page."""
    line = " ".join(text.split())
    return line if len(line) <= _MOST_LETTERS else line[:_MOST_LETTERS].rstrip() + " ..."


def _u(point: Point) -> float:
    return float(np.sqrt(point.u_reading**2 + point.u_reference**2 + point.u_shared**2))


def _plot(points: Sequence[Point], found: Calibration, units: str) -> str:
    scale, zero = (1.8, 32.0) if units == "F" else (1.0, 0.0)
    ends = [*table_points(units), found.low, found.high]
    x = np.linspace(min(ends) - 5.0, max(ends) + 5.0, 81)
    half = np.array([expanded(found, float(at)) for at in x])
    marks = [
        PlotPoint(p.reading * scale + zero, float(left) * scale, _K_POINT * _u(p) * scale)
        for p, left in zip(points, residuals(points, found), strict=True)
    ]
    return residual_plot(marks, x * scale + zero, half * scale, units)


def _table(found: Calibration, units: str) -> str:
    readings = table_points(units)
    rows = [
        (exact(at, units), signed(correction(found, at), units), size(expanded(found, at), units)) for at in readings
    ]
    return _html_table(("reading", "add", "give or take (95 %)"), rows)


def _meaning(found: Calibration, through: Through | None, units: str) -> str:
    k = float(student_95(np.array([found.dof]))[0])
    dof = dof_words(found.dof)
    shape = (
        f"an offset of the channel and {signed(found.gain * 100, units)} of the wire for each {size(100, units)} from "
        "plug to tip" if found.borne
        else "that of the channel: the points tell little of the wire, and what its class allows is in the uncertainty"
    )
    where = (
        "It holds for the probe with an instrument like that one." if through is None else
        "It includes the errors of that channel and is best there; to another goes along what it says of the wire."
    )
    return (
        f"<p>The correction is {shape}. Its uncertainty is expanded by {k_words(k)} (95 %, {dof} effective degrees of "
        "freedom; GUM, JCGM 100:2008): points and fit alone. Steps, noise and ageing of a reading in a cook come "
        f"on top: <i>pitscribe probe budget</i> lists them. {where} It was measured "
        f"from {exact(found.low, units)} to {exact(found.high, units)}, and is extended beyond.</p>"
    )


def _next(record: ProbeRecord, now_ms: int, when: Callable[[float], str]) -> str:
    due = record.made_ms + DUE_MS
    over = " That is past: calibrate it again." if now_ms > due else ""
    return (
        f"<p>Check it in ice before every cook that matters, and calibrate it again by {when(due / 1000)[:10]}, or at "
        f"once if a check disagrees, if it was kinked, or if it was above 250 C (482 F).{over}</p>"
        '<p class="small">This is a record of its owner\'s own measurements, computed by pitscribe. It is not a '
        "certificate of an accredited laboratory, it is not traceable by a chain of such certificates, and it "
        "does not make a probe fit for anything that law or food safety rules ask a certified instrument for.</p>"
    )


def _html_table(heads: Sequence[str], rows: Sequence[Sequence[str]], kind: str = "plain") -> str:
    def line(cells: Sequence[str], tag: str) -> Iterator[str]:
        yield from (f"<{tag}>{escape(cell)}</{tag}>" for cell in cells)

    lines = "".join(f"<tr>{''.join(line(row, 'td'))}</tr>" for row in rows)
    head = "".join(line(heads, "th"))
    return f'<table class="{kind}"><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>'
