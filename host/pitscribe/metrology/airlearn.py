"""Learn an air probe's constants from a span in which a thin junction ran beside it.

Nothing is differentiated: the thin junction's readings are sent through the model, ``y = L[ref + beta (base - ref)] +
shift`` with L a first-order lag of time constant tau, and beta, tau and the shift are those that meet the thick one's
readings best. So noise of the reference passes through the lag and is smoothed away, where in a regression on slopes it
would make the constants too small. The shift is there because two wires differ by a kelvin or two.

What the model leaves is not white: it comes in swings as long as the fire's. Uncertainties go by the number of
independent samples that the residual's own correlation allows, not by the count.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import CalibrationError
from pitscribe.metrology.airprobe import RANDOM, AirModel, Track, air_of
from pitscribe.metrology.bothunits import both_sizes
from pitscribe.metrology.exposure import radiation_limit

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A bead of 24 to 30 AWG wire in a smoker's air: 0.8 to 5.3 s (SOURCES.md section 5). Half width of the rectangle, s.
REFERENCE_TAU_S, REFERENCE_TAU_LIMIT_S = 4.0, 3.0
TAUS_S = (0.5, 900.0)  # where a time constant is looked for
# Allowances of our own for what is enough to learn from, no source.
LEAST_SPAN_S = 1800.0
LEAST_SWING_K = 4.0  # between the 5th and the 95th percentile of the reference
LEAST_BASE_K = 15.0  # the same of the base: swings alone are weakened by the walls as well as by the stem
LEAST_INDEPENDENT = 12.0
MOST_LAG_PART, MOST_LAG_U_S = 0.25, 5.0  # the lag's uncertainty: the larger of the two
MOST_BETA_PART, MOST_BETA_U = 0.25, 0.02  # the stem's
MOST_BETA, MOST_OFFSET_K = 0.6, 40.0
_ROOT3 = 3.0**0.5
_K95 = 1.96
_GAP_S = 30.0
_SURROUNDINGS_C = 25.0


class Learned(NamedTuple):
    """The model, and how it was come by: RMS difference from the reference before and after [K], samples, independent
    samples, and the swing of the reference between its 5th and 95th percentile [K]."""

    model: AirModel
    raw_rms: float
    corrected_rms: float
    samples: int
    independent: float
    swing: float


@dataclass(frozen=True, slots=True)
class _Grid:
    """The three on one grid of ``step`` s; ``whole`` (n,): where all of them were measured."""

    step: float
    thick: FloatArray
    ref: FloatArray
    base: FloatArray | None
    whole: BoolArray


class _Fit(NamedTuple):
    """tau [s], the linear constants (shift [, beta]), the residual (NaN where not judged) and its sum of squares."""

    tau: float
    linear: FloatArray
    residual: FloatArray
    squares: float


def learn(thick: Track, reference: Track, base: Track | None, *, base_place: str | None, noise: float,
          reference_u: float, reference_tau_s: float = REFERENCE_TAU_S) -> Learned:
    """Fit an air probe's constants to a span.

    thick, reference, base : usable samples of the probe, of the thin junction beside it, and of what its stem sits in
        (None: only offset and lag are learned); base_place : the base's name, for the model
    noise : of one reading of the thick probe, as ``air_of`` takes it [K]
    reference_u : what the reference's wire and channel may be off by all the time [K]
    reference_tau_s : the reference's own time constant [s]; its half width counts as 3 s

    Raises CalibrationError, with the reason, for a span that cannot teach: too short, too flat, the contrast between
    air and base too constant, a reference that is the slower one, constants that no probe has.
    """
    grid = _on_a_grid(thick, reference, base)
    swing = float(np.subtract(*np.percentile(grid.ref[grid.whole], (95, 5))))
    if swing < LEAST_SWING_K:
        raise CalibrationError(
            f"the pit moved by only {both_sizes(swing)} in this span: a lag cannot be seen in it; take one with a fire "
            f"that swings by {both_sizes(LEAST_SWING_K, 0)} or more"
        )
    _check_contrast(grid)
    fit = _best(grid)
    _check_order(grid, fit)
    model, independent = _model(grid, fit, base_place, reference_tau_s)
    model = _with_reference(model, grid, reference_u)
    return _judged(thick, reference, base, model, noise, (int(grid.whole.sum()), independent, swing))


def _on_a_grid(thick: Track, reference: Track, base: Track | None) -> _Grid:
    tracks = [thick, reference, *([] if base is None else [base])]
    if any(x.t.size < 2 for x in tracks):
        raise CalibrationError("there are no usable readings of all the places in this span")
    first, last = max(float(x.t[0]) for x in tracks), min(float(x.t[-1]) for x in tracks)
    if last - first < LEAST_SPAN_S:
        raise CalibrationError(
            f"the places were read together for {max(last - first, 0.0) / 60:.0f} min; learning needs "
            f"{LEAST_SPAN_S / 60:.0f} min or more"
        )
    spacing = max(float(np.median(np.diff(x.t))) for x in tracks[:2])
    step = max(1.0, spacing)
    at = np.arange(first, last, step)
    whole = np.ones(at.shape, bool)
    for one in tracks:
        behind = np.clip(np.searchsorted(one.t, at, side="right"), 1, one.t.size - 1)
        whole &= one.t[behind] - one.t[behind - 1] <= max(_GAP_S, 3 * step)
    columns = [np.interp(at, x.t, x.celsius) for x in tracks]
    return _Grid(step, columns[0], columns[1], columns[2] if base is not None else None, whole)


def _lagged(x: FloatArray, step: float, tau: float) -> FloatArray:
    """A first-order lag of a signal that is straight between its samples, begun at rest."""
    r = step / tau
    keep = math.exp(-r)
    late = (1.0 - keep) / r
    rise = x - x[0]
    y: FloatArray = np.concatenate(([0.0], (1.0 - late) * rise[1:] + (late - keep) * rise[:-1]))
    reach = 1
    while reach < y.size and (weight := keep**reach) > 1e-12:  # the sum over all the past, by doubling
        y[reach:] += weight * y[:-reach].copy()
        reach *= 2
    y += x[0]
    return y


def _judged_rows(grid: _Grid, tau: float) -> BoolArray:
    """Where the model may be judged: measured, and so was the stretch that still shows in it."""
    back = min(max(1, round(5.0 * tau / grid.step)), grid.whole.size)
    bad = np.concatenate(([0], np.cumsum(~grid.whole)))
    rows = grid.whole.copy()
    rows[:back] = False
    n = grid.whole.size
    rows[back:] &= bad[back + 1 : n + 1] == bad[1 : n + 1 - back]
    return rows


def _check_contrast(grid: _Grid) -> None:
    if grid.base is None:
        return
    base, ref = grid.base[grid.whole], grid.ref[grid.whole]
    moved = min(float(np.subtract(*np.percentile(x, (95, 5)))) for x in (base, ref - base))
    if moved < LEAST_BASE_K:
        raise _too_constant(f"it changed by {both_sizes(moved, 0)}")


def _too_constant(seen: str) -> CalibrationError:
    return CalibrationError(
        f"air and base keep too constant a distance here to tell the stem from an offset ({seen}): take a span in "
        "which the meat warms, or learn without a base"
    )


def _fit(grid: _Grid, tau: float, rows: BoolArray) -> _Fit:
    follows = _lagged(grid.ref, grid.step, tau)
    columns = [np.ones(follows.shape)]
    if grid.base is not None:
        columns.append(_lagged(grid.base, grid.step, tau) - follows)
    matrix, y = np.stack(columns, 1), grid.thick - follows
    linear = np.asarray(np.linalg.lstsq(matrix[rows], y[rows], rcond=None)[0], np.float64)
    residual = np.where(rows, y - matrix @ linear, np.nan)
    return _Fit(tau, linear, residual, float(np.sum(np.square(residual[rows]))))


def _best(grid: _Grid) -> _Fit:
    """The least squares over tau: a coarse look at all of them, then ever closer around the best."""
    low, high = TAUS_S
    high = min(high, grid.thick.size * grid.step / 20)
    taus = np.geomspace(low, high, 25)
    rows = _judged_rows(grid, high / 2)
    if rows.sum() * grid.step < LEAST_SPAN_S / 2:
        raise CalibrationError("too many gaps or flagged readings in this span to learn from")
    for _ in range(4):
        fits = [_fit(grid, float(tau), rows) for tau in taus]
        best = int(np.argmin([f.squares for f in fits]))
        taus = np.geomspace(taus[max(best - 1, 0)], taus[min(best + 1, taus.size - 1)], 9)
    return fits[best]


def _check_order(grid: _Grid, fit: _Fit) -> None:
    """Whether it is the reference that follows the probe."""
    if fit.tau > 2 * TAUS_S[0]:
        return
    turned = _best(_Grid(grid.step, grid.ref, grid.thick, grid.base, grid.whole))
    if turned.tau > 4 * TAUS_S[0] and turned.squares < fit.squares:
        raise CalibrationError(
            f"the reference is slower than the probe, by some {turned.tau:.0f} s: name the thinner one as the reference"
        )


def _independent(residual: FloatArray) -> float:
    """How many independent samples a residual is worth: its count over the sum of its correlations (GUM C.2.24's
    variance of a mean, with correlated samples), the sum up to where it first falls to nothing."""
    x = np.nan_to_num(residual)
    n = int(np.isfinite(residual).sum())
    size = 1 << (2 * x.size - 1).bit_length()
    power = np.abs(np.fft.rfft(x, size)) ** 2
    rho = np.fft.irfft(power, size)[: x.size // 2]
    rho /= rho[0]
    end = np.flatnonzero(rho <= 0)
    return n / max(1.0, float(2 * rho[: end[0] if end.size else rho.size].sum() - 1))


def _model(grid: _Grid, fit: _Fit, base_place: str | None, reference_tau_s: float) -> tuple[AirModel, float]:
    """From the fit's constants to those that are used, with their covariance; residual and reference_u are not yet."""
    rows = np.isfinite(fit.residual)
    independent, has_base = _independent(fit.residual), grid.base is not None
    if independent < LEAST_INDEPENDENT:
        raise CalibrationError(
            f"what the model leaves in this span is worth {independent:.0f} independent readings, and "
            f"{LEAST_INDEPENDENT:.0f} are needed: take a longer span"
            + ("" if has_base else ", or name the base if the stem sits in meat")
        )
    jacobian = _jacobian(grid, fit, rows)
    scale = fit.squares / independent  # s2 N / N_eff, with s2 = squares / N
    covariance = np.zeros((3, 3))  # of shift, beta, tau
    kept = [0, 1, 2] if has_base else [0, 2]
    covariance[np.ix_(kept, kept)] = np.linalg.inv(jacobian.T @ jacobian) * scale
    shift, beta = float(fit.linear[0]), float(fit.linear[1]) if has_base else 0.0
    _check_constants(grid, fit.tau, beta, covariance)
    covariance[2, 2] += REFERENCE_TAU_LIMIT_S**2 / 3
    tau, rest = fit.tau + reference_tau_s, 1.0 - beta
    turn = np.array([[-1 / rest, -shift / rest**2, 0], [0, 1 / rest**2, 0], [0, tau / rest**2, 1 / rest]])
    used = turn @ covariance @ turn.T
    oo, ok, ol, kk, kl, ll = (float(x) for x in used[np.triu_indices(3)])
    slope = np.diff(_lagged(grid.thick, grid.step, max(10.0, grid.step))) / grid.step
    thick = grid.thick[grid.whole]
    model = AirModel(base_place if has_base else None, -shift / rest, beta / rest, tau / rest, (oo, ok, ol, kk, kl, ll),
                     independent - len(kept), 0.0, 0.0, float(np.sqrt(np.mean(slope**2))),
                     float(thick.min()), float(thick.max()))
    return model, independent


def _jacobian(grid: _Grid, fit: _Fit, rows: BoolArray) -> FloatArray:
    """Of the model by shift [, beta], tau: float64 (rows, 2 or 3)."""
    beta = float(fit.linear[1]) if grid.base is not None else 0.0
    mixed = grid.ref if grid.base is None else grid.ref + beta * (grid.base - grid.ref)
    by_tau = (_lagged(mixed, grid.step, fit.tau * 1.01) - _lagged(mixed, grid.step, fit.tau * 0.99)) / (0.02 * fit.tau)
    columns = [np.ones(by_tau.shape), by_tau]
    if grid.base is not None:
        columns.insert(1, _lagged(grid.base - grid.ref, grid.step, fit.tau))
    return np.stack(columns, 1)[rows]


def _check_constants(grid: _Grid, tau: float, beta: float, covariance: FloatArray) -> None:
    """Raises CalibrationError for constants that are not seen well enough, or that no probe has."""
    u_beta, u_tau = math.sqrt(covariance[1, 1]), math.sqrt(covariance[2, 2])
    if grid.base is not None and u_beta > max(MOST_BETA_PART * abs(beta), MOST_BETA_U):
        raise _too_constant(f"the stem's share is {100 * beta:.0f} % give or take {100 * u_beta:.0f}")
    if u_tau > max(MOST_LAG_PART * tau, MOST_LAG_U_S):
        raise CalibrationError(
            f"the lag is {tau:.0f} s give or take {u_tau:.0f}: the pit swung too little or too seldom in this span to "
            "see it better; take a longer one"
        )
    if tau > 0.98 * TAUS_S[1] or tau > grid.thick.size * grid.step / 25:
        raise CalibrationError(f"a lag of {tau:.0f} s or more: is this probe in the same air as the reference?")
    if beta < -2 * u_beta or beta > MOST_BETA:
        raise CalibrationError(
            f"the probe would read {100 * beta:.0f} % of the base: no stem does that; are the places the right ones?"
        )


def _with_reference(model: AirModel, grid: _Grid, reference_u: float) -> AirModel:
    """The reference radiates too, and reads low by something between nothing and its limit: half of that is added (GUM
    F.2.4.5: a known effect is corrected), and the rest, a rectangle, stays in the uncertainty."""
    mean = np.array([float(grid.ref[grid.whole].mean())])
    limit = float(radiation_limit(mean, np.array([_SURROUNDINGS_C]))[0])
    u = math.hypot(reference_u, limit / 2 / _ROOT3)
    return replace(model, offset=model.offset + limit / 2, reference_u=u)


def _judged(thick: Track, reference: Track, base: Track | None, model: AirModel, noise: float,
            seen: tuple[int, float, float]) -> Learned:
    """The model with its residual: the corrected readings against the reference, in the span itself."""
    found = air_of(thick, base, model, noise, here=True)
    air = found.celsius
    inside = (thick.t >= thick.t[0] + 5 * model.tau) & (thick.t <= reference.t[-1])
    ref = np.interp(thick.t, reference.t, reference.celsius)
    off, raw = (air - ref)[inside], (thick.celsius - ref)[inside]
    random = np.sum([np.square(part.u) for part in found.parts if part.name in RANDOM], axis=0)
    # An opened lid makes errors of many kelvin for a minute. What holds 95 % is promised, and that is without them.
    held = float(np.percentile(np.abs(off - np.median(off)), 95)) / _K95
    residual = math.sqrt(max(held**2 - float(np.median(random[inside])), 0.0))
    return Learned(replace(model, residual=residual), float(np.sqrt(np.mean(raw**2))),
                   float(np.sqrt(np.mean(off**2))), *seen)
