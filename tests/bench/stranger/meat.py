"""An elliptic cut of meat by finite volumes: heat, water, and a surface that is wet and dries.

The cut is cut into `NX` columns along its length (thick end to thin tip) and `NZ` layers through its thickness.  Each
layer is as wide as the ellipse is at its height, so that the rounded sides are exposed too: a layer's own surface is
the part of it that the next layer outwards does not cover.  Over the width the temperature is taken as even.

Sources: cp of lean beef (Morley 1972), k of 0.42 to 0.52 W/m K (Baghe-Khandan and Okos 1981), latent heat at 60 to 70
degC (IAPWS), Magnus' formula for vapour pressure and the Lewis relation (ASHRAE Fundamentals ch. 6, from memory);
Stefan-Boltzmann.  What holds water does not pass 100 degC.  Water moves down the gradient
of what is held less what can be held, which falls as proteins denature (form of van der Sman 2007, from memory); its
diffusivity 0.5e-9 to 2e-9 m2/s, the 1 mm skin and the sorption curve are our allowance, no source.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NX, NZ = 20, 12
RHO, CP, LATENT = 1050.0, 3430.0, 2.36e6  # kg/m3, J/kg K, J/kg
RHO_DRY, SKIN = 265.0, 1.0e-3  # kg dry matter per m3; thickness of the skin that holds the surface's own water, m
SIGMA = 5.670374e-8
HALVES = NZ // 2


def vapour_density(t: Array, rh: float = 1.0) -> Array:
    """Water vapour in kg/m3 over water at `t` degC (Magnus; ideal gas), not above what 1 atm of steam would hold."""
    p = np.minimum(610.94 * np.exp(17.625 * t / (t + 243.04)), 101325.0)
    return np.asarray(rh * p / (461.5 * (t + 273.15)))


class Meat:
    """State of one cut; `step` advances it by `dt` seconds."""

    def __init__(self, length: float, thick: Array, start: float, k: float, diff: float, aspect: float) -> None:
        self.thick, self.k, self.diff = thick, k, diff  # thickness of each column in m
        self.dx = length / NX
        self.dz = (thick / NZ)[:, None]
        z = (np.arange(NZ) + 0.5) / NZ * 2.0 - 1.0
        wide = np.maximum(np.sqrt(1.0 - z**2), 0.2)  # width of the layer as a part of the full width
        self.width = wide[None, :] * np.ones((NX, 1))
        outer = np.concatenate([[wide[0]], wide[1:HALVES] - wide[: HALVES - 1]])
        self.expose = np.concatenate([outer, outer[::-1]])[None, :] * np.ones((NX, 1)) * self.dx
        # Height of the slanted side adds to the plan area: an ellipse as wide as `aspect` times its height.
        self.expose *= 1.0 + 0.5 / aspect
        self.expose[0] += self.width[0] * self.dz[0]
        self.expose[-1] += self.width[-1] * self.dz[-1]
        self.top = np.concatenate([np.zeros(HALVES), np.ones(HALVES)])[None, :] * np.ones((NX, 1))
        self.volume = self.width * self.dz * self.dx
        self.t = np.full((NX, NZ), start)
        self.ts = self.t.copy()
        self.m = np.full((NX, NZ), 2.8)
        self.skin = np.full((NX, NZ), 2.0)  # kg water per kg dry, in the skin
        self.evap = np.zeros((NX, NZ))  # W per m2
        self.sensible = np.zeros((NX, NZ))
        self.facez = np.minimum(self.width[:, 1:], self.width[:, :-1]) * self.dx
        self.facex = 0.5 * (self.dz[1:] + self.dz[:-1]) * self.width[1:]

    @staticmethod
    def holds(t: Array) -> Array:
        """Water that can be held at `t` degC, kg per kg dry."""
        return np.asarray(1.6 + 1.2 / (1.0 + np.exp((t - 62.0) / 5.0)))

    def _lets(self) -> Array:
        """Diffusivity of water, m2/s: raw meat holds it; denatured, it is a sponge that drains what it cannot hold."""
        free = np.clip((self.m - self.holds(self.t)) / 0.3, 0.0, 1.0)
        return np.asarray(self.diff * (0.15 + 1.85 * free / (1.0 + np.exp((64.0 - self.t) / 3.0))))

    def _spread(self, field: Array, coefficient: Array) -> Array:
        """Sum of the fluxes into each cell, in coefficient * field * m."""
        inward = np.zeros_like(field)
        up = 0.5 * (coefficient[:, 1:] + coefficient[:, :-1]) * (field[:, 1:] - field[:, :-1]) / self.dz * self.facez
        inward[:, :-1] += up
        inward[:, 1:] -= up
        along = 0.5 * (coefficient[1:] + coefficient[:-1]) * (field[1:] - field[:-1]) / self.dx * self.facex
        inward[:-1] += along
        inward[1:] -= along
        return inward

    def step(self, dt: float, air: Array, wall: float, h: float, vapour: float, wrap: Array, cold: Array) -> None:
        """`air` degC by column (NX, 1); `wall` degC; `vapour` kg/m3 in the air; `wrap` (NX, NZ) with how much of the
        evaporation passes (1 naked); `cold` (NX, NZ) heat taken by ice, W/m2 K towards 0 degC."""
        inner = self.k / (0.5 * self.dz)
        hh = h * (0.8 + 0.2 * wrap)
        emit = np.where(wrap < 0.1, 0.25, 0.92) * SIGMA
        hm = h / (1.0 * 1007.0 * 0.91)  # Lewis: h / (rho cp 0.91), air of 1.0 kg/m3
        active = 1.0 - np.exp(-self.skin / 0.25)
        ts = self.ts
        for _ in range(2):
            rho = vapour_density(ts)
            flux = hm * wrap * (active * rho - vapour)
            slope = hm * wrap * active * rho * 4250.0 / (ts + 243.04) ** 2
            sensible = hh * (air - ts) + emit * ((wall + 273.15) ** 4 - (ts + 273.15) ** 4)
            balance = sensible - LATENT * flux + inner * (self.t - ts) - cold * ts
            ts = ts + balance / (hh + 4.0 * emit * (ts + 273.15) ** 3 + LATENT * slope + inner + cold)
        self.ts, self.evap, self.sensible = ts, LATENT * flux, sensible
        heat = self._spread(self.t, np.full_like(self.t, self.k)) + inner * (ts - self.t) * self.expose
        excess = self.m - self.holds(self.t)
        lets = RHO_DRY * self._lets()
        supply = lets * (excess - (self.skin - self.holds(ts))) / (0.5 * self.dz)
        water = self._spread(excess, lets) - supply * self.expose
        self.t = self.t + dt * heat / (RHO * CP * self.volume)
        self.m = self.m + dt * water / (RHO_DRY * self.volume)
        over = np.where(self.m > 0.3, np.maximum(self.t - 100.0, 0.0), 0.0)  # what holds water boils at 100 degC
        self.t = self.t - over
        self.m = self.m - RHO * CP * over / (LATENT * RHO_DRY)
        self.skin = np.clip(self.skin + dt * (supply - flux) / (RHO_DRY * SKIN), 0.0, 3.5)  # the rest drips off

    def taken(self, column: int) -> float:
        """Part of the heat coming to the surface near `column` that evaporation takes, 0 to about 1."""
        near = slice(max(column - 3, 0), column + 4)
        area = self.expose[near]
        came = float(np.sum(np.maximum(self.sensible[near], 0.0) * area))
        went = float(np.sum(np.maximum(self.evap[near], 0.0) * area))
        return min(went / came, 1.5) if came > 0.0 else 1.5

    def spritz(self, kg_per_m2: float) -> None:
        """Water at room temperature on the upper side."""
        self.skin = np.minimum(self.skin + self.top * kg_per_m2 / (RHO_DRY * SKIN), 3.5)
        self.ts = self.ts - self.top * 8.0
