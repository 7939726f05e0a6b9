"""The second physics: tapered joints of oval cross-section, whose juice is pressed out in time and whose bark ages.

A joint is a row of slices from its thin tip to its thick end; each slice is an ellipse of concentric shells. Between
shells that are homothetic ellipses of half axes a and b heat goes by pi k (a/b + b/a) / ln(r2/r1) per metre and kelvin:
the mean over the angle of the exact gradient (for a = b the textbook's cylinder). Slices conduct along the joint. The
shells are solved implicitly, the surface with them, so that steps of 20 s are stable in a tip of 10 mm.

What differs from the first physics and from the product's own model, on purpose: water leaves the inside by kinetics
(a first-order approach to what hot meat holds), wets the surface, and evaporates from there by an activity
w / (w + w_half); the bark's resistance grows with its age, an Arrhenius-like time at temperature, and not with the
water lost; fat that melts takes heat; walls radiate apart from the air; ice lies on a slice until it is melted.

Sources: Lewis relation and Stefan's flow (SOURCES.md section 4), conduction (section 5), properties (section 6);
saturation pressure by Buck 1981 (from memory; within 0.1 % of the IAPWS values of section 3 up to 90 degC). The
kinetics, the activity and the age of the bark are our own forms; their ranges are our allowance, no source.
"""

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import erf

from .truth import Array

SLICES, SHELLS = 7, 6
LATENT, MELTS = 2.34e6, 334e3  # J/kg: vapour at 65 degC, ice
SIGMA, KELVIN = 5.670374e-8, 273.15
AIR_CP, LEWIS = 1010.0, 0.90  # J/(kg K); Lewis number to the 2/3
FAT_OVER_K = 7.0  # over which fat melts
FILM_KG = 0.3  # kg/m2 of water that clings to a surface
UNDER_ICE = 60.0  # W/(m2 K) between ice and the half of the surface that it lies on
STEPS_NEWTON = 2
NAMES = ("heat", "spent", "film", "ice", "vapour_kg", "pressed_kg", "drip_kg", "lacks_kg")


@dataclass(frozen=True, slots=True)
class Joint:
    """One joint. Lengths in m, from tip to thick end; what is not said is SI; times in s."""

    thick: tuple[float, float]  # half thickness at tip and thick end
    wide: tuple[float, float]  # half width
    bulge: float  # by which share its middle is thicker than a straight taper
    length: float
    k: float
    alpha: float
    start_c: float
    start_skin_k: float  # the outside is so much warmer: tempered
    convects: float  # W/(m2 K)
    emits: float
    moist: float  # kg/m3 of water at first
    loses: float  # share of it that hot meat cannot hold
    loses_c: float
    loses_k: float
    loses_s: float  # time constant of pressing out
    up: float  # share of what is pressed out that comes to the surface
    seeps: float  # kg/(m2 s) that creeps there besides, at first
    wet: float  # kg/m2 on the surface at first
    half_wet: float  # kg/m2 at which the surface's activity is a half
    ages_s: float  # age at which the bark halves the vapour, in time at 75 degC
    fat: float  # peak of the melting fat, as a share of the heat capacity
    fat_c: float


class Joints:
    """Many joints at once; arrays are (joints, slices[, shells]); shell 0 is the middle."""

    def __init__(self, joints: list[Joint], *, evaporates: bool = True) -> None:
        self.p = {f.name: np.array([getattr(j, f.name) for j in joints], dtype=float) for f in fields(Joint)
                  if f.name not in ("thick", "wide")}
        p = {name: v[:, None] for name, v in self.p.items()}
        x = (np.arange(SLICES) + 0.5) / SLICES
        ends = np.array([j.thick for j in joints]), np.array([j.wide for j in joints])
        swell = 1 + p["bulge"] * np.sin(np.pi * x)
        a, b = ((e[:, :1] + (e[:, 1:] - e[:, :1]) * x) for e in ends)
        a = a * swell
        self.long = p["length"] / SLICES
        edge = np.linspace(0.0, 1.0, SHELLS + 1)
        self.middles = (edge[1:] + edge[:-1]) / 2
        self.area = np.pi * (a * b)[..., None] * np.diff(edge**2)  # m2 across
        round_ = 3 * (a + b) - np.sqrt((3 * a + b) * (a + 3 * b))
        self.skin_m = np.pi * round_  # m around
        self.skin_m[:, [0, -1]] += (np.pi * a * b)[:, [0, -1]] / self.long  # the two ends
        shape = np.pi * p["k"] * (a / b + b / a)
        self.between = shape[..., None] / np.log(self.middles[1:] / self.middles[:-1])  # W/(m K)
        self.outer = shape / np.log(1 / self.middles[-1]) / self.skin_m  # W/(m2 K)
        thin = np.minimum(self.area[:, 1:], self.area[:, :-1])
        self.along = p["k"][..., None] * thin / (self.long * self.long)[..., None]  # W/(m K)
        self.capacity = (p["k"] / p["alpha"])[..., None]
        inside = np.linspace(0, 1, SHELLS) ** 2
        begins = p["start_c"][..., None] + p["start_skin_k"][..., None] * inside
        self.celsius: Array = np.broadcast_to(begins, self.area.shape).copy()
        self.skin: Array = self.celsius[..., -1].copy()
        n = self.skin.shape
        self.water = np.broadcast_to(p["moist"], n).copy()
        self.wet = np.broadcast_to(p["wet"], n).copy() if evaporates else np.zeros(n)
        self.age, self.ice = np.zeros(n), np.zeros(n)  # s at 75 degC; kg/m2
        self.comes = np.zeros(n)  # kg/m2 of water that came to the surface in the last step
        self.vapour, self.film, self.shine = np.ones(n), np.ones(n), np.ones(n)  # what a wrap leaves of each
        self.evaporates = evaporates
        self.heat, self.spent = np.zeros(n), np.zeros(n)  # W/m2, the last step's
        self.sums = dict.fromkeys(NAMES, 0.0)
        self._p = p

    def heat_stored(self) -> Array:
        """Heat above 0 degC, with what melted the fat: (joints,), J."""
        p, t = self._p, self.celsius
        at, zero = ((v - p["fat_c"][..., None]) / FAT_OVER_K for v in (t, np.zeros(1)))
        melted = p["fat"][..., None] * FAT_OVER_K * np.sqrt(np.pi) / 2 * (erf(at) - erf(zero))
        stored: Array = (self.capacity * (t + melted) * self.area).sum(axis=2) @ np.ones(SLICES) * self.long[:, 0]
        return stored

    def step(self, seconds: float, air: Array, walls: Array, ratio: Array) -> None:
        """Go on in air and walls [degC] (joints, slices) and ``ratio`` kg of water per kg of dry air (joints, 1)."""
        p, outer = self._p, self.outer
        inner = self.celsius[..., -1]
        film = p["convects"] * self.film
        iced = np.where(self.ice > 0, 0.5, 0.0)
        outside = pull(_pressure_of(ratio))
        carries = self._conductance(film, outside, seconds) * (1 - iced)
        shine = p["emits"] * SIGMA * self.shine * (1 - iced)
        film = film * (1 - iced)
        cold = iced * UNDER_ICE
        skin, walls4 = self.skin, (walls + KELVIN) ** 4
        for _ in range(STEPS_NEWTON):
            pressure, rise = saturated(skin)
            kelvin = skin + KELVIN
            heat = film * (air - skin) + shine * (walls4 - kelvin**4)
            vapour = carries * (pull(pressure) - outside)
            slope = film + 4 * shine * kelvin**3 + carries * LATENT * pull_slope(pressure) * rise + cold
            miss = heat - LATENT * vapour - cold * skin - outer * (skin - inner)
            skin = skin + np.clip(miss / (slope + outer), -15.0, 15.0)
        self.skin = skin
        net = outer * (skin - inner)
        yields = outer * slope / (slope + outer)  # by which the flow falls as the outer shell warms
        net = net - yields * self._conduct(net, yields, seconds)
        from_ice = cold * skin
        self.spent = LATENT * vapour
        self.heat = net + self.spent + from_ice
        self._move_water(vapour, seconds)
        melts = np.minimum(self.ice, from_ice * seconds / (MELTS * 0.5))
        self.ice = self.ice - melts
        self.wet = np.minimum(self.wet + 0.5 * melts, FILM_KG)
        self.age += np.exp((skin - 75.0) / 15.0) * seconds
        per = self.skin_m * self.long * seconds
        for name, flow in (("heat", self.heat), ("spent", self.spent), ("film", heat), ("ice", from_ice),
                           ("vapour_kg", vapour)):
            self.sums[name] += float((flow * per).sum())

    def _conductance(self, film: Array, outside: Array, seconds: float) -> Array:
        """kg/(m2 s) per unit of pull: the air's film, the surface's activity, the bark's age and the wrap.

        The activity is that at the end of the step (a quadratic): a surface that is nearly dry does not flicker.
        """
        if not self.evaporates:
            return np.zeros_like(film)
        p = self._p
        freely = self.vapour * film / (AIR_CP * LEWIS) / (1 + self.age / p["ages_s"])
        takes = np.maximum(freely * (pull(saturated(self.skin)[0]) - outside), 0.0) * seconds
        there = self.wet + self.comes
        half = (there - p["half_wet"] - takes) / 2
        left = half + np.sqrt(half * half + there * p["half_wet"])
        return freely * left / (left + p["half_wet"])

    def _conduct(self, net: Array, yields: Array, seconds: float) -> Array:
        """Implicit between shells, explicit along the joint; returns by how much the outer shell warmed."""
        t, p = self.celsius, self._p
        fat = p["fat"][..., None] * np.exp(-(((t - p["fat_c"][..., None]) / FAT_OVER_K) ** 2))
        holds = self.capacity * (1 + fat) * self.area / seconds
        g = self.between
        gain = np.zeros_like(t)
        flow = self.along * (t[:, 1:] - t[:, :-1])
        gain[:, :-1] += flow
        gain[:, 1:] -= flow
        radial = g * (t[..., 1:] - t[..., :-1])
        gain[..., :-1] += radial
        gain[..., 1:] -= radial
        gain[..., -1] += net * self.skin_m
        main = holds.copy()
        main[..., :-1] += g
        main[..., 1:] += g
        main[..., -1] += yields * self.skin_m
        for i in range(1, SHELLS):  # Thomas, for the change of each shell
            w = g[..., i - 1] / main[..., i - 1]
            main[..., i] -= w * g[..., i - 1]
            gain[..., i] += w * gain[..., i - 1]
        change = gain
        change[..., -1] /= main[..., -1]
        for i in range(SHELLS - 2, -1, -1):
            change[..., i] = (gain[..., i] + g[..., i] * change[..., i + 1]) / main[..., i]
        self.celsius = t + change
        outer: Array = change[..., -1]
        return outer

    def _move_water(self, vapour: Array, seconds: float) -> None:
        if not self.evaporates:
            return
        p = self._p
        lets_go = 1 / (1 + np.exp(-(self.celsius - p["loses_c"][..., None]) / p["loses_k"][..., None]))
        share = self.area / self.area.sum(axis=2, keepdims=True)
        held = p["moist"] * (1 - p["loses"] * (lets_go * share).sum(axis=2))
        out = np.maximum(self.water - held, 0.0) * (1 - np.exp(-seconds / p["loses_s"]))
        self.water -= out
        comes = p["up"] * out * self.area.sum(axis=2) / self.skin_m
        comes += p["seeps"] * seconds * self.water / p["moist"]
        self.comes = comes
        after = self.wet + comes - vapour * seconds
        self.wet = np.clip(after, 0.0, FILM_KG)
        per = self.skin_m * self.long
        for name, more in (("drip_kg", np.maximum(after - FILM_KG, 0.0)), ("lacks_kg", np.maximum(-after, 0.0))):
            self.sums[name] += float((more * per).sum())
        self.sums["pressed_kg"] += float((comes * per).sum())

    def spray(self, joint: int, kilograms: float) -> None:
        """Wet the upper half of a joint, kg/m2 there."""
        self.wet[joint] = np.minimum(self.wet[joint] + kilograms / 2, FILM_KG)


def saturated(celsius: Array) -> tuple[Array, Array]:
    """Saturation pressure over water [Pa] and its slope [Pa/K]; held under boiling."""
    t = np.clip(celsius, -20.0, 98.8)
    below = 257.14 + t
    p = 611.21 * np.exp((18.678 - t / 234.5) * t / below)
    return p, p * ((18.678 - t / 117.25) / below - (18.678 - t / 234.5) * t / below**2)


def pull(pressure: Array) -> Array:
    """Stefan's flow: 0.622 ln(P / (P - p)) at 101325 Pa [kg/kg]."""
    out: Array = -0.622 * np.log1p(-pressure / 101_325.0)
    return out


def pull_slope(pressure: Array) -> Array:
    """Its slope [1/Pa]."""
    return 0.622 / (101_325.0 - pressure)


def _pressure_of(ratio: Array) -> Array:
    return 101_325.0 * ratio / (0.622 + ratio)
