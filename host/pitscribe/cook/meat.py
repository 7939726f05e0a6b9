"""A piece of meat as the forecast sees it: conduction, a film of air, and a surface that evaporates and dries.

Heat moves along one dimension, from the surface to the middle of a slab or of a round piece or of something between.
Its temperature is written in the modes of a body whose surface takes a given heat flow: a mean and a few cosines (slab)
or Bessel functions (cylinder), each of which decays at its own pace and is integrated exactly over a step; the rest of
the modes follow the flow at once. So steps of minutes are stable and true, and an ensemble costs a handful of array
operations a step.

At the surface the air gives h (air - skin), and vapour takes some of it: Lewis's relation with Stefan's logarithm, over
what wetness is left. Wetness comes at first with the skin and later with the juice that hot protein presses out
(``juice_c``); it falls as a crust grows with the water lost. A stall is what comes of that balance, or does not.

Sources: SOURCES.md section 4 (Lewis, Magnus), 5 (conduction), 6 (diffusivity, conductivity, latent heat). The form of
the crust's resistance is ours: with other laws of drying it must serve by its free parameters.
"""

from dataclasses import dataclass

import numpy as np

from pitscribe.cook.grid import FloatArray

MODES = 5  # besides the mean: the fastest dies within 20 s in 10 mm and within 2 min in 30 mm
CONDUCTIVITY = 0.48  # W/(m K)
LATENT = 2.34e6  # J/kg at 65 degC
PRESSURE = 101_325.0  # Pa; a mile up the same water is lost some kelvin lower, which the parameters take up
CONVECTS = 0.5  # share of the film that is convection and carries vapour; the rest is radiation
CARRIES = CONVECTS / (1020.0 * 0.9)  # kg/(m2 s) of vapour for each W/(m2 K) of film and unit of pull (Lewis)
UNDER_SKIN = 0.78  # share of the way from the middle to the surface at which juice counts as pressed out
PRESSED_OVER_K = 3.0  # how sharply it is
# Where the derivative of J0 is nil (zeros of J1, Abramowitz and Stegun table 9.5).
J1_ZEROS = np.array([3.8317059702, 7.0155866698, 10.1734681351, 13.3236919363, 16.4706300509])
_SLAB = np.pi * np.arange(1, MODES + 1)


@dataclass(frozen=True, slots=True)
class Stuff:
    """What the pieces are made of; all float64 of one shape (members, or places by members).

    half_m : half thickness [m];  depth : of the tip, 0 middle to 1 surface;  alpha : diffusivity [m2/s];
    film : convection and radiation [W/(m2 K)];  wet : wetness of the skin at first, of 1;  juice : what the juice adds;
    juice_c : temperature at which it comes [degC];  crust : water lost at which the crust holds back more than
    half of the vapour [kg/m2];  sharp : how sharply;  tail : near 0 to the end (exponential), 1 as a resistance grows;
    humid : kg of water per kg of dry air in the pit;  round : 0 slab to 1 cylinder
    """

    half_m: FloatArray
    depth: FloatArray
    alpha: FloatArray
    film: FloatArray
    wet: FloatArray
    juice: FloatArray
    juice_c: FloatArray
    crust: FloatArray
    sharp: FloatArray
    tail: FloatArray
    humid: FloatArray
    round: FloatArray


@dataclass(slots=True)
class Heat:
    """The state of the pieces.

    modes (1 + MODES, ...) [degC], each as it counts at the surface;  flow : heat into the surface, times half thickness
    over conductivity [K];  lost : water [kg/m2];  skin [degC]
    """

    modes: FloatArray
    flow: FloatArray
    lost: FloatArray
    skin: FloatArray


def even(celsius: FloatArray) -> Heat:
    """Pieces of one temperature through and through [degC]."""
    modes = np.zeros((1 + MODES, *celsius.shape))
    modes[0] = celsius
    return Heat(modes, np.zeros(celsius.shape), np.zeros(celsius.shape), celsius.copy())


def bessel_j0(z: FloatArray) -> FloatArray:
    """J0 by its power series, good to 1e-9 up to 17."""
    quarter, term, total = -z * z / 4, np.ones_like(z), np.ones_like(z)
    for k in range(1, 50):
        term = term * quarter / (k * k)
        total = total + term
    return total


_DEPTHS = np.linspace(0.0, 1.0, 257)
_SLAB_SHAPE = np.cos(np.outer(_SLAB, _DEPTHS)) / np.cos(_SLAB)[:, None]
_ROUND_SHAPE = bessel_j0(np.outer(J1_ZEROS, _DEPTHS)) / bessel_j0(J1_ZEROS)[:, None]


def shapes(depth: FloatArray, roundness: FloatArray) -> FloatArray:
    """How each mode but the mean counts at a depth: (MODES, ...), 1 at the surface."""
    at = np.clip(depth, 0.0, 1.0) * (_DEPTHS.size - 1)
    low = np.minimum(at.astype(np.intp), _DEPTHS.size - 2)
    part = at - low
    slab = _SLAB_SHAPE[:, low] * (1 - part) + _SLAB_SHAPE[:, low + 1] * part
    rod = _ROUND_SHAPE[:, low] * (1 - part) + _ROUND_SHAPE[:, low + 1] * part
    mixed: FloatArray = slab + roundness * (rod - slab)
    return mixed


_UNDER_SKIN = tuple(shapes(np.array([UNDER_SKIN]), np.array([kind]))[:, 0] for kind in (0.0, 1.0))


class Pieces:
    """Pieces of given stuff, ready to be stepped by ``step_s`` seconds at a time."""

    def __init__(self, stuff: Stuff, step_s: float) -> None:
        self.stuff, self.step_s = stuff, step_s
        tau = stuff.half_m**2 / stuff.alpha
        one = stuff.round[None]
        per = (slice(None), *(None,) * stuff.round.ndim)
        rate = (_SLAB**2)[per] * (1 - one) + (J1_ZEROS**2)[per] * one
        self.decay = np.exp(-rate * (step_s / tau))
        self.gain = 2 * (1 - self.decay) / rate
        self.mean_gain = (1 + stuff.round) * step_s / tau
        self.at_tip = shapes(stuff.depth, stuff.round)
        slab, rod = (column[per] for column in _UNDER_SKIN)
        self.at_juice = slab + one * (rod - slab)
        # The modes that are left out follow the flow at once: (x2/2 - 1/6) and (x2/2 - 1/4) are the sums of all.
        least = (1 - stuff.round) / 6 + stuff.round / 4
        self.rest_tip = stuff.depth**2 / 2 - least - (2 / rate * self.at_tip).sum(axis=0)
        self.resists = self.mean_gain + self.gain.sum(axis=0) + 0.5 - least - (2 / rate).sum(axis=0)
        self.biot = stuff.film * stuff.half_m / CONDUCTIVITY
        self.outside = pull(_dew(stuff.humid))[0]

    def tip(self, heat: Heat) -> FloatArray:
        """The temperature at the probe's tip [degC]."""
        at: FloatArray = heat.modes[0] + (self.at_tip * heat.modes[1:]).sum(axis=0) + self.rest_tip * heat.flow
        return at

    def wetness(self, heat: Heat) -> FloatArray:
        """Vapour through the skin as a share of that off open water."""
        stuff = self.stuff
        under = heat.modes[0] + (self.at_juice * heat.modes[1:]).sum(axis=0)
        pressed = 1 / (1 + np.exp(np.clip((stuff.juice_c - under) / PRESSED_OVER_K, -30, 30)))
        crust = np.minimum((np.maximum(heat.lost, 1e-9) / stuff.crust) ** stuff.sharp, 1e6)
        dry = np.exp(-np.log1p(stuff.tail * crust) / stuff.tail)
        wet: FloatArray = np.minimum(stuff.wet + stuff.juice * pressed, 1.0) * dry
        return wet

    def step(self, heat: Heat, air: FloatArray, vapour: FloatArray | float, film: FloatArray | float) -> None:
        """Go on by a step in air of ``air`` [degC], constant over it.

        vapour, film : shares of evaporation and of the film that go on, as under a wrap
        """
        modes = heat.modes
        modes[1:] *= self.decay
        at_rest = modes.sum(axis=0)
        biot = self.biot * film
        takes = self.wetness(heat) * vapour * (LATENT * CARRIES)
        follows = self.resists * biot
        skin = np.clip(heat.skin, -20.0, 200.0)
        for _ in range(3):
            wants, slope = pull(skin)
            miss = skin - at_rest - follows * (air - skin - takes * (wants - self.outside))
            skin = skin - np.clip(miss / (1 + follows * (1 + takes * slope)), -25.0, 25.0)
        heat.skin = skin
        flow = (skin - at_rest) / self.resists
        modes[0] += self.mean_gain * flow
        modes[1:] += self.gain * flow
        heat.flow = flow
        wants = pull(skin)[0] - self.outside
        off = takes / LATENT * self.stuff.film * film * np.maximum(wants, 0.0)
        heat.lost += off * self.step_s


def pull(celsius: FloatArray) -> tuple[FloatArray, FloatArray]:
    """0.622 ln(p / (p - ps)), with which vapour leaves a wet surface [kg/kg], and its slope [1/K].

    ps : saturation pressure, by the Magnus form (from memory; within 1 % of SOURCES.md section 4 from 5 to 100 degC);
    held below boiling, where the heat and not the vapour is the limit.
    """
    below = np.minimum(celsius, 98.5) + 243.12
    share = (611.2 / PRESSURE) * np.exp(17.62 - 17.62 * 243.12 / below)
    wants = -0.622 * np.log1p(-share)
    slope = 0.622 * share / (1 - share) * (17.62 * 243.12) / (below * below)
    return wants, slope


def _dew(ratio: FloatArray) -> FloatArray:
    """Dew point [degC] of a humidity ratio."""
    p = PRESSURE * ratio / (0.622 + ratio)
    x = np.log(p / 611.2)
    dew: FloatArray = 243.12 * x / (17.62 - x)
    return dew
