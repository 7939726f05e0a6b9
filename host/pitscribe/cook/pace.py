"""The pace of a place: how fast it heats for each kelvin of what the pit drives [1/h].

Conduction alone keeps it constant once the heat has reached the place (SOURCES.md section 5: one term of the series is
left, and its exponent is the pace), right up to the pit's own temperature at the end; a fading fire lowers rate and
drive together. Evaporation at the surface lowers the rate alone.
"""

from dataclasses import dataclass

import numpy as np

from pitscribe.cook.drive import Drive
from pitscribe.cook.grid import Cells, FloatArray
from pitscribe.cook.rates import jumps_so_far, line_rates

PACE_MIN = 20  # rates for the pace: one step of 0.25 K hides at most 0.4 K/h in it
BEST_MIN = 40  # rates for the best pace: a maximum picks up noise, so it is taken from a longer line, less its u
LEAST_DRIVE_K = 15.0  # with less the pit hardly heats: the approach at the end, or a hold
HELD_MIN = 5  # the last known temperature stands for so long


@dataclass(frozen=True, slots=True)
class Pace:
    """One place against its pit, minute by minute; lists of n floats for a sweep, NaN where nothing is known.

    rate, u : heating rate and its standard uncertainty [K/h];  last : last known temperature [degC]
    low, usual : the drive's temperatures [degC];  seen : whether the air is known
    surest : a pace that this minute's long line surely shows [1/h];  jumps : how often the probe has moved so far
    """

    rate: list[float]
    u: list[float]
    last: list[float]
    low: list[float]
    usual: list[float]
    seen: list[bool]
    surest: list[float]
    jumps: list[int]

    def drive(self, k: int) -> float:
        """What the pit surely drives the place with in minute ``k`` [K]."""
        return self.low[k] - self.last[k]

    def fire(self, k: int) -> float:
        """That as a share of what it usually is, or of the least that counts; NaN where both are less than that."""
        drive, usual = self.drive(k), self.usual[k] - self.last[k]
        return drive / max(usual, LEAST_DRIVE_K) if max(drive, usual) >= LEAST_DRIVE_K else float("nan")


def pace_of(cells: Cells, drive: Drive) -> Pace:
    """The pace of one place."""
    jumps = jumps_so_far(cells)
    rate, u = line_rates(cells, PACE_MIN, jumps)
    long, long_u = line_rates(cells, BEST_MIN, jumps)
    last = held(cells.celsius, HELD_MIN)
    with np.errstate(invalid="ignore", divide="ignore"):
        surest = np.where(drive.low - last >= LEAST_DRIVE_K, (long - long_u) / (drive.high - last), np.nan)
    return Pace(rate.tolist(), u.tolist(), last.tolist(), drive.low.tolist(), drive.usual.tolist(),
                drive.seen.tolist(), surest.tolist(), jumps.tolist())


def held(y: FloatArray, minutes: int) -> FloatArray:
    """The last known value, for at most ``minutes``."""
    have = np.where(np.isfinite(y), np.arange(y.size), -1)
    have = np.maximum.accumulate(have) if y.size else have
    fresh = (have >= 0) & (np.arange(y.size) - have <= minutes)
    return np.where(fresh, y[np.maximum(have, 0)], np.nan)
