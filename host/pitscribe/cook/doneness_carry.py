"""Carry-over: how far the inside of a piece still rises when it comes off the heat.

What still flows inwards is read from the rate: in steady heating the inside lags behind the surface by rate times half
thickness squared over twice the diffusivity. Off the heat that gradient evens out, while the skin cools. How thick the
piece is, how deep the tip sits and how well it is wrapped nobody told us: the range spans what is usual.
"""

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from pitscribe.cook.grid import FloatArray
from pitscribe.cook.meat import Heat, Pieces, Stuff
from pitscribe.cook.plain import iso, number

# Our allowances, no source: half of the thickness of flats and points, from slab to round, the tip near the middle.
HALF_M, USUAL_HALF_M = (0.020, 0.050), 0.035
ROUND, DEPTH = (0.0, 1.0), (0.0, 0.4)
# Free convection and radiation in a box with towels, off a bare piece in a room; in a wrap, W/(m2 K): our allowances.
FILM, USUAL_FILM = (1.0, 10.0), 5.0
ALPHA = 1.35e-7  # m2/s: SOURCES.md section 6 gives 1.2e-7 to 1.5e-7
ROOM_C = 20.0
WETTEST_C = 100.0  # a wet surface is not hotter, whatever the air is
STEP_S, STEPS = 240.0, 60  # four hours: beyond, even a thick round piece falls


@dataclass(frozen=True, slots=True)
class CarryOver:
    """How far a place still rises off the heat, or would if it were pulled now; None where ``why_not`` says why.

    low_k, likely_k, high_k : rise above ``from_c``;  peak_s : when it is likely to peak, after ``since`` [s]
    pulled : it is off the heat since ``since``, else ``since`` is now;  seen_k : rise seen since then
    """

    pulled: bool
    since: float | None  # UTC s
    from_c: float | None
    low_k: float | None
    likely_k: float | None
    high_k: float | None
    peak_s: float | None
    seen_k: float | None
    why_not: str | None

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "pulled": self.pulled, "since": iso(self.since), "from_c": number(self.from_c), "low_k": number(self.low_k),
            "likely_k": number(self.likely_k), "high_k": number(self.high_k), "peak_s": number(self.peak_s),
            "seen_k": number(self.seen_k), "why_not": self.why_not,
        }


def rise_off_heat(
    celsius: float, k_h: float, u_k_h: float, air_c: float | None = None
) -> tuple[float, float, float, float]:
    """(low, likely, high) rise [K] of the inside off the heat, and when the likely one peaks [s].

    celsius : inside now;  k_h, u_k_h : its rate and standard uncertainty [K/h], of which k = 2 is taken for the range
    air_c : the pit [degC]: the surface is not hotter than it; None: not known
    """
    dry = np.inf if air_c is None else air_c  # a dry bark is as hot as the air at most, a wet one as boiling water
    wet = min(dry, WETTEST_C)
    ends = (k_h - 2 * u_k_h, wet), (k_h + 2 * u_k_h, dry)
    ranges = [(rate, *shape, hottest) for rate, hottest in ends for shape in product(HALF_M, ROUND, DEPTH, FILM)]
    tips = _course(celsius, np.array([(k_h, USUAL_HALF_M, 0.0, 0.0, USUAL_FILM, wet), *ranges]).T)
    rise = np.maximum(tips.max(axis=0) - celsius, 0.0)
    return float(rise.min()), float(rise[0]), float(rise.max()), STEP_S * float(tips[:, 0].argmax())


def _course(celsius: float, rows: FloatArray) -> FloatArray:
    """The tip's course off the heat, float64 (1 + STEPS, pieces).

    rows : rate, half thickness, round, depth, film, hottest the surface can be
    """
    k_h, half, roundness, depth, film, hottest = rows
    pieces = Pieces(_stuff(half, roundness, depth, film), STEP_S)
    tau = half**2 / ALPHA
    # The surface is ahead of the tip by (1 - depth^2)/2 of the flow.
    most = np.maximum(hottest - celsius, 0.0) / (0.5 - depth**2 / 2)
    flow = np.clip(k_h / 3600 * tau / (1 + roundness), 0.0, most)
    heat = _steady(pieces, celsius, flow)
    tips = [pieces.tip(heat)]
    for _ in range(STEPS):
        pieces.step(heat, np.full_like(half, ROOM_C), 0.0, 1.0)
        tips.append(pieces.tip(heat))
        if (tips[-1] < tips[-2]).all():
            break
    return np.stack(tips)


def _stuff(half: FloatArray, roundness: FloatArray, depth: FloatArray, film: FloatArray) -> Stuff:
    one = np.ones_like(half)
    return Stuff(
        half_m=half, depth=depth, alpha=ALPHA * one, film=film, wet=0 * one, juice=0 * one, juice_c=65 * one, crust=one,
        sharp=one, tail=one, humid=0.01 * one, round=roundness,
    )


def _steady(pieces: Pieces, celsius: float, flow: FloatArray) -> Heat:
    """Pieces that have been heated by a steady flow for long, with their tips at ``celsius``."""
    modes = np.concatenate((np.zeros((1, flow.size)), flow * pieces.gain / (1 - pieces.decay)))
    heat = Heat(modes, flow.copy(), np.zeros_like(flow), np.full_like(flow, celsius))
    modes[0] = celsius - pieces.tip(heat)
    heat.skin = modes.sum(axis=0)
    return heat
