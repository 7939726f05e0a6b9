"""What a probe's own history says of it: points, the correction fitted to them, and how sure that is.

The model is ``correction``'s: a constant of the channel, and of the wire so much for each kelvin between plug and tip.
An ice bath says little of the wire, which has the box's 20 K between its ends there; boiling water says more. What the
points leave open, data sheets and the wire's class bound: they count as what was known before (JCGM 101:2008, 6.4; GUM
F.2.3), so that a fit is never richer than its points.

The fit is the weighted least squares of JCGM 100:2008 (GUM) H.3, with the uncertainties of the points instead of the
scatter about the line, because two or three points scatter by chance; errors that points share are correlated (5.2).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import CalibrationError
from pitscribe.metrology.bothunits import both_sizes, both_units
from pitscribe.metrology.correction import Calibration, stretch
from pitscribe.metrology.line import Line, bounded_line
from pitscribe.metrology.tolerance import bend, bend_limit, gain_limit, tolerance_limit
from pitscribe.metrology.uncertainty import channel_u

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
_BORNE = 0.25  # points that halve the uncertainty of the gain tell of it

_ROOT3 = 3.0**0.5
_ROOM_C = 25.0  # where an instrument of one's own was, if nobody says


@dataclass(frozen=True, slots=True)
class Point:
    """The probe's uncorrected reading beside a temperature that is known otherwise.

    kind : one of ``POINT_KINDS``: an ice bath, boiling water, beside another probe, or a person's word
    reading, u_reading, dof : mean [degC], its standard uncertainty (scatter and steps, not the chip's constant errors)
        [K] and the degrees of freedom of that
    reference, u_reference : what it should be [degC], standard uncertainty that no other point shares [K]
    u_shared : standard uncertainty of the reference that all points beside one probe, or told of one instrument, have
        in common [K]
    n, from_ms, to_ms : how many samples, from when to when [ms UTC], if it was taken from a logger
    cold_c : the cold junction then [degC]; None: as far as is known, that of the other points, or a room's
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
    cold_c: float | None = None


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
    try:
        return None if channel is None else Through(str(channel["chip"]), str(channel["tc"]), float(channel["cold_c"]))
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationError(f"a kept calibration cannot be read: {error}; it may be of a later Pitscribe") from None


def fit_of(body: Mapping[str, Any], probe_tc: str, tolerance: str) -> Calibration:
    """The fit of what ``body_of`` made, as was asked for then.

    The points were judged when they were entered and are not judged again: a stricter rule of today must not take an
    old cook away. CalibrationError for what cannot be read.
    """
    points, through = points_of(body), through_of(body)
    if not points:
        raise CalibrationError("a kept calibration cannot be read: it has no point")
    try:
        return _fit(points, probe_tc, tolerance, body.get("gain"), through)
    except (TypeError, ValueError, KeyError, np.linalg.LinAlgError) as error:
        raise CalibrationError(f"a kept calibration cannot be read: {error}; it may be of a later Pitscribe") from None


def fit(
    points: Sequence[Point], probe_tc: str, tolerance: str, *, gain: bool | None = None, through: Through | None = None
) -> Calibration:
    """The correction that points bear.

    probe_tc, tolerance : type and class of the wire
    gain : whether to fit one by the points alone (True) or none (False); None: as far as the points tell more of it
        than the class does
    through : the channel that they were read through; its data sheet bounds the offset

    Raises CalibrationError for what is no calibration: nonsense, points too close for the gain that is asked for, a
    point that contradicts the others; ConfigError for an unknown class.
    """
    _check(points, probe_tc, tolerance, through)
    span = float(np.ptp([p.reading for p in points]))
    if gain and span < GAIN_SPAN_K:
        raise CalibrationError(
            f"a gain needs points at least {both_sizes(GAIN_SPAN_K, 0)} apart, and these are {both_sizes(span)}; "
            "take an offset, or add a point"
        )
    found = _fit(points, probe_tc, tolerance, gain, through)
    _check_gain(found.gain, probe_tc, tolerance)
    _check_contradictions(points, probe_tc, tolerance, through)
    return found


def _fit(
    points: Sequence[Point], probe_tc: str, tolerance: str, gain: bool | None, through: Through | None
) -> Calibration:
    reading, x = np.array([p.reading for p in points]), _spans(points, through)
    y, covariance = _as_at_zero(points, probe_tc)
    u_offset, u_gain = _before(probe_tc, tolerance, through)
    if gain is None:
        line = bounded_line(x, y, covariance, u_offset, u_gain)
    elif gain:
        line = bounded_line(x, y, covariance, u_offset, np.inf)
    else:
        line = bounded_line(x, y, covariance, u_offset, u_gain, level=True)
    dof = min(_dof(points, line, covariance, float(at)) for at in (x.min(), x.max()))
    borne = gain is not False and line.covariance[2] < _BORNE * u_gain**2
    return Calibration(line.offset, line.gain, line.covariance, dof, float(reading.min()), float(reading.max()),
                       float(np.mean(reading - x)), borne, probe_tc)


def _before(probe_tc: str, tolerance: str, through: Through | None) -> tuple[float, float]:
    """What is known before any point: standard uncertainty of the offset [K] and of the gain [K/K], at 0 degC."""
    kitchen = float(stretch(probe_tc, np.array([100.0]))[0]) / _ROOT3
    wire, chip = gain_limit(probe_tc, tolerance) * kitchen, (CHIP_GAIN_PART if through else 0.0) * kitchen
    offset = np.inf if through is None else channel_u(through.chip, through.tc, probe_tc, through.cold_c)
    return float(offset), float(np.hypot(wire, chip))


def _spans(points: Sequence[Point], through: Through | None) -> FloatArray:
    """Reading less cold junction at each point: float64 (n,) [K]."""
    box = _ROOM_C if through is None else through.cold_c
    return np.array([p.reading - (box if p.cold_c is None else p.cold_c) for p in points])


def residuals(points: Sequence[Point], calibration: Calibration) -> FloatArray:
    """What the correction leaves at each point, reference less corrected reading: float64 (n,) [K]."""
    x = np.array([p.reading for p in points])
    cold = np.array([calibration.cold_c if p.cold_c is None else p.cold_c for p in points])
    left: FloatArray = np.array([p.reference for p in points]) - x - calibration.correction(x, cold)
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
        at = stretch(probe_tc, np.array([p.reading, p.reference]))
        if not np.isfinite(at).all():
            raise CalibrationError(f"the point {_named(p)}: type {probe_tc} has no reference function there")
        limit = _farthest(p, probe_tc, tolerance, through)
        if abs(p.reading - p.reference) > limit:
            raise CalibrationError(
                f"{_named(p)}: the probe reads {both_units(p.reading)}, and no type {probe_tc} of class {tolerance} is "
                f"{limit:.1f} K ({limit * 1.8:.0f} F) off: {_suspicion(p, through)}"
            )


def _farthest(p: Point, probe_tc: str, tolerance: str, through: Through | None) -> float:
    """How far a point may be off before it is no point of this probe [K]."""
    if through is None:
        return 2 * float(tolerance_limit(probe_tc, tolerance, np.array([p.reference]))[0]) + CHIP_LIMIT_K
    u_offset, u_gain = _before(probe_tc, tolerance, through)
    span = float(_spans([p], through)[0])
    by = float(stretch(probe_tc, np.array([p.reading]))[0])
    return FARTHEST * float(np.hypot(np.hypot(u_offset, u_gain * span) / by, np.hypot(p.u_reading, p.u_reference)))


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
            f"the correction {'rises' if gain > 0 else 'falls'} by {both_sizes(abs(gain) * 100)} over "
            f"{both_sizes(100, 0)}, and that of no type {probe_tc} of class {tolerance} does by more than "
            f"{both_sizes(limit)}: the wire is of another type, or one of the points is wrong"
        )


def _check_contradictions(
    points: Sequence[Point], probe_tc: str, tolerance: str, through: Through | None
) -> None:
    """Refuse a point that the others contradict: off what they foretell by more than ``FARTHEST``."""
    if len(points) < 2:
        return
    x, reading = _spans(points, through), np.array([p.reading for p in points])
    y, covariance = _as_at_zero(points, probe_tc)
    bent = bend_limit(probe_tc, tolerance) * bend(reading, float(reading.min()), float(reading.max())) / _ROOT3
    covariance = covariance + np.diag(np.square(bent))
    before = _before(probe_tc, tolerance, through)
    off, u = np.zeros(x.size), np.ones(x.size)
    for i in range(x.size):
        rest = np.delete(np.arange(x.size), i)
        line = bounded_line(x[rest], y[rest], covariance[np.ix_(rest, rest)], *before)
        weights = line.weights(float(x[i]))
        off[i] = y[i] - line.at(float(x[i]))
        shared = 2 * float(weights @ covariance[rest, i])
        u[i] = max(line.variance(float(x[i])) + covariance[i, i] - shared, 1e-12) ** 0.5
    score = np.abs(off) / u
    worst = int(score.argmax())
    if score[worst] <= FARTHEST:
        return
    off_k, much = float(off[worst]), FARTHEST * float(u[worst])
    # With one observation to spare every point stands out alike, and nobody can say which it is.
    suspects = [_named(p) for p, s in zip(points, score, strict=True) if s > 0.8 * score[worst]]
    one = f"{suspects[0]}: it contradicts the other points"
    several = f"{'; '.join(suspects)}: they contradict one another, and one of them is wrong"
    raise CalibrationError(
        f"{one if len(suspects) == 1 else several}, {off_k:+.2f} K ({off_k * 1.8:+.1f} F) off where {much:.2f} K would "
        "be much; measure it anew, or leave it out"
    )


def _as_at_zero(points: Sequence[Point], probe_tc: str) -> tuple[FloatArray, FloatArray]:
    """What the points say of the correction, float64 (n,), in kelvin at 0 degC, and its covariance, float64 (n, n).

    What points beside one probe share is one error, the same for all: scaled for each, it would draw the weights to
    extremes. So is what points told of one instrument share.
    """
    by = stretch(probe_tc, np.array([p.reading for p in points]))
    y: FloatArray = np.array([p.reference - p.reading for p in points]) * by
    own = np.array([p.u_reading**2 + p.u_reference**2 for p in points])
    covariance = np.diag(own * np.square(by))
    for kind in ("beside", "told"):
        shared = np.array([p.u_shared if p.kind == kind else 0.0 for p in points])
        covariance += np.outer(shared, shared) * float(by.mean()) ** 2
    return y, covariance


def _dof(points: Sequence[Point], line: Line, covariance: FloatArray, at: float) -> float:
    """Welch-Satterthwaite (G.4.1) for the correction at a reading; a reference's uncertainty is known for sure."""
    weights = line.weights(at)
    total = line.variance(at)
    scatter = [p.u_reading**2 / (p.u_reading**2 + p.u_reference**2 + p.u_shared**2) for p in points]  # of its variance
    each = weights**2 * np.diag(covariance) * scatter
    by_dof = sum(float(v) ** 2 / p.dof for v, p in zip(each, points, strict=True))
    return total**2 / by_dof if by_dof > 0 else float("inf")


def _named(p: Point) -> str:
    return {"ice": "ice bath", "boil": "boiling water", "beside": "beside the other probe", "told": "told"}.get(
        p.kind, p.kind
    ) + f", {both_units(p.reference)}"
