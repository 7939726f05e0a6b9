"""What is known of a probe, for one placement of it: the ledger's records -> ``Calibrated`` and ``AirModel``.

A record holds what was measured; what follows from it is worked out here each time, so that a better fit or an ice bath
of today puts an old cook right as well. ``THEN`` is for whoever wants to see a cook as it could be read at the time.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Placement, Probe, ProbeRecord
from pitscribe.metrology.airprobe import AirModel, model_of
from pitscribe.metrology.calibration import Calibrated, fit_of, through_of

NOW = "now"  # with the latest record
THEN = "then"  # with the latest record that was made before the probe was put in its place
KNOWN = (NOW, THEN)

_NO_BOX_C = 25.0  # of a calibration that no channel took part in; nothing hangs on it


class KnownAir(NamedTuple):
    """What was learned of an air probe, as it counts for a placement, and the record that it rests on.

    here : whether the placement's channel is the one that it was learned through
    """

    record: int
    made_ms: int
    model: AirModel
    here: bool


class KnownCalibration(NamedTuple):
    """A calibration as it counts for a placement, and the record that it rests on."""

    record: int
    made_ms: int
    calibrated: Calibrated


def calibration_of(ledger: Ledger, placement: Placement, first_ms: int, known: str = NOW) -> KnownCalibration | None:
    """The calibration of a placement's probe, None if there is none.

    first_ms : when the placement began, UTC ms;  known : ``NOW`` or ``THEN``.
    """
    if known not in KNOWN:
        raise ConfigError(f"known {known!r}: must be one of {', '.join(KNOWN)}")
    record = latest(ledger, placement.probe, "calibration", first_ms if known == THEN else None)
    if record is None:
        return None
    here = record.logger == placement.logger and record.channel == placement.channel
    return KnownCalibration(record.id, record.made_ms, calibrated(placement.probe, record, here, first_ms))


def air_of(
    ledger: Ledger, placement: Placement, first_ms: int, calibration: KnownCalibration | None, known: str = NOW
) -> KnownAir | None:
    """What was learned of a placement's probe as an air probe; None if nothing, or if it is not in the air.

    The constants are kept as they were learned, and not learned anew from the span each time: that would read another
    cook with each of this one's readings. What a calibration since has made of the readings is taken from the offset.
    calibration : the one that the placement is read with;  the rest as for ``calibration_of``.
    """
    record = None
    if placement.kind == "air":
        record = latest(ledger, placement.probe, "air", first_ms if known == THEN else None)
    if record is None:
        return None
    model = model_of(record.body)
    middle = np.array([(model.low + model.high) / 2])
    now = 0.0 if calibration is None else float(calibration.calibrated.fit.correction(middle)[0])
    then = float(record.body.get("calibration_k", 0.0))
    here = record.logger == placement.logger and record.channel == placement.channel
    return KnownAir(record.id, record.made_ms, replace(model, offset=model.offset + then - now), here)


def latest(ledger: Ledger, probe: Probe, kind: str, before_ms: int | None = None) -> ProbeRecord | None:
    """A probe's latest record of a kind, or the latest that was made at or before a time, UTC ms; None if none."""
    records = [r for r in ledger.probe_records(probe.id, kind) if before_ms is None or r.made_ms <= before_ms]
    return records[-1] if records else None


def calibrated(probe: Probe, record: ProbeRecord, here: bool, at_ms: int) -> Calibrated:
    """A calibration's record as it counts at ``at_ms``, UTC ms; ``here``: read through the same channel as then."""
    through = through_of(record.body)
    return Calibrated(
        fit=fit_of(record.body, probe.tc, probe.tolerance),
        chip=None if through is None else through.chip,
        tc=None if through is None else through.tc,
        here=here,
        cold_c=_NO_BOX_C if through is None else through.cold_c,
        age_s=abs(at_ms - record.made_ms) / 1000,
    )
