"""A probe's points, correction, history and budget as a person reads them."""

from collections.abc import Iterator, Sequence

import numpy as np

from pitscribe.commands.when import local
from pitscribe.ledger.values import Probe, ProbeRecord
from pitscribe.metrology import plunge
from pitscribe.metrology.calibration import Point, residuals
from pitscribe.metrology.correction import Calibration
from pitscribe.metrology.uncertainty import Budget
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


def point_lines(points: Sequence[Point], calibration: Calibration, units: str) -> Iterator[str]:
    """Each point: what it should have been, what was read, and what the correction leaves."""
    yield f"{'point':<22}{'should be':>11}{'read':>11}{'std. unc.':>11}{'left':>11}   from"
    for point, left in zip(points, residuals(points, calibration), strict=True):
        u = float(np.sqrt(point.u_reading**2 + point.u_reference**2 + point.u_shared**2))
        cells = (exact(point.reference, units), exact(point.reading, units), size(u, units), signed(float(left), units))
        when = "" if point.to_ms is None else f"{point.n} readings until {local(point.to_ms / 1000)}"
        row = "".join(f"{cell:>11}" for cell in cells)
        yield f"{KIND.get(point.kind, point.kind):<22}{row}   {when}".rstrip()


def fit_lines(calibration: Calibration, units: str) -> Iterator[str]:
    """What is fitted, and the correction where a cook looks."""
    if calibration.borne:
        wire = f"{signed(calibration.gain * 100, units)} of the wire for each {size(100, units)}"
        yield f"correction: an offset of the channel, and {wire} from plug to tip"
    else:
        yield "correction: of the channel; the points tell little of the wire, so its class counts away from them"
    yield f"{'reading':>11}{'add':>11}{'95 % +/-':>11}   ({dof_words(calibration.dof)} effective degrees of freedom)"
    for celsius in table_points(units):
        cells = exact(celsius, units), signed(correction(calibration, celsius), units), size(
            expanded(calibration, celsius), units)
        yield "".join(f"{cell:>11}" for cell in cells)


def check_lines(
    probe: Probe, celsius: float, u: float, u_ice: float, record: ProbeRecord | None, units: str
) -> Iterator[str]:
    """The normalised error of a check in ice: |error| over the combined 95 % limits (ISO 13528, from memory)."""
    limit = 2 * float(np.hypot(u, u_ice))
    ratio = abs(celsius) / limit
    known = "its class" if record is None else f"its calibration of {local(record.made_ms / 1000)}"
    off = f"{exact(celsius, units)}, {signed(celsius, units)} off"
    yield f"{probe.name} in ice by {known}: {off}; up to {size(limit, units)} is within its uncertainty"
    if ratio <= 1:
        yield f"agrees (normalised error {ratio:.2f}, 1 is the limit)"
    elif record is None:
        yield f"outside its class (normalised error {ratio:.2f}, 1 is the limit): calibrate it, or replace it"
    else:
        yield f"has drifted (normalised error {ratio:.2f}, 1 is the limit): calibrate it anew"


def history_lines(records: Sequence[ProbeRecord]) -> Iterator[str]:
    """A probe's history, the oldest first and with what was withdrawn; what counts now is marked."""
    counts = {record.kind: record.id for record in records if record.withdrawn_ms is None}
    for record in records:
        where = "" if record.logger is None else f", channel {record.channel} of {record.logger:08x}"
        said = f", {record.remark!r}" if record.remark else ""
        mark = "counts now" if counts.get(record.kind) == record.id else "superseded"
        mark = mark if record.withdrawn_ms is None else "withdrawn"
        conditions = condition_words(record.body.get("conditions") or {})
        more = f" ({conditions})" if conditions else ""
        head = f"{record.id:4}  {local(record.made_ms / 1000)}  {record.kind:<12}{mark:<12}"
        yield f"{head}{_measured(record)}{where}{more}{said}".rstrip()


def _measured(record: ProbeRecord) -> str:
    """What a record is about, in some words."""
    body = record.body
    if record.kind == "air":
        stem = f"stem {100 * body['kappa'] / (1 + body['kappa']):.1f} % of {body['base']}, " if body["base"] else ""
        return f"{stem}lag {body['lag']:.0f} s, beside {body['span']['beside']}"
    if record.kind == "plunge":
        return plunge.words_of(body)
    kinds = [KIND.get(point.get("kind"), "?") for point in record.body.get("points", ())]
    counted = {kind: kinds.count(kind) for kind in kinds}
    return ", ".join(kind if n == 1 else f"{n} x {kind}" for kind, n in counted.items())


def budget_lines(budget: Budget, units: str) -> Iterator[str]:
    """The table of a budget: component, standard uncertainty, share of the variance, source."""
    yield f"{'component':<36}{'std. unc.':>11}{'share':>9}   source"
    for line in sorted(budget.lines, key=lambda line: -line.u):
        dof = f"; {dof_words(line.dof)} degrees of freedom" if np.isfinite(line.dof) else ""
        share = 100 * line.u**2 / budget.u**2
        yield f"{line.name:<36}{size(line.u, units, 3):>11}{share:>7.1f} %   {line.source}{dof}"
    dof = f"{dof_words(budget.dof)} effective degrees of freedom"
    yield f"{'combined':<36}{size(budget.u, units, 3):>11}{100:>7.1f} %   GUM 5.1.2; {dof}"
    yield f"95 %: +/-{size(budget.expanded, units)} ({k_words(budget.k)})"
