"""A piece of meat in the smoker: heat through it, water through it, and a surface that evaporates and dries.

Nobody tells this model to stall. The surface takes heat by convection and radiation and gives it up by evaporation
(Lewis), as fast as the pit's dry air can carry vapour off a wet skin, and later only as fast as vapour gets through
the bark: a dry layer whose thickness is the water that it lacks. Water comes to the surface because hot meat holds
less of it: between about 60 and 75 degC the proteins contract and press it out (``holds``). So the surface sits where
the pit's heat is spent on that water, the core comes up to it and waits, and when the meat has given what it had, the
bark grows, evaporation fades and the temperature rises again. A wrap keeps the vapour in.

What is from the literature and what is ours: conduction and surface balance, SOURCES.md section 4-6. The form of
``holds`` and the flow of water down the gradient of its excess follow the swelling-pressure picture of cooking meat
(R. G. M. van der Sman, Meat Science, 2007; from memory); its numbers, and those of the bark, are ours, chosen within
reason so that cooking loss (30-40 %) and stall (66-77 degC, 2-6 h unwrapped; both common practice) come out.
The energy that leaves with drip and vapour above latent heat is left out, and the shape does not shrink.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from pitscribe.simulate.body import Array, Body, Stuff, longest_step, plank, warm
from pitscribe.simulate.psychro import CP_DRY_AIR, LEWIS, SEA_LEVEL_PA, humidity_ratio, latent_heat, saturation_pressure

STEFAN_BOLTZMANN = 5.670374e-8
KELVIN = 273.15
_GRID = np.linspace(-5.0, 99.9, 4197)  # degC; looked up, because it is asked so often
_PULL = 0.621945 * np.log1p(humidity_ratio(saturation_pressure(_GRID)) / 0.621945)
_SLOPE = np.gradient(_PULL, _GRID)


@dataclass(frozen=True)
class Wrap:
    """What lies round the meat: share of vapour that still gets out, of convection, of radiation."""

    vapour: float = 1.0
    convection: float = 1.0
    radiation: float = 1.0
    steam: float = 0.0  # W/(m2 K) that vapour and juice inside it carry from hot spots to cool ones


BARE = Wrap()
PAPER = Wrap(0.07, 0.90, 0.95, 9.0)
FOIL = Wrap(0.005, 0.85, 0.45, 14.0)
WRAPS = {"bare": BARE, "paper": PAPER, "foil": FOIL}


@dataclass(frozen=True)
class MeatSpec:
    """A brisket, flat to the left, point to the right; lengths in m, thickness of each column."""

    length: float = 0.42
    width: float = 0.27
    thickness: tuple[float, ...] = (
        0.044, 0.053, 0.058, 0.062, 0.065, 0.068, 0.072, 0.076, 0.081, 0.084, 0.083, 0.072,
    )
    layers: int = 13
    density: float = 1050.0  # kg/m3
    water: float = 0.68  # kg per kg, raw, fat included
    start: float = 4.0
    loses: float = 0.42  # share of its water that hot meat cannot hold
    loses_at: float = 68.5  # degC, half of that
    loses_over: float = 2.5  # K, how sharply
    runs_off: float = 0.30  # share of what is pressed out that drips off before it can evaporate
    mobility: float = 1.0e-7  # m2/s, water down the gradient of its excess
    seep: float = 0.5e-9  # m2/s, water that creeps to a dry front without being pressed
    seep_path: float = 0.004  # m, over at least this way
    bark_holds: float = 550.0  # kg/m3 of water that a dry bark lacks
    bark_diffusion: float = 2.0e-5  # m2/s, vapour through thin bark (open air: 3.5e-5)
    bark_seals: float = 0.0008  # m, thickness at which bark of fat, sugar and protein has twice that resistance
    film: float = 0.12  # kg/m2 of water that clings to the surface; more drips off
    convection: float = 10.0  # W/(m2 K), top
    beneath: float = 0.9  # the bottom's share of that
    emissivity: float = 0.95


@dataclass
class Surroundings:
    """What the meat feels: air and walls in deg C, one value or one a column; kg water per kg dry air."""

    air: Array | float
    walls: Array | float
    ratio: float


@dataclass
class Budget:
    """Sums since the start, J and kg, each (2, nx): bottom and top surface of each column."""

    heat: Array  # by convection and radiation
    spent: Array  # by evaporation
    vapour: Array
    drip: Array
    sprayed: Array
    stored_error: float = 0.0  # largest mismatch of surface balance and conduction, W/m2


@dataclass
class Meat:
    """The state of the meat; ``step`` moves it on."""

    spec: MeatSpec
    stuff: Stuff = field(default_factory=Stuff)
    evaporates: bool = True

    def __post_init__(self) -> None:
        spec = self.spec
        self.body: Body = plank(np.array(spec.thickness), spec.length, spec.width, spec.layers)
        nx, _ = self.body.shape
        self.celsius: Array = np.full(self.body.shape, spec.start)
        self.water: Array = np.full(self.body.shape, spec.density * spec.water)  # kg/m3
        self.surface: Array = np.full((2, nx), spec.start)
        self.lack: Array = np.full((2, nx), -0.05)  # kg/m2 that the surface lacks; negative: a film of water on it
        self.wrap = BARE
        heat, spent, vapour, drip, sprayed = (np.zeros((2, nx)) for _ in range(5))
        self.budget = Budget(heat, spent, vapour, drip, sprayed)
        self.heat_now: Array = np.zeros((2, nx))  # W/m2 from the pit
        self.spent_now: Array = np.zeros((2, nx))  # W/m2 into vapour
        self.vapour_now: Array = np.zeros((2, nx))  # kg/(m2 s)
        self._shared: Array = np.zeros((2, nx))  # W/m2 moved about inside a wrap; sums to nothing
        self._side = np.array([[spec.beneath], [1.0]])

    @property
    def longest_step(self) -> float:
        """The longest stable time step, s, of heat and of water."""
        water = Stuff(self.spec.mobility, 1.0)
        return min(longest_step(self.body, self.stuff), longest_step(self.body, water))

    @property
    def water_mass(self) -> float:
        """All water in and on the meat, kg."""
        return float(np.sum(self.water * self.body.volume) - np.sum(self.lack * self.body.skin))

    @property
    def heat_stored(self) -> float:
        """Heat in the meat above 0 degC, J."""
        return float(np.sum(self.celsius * self.body.volume) * self.stuff.capacity)

    def at(self, along: float, depth: float) -> float:
        """Return the true temperature at a share of the length (0 flat, 1 point) and of the depth (0 bottom, 1 top)."""
        nx, nz = self.body.shape
        x = min(max(along * nx - 0.5, 0.0), nx - 1.0)
        z = min(max(depth * nz - 0.5, 0.0), nz - 1.0)
        i, j = min(int(x), nx - 2), min(int(z), nz - 2)
        p, q = x - i, z - j
        c = self.celsius
        low = (1 - p) * c[i, j] + p * c[i + 1, j]
        high = (1 - p) * c[i, j + 1] + p * c[i + 1, j + 1]
        return float((1 - q) * low + q * high)

    def spray(self, kilograms: float) -> None:
        """Wet the top with water; what does not cling drips off in the next step."""
        per_area = kilograms / float(np.sum(self.body.skin[1]))
        self.lack[1] -= per_area
        self.budget.sprayed[1] += per_area * self.body.skin[1]

    def holds(self, celsius: Array) -> Array:
        """Return the water that meat can hold at a temperature, kg/m3."""
        spec = self.spec
        pressed = spec.loses / (1 + np.exp((spec.loses_at - celsius) / spec.loses_over))
        return spec.density * spec.water * (1 - pressed)

    def step(self, around: Surroundings, seconds: float) -> None:
        """Go on by ``seconds`` (not more than ``longest_step``)."""
        heat, vapour = self._balance_surface(around)
        spent = vapour * latent_heat(self.surface)
        skin = self.body.skin
        warm(self.body, self.stuff, self.celsius, (heat - spent + self._shared) * skin, seconds)
        self._move_water(vapour, seconds)
        self.heat_now, self.spent_now, self.vapour_now = heat, spent, vapour
        budget, area = self.budget, skin * seconds
        budget.heat += heat * area
        budget.spent += spent * area
        budget.vapour += vapour * area

    def _balance_surface(self, around: Surroundings) -> tuple[Array, Array]:
        """Find the surface temperature at which what comes in goes on, by Newton; W/m2 and kg/(m2 s), each (2, nx)."""
        spec = self.spec
        convection = spec.convection * self._side * self.wrap.convection
        emits = spec.emissivity * STEFAN_BOLTZMANN * self.wrap.radiation
        walls = (around.walls + KELVIN) ** 4
        inner = self.celsius[:, [0, -1]].T
        conducts = self.stuff.conductivity / self.body.depth
        carries = self._vapour_conductance(convection)
        self._shared = self.wrap.steam * (np.average(self.surface, weights=self.body.skin) - self.surface)
        outside = 0.621945 * math.log1p(around.ratio / 0.621945)
        ts = self.surface
        for _ in range(8):
            pull = np.interp(ts, _GRID, _PULL)
            latent = latent_heat(ts)
            kelvin = ts + KELVIN
            heat = convection * (around.air - ts) + emits * (walls - kelvin**4)
            vapour = carries * (pull - outside)
            miss = heat + self._shared - vapour * latent - conducts * (ts - inner)
            if np.abs(miss).max() < 1e-3:
                break
            slope = convection + 4 * emits * kelvin**3 + conducts
            slope += carries * latent * np.interp(ts, _GRID, _SLOPE)
            ts = np.minimum(ts + np.clip(miss / slope, -8.0, 8.0), _GRID[-1] + 40.0)
        self.surface = ts
        self.budget.stored_error = max(self.budget.stored_error, float(np.abs(miss).max()))
        return heat, vapour

    def _vapour_conductance(self, convection: Array) -> Array:
        """Return kg/(m2 s) per unit of pull: the air's film and the bark in series, then the wrap.

        The pull is 0.622 ln((p - pv) / (p - ps)), Stefan's flow, which for small vapour pressures is the difference of
        humidity ratios that the Lewis relation goes with, and does not run away below the boiling point as that does.
        """
        if not self.evaporates:
            return np.zeros_like(self.lack)
        spec = self.spec
        film = convection / (CP_DRY_AIR * LEWIS ** (2 / 3))
        bark = np.maximum(self.lack, 0.0) / spec.bark_holds
        air_density = SEA_LEVEL_PA / (287.05 * (70.0 + KELVIN))
        resists = bark * (1 + (bark / spec.bark_seals) ** 2) / (air_density * spec.bark_diffusion)
        conductance: Array = self.wrap.vapour * film / (1 + film * resists)
        return conductance

    def _move_water(self, vapour: Array, seconds: float) -> None:
        """Press water down the gradient of its excess, out to the surfaces, and take off what evaporates or drips."""
        spec, body = self.spec, self.body
        excess = self.water - self.holds(self.celsius)
        edge = excess[:, [0, -1]].T
        outer = self.water[:, [0, -1]].T
        bark = np.maximum(self.lack, 0.0) / spec.bark_holds
        pressed = spec.mobility * np.maximum(edge, 0.0) / body.depth
        run_off = spec.runs_off * pressed
        out = pressed + np.where(self.lack > 0, spec.seep * outer / (spec.seep_path + bark), 0.0)
        warm(body, Stuff(spec.mobility, 1.0), excess, -out * body.skin, seconds)
        self.water = excess + self.holds(self.celsius)
        self.lack += (vapour - out + run_off) * seconds
        surplus = np.maximum(-spec.film - self.lack, 0.0)
        self.lack += surplus
        self.budget.drip += (surplus + run_off * seconds) * body.skin
