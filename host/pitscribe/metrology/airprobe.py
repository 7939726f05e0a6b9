"""What air an air probe is in, from what it reads: its stem leads heat away, and it is late.

A thick junction follows first order, with its time constant tau, not the air but a mixture: ``(1 - beta) air + beta
base``, where the base is what its stem sits in (for a stick in the meat, the meat). Turned round,

    air = T + kappa (T - base) + lag dT/dt + offset,   kappa = beta / (1 - beta),  lag = tau / (1 - beta):

the lag counts with the same factor as the stem, because a swing reaches the junction weakened as well as late. The
offset is what else there is between the probe and the reference that it was learned from: wires, what each radiates,
the boundary layer. Without a base it stands for the stem too, which is right as long as the base is as warm as then: a
gauge in the dome, whose stem is in the cooker's steel. Pin fin and first-order lag: SOURCES.md section 5.

Nothing here looks ahead: each result hangs on a bounded window of the probe's own readings, and on the last that is
known of its base. So a series is the same read as far as now, or whole.
"""

import math
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import CalibrationError
from pitscribe.metrology.coverage import Component
from pitscribe.metrology.derivative import Slopes, Wanted, slopes
from pitscribe.metrology.uncertainty import Setup, budget

FloatArray = NDArray[np.float64]

METHOD = 1  # how the figures of a record were computed: ``airlearn`` as it is now

# What the slope may add to the result's uncertainty, at the most and where it is good enough. Ours, no source: see the
# figures in tests/host/test_airprobe_bench.py.
SLOPE_SHARE_K = (3.0, 0.5)
LONGEST_WINDOW = 1.5  # lags: an older sample says nothing of now
# Half width of how fast meat moves that nobody sees, 36 K in an hour: what the flat of the bench does at its fastest
# (70 K to go, time constant 7000 s). Our allowance, no source.
BASE_MOVES_K_S = 0.01
UNKNOWN_BASE_C = (0.0, 100.0)  # where meat may be when nobody says: raw from the cold, and no more than boiling
OUTSIDE_PART = 0.05  # K per K of reading outside of what was learned from: our allowance, no source
# Another day: walls cooler or warmer by up to 8 K than on the day of learning (our allowance, no source; the bench's
# steel is 8 K further below the air on a gusty day near freezing than on a mild one) take 0.32 of that from a fat sooty
# probe (SOURCES.md section 5: h 20 W/m2K, emissivity 0.8, 9 degC low of 28).
OTHER_DAY_K = 8.0 * 0.32
USUAL_AIR_C = 115.0
# Learned from slow swings, the lag has that of the walls in it, which radiate on the junction; an opened lid or a probe
# that was just put in are quicker than walls. Half width, as a part of what the lag makes of a slope that is beyond the
# usual: our allowance, no source (on the bench it makes 27 to 44 % too much of it in a cook's first minute).
QUICK_PART = 0.5
EACH_TIME = ("quantisation", "chip noise")  # the components of a budget that differ from sample to sample
PUT_IN = "just put in"  # the component that counts as long as a probe may not be settled yet
RANDOM = ("reading's noise and step", "slope")  # those of the air that come of it
_ROOT3 = 3.0**0.5


@dataclass(frozen=True, slots=True)
class AirModel:
    """What one air probe was found to do.

    base : the meat place that its stem sits in; None: no stem term
    offset, kappa, lag : K, K/K, s
    covariance : of (offset, kappa, lag), the upper triangle by rows: oo, ok, ol, kk, kl, ll
    dof : effective degrees of freedom of the fit
    reference_u : what the reference may be off by all the time: its wire, its channel, what it radiates [K]
    residual : what the model leaves, noise apart, as a standard deviation: 1.96 of it held 95 % of the span [K]
    slope_rms : of the readings that it was learned from [K/s]: how far the lag leads astray when it is not corrected
    low, high : the readings that it was learned from [degC]
    """

    base: str | None
    offset: float
    kappa: float
    lag: float
    covariance: tuple[float, float, float, float, float, float]
    dof: float
    reference_u: float
    residual: float
    slope_rms: float
    low: float
    high: float

    @property
    def tau(self) -> float:
        """The junction's own time constant, as a step of the air would show it [s]."""
        return self.lag / (1.0 + self.kappa)

    @property
    def u(self) -> tuple[float, float, float]:
        """Standard uncertainties of offset [K], kappa [K/K] and lag [s]; the reference's own error apart."""
        oo, _, _, kk, _, ll = self.covariance
        return math.sqrt(oo), math.sqrt(kk), math.sqrt(ll)


def body_of(model: AirModel) -> dict[str, Any]:
    """The figures as JSON has them, with the number of the method that they come from."""
    return {"method": METHOD, **asdict(model)}


def model_of(body: dict[str, Any]) -> AirModel:
    """What ``body_of`` wrote. CalibrationError if it is not that, or of a method that this version does not know."""
    if body.get("method") != METHOD:
        raise CalibrationError(f"an air record of method {body.get('method')!r}: learn it again with this version")
    names = [name for name in AirModel.__slots__ if name not in ("base", "covariance")]
    try:
        figures = [float(body[name]) for name in names]
        oo, ok, ol, kk, kl, ll = (float(x) for x in body["covariance"])
        base = None if body["base"] is None else str(body["base"])
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationError(f"an air record that cannot be read ({error}): learn it again") from None
    if not all(math.isfinite(x) for x in (*figures, oo, ok, ol, kk, kl, ll)):
        raise CalibrationError("an air record with a figure that is no number: learn it again")
    return AirModel(base, covariance=(oo, ok, ol, kk, kl, ll), **dict(zip(names, figures, strict=True)))


class Track(NamedTuple):
    """Usable samples: t [UTC s, ascending], celsius [degC], u [K]; float64 (n,) each."""

    t: FloatArray
    celsius: FloatArray
    u: FloatArray


class Air(NamedTuple):
    """The air as it is worked out, float64 (n,) [degC], what makes it uncertain, and what it is worked out with: the
    base (NaN without one) [degC] and the slope [K/s]."""

    celsius: FloatArray
    parts: list[Component]
    base: FloatArray
    slope: FloatArray


def noise_of(setup: Setup) -> float:
    """Standard deviation of one reading at a pit's temperature, noise and register step together [K]."""
    return math.sqrt(sum(x.u**2 for x in budget(setup, USUAL_AIR_C).lines if x.name in EACH_TIME))


def constant_u(setup: Setup, celsius: float) -> float:
    """What a channel's readings may be off by all the time: the rest of the budget [K]."""
    return math.sqrt(sum(x.u**2 for x in budget(setup, celsius).lines if x.name not in EACH_TIME))


def air_of(track: Track, base: Track | None, model: AirModel, noise: float, *, here: bool) -> Air:
    """The air around a probe at each of its samples.

    track : the probe's usable samples; base : those of what its stem sits in, if the model has one and they are there
    noise : standard deviation of one reading, ``noise_of`` [K]
    here : whether the channel is the one that the model was learned through. There the probe's and the channel's
        constant errors are in the offset and cancel; elsewhere the whole ``track.u`` counts besides.

    Where there is no slope (the first samples, behind a gap, sampling too slow for the lag) the lag is left alone and
    its usual size is in u. A series that begins, or begins anew behind a gap longer than the lag, may be of a probe
    that was just put in: until there is a slope the stem comes in as the lag has it, and what may not be settled is in
    u. Where the base is lost its last value is held, and u grows with its age; where it was never known it is taken to
    be anything between 0 and 100 degC, and u says that this is little.
    """
    t, reading = track.t, track.celsius
    (slope, slope_u, age), unsettled = _slopes(t, reading, noise, model)
    under, under_u = _base_at(t, base) if model.base is not None else (reading, np.zeros(t.shape))
    away = reading - under
    oo, ok, ol, kk, kl, ll = model.covariance
    learned = oo + 2 * ok * away + 2 * ol * slope + kk * away**2 + 2 * kl * away * slope + ll * slope**2
    outside = np.maximum(model.low - reading, 0.0) + np.maximum(reading - model.high, 0.0)
    # Twice the covariance with the reading is counted here: its own noise is the last in the window of the line.
    sloped = np.sqrt(model.lag * (model.lag + 2.0 * (1.0 + model.kappa) * age))
    each, span = np.ones(t.shape), "the span that it was learned from"
    parts = [
        Component("offset, stem and lag", span, np.sqrt(learned), "normal", model.dof),
        Component("reference beside it", "its wire, channel and radiation", model.reference_u * each),
        Component("what stem and lag leave", span, model.residual * each, "normal"),
        Component(RANDOM[0], "as the chip's", (1 + model.kappa) * noise * each, "normal"),
        Component(RANDOM[1], "noise over the window of the line, the reading's own in it", sloped * slope_u, "normal"),
        Component("walls of another day", "our allowance, 8 K of walls; no source", OTHER_DAY_K / _ROOT3 * each),
        Component("readings not learned from", "our allowance, 5 % of the way; no source", OUTSIDE_PART * outside),
        Component("slopes not learned from", "our allowance, half of it and its age; no source",
                  _quick(slope, age, model) / _ROOT3),
        Component(PUT_IN, "from its reading to the hottest air learned from",
                  unsettled * _far(reading, under, model) / _ROOT3),
    ]
    if model.base is not None:
        parts.append(Component("what the stem sits in", "its readings", model.kappa * under_u, "normal"))
    if not here:
        parts.append(Component("another channel", "the reading's own uncertainty", track.u, "normal"))
    celsius = reading + model.offset + model.kappa * (1.0 - unsettled) * away + model.lag * slope
    return Air(celsius, parts, under if model.base is not None else np.full(t.shape, np.nan), slope)


def _slopes(t: FloatArray, reading: FloatArray, noise: float, model: AirModel) -> tuple[Slopes, FloatArray]:
    """Slope and its uncertainty; where there is none, 0 and the usual slope's size. And of a step at the last begin of
    the series, the share that is still to come: 0 where the slope is known, for that tells all of it."""
    if model.lag <= 0.0:
        return Slopes(*np.zeros((3, t.size))), np.zeros(t.size)
    most, enough = (share / model.lag for share in SLOPE_SHARE_K)
    found = slopes(t, reading, noise, Wanted(most, enough, LONGEST_WINDOW * model.lag))
    none = np.isnan(found.slope)
    found.slope[none], found.u[none] = 0.0, model.slope_rms
    apart = np.diff(t, prepend=-np.inf)
    slow = 2.0 * np.concatenate(([0.0], apart[:-1])) if t.size else apart  # a sample each so often is no gap
    begins = np.flatnonzero(apart > np.maximum(model.lag, slow))
    since = t - t[begins[np.searchsorted(begins, np.arange(t.size), side="right") - 1]]
    return found, np.where(none, np.exp(-since / model.lag), 0.0)


def _quick(slope: FloatArray, age: FloatArray, model: AirModel) -> FloatArray:
    """What the lag may make too much of a slope beyond the usual, half width [K]: a part of it, and what a first-order
    slope has changed since the middle of its window, age / tau of itself."""
    beyond = np.maximum(np.abs(slope) - model.slope_rms, 0.0)
    return (QUICK_PART * model.lag + (1.0 + model.kappa) * age) * beyond


def _far(reading: FloatArray, under: FloatArray, model: AirModel) -> FloatArray:
    """How far the air may be from a probe that was just put in, half width [K]: it reads the air, or what it has come
    from, and the air may be as hot as where the probe was learned."""
    hottest = model.high + model.offset + (model.kappa * (model.high - under) if model.base is not None else 0.0)
    far: FloatArray = np.maximum(np.abs(model.kappa * (reading - under)), hottest - reading)
    return far


def _base_at(t: FloatArray, base: Track | None) -> tuple[FloatArray, FloatArray]:
    """The base's last good value at or before each time, and its uncertainty, float64 (n,) each.

    A base that is lost is held, and may since have moved, in the end to anywhere between 0 and 100 degC: u grows with
    its age until it is that of anything at all, seen from the value that is held. So nothing jumps. Before the first
    value the base is anything at all, and the middle of that is taken.
    """
    low, high = UNKNOWN_BASE_C
    middle, anywhere = (low + high) / 2, (high - low) / 2 / _ROOT3
    celsius, u = np.full(t.shape, middle), np.full(t.shape, anywhere)
    if base is not None and base.t.size:
        last = np.searchsorted(base.t, t, side="right") - 1
        known, last = last >= 0, np.maximum(last, 0)
        held = base.celsius[last]
        moved = np.hypot(base.u[last], BASE_MOVES_K_S / _ROOT3 * (t - base.t[last]))
        most = np.maximum(np.hypot(held - middle, anywhere), base.u[last])
        celsius[known], u[known] = held[known], np.minimum(moved, most)[known]
    return celsius, u
