"""What is known of a probe, for one placement of it: the ledger's records -> ``Calibrated`` and ``AirModel``.

A record holds what was measured; what follows from it is worked out here each time, so that a better fit or an ice bath
of today puts an old cook right as well. ``THEN`` is for whoever wants to see a cook as it could be read at the time.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pitscribe.errors import CalibrationError, ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Placement, Probe, ProbeRecord
from pitscribe.metrology import its90
from pitscribe.metrology.airprobe import AirModel, model_of
from pitscribe.metrology.calibration import fit_of, through_of
from pitscribe.metrology.chips import CHIPS
from pitscribe.metrology.correction import Calibrated

NOW = "now"  # with the latest record
THEN = "then"  # with the latest record that was made before the probe was put in its place
KNOWN = (NOW, THEN)


class KnownAir(NamedTuple):
    """What was learned of an air probe, as it counts for a placement, and the record that it rests on.

    model : as it was learned;  calibration_k : what the probe's calibration added to its readings then [K]
    here : whether the placement's channel is the one that it was learned through
    """

    record: int
    made_ms: int
    model: AirModel
    calibration_k: float
    here: bool

    def beside(self, applied: Calibrated | None) -> AirModel:
        """The model for readings with this calibration: what it has made of them since is taken from the offset."""
        middle = np.array([(self.model.low + self.model.high) / 2])
        now = 0.0 if applied is None else float(applied.fit.correction(middle)[0])
        return replace(self.model, offset=self.model.offset + self.calibration_k - now)


class KnownCalibration(NamedTuple):
    """A calibration as it counts for a placement, and the record that it rests on."""

    record: int
    made_ms: int
    calibrated: Calibrated

    def on(self, chip: str, tc: str) -> Calibrated:
        """The same for what is on the channel now; of another channel's points, or another chip's, the wire's part."""
        one = self.calibrated
        same = not one.here or (one.chip, one.tc) == (chip, tc)
        return one if same else replace(one, here=False, fit=one.fit.of_the_wire())


def calibration_of(ledger: Ledger, placement: Placement, first_ms: int, known: str = NOW) -> KnownCalibration | None:
    """The calibration of a placement's probe, None if there is none.

    first_ms : when the placement began, UTC ms;  known : ``NOW`` or ``THEN``. CalibrationError for a record that
    cannot be read.
    """
    _check_known(known)
    record = latest(ledger, placement.probe, "calibration", first_ms if known == THEN else None)
    if record is None:
        return None
    here = record.logger == placement.logger and record.channel == placement.channel
    return KnownCalibration(record.id, record.made_ms, calibrated(placement.probe, record, here, first_ms))


def air_of(ledger: Ledger, placement: Placement, first_ms: int, known: str = NOW) -> KnownAir | None:
    """What was learned of a placement's probe as an air probe; None if nothing, or if it is not in the air.

    The constants are kept as they were learned, and not learned anew from the span each time: that would read another
    cook with each of this one's readings. Arguments and errors as for ``calibration_of``.
    """
    _check_known(known)
    record = None
    if placement.kind == "air":
        record = latest(ledger, placement.probe, "air", first_ms if known == THEN else None)
    if record is None:
        return None
    here = record.logger == placement.logger and record.channel == placement.channel
    try:
        then = float(record.body.get("calibration_k", 0.0))
    except (TypeError, ValueError):
        raise CalibrationError("an air record that cannot be read: learn it again") from None
    return KnownAir(record.id, record.made_ms, model_of(record.body), then, here)


def _check_known(known: str) -> None:
    if known not in KNOWN:
        raise ConfigError(f"known {known!r}: must be one of {', '.join(KNOWN)}")


def latest(ledger: Ledger, probe: Probe, kind: str, before_ms: int | None = None) -> ProbeRecord | None:
    """A probe's latest record of a kind, or the latest that was made at or before a time, UTC ms; None if none."""
    records = [r for r in ledger.probe_records(probe.id, kind) if before_ms is None or r.made_ms <= before_ms]
    if records and not isinstance(records[-1].body, dict):
        raise CalibrationError(f"record {records[-1].id} cannot be read; it may be of a later Pitscribe")
    return records[-1] if records else None


def calibrated(probe: Probe, record: ProbeRecord, here: bool, at_ms: int) -> Calibrated:
    """A calibration's record as it counts at ``at_ms``, UTC ms; ``here``: read through the same channel as then.

    CalibrationError for a record that cannot be read.
    """
    through = through_of(record.body)
    if through is not None and (through.chip not in CHIPS or through.tc not in its90.KINDS):
        raise CalibrationError(f"a kept calibration is through a {through.chip} of type {through.tc}: not known here")
    fit = fit_of(record.body, probe.tc, probe.tolerance)
    return Calibrated(
        fit=fit if here or through is None else fit.of_the_wire(),
        chip=None if through is None else through.chip,
        tc=None if through is None else through.tc,
        here=here,
        age_s=abs(at_ms - record.made_ms) / 1000,
    )
