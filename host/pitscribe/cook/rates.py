"""How fast a place heats, with its uncertainty; no rate where the data cannot carry one.

Meat: a filter that lets the rate drift as fast as conduction does; it weighs steps of the chip and noise by itself.
Air, and the pace of a stall: a straight line through the trailing minutes, whose middle lies half a window back.
"""

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import CELL_S, Cells, FloatArray, trailing

BoolArray = NDArray[np.bool_]

WINDOWS_MIN = (10, 20, 40)  # shortest first: the shortest that is good enough is used
GOOD_ENOUGH_K_H = 1.0  # cooks speak of a few kelvin an hour in a stall: known to 1 K/h there is no need to wait longer
USELESS_K_H = 6.0  # past this standard uncertainty a heating meat and a resting one look alike: no rate
LEAST_SHARE = 0.5  # of a window's minutes that must have data
STALE_MIN = 5  # newest data older than this: the place has no present rate
STUCK_MIN = 120  # not one step in two hours, all digits alike: a stuck code as well as a plateau, and we cannot tell
JUMP_K = 1.2  # beyond the going rate from one minute to the next: no heat moves through meat so fast; the probe moved
SWINGS = "it swings too much for a rate, as after an opened lid or new fuel"  # of air: it does so on most cooks

# How a rate drifts: by about itself (10 K/h) over a time of conduction (3 h at a half thickness of 60 mm) [K2/h3].
DRIFT = 10.0**2 / 3
UNLEARNED_K_H = 20.0  # a rate that nothing is known of: meat heats at 0 to 40 K/h


@dataclass(frozen=True, slots=True)
class Rates:
    """Heating rate of one place at the end of each cell; float64 (n,), NaN where there is none.

    k_h : rate [K/h];  u : its standard uncertainty [K/h];  window_s : over how long, by and large [s]
    """

    k_h: FloatArray
    u: FloatArray
    window_s: FloatArray


def line_rates(cells: Cells, minutes: int, breaks: NDArray[np.int64] | None = None) -> tuple[FloatArray, FloatArray]:
    """Slope of a least-squares line over the trailing ``minutes``, and its standard uncertainty: (n,), K/h.

    The scatter about the line is inflated by (1 + r)/(1 - r) for neighbours that resemble each other (r: their
    correlation; the usual effective sample size of a first-order process), and never taken below what steps of
    ``cells.step`` can hide: a flat stretch between two steps may rise or fall by one step over the window.
    breaks : int (n,), number of jumps so far; a window across one has no slope.
    """
    n, m = cells.celsius.size, minutes
    nothing = np.full(n, np.nan)
    if n == 0:
        return nothing, nothing.copy()
    y = trailing(cells.celsius, m)
    have = np.isfinite(y)
    count = have.sum(axis=1)
    x = (np.arange(m, dtype=np.float64) - (m - 1)) * CELL_S / 3600
    half = m // 2
    enough = (count >= max(3, LEAST_SHARE * m)) & have[:, :half].any(axis=1) & have[:, -STALE_MIN:].any(axis=1)
    if breaks is not None:
        since = np.concatenate((np.zeros(min(m - 1, n), np.int64), breaks))[:n]
        enough &= breaks == since
    safe = np.where(have, y, 0.0)
    weight = np.where(enough, count, 1)
    mean_x = (have * x).sum(axis=1) / weight
    mean_y = safe.sum(axis=1) / weight
    dx = np.where(have, x - mean_x[:, None], 0.0)
    dy = np.where(have, y - mean_y[:, None], 0.0)
    sxx = (dx * dx).sum(axis=1)
    sxx = np.where(enough & (sxx > 0), sxx, 1.0)
    slope = (dx * dy).sum(axis=1) / sxx
    off = dy - slope[:, None] * dx
    square = (off * off).sum(axis=1)
    alike = (off[:, 1:] * off[:, :-1]).sum(axis=1) / np.where(square > 0, square, 1.0)
    alike = np.clip(alike, 0.0, 0.8)
    variance = square / np.maximum(count - 2, 1) * (1 + alike) / (1 - alike) / sxx
    # A rectangular distribution of half width step / window (GUM 4.3.7).
    hidden = cells.step / (m * CELL_S / 3600) / np.sqrt(3)
    u = np.sqrt(variance + hidden * hidden)
    enough &= np.isfinite(u)
    return np.where(enough, slope, np.nan), np.where(enough, u, np.nan)


def unmoved(cells: Cells) -> BoolArray:
    """True where the last ``STUCK_MIN`` minutes (or all there is so far, if less) show one and the same value."""
    y = cells.celsius
    have = np.flatnonzero(np.isfinite(y))
    still = np.ones(y.size, dtype=bool)
    if have.size:
        moves = have[1:][np.abs(np.diff(y[have])) > 1e-9]
        last = np.full(y.size, -1)
        last[moves] = moves
        last = np.maximum.accumulate(last)
        still = (last < 0) | (np.arange(y.size) - last >= STUCK_MIN)
    return still


def jumps_so_far(cells: Cells) -> NDArray[np.int64]:
    """How often so far the reading moved from one minute to the next as no heat through meat can: int (n,).

    A move counts if it is ``JUMP_K`` beyond the going rate and stands out of the noise: five times what the reading's
    second differences have been like so far.
    """
    y = cells.celsius
    have = np.flatnonzero(np.isfinite(y))
    jumps = np.zeros(y.size, dtype=np.int64)
    if have.size > 2:
        gap = np.diff(have).astype(np.float64)
        pace = np.diff(y[have]) / gap
        off = np.abs(np.diff(pace, prepend=pace[0]))
        # Mean so far, each counted as JUMP_K at most, so that jumps do not hide the next; 1.25 makes a mean of
        # magnitudes a standard deviation (normal distribution).
        usual = 1.25 * np.cumsum(np.minimum(off, JUMP_K)) / np.arange(1, off.size + 1)
        before = np.concatenate(([0.0], usual[:-1]))
        jumps[have[1:]] = off > np.maximum(JUMP_K, 5.0 * before)
    return np.cumsum(jumps)


def rates_of(cells: Cells, *, meat: bool = True) -> Rates:
    """Rates of one place. Meat: by a filter whose rate may drift as heat in meat lets it (``drifting_rates``).

    Air jumps, that is its nature: in each cell the shortest line of ``WINDOWS_MIN`` that is good enough, else the best.
    """
    if meat:
        k_h, u, window = drifting_rates(cells, jumps_so_far(cells))
    else:
        k_h, u, window = (np.full(cells.celsius.size, np.nan) for _ in range(3))
        for minutes in WINDOWS_MIN:
            rate, rate_u = line_rates(cells, minutes)
            better = np.isfinite(rate) & ~(u <= GOOD_ENOUGH_K_H) & ~(rate_u >= u)
            k_h[better], u[better], window[better] = rate[better], rate_u[better], minutes * CELL_S
    lost = unmoved(cells) | ~(u <= USELESS_K_H)
    k_h[lost] = u[lost] = window[lost] = np.nan
    return Rates(k_h, u, window)


def drifting_rates(cells: Cells, jumps: NDArray[np.int64]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Present rate [K/h], its standard uncertainty and the span that it rests on [s], by a Kalman filter: (n,) each.

    The state is temperature and rate; the rate is a random walk of ``DRIFT`` (level and slope with white acceleration:
    SOURCES.md section 10). A minute's variance is that of steps of ``cells.step`` (GUM 4.3.7) and of the noise that
    second differences have shown so far. Unlike a line's, the rate is that of now and not of half a window ago. After
    a jump it is learned anew. There is none before ``WINDOWS_MIN[0]`` minutes, half of them good, nor when stale.
    """
    variance = (cells.step**2 / 12 + noise_so_far(cells)).tolist()
    n, dt, q = cells.celsius.size, CELL_S / 3600, DRIFT
    out: list[tuple[float, float, float]] = [(nan, nan, nan)] * n
    level = rate = p00 = p01 = p11 = 0.0
    first, good, newest = -1, 0, -1
    moved = np.diff(jumps, prepend=0).tolist()
    for k, (y, r, jumped) in enumerate(zip(cells.celsius.tolist(), variance, moved, strict=True)):
        level += rate * dt
        p00 += dt * (2 * p01 + dt * p11) + q * dt**3 / 3
        p01 += dt * p11 + q * dt * dt / 2
        p11 += q * dt
        if y == y and r == r:
            if first < 0 or jumped:
                level, rate, p00, p01, p11, first, good = y, 0.0, r, 0.0, UNLEARNED_K_H**2, k, 0
            gain, slope_gain = p00 / (p00 + r), p01 / (p00 + r)
            rate += slope_gain * (y - level)
            level += gain * (y - level)
            p11 -= slope_gain * p01
            p00, p01 = p00 * (1 - gain), p01 * (1 - gain)
            good, newest = good + 1, k
        if good >= LEAST_SHARE * WINDOWS_MIN[0] and k - first + 1 >= WINDOWS_MIN[0] and k - newest < STALE_MIN:
            # A line over w hours knows a rate to sqrt(12 r dt / w^3); its drift over it is sqrt(q w / 3).
            out[k] = rate, sqrt(p11), 3600 * (36 * r * dt / q) ** 0.25
    table = np.array(out).reshape(n, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def noise_so_far(cells: Cells) -> FloatArray:
    """Variance of a minute's value by its second differences so far, each counted as a jump at most: (n,), K2."""
    y = cells.celsius
    bend = np.full(y.size, np.nan)
    bend[2:] = np.minimum((y[2:] - 2 * y[1:-1] + y[:-2]) ** 2, JUMP_K**2) / 6
    known = np.isfinite(bend)
    noise: FloatArray = np.cumsum(np.where(known, bend, 0.0)) / np.maximum(np.cumsum(known), 1)
    return noise


def why_no_rate(cells: Cells, *, meat: bool = True, yet: bool = True) -> str:
    """Why the newest cell has no rate, in words; ``yet``: the cook goes on, so that there may be one later."""
    have = np.flatnonzero(np.isfinite(cells.celsius))
    n = cells.celsius.size
    if not n:
        return "less than a minute of data"
    if not have.size:
        return "no good sample yet" if yet else "no good sample"
    if n - 1 - have[-1] >= STALE_MIN:
        return f"no good sample for {n - 1 - int(have[-1])} min"
    if have.size < WINDOWS_MIN[0] * LEAST_SHARE:
        return "less than 10 minutes of data"
    if unmoved(cells)[-1]:
        return "the reading has not moved by one step; a stuck code looks the same"
    jumps = jumps_so_far(cells)
    if meat and jumps[-1] != jumps[max(0, n - 1 - WINDOWS_MIN[0])]:
        return "the reading jumped as no heat through meat can; the probe moved"
    recent = int(np.isfinite(cells.celsius[-WINDOWS_MIN[0] :]).sum())
    if recent < WINDOWS_MIN[0] * LEAST_SHARE:
        return "too few good samples in the last minutes"
    if not meat:
        return SWINGS
    return "noise or steps too coarse for a rate"
