"""What goes with an exported cook, whatever the format: where its figures are from and how far they can be trusted."""

from pathlib import Path
from typing import Any

import numpy as np

from pitscribe import __version__
from pitscribe.commands.export_table import Column, iso
from pitscribe.commands.zone import zone_at
from pitscribe.ledger.ledger import Ledger
from pitscribe.metrology.rules import RULES
from pitscribe.mirror.points import DIGITS
from pitscribe.series import SHEET_U_K, CookRecord, Series
from pitscribe.series.spans import Span, key_of
from pitscribe.series.times import FOREVER_MS

NAME = "pitscribe"  # of what is told, in a Parquet file and among a table's notes
_UNCERTAINTY = (
    "standard uncertainty, k = 1, by the GUM (JCGM 100:2008), of the sample's temperature; it counts what is common to "
    "all samples of a probe, so a mean of many is not much surer than one"
)


def about(ledger: Ledger, record: CookRecord, columns: list[Column], known: str) -> dict[str, Any]:
    """All that is told beside the figures, as plain values.

    known : "now" or "then", as the record was read
    """
    cook = record.cook
    return {
        NAME: __version__,
        "exported": iso(ledger.now_ms()),
        "cook": cook.as_json() | {"started": iso(cook.started_ms), "ended": iso(cook.ended_ms)},
        "times": "UTC, to the millisecond",
        "zone": zone_at(cook.started_ms / 1000)._asdict(),
        "digits": DIGITS,
        "uncertainty": _UNCERTAINTY,
        "k_95": {series.place: _k_95(series) for series in record.places},
        "columns": [column._asdict() for column in columns],
        "known": known,
        "placements": [_placement(ledger, span) for span in key_of(ledger, cook, known).spans],
        "tables": [_table(one.place, one.kind, one.source) for one in ledger.sheets(cook.id)],
        "notes": [{"at": iso(n.at_ms), "kind": n.kind, "text": n.text} for n in record.notes],
        "flags": {rule.name.replace(" ", "-"): {"bad": rule.bad, "rule": rule.rule} for rule in RULES},
        "missed_ticks": record.missed,
        "unplaced_frames": record.unplaced,
        "contradicting_anchors": record.contradictions,
        "remarks": list(record.remarks),
    }


def _k_95(series: Series) -> list[float]:
    """[least, most] of what u is to be multiplied by for the interval that holds 95 %."""
    good = series.good()
    if series.k is None or not good.any():
        return [2.0, 2.0]
    return [round(float(of(series.k[good])), DIGITS) for of in (np.min, np.max)]


def _placement(ledger: Ledger, span: Span) -> dict[str, Any]:
    """One placement with what of its probe counted: the record's number, when it was made, and what was measured."""
    one = span.placement
    records = {record.id: record for record in ledger.probe_records(one.probe.id)}

    def used(number: int, here: bool) -> dict[str, Any]:
        record = records[number]
        told = {"record": number, "made": iso(record.made_ms), "same_channel": here, "remark": record.remark}
        return told | {"measured": record.body}

    known, air = span.known, span.air
    return {
        "place": one.place,
        "kind": one.kind,
        "logger": f"{one.logger:08x}",
        "channel": one.channel,
        "probe": one.probe.name,
        "type": one.probe.tc,
        "tolerance": one.probe.tolerance,
        "since": iso(span.first_ms),
        "until": None if span.end_ms >= FOREVER_MS else iso(span.end_ms),
        "calibration": None if known is None else used(known.record, known.calibrated.here),
        "air_model": None if air is None else used(air.record, air.here),
        "troubles": list(span.troubles),
    }


def _table(place: str, kind: str, source: str) -> dict[str, Any]:
    """A column that was imported: the file's name without its folder, and what is supposed of its uncertainty."""
    return {"place": place, "kind": kind, "file": Path(source).name, "supposed_u_k": SHEET_U_K}
