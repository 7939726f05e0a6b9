"""What a probe's own history says of it: points, the correction fitted to them, and how sure that is.

A correction is ``offset + gain (reading - pivot)``, in kelvin as the wire has them at 0 degC, to be added to a reading.
What is out by a constant (a chip, its cold junction, the terminal block) is so in emf: a kelvin of it in the ice is
0.83 K of it in boiling water with type T, whose sensitivity grows by a fifth between the two, and 0.95 K with type K.

The fit is the weighted least squares of JCGM 100:2008 (GUM) H.3, with the uncertainties of the points instead of the
scatter about the line, because two or three points scatter by chance; errors that points share are correlated (5.2).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import CalibrationError
from pitscribe.metrology import its90
from pitscribe.metrology.line import Line, weighted_line, weighted_mean
from pitscribe.metrology.tolerance import bend_limit, gain_limit, tolerance_limit

FloatArray = NDArray[np.float64]

FORMAT = 1  # of what is kept
POINT_KINDS = ("ice", "boil", "beside", "told")

# A gain is fitted to points at least this far apart; ice and boiling water are more than twice that. Our judgement.
GAIN_SPAN_K = 40.0
# What a chip may add to the error of a probe: the widest of them states +/-2 K, +/-2 K for its cold junction, and half
# a kelvin is allowed for the terminal block. More than this and twice the wire's class is no correction.
CHIP_LIMIT_K = 4.5
# By which part of the temperature a chip may be out, half width: MAX31856 data sheet; taken for all of them.
CHIP_GAIN_PART = 0.0015
# How much the correction may change over 100 K beside the class's kelvin figure: a chip's own gain. Type T taken for
# type K changes by 4.4 K from ice to boiling water, and all other pairs by more (SOURCES.md section 1). Our judgement.
CHIP_GAIN_K = 1.0
# How many standard uncertainties a point may be off what the others say: 0.3 % of good points are further.
FARTHEST = 3.0

_ROOT3 = 3.0**0.5


@dataclass(frozen=True, slots=True)
class Calibration:
    """A correction and its uncertainty, as far as the points bear it.

    offset, gain, pivot : K, K/K, degC of the uncorrected reading; kelvin of the wire at 0 degC
    covariance : var(offset) [K2], cov(offset, gain) [K], var(gain) [1]; a gain that the points cannot show is 0, and
        its variance what the wire's class allows; what a chip's gain adds is ``uncertainty``'s to say
    dof : effective degrees of freedom of the fit (inf if nothing of it is from few observations)
    low, high : the lowest and the highest reading among the points [degC]
    tc : type of the wire; None: a thermometer whose kelvin are the same everywhere
    """

    offset: float
    gain: float
    pivot: float
    covariance: tuple[float, float, float]
    dof: float
    low: float
    high: float
    tc: str | None = None

    def correction(self, reading: FloatArray) -> FloatArray:
        """What is to be added to uncorrected readings: float64 (n,) [degC] -> (n,) [K]."""
        added: FloatArray = (self.offset + self.gain * (reading - self.pivot)) / stretch(self.tc, reading)
        return added

    def u(self, reading: FloatArray) -> FloatArray:
        """Standard uncertainty of the correction, of the points and the fit alone: float64 (n,) [degC] -> (n,) [K]."""
        var, both, slope = self.covariance
        away = reading - self.pivot
        u: FloatArray = np.sqrt(var + 2 * both * away + slope * np.square(away)) / stretch(self.tc, reading)
        return u


def stretch(tc: str | None, celsius: FloatArray) -> FloatArray:
    """Sensitivity of a wire at a temperature against that at 0 degC: float64 (n,) [degC] -> (n,), NaN out of range."""
    if tc is None:
        return np.ones(celsius.shape)
    ratio: FloatArray = its90.sensitivity(tc, celsius, out_of_range="nan") / its90.sensitivity(tc, 0.0)
    return ratio


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A calibration as it counts for one placement.

    chip, tc : the amplifier that the points were read through, and the type that it is made or set for; None: another
        instrument, whose error is in the points' own uncertainty
    here : whether that is the very channel that is read now, whose chip's constant errors it therefore holds
    cold_c : the terminal block then [degC]
    age_s : how long before the reading it was made [s]
    """

    fit: Calibration
    chip: str | None
    tc: str | None
    here: bool
    cold_c: float
    age_s: float


@dataclass(frozen=True, slots=True)
class Point:
    """The probe's uncorrected reading beside a temperature that is known otherwise.

    kind : one of ``POINT_KINDS``: an ice bath, boiling water, beside another probe, or a person's word
    reading, u_reading, dof : mean [degC], its standard uncertainty (scatter and steps, not the chip's constant errors)
        [K] and the degrees of freedom of that
    reference, u_reference : what it should be [degC], standard uncertainty that no other point shares [K]
    u_shared : standard uncertainty of the reference that all points "beside" another probe have in common [K]
    n, from_ms, to_ms : how many samples, from when to when [ms UTC], if it was taken from a logger
    """

    kind: str
    reading: float
    u_reading: float
    dof: float
    reference: float
    u_reference: float
    u_shared: float = 0.0
    n: int = 0
    from_ms: int | None = None
    to_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Through:
    """The channel that points were read through: chip, the type that it is made or set for, terminal block [degC]."""

    chip: str
    tc: str
    cold_c: float


def body_of(
    points: Sequence[Point], through: Through | None = None, conditions: Mapping[str, Any] | None = None,
    gain: bool | None = None,
) -> dict[str, Any]:
    """A calibration as JSON can keep it: what was measured and under which conditions, never what is fitted to it.

    conditions : what else was so (altitude, pressure), kept as it is;  gain : what was asked for, see ``fit``
    """
    fields = Point.__dataclass_fields__
    rows = [{name: getattr(point, name) for name in fields} for point in points]
    for row in rows:
        row["dof"] = row["dof"] if np.isfinite(row["dof"]) else None
    channel = None if through is None else {"chip": through.chip, "tc": through.tc, "cold_c": through.cold_c}
    return {"format": FORMAT, "points": rows, "through": channel, "conditions": dict(conditions or {}), "gain": gain}


def points_of(body: Mapping[str, Any]) -> tuple[Point, ...]:
    """The points in what ``body_of`` made. CalibrationError if they are not there."""
    try:
        if body.get("format") != FORMAT:
            raise ValueError(f"format {body.get('format')!r}")
        rows = [dict(row) for row in body["points"]]
        points = [Point(**{**row, "dof": np.inf if row["dof"] is None else float(row["dof"])}) for row in rows]
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationError(f"a kept calibration cannot be read: {error}; it may be of a later Pitscribe") from None
    return tuple(points)


def through_of(body: Mapping[str, Any]) -> Through | None:
    """The channel in what ``body_of`` made; None: another instrument."""
    channel = body.get("through")
    return None if channel is None else Through(channel["chip"], channel["tc"], float(channel["cold_c"]))


def fit_of(body: Mapping[str, Any], probe_tc: str, tolerance: str) -> Calibration:
    """The fit of what ``body_of`` made, as was asked for then. Raises CalibrationError as ``fit``."""
    return fit(points_of(body), probe_tc, tolerance, gain=body.get("gain"), through=through_of(body))


def fit(
    points: Sequence[Point], probe_tc: str, tolerance: str, *, gain: bool | None = None, through: Through | None = None
) -> Calibration:
    """The correction that points bear: an offset, or an offset and a gain.

    probe_tc, tolerance : type and class of the wire
    gain : whether to fit one. None: if the points are ``GAIN_SPAN_K`` apart and tell more of it than wire and chip
        allow, or show it beyond doubt
    through : the channel that they were read through, for a better word on what is wrong

    Raises CalibrationError for what is no calibration: nonsense, points too close for the gain that is asked for, a
    point that contradicts the others; ConfigError for an unknown class.
    """
    _check(points, probe_tc, tolerance, through)
    x = np.array([p.reading for p in points])
    y, covariance = _as_at_zero(points, probe_tc)
    span = float(np.ptp(x))
    kitchen = float(stretch(probe_tc, np.array([100.0]))[0]) / _ROOT3
    wire, chip = gain_limit(probe_tc, tolerance) * kitchen, (CHIP_GAIN_PART if through else 0.0) * kitchen
    if gain and span < GAIN_SPAN_K:
        raise CalibrationError(
            f"a gain needs points at least {GAIN_SPAN_K:g} K ({GAIN_SPAN_K * 1.8:g} F) apart, and these are "
            f"{span:.1f} K ({span * 1.8:.1f} F); take an offset, or add a point"
        )
    line = weighted_mean(x, y, covariance, wire)
    if gain or (gain is None and span >= GAIN_SPAN_K):
        tilted = weighted_line(x, y, covariance)
        _check_gain(tilted.gain, probe_tc, tolerance)
        if gain or tilted.u_gain < np.hypot(wire, chip) or abs(tilted.gain) > FARTHEST * tilted.u_gain:
            line = tilted
    _check_residuals(points, line, probe_tc, tolerance)
    low, high = float(x.min()), float(x.max())
    dof = min(_dof(points, line, covariance, at) for at in (low, high))
    return Calibration(line.offset, line.gain, line.pivot, line.covariance, dof, low, high, probe_tc)


def residuals(points: Sequence[Point], calibration: Calibration) -> FloatArray:
    """What the correction leaves at each point, reference less corrected reading: float64 (n,) [K]."""
    x = np.array([p.reading for p in points])
    left: FloatArray = np.array([p.reference for p in points]) - x - calibration.correction(x)
    return left


def _check(points: Sequence[Point], probe_tc: str, tolerance: str, through: Through | None) -> None:
    """Refuse points that cannot be of this probe."""
    if not points:
        raise CalibrationError("a calibration needs at least one point, and there is none")
    for p in points:
        numbers = (p.reading, p.u_reading, p.reference, p.u_reference, p.u_shared)
        if not np.isfinite(numbers).all() or min(p.u_reading, p.u_reference, p.u_shared) < 0 or not p.dof > 0:
            raise CalibrationError(f"the point {_named(p)} has a figure that is no number, or below 0")
        if p.u_reading == p.u_reference == 0.0:
            raise CalibrationError(f"the point {_named(p)} has no uncertainty, and nothing is that sure")
        limit = 2 * float(tolerance_limit(probe_tc, tolerance, np.array([p.reference]))[0]) + CHIP_LIMIT_K
        if abs(p.reading - p.reference) > limit:
            raise CalibrationError(
                f"{_named(p)}: the probe reads {both_units(p.reading)}, and no type {probe_tc} of class {tolerance} is "
                f"{limit:.1f} K ({limit * 1.8:.0f} F) off: {_suspicion(p, through)}"
            )


def _suspicion(p: Point, through: Through | None) -> str:
    if through is not None and abs(p.reading - (2 * through.cold_c - p.reference)) < CHIP_LIMIT_K:
        return "it reads as a probe with reversed leads would; swap them at the plug"
    what = {"ice": "this is no ice bath", "boil": "the water was not boiling, or the tip was not in it",
            "beside": "the two tips were not in one bath"}.get(p.kind, "one of the two figures is wrong")
    return f"{what}, or the wire is of another type, or its leads are reversed"


def _check_gain(gain: float, probe_tc: str, tolerance: str) -> None:
    limit = float(tolerance_limit(probe_tc, tolerance, np.array([0.0]))[0]) + CHIP_GAIN_K
    if abs(gain) * 100.0 > limit:
        raise CalibrationError(
            f"the correction changes by {gain * 100:+.1f} K over 100 K, and no type {probe_tc} of class {tolerance} "
            f"does by more than {limit:.1f} K: the wire is of another type, or one of the points is wrong"
        )


def _check_residuals(points: Sequence[Point], line: Line, probe_tc: str, tolerance: str) -> None:
    """Refuse a point that the others contradict: further off than ``FARTHEST`` of its residual's uncertainty."""
    x = np.array([p.reading for p in points])
    y, covariance = _as_at_zero(points, probe_tc)
    left = y - line.offset - line.gain * (x - line.pivot)
    bend = bend_limit(probe_tc, tolerance, x, float(x.min()), float(x.max())) / _ROOT3
    variance = line.residual_variance(x, covariance + np.diag(np.square(bend)))
    if line.gain == 0.0:  # not shown, which is not the same as not there
        tilt = (float(tolerance_limit(probe_tc, tolerance, np.array([0.0]))[0]) + CHIP_GAIN_K) / 100.0 / _ROOT3
        variance = variance + np.square(tilt * (x - line.pivot))
    known = variance > 1e-12
    score = np.where(known, np.abs(left) / np.sqrt(np.where(known, variance, 1.0)), 0.0)
    worst = int(score.argmax())
    if score[worst] <= FARTHEST:
        return
    off, much = float(left[worst]), FARTHEST * float(np.sqrt(variance[worst]))
    # With one observation to spare every point stands out alike, and nobody can say which it is.
    suspects = [_named(p) for p, s in zip(points, score, strict=True) if s > 0.8 * score[worst]]
    one = f"{suspects[0]}: it contradicts the other points"
    several = f"{'; '.join(suspects)}: they contradict one another, and one of them is wrong"
    raise CalibrationError(
        f"{one if len(suspects) == 1 else several}, {off:+.2f} K ({off * 1.8:+.1f} F) off where {much:.2f} K would be "
        "much; measure it anew, or leave it out"
    )


def _as_at_zero(points: Sequence[Point], probe_tc: str) -> tuple[FloatArray, FloatArray]:
    """What the points say of the correction, float64 (n,), in kelvin at 0 degC, and its covariance, float64 (n, n).

    What "beside" points share is one error.
    """
    by = stretch(probe_tc, np.array([p.reading for p in points]))
    y: FloatArray = np.array([p.reference - p.reading for p in points]) * by
    own = np.array([p.u_reading**2 + p.u_reference**2 for p in points])
    shared = np.array([p.u_shared if p.kind == "beside" else 0.0 for p in points])
    return y, (np.diag(own) + np.outer(shared, shared)) * np.outer(by, by)


def _dof(points: Sequence[Point], line: Line, covariance: FloatArray, at: float) -> float:
    """Welch-Satterthwaite (G.4.1) for the correction at a reading; a reference's uncertainty is known for sure."""
    weights = line.weights(at)
    total = float(weights @ covariance @ weights)
    scatter = [p.u_reading**2 / (p.u_reading**2 + p.u_reference**2 + p.u_shared**2) for p in points]  # of its variance
    each = weights**2 * np.diag(covariance) * scatter
    by_dof = sum(float(v) ** 2 / p.dof for v, p in zip(each, points, strict=True))
    return total**2 / by_dof if by_dof > 0 else float("inf")


def _named(p: Point) -> str:
    return {"ice": "ice bath", "boil": "boiling water", "beside": "beside the other probe", "told": "told"}.get(
        p.kind, p.kind
    ) + f", {both_units(p.reference)}"


def both_units(celsius: float) -> str:
    """A temperature in both units: ``0.0 C (32.0 F)``."""
    return f"{celsius:.1f} C ({celsius * 1.8 + 32:.1f} F)"
