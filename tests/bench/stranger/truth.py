"""What is true of a cook, from its physics alone; fixed before any saying of the tool was looked at.

Stall of a place: evaporation takes up the heat.  With r = (dT/dt) / (pit - T), both smoothed over 30 min, and r0 the
greatest r so far, the place stalls while
  r < 0.4 r0, and evaporation takes at least half of the heat that comes to the surface near the place,
for at least 40 min; it ends when r > 0.5 r0 or less than 0.4 of the heat goes into evaporation.  It is none while the
pit is more than 20 K under its goal or less than 12 K above the place, in a hold, or at the target.  Parts less than
45 min apart are one.  A stretch that lasts 20 to 40 min or whose r goes under 0.5 r0 but not 0.4 r0 is open to either
reading, and so is one that begins less than 8 K under the target: it counts neither as missed nor as false.
(r is constant in pure conduction: the slowest mode alone.)

Fire: it is out when nothing more burns than is left; the pit is cold when its mean over 10 min is 25 F (13.9 K) under
the tenth percentile of the three hours before the fire went out.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Span = tuple[float, float]

F25 = 25.0 / 1.8


def smooth(x: Array, n: int) -> Array:
    """Centred mean over `n` samples, shorter at the ends."""
    total = np.concatenate([[0.0], np.cumsum(x)])
    i = np.arange(len(x))
    low, high = np.maximum(i - n // 2, 0), np.minimum(i + n // 2 + 1, len(x))
    return np.asarray((total[high] - total[low]) / (high - low))


def spans(enter: NDArray[np.bool_], stay: NDArray[np.bool_], least: int, bridge: int) -> list[tuple[int, int]]:
    """Index spans that begin where `enter`, last while `stay`, joined over `bridge`, at least `least` long."""
    found: list[tuple[int, int]] = []
    i = 0
    while i < len(enter):
        if not enter[i]:
            i += 1
            continue
        j = i
        while j + 1 < len(enter) and stay[j + 1]:
            j += 1
        if found and i - found[-1][1] < bridge:
            found[-1] = (found[-1][0], j)
        else:
            found.append((i, j))
        i = j + 1
    return [(a, b) for a, b in found if b - a >= least]


def stalls(
    place: Array, pit: Array, goal: Array, taken: Array, hold: Array, target: float
) -> tuple[list[Span], list[Span]]:
    """Sure and open stalls of a place in seconds, from series by the minute."""
    t, p, e = smooth(place, 31), smooth(pit, 31), smooth(taken, 31)
    r = np.gradient(t) / np.maximum(p - t, 5.0)
    r0 = np.maximum.accumulate(np.maximum(r, 1e-6))
    fair = (p > goal - 20.0) & (p - t > 12.0) & (hold < 0.5) & (place < target - 0.3)
    fair &= np.arange(len(t)) > 20
    stay = fair & (r < 0.5 * r0) & (e > 0.4)
    sure = spans(fair & (r < 0.4 * r0) & (e > 0.5), stay, 40, 45)
    maybe = spans(stay, stay, 20, 45)
    late = [s for s in sure if place[s[0]] > target - 8.0]
    sure = [s for s in sure if s not in late]
    loose = late + [s for s in maybe if not any(s[0] <= b and a <= s[1] for a, b in sure)]
    return [(a * 60.0, b * 60.0) for a, b in sure], [(a * 60.0, b * 60.0) for a, b in loose]


def cold_pit(pit: Array, out: float) -> float | None:
    """Second at which the pit is 25 F under its band after the fire went out at `out`, or None."""
    i = int(out // 60)
    edge = float(np.percentile(pit[max(i - 180, 0) : i + 1], 10)) - F25
    late = np.flatnonzero(smooth(pit, 11)[i:] < edge)
    return (i + int(late[0])) * 60.0 if len(late) else None


def crossing(place: Array, target: float) -> float | None:
    """Second at which a place first reaches its target, or None."""
    there = np.flatnonzero(place >= target)
    return float(there[0]) * 60.0 if len(there) else None


def hours_between(place: Array, low: float, high: float) -> float:
    """Hours that a place spends within two temperatures, from a series by the minute."""
    return float(np.sum((place > low) & (place < high))) / 60.0


def lethal_rate(place: Array) -> Array:
    """Decimal reductions a minute: z 10 F (5.56 K), 6.5 in 12 min at 140 F (FSIS Appendix A), from 130 F on."""
    return np.asarray(np.where(place >= 54.44, 6.5 / 12.0 * 10.0 ** ((place - 60.0) / 5.556), 0.0))
