"""Whether a bath is steady, from its readings so far, and what their mean is worth (GUM, JCGM 100:2008, 4.2: Type A).

A bath is steady when what it may have drifted over a window, its drift and twice the drift's standard uncertainty, is
small against what the calibration wants. Readings of one bath follow each other, so their number is not what counts but
how many independent ones they are worth; and a coarse chip that stands still on one code has a scatter of nothing, so
its step counts all the same, 0.29 of it (F.2.2.1). A chip whose noise is larger than its step never stands still unless
it is stuck, and then what it says is no bath's.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int32]

# All of these are our own judgement, no source.
DRIFT_K = 0.05  # over the window; or what the caller says, the chip's step, or 1.5 of the scatter, if that is more ...
MOST_DRIFT_K = 0.3  # ... and never more than this
WINDOW_S = 150.0  # the shortest window ...
COARSE_WINDOW_S = 300.0  # ... and that of a chip whose step is larger than DRIFT_K
WIDER = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0)  # windows of this many times the shortest, if the shorter are too noisy to tell
FEWEST = 10  # readings in a window
WIDEST_GAP = 0.25  # part of the window without a reading
FEWEST_INDEPENDENT = 15.0  # fewer count for less, see independent_number
STUCK_PART = 0.5  # of a window's codes in one unbroken rest: at a noise of one step 75 codes have a chance of 1e-31
SWIRL_S = 20.0  # readings closer together than this are of one swirl and count once, whatever the scatter seems to say


@dataclass(frozen=True, slots=True)
class Steadiness:
    """What the latest window of readings says.

    steady : whether their mean may be taken as the bath's
    first : index of the window's first reading;  span_s : how long the window is [s]
    mean [degC], s : scatter of one reading about the drift [K];  n, independent : how many there are, and are worth
    drift : slope [K/s];  u_drift : its standard uncertainty [K/s]
    u, dof : standard uncertainty of the mean [K] and its effective degrees of freedom
    stuck : whether the chip gave one and the same code as no live one does; then it is not steady either
    """

    steady: bool
    first: int
    span_s: float
    mean: float
    s: float
    n: int
    independent: float
    drift: float
    u_drift: float
    u: float
    dof: float
    stuck: bool = False


def judge(
    t: FloatArray, celsius: FloatArray, u_step: float, drift_k: float = DRIFT_K, codes: CodeArray | None = None
) -> Steadiness | None:
    """Judge the readings so far: the shortest window up to the last one that is steady, or else the shortest.

    t, celsius : float64 (n,), s ascending and degC, usable readings only
    u_step : standard uncertainty of one reading's quantisation [K]: 0.29 of a step
    drift_k : how much drift over the window is small against what the calibration wants [K]
    codes : int32 (n,), what the chip said, if its noise is so much larger than its step that a live one never rests on
        a code; None: it may

    Before the shortest window is full it is what there is, and not steady. None while that is too few readings.
    """
    shortest = shortest_window(u_step)
    found = None
    for factor in WIDER if t.size else ():
        window = factor * shortest
        full = bool(t[0] <= t[-1] - window)
        if found is not None and not full:
            break
        first = int(np.searchsorted(t, t[-1] - window, side="left"))
        if t.size - first < FEWEST:
            continue
        one = _window(t[first:], celsius[first:], first, u_step, drift_k)
        if full and codes is not None and longest_rest(codes[first:]) >= max(STUCK_PART * (t.size - first), FEWEST):
            return replace(one, steady=False, stuck=True)
        if one.steady and full and np.diff(t[first:]).max() <= WIDEST_GAP * window:
            return one
        found = found or replace(one, steady=False)
    return found


def longest_rest(codes: CodeArray) -> int:
    """The greatest number of equal codes one after the other in int32 (n,), n > 0."""
    ends = np.flatnonzero(np.diff(codes, append=codes[-1] + 1))
    return int(np.diff(ends, prepend=-1).max())


def shortest_window(u_step: float) -> float:
    """How long a bath is looked at, at least [s]: longer for a coarse chip, whose one step may hide a drift."""
    return WINDOW_S if u_step * 12.0**0.5 <= DRIFT_K else COARSE_WINDOW_S


def _window(t: FloatArray, celsius: FloatArray, first: int, u_step: float, drift_k: float) -> Steadiness:
    """One window: a straight line through it, and whether the line is level enough."""
    n, span = t.size, float(t[-1] - t[0])
    away = t - t.mean()
    square = float(away @ away)
    drift = float(away @ celsius) / square
    mean = float(celsius.mean())
    left = celsius - mean - drift * away
    independent = max(min(independent_number(left), span / SWIRL_S), 1.0)
    # The line takes two independent readings' worth of the scatter with it.
    s = float(np.sqrt(left @ left / n * independent / max(independent - 2.0, 1.0)))
    u_drift = s * float(np.sqrt(n / independent / square))
    small = min(max(drift_k, u_step * 12.0**0.5, 1.5 * s), MOST_DRIFT_K)
    steady = (abs(drift) + 2 * u_drift) * span <= small
    u, dof = _of_the_mean(s, independent, drift * span, u_step)
    return Steadiness(bool(steady), first, span, mean, s, n, independent, drift, u_drift, u, dof)


def _of_the_mean(s: float, independent: float, drifted: float, u_step: float) -> tuple[float, float]:
    """Scatter (Type A), the drift (half of it either way, rectangular) and the step; Welch-Satterthwaite (G.4.1)."""
    scatter = s**2 / independent
    variance = scatter + (0.5 * drifted) ** 2 / 3.0 + u_step**2
    by_dof = scatter**2 / max(independent - 2.0, 1.0)
    return float(np.sqrt(variance)), variance**2 / by_dof if by_dof > 0 else float("inf")


def independent_number(left: FloatArray) -> float:
    """How many independent readings residuals (n,) of evenly spaced readings are worth: 1 to n.

    n over 1 + 2 sum of the autocorrelations, up to the first lag where these are gone; n if nothing scatters. A line
    that was fitted took 2 in that number of the slow part with it, which is put back step by step. Where few are left
    their number is known badly, and tends to be too large: they count for less.
    """
    n = left.size
    size = 1 << (2 * n - 1).bit_length()
    power = np.square(np.abs(np.fft.rfft(left, size)))
    correlation = np.fft.irfft(power, size)[: n // 2]
    if correlation[0] <= 1e-12 * n:
        return float(n)
    part = correlation / correlation[0] * n / np.arange(n, n - n // 2, -1)
    gone = np.flatnonzero(part <= 0)
    seen = part[1 : int(gone[0]) if gone.size else part.size]
    worth = 1.0
    for _ in range(20):
        lost = min(2 * worth / n, 0.5)
        worth = max(1 + 2 * float((seen * (1 - lost) + lost).sum()), 1.0)
    number = n / worth
    return float(np.clip(min(number, number**2 / FEWEST_INDEPENDENT), 1.0, n))
