"""How slow a junction is: from a plunge out of air or ice into stirred water, as a channel recorded it.

The time constant is that of the 63.2 % (1 - 1/e) of a first-order step (SOURCES.md section 5). When exactly the probe
went in, nobody knows to the second; so both, the instant and the time constant, are weighed over all that they may be,
by how well each pair meets the samples. What the sampling cannot tell then shows as width.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import CalibrationError
from pitscribe.metrology.bothunits import both_sizes, both_units

FloatArray = NDArray[np.float64]

# In a smoker's air a junction is this many times slower than in stirred water: makers' 0.22 to 1.10 s in water for
# sheaths of 1/16 and 1/8 in against 17 and 48 s computed for air of 1 m/s; 0.05 s and 4 s for a bead (SOURCES.md 5).
SLOWER_IN_AIR = (40.0, 100.0)
# Our own allowances, no source.
LEAST_STEP_K = 20.0
MOST_PART = 0.3  # of the time constant: its uncertainty at the most
MISFIT = 0.02  # of the step: an RMS residual above this, over the step and its last trace, is no single exponential
WORST_MISFIT = 0.10  # ... and above this nothing that one time constant could stand for
# Of the step, still to go midway between its tenth and its nine tenths: 0.30 for one exponential, and never more for a
# sum of them (its logarithm is convex); 0.31 in the middle of a solid cylinder and 0.32 of a sphere that heat soaks
# into (computed, see the tests); 0.5 for anything that moves evenly.
MOST_TO_GO = 0.42
SHAPED = 4  # samples in between from which on that can be told: of 900 plunges none then had more than 0.35 to go
_TRACE = 5.0  # time constants after which 0.7 % is left
_BEGUN, _OVER = 0.1, 0.9  # shares of the step that surely lie behind its begin and before its end
_TAUS, _STARTS = 81, 13


@dataclass(frozen=True, slots=True)
class Plunge:
    """What a plunge showed.

    tau, u : the time constant and its standard uncertainty [s];  limit : 97.5 % of what it may be lies below [s]
    before, after : where it came from and where it came to rest [degC]
    misfit : RMS of what one exponential leaves from the plunge to five time constants after it, as a share of the step
    single : whether that is one exponential
    samples : between a tenth and nine tenths of the step
    """

    tau: float
    u: float
    limit: float
    before: float
    after: float
    misfit: float
    single: bool
    samples: int


class _Step(NamedTuple):
    t: FloatArray  # s, counted from the last sample that was surely before
    share: FloatArray  # of the step that is done
    window_s: float  # the instant of the plunge lies between -window_s and the first sample that has begun
    begun_s: float


def time_constant(t: FloatArray, celsius: FloatArray, noise: float) -> Plunge:
    """The time constant of the one step in a span.

    t, celsius : float64 (n,), UTC s, ascending, and degC: usable samples, at rest first, then the step, then at rest
    noise : standard deviation of one reading, noise and register step together [K]

    Raises CalibrationError for a span without a step of 20 K, without rest before or after, with one that is no plunge,
    or sampled too slowly for what is in it; the message then has the upper limit.
    """
    before, after = _rests(t, celsius)
    step = _step(t, celsius, before, after)
    size = abs(after - before)
    tau, u, limit, rms = _weighed(step, noise / size)
    between = int(((step.share > _BEGUN) & (step.share < _OVER)).sum())
    if u > MOST_PART * tau or between < 2:
        raise CalibrationError(
            f"a sample each {float(np.median(np.diff(t))):.2g} s is too slow for this probe: its time constant is at "
            f"most {limit:.2g} s; more cannot be told"
        )
    trace = int((step.t <= step.begun_s + _TRACE * tau).sum())
    misfit = math.sqrt(max(rms**2 - (noise / size) ** 2, 0.0) * step.t.size / trace)
    _check_plunge(step, between, misfit)
    return Plunge(tau, u, limit, before, after, misfit, misfit <= MISFIT, between)


def _rests(t: FloatArray, celsius: FloatArray) -> tuple[float, float]:
    """Where the span begins and ends, each the median of a tenth of it (five samples at least)."""
    few = max(5, t.size // 10)
    if t.size < 3 * few:
        raise CalibrationError(f"{t.size} readings are too few: take a span from before the plunge to rest after it")
    before, after = (float(np.median(x)) for x in (celsius[:few], celsius[-few:]))
    if abs(after - before) < LEAST_STEP_K:
        raise CalibrationError(
            f"the span begins at {both_units(before)} and ends at {both_units(after)}: a plunge needs a step of "
            f"{both_sizes(LEAST_STEP_K, 0)} or more, as from ice into hot water (mind the steam)"
        )
    for where, x, rest in (("begin", celsius[:few], before), ("end", celsius[-few:], after)):
        if np.abs(x - rest).max() > 0.05 * abs(after - before):
            raise CalibrationError(f"the probe is not at rest at the {where} of the span: take it longer")
    return before, after


def _step(t: FloatArray, celsius: FloatArray, before: float, after: float) -> _Step:
    share = (celsius - before) / (after - before)
    begun = int(np.argmax(share > _BEGUN))  # the first
    still = np.flatnonzero(share[:begun] < 0.03)
    last = int(still[-1]) if still.size else 0
    if (share[begun:] < _BEGUN).any():
        raise CalibrationError("there is more than one step in this span: take one plunge alone")
    near = slice(max(0, last - 5), None)
    at = t[near] - t[last]
    return _Step(at, share[near], float(t[last] - t[max(0, last - 1)]), float(t[begun] - t[last]))


def _check_plunge(step: _Step, between: int, misfit: float) -> None:
    """Refuse a step that does not begin at once and then slow down, as that of a probe does which is put in water."""
    first, last = (_crossing(step, share) for share in (_BEGUN, _OVER))
    to_go = 1.0 - float(np.interp((first + last) / 2, step.t, step.share))
    if (to_go > MOST_TO_GO and between >= SHAPED) or misfit > WORST_MISFIT:
        raise CalibrationError(
            f"this is no plunge: halfway in time {100 * to_go:.0f} % of the way was still to go, where a probe that is "
            f"put in stirred water has 30 %, and one time constant leaves {100 * misfit:.0f} % of the step; take a "
            "span in which it goes from rest into water at once"
        )


def _crossing(step: _Step, share: float) -> float:
    """When a share of the step is first done [s], between two samples by a straight line."""
    i = int(np.argmax(step.share >= share))
    pair = slice(i - 1, i + 1)
    return float(np.interp(share, step.share[pair], step.t[pair])) if i else float(step.t[0])


def _weighed(step: _Step, noise: float) -> tuple[float, float, float, float]:
    """Mean, standard deviation and 97.5 % point of the time constant, and the best pair's RMS residual.

    noise: of one sample, as a share of the step. What the best pair leaves counts as noise too, if it is more.
    """
    spacing = float(np.median(np.diff(step.t)))
    low, high = 0.02 * spacing, max(float(step.t[-1]) / 3.0, 0.04 * spacing)
    for _ in range(3):
        taus = np.geomspace(low, high, _TAUS)
        squares = _least_squares(step, taus)
        best = float(squares.min())
        weight = np.exp(-0.5 * step.t.size * (squares - best) / max(noise**2, best)) * taus  # even in tau, not its log
        weight /= weight.sum()
        likely = np.flatnonzero(weight > 1e-4 * weight.max())
        low, high = (float(taus[np.clip(i, 0, _TAUS - 1)]) for i in (likely[0] - 1, likely[-1] + 1))
    tau = float(weight @ taus)
    u = math.hypot(math.sqrt(float(weight @ np.square(taus - tau))), 2.0 * noise * tau)  # rests are rounded to a step
    return tau, u, float(taus[np.searchsorted(np.cumsum(weight), 0.975)]) + 2.0 * noise * tau, math.sqrt(best)


def _least_squares(step: _Step, taus: FloatArray) -> FloatArray:
    """Mean square of what each time constant leaves with the instant and the two rests that suit it best."""
    low, high = np.full(taus.shape, -step.window_s), np.full(taus.shape, step.begun_s)
    part = np.linspace(0.0, 1.0, _STARTS)
    rows = np.arange(taus.size)
    while True:
        starts = low[:, None] + (high - low)[:, None] * part
        late = np.maximum(step.t - starts[..., None], 0.0)
        left = np.exp(-late / taus[:, None, None])
        left -= left.mean(axis=-1, keepdims=True)
        share = step.share - step.share.mean()
        squares = np.mean(share**2) - np.square((left * share).mean(axis=-1)) / np.square(left).mean(axis=-1)
        best = np.argmin(squares, axis=1)
        if (high - low).max() < 1e-4 * step.begun_s:
            least: FloatArray = np.maximum(squares[rows, best], 0.0)
            return least
        low, high = starts[rows, np.maximum(best - 1, 0)], starts[rows, np.minimum(best + 1, _STARTS - 1)]


def body_of(plunge: Plunge, t: FloatArray, celsius: FloatArray) -> dict[str, Any]:
    """What a record keeps: the readings themselves, counted from the first, from which the rest is computed anew."""
    return {"t_s": np.round(t - t[0], 3).tolist(), "celsius": np.round(celsius, 4).tolist(), "tau_s": plunge.tau,
            "u_s": plunge.u, "misfit": plunge.misfit, "single": plunge.single}


def words_of(body: Mapping[str, Any]) -> str:
    """A record's time constant in words, and the doubt about it, if there is one."""
    doubt = ""
    if not body.get("single", True):
        doubt = f", in doubt: no single exponential, {100 * body['misfit']:.0f} % of the step is left"
    return f"63.2 % after {body['tau_s']:.2f} s in stirred water{doubt}"
