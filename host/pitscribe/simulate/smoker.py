"""An offset smoker fired by hand: splits, coals, draught, steel, wind and two doors.

One step is one second. Masses in kg, power in W, temperatures in deg C. The air has two places, at the firebox end
and at the far end of the grate; steel has two masses, the firebox and the cook chamber. Heat that the fire gives goes
up the stack, into the steel, out of the steel into the weather, into the meat, or out of an open lid: ``balance`` adds
these up, and a test holds that they close.

The figures of the fire (heat values, shares of volatiles and char, times of burning) are round values for seasoned
hardwood, from memory; what makes them credible is the pit that comes out: one split of about 1 kg every 35 to 60
min, a pit of 107 to 135 degC that swings 8 to 17 K a split (common practice, no source).
"""

import math
from dataclasses import dataclass, field

from pitscribe.simulate.psychro import CP_DRY_AIR

STEFAN_BOLTZMANN = 5.670374e-8
KELVIN = 273.15
CP_STEEL = 480.0  # J/(kg K)
HEAT_OF_VOLATILES = 14.5e6  # J/kg, burnt as gas
HEAT_OF_CHAR = 30.0e6  # J/kg
CHAR_SHARE = 0.27  # of dry wood
WATER_FROM_VOLATILES = 0.74  # kg/kg: makes 0.54 kg per kg of dry wood (SOURCES.md section 4, from memory there)
HEAT_OF_STEAM = 2.4e6  # J/kg


@dataclass(frozen=True)
class SmokerSpec:
    """What the cooker is made of and how it stands."""

    firebox_steel_kg: float = 80.0
    chamber_steel_kg: float = 110.0
    draught: float = 0.04  # kg/s of air at full buoyancy with the intake as it is set
    firebox_loss: float = 6.0  # W/K, firebox steel to the weather, still air
    chamber_loss: float = 12.0  # W/K, chamber steel to the weather, still air
    firebox_inner: float = 30.0  # W/K, flue gas to firebox steel
    chamber_inner: float = 60.0  # W/K, chamber air to chamber steel
    between: float = 38.0  # W/K, the air's own circulation between the two ends of the grate
    open_lid: float = 45.0  # W/K at each end, lid wide open, still air
    radiant: float = 0.45  # share of the fire's power that goes to the firebox steel as radiation
    coal_life_s: float = 5400.0
    flame_life_s: float = 2100.0


@dataclass
class Split:
    """One split on the fire: kg of water and volatiles left, and how far it has caught (0 to 1)."""

    water: float
    volatile: float
    char: float
    caught: float = 0.0


@dataclass
class Weather:
    """What blows at the cooker: deg C, m/s, kg of water per kg of dry air."""

    air: float = 20.0
    wind: float = 1.5
    ratio: float = 0.009


@dataclass
class Smoker:
    """The state of the cooker, and ``step`` which moves it on by a second."""

    spec: SmokerSpec
    coals: float = 0.0
    splits: list[Split] = field(default_factory=list)
    firebox_steel: float = 20.0
    chamber_steel: float = 20.0
    near: float = 20.0  # grate air at the firebox end
    far: float = 20.0
    lid: float = 0.0  # 0 shut to 1 wide open
    power: float = 0.0
    air_flow: float = 0.02
    ratio: float = 0.009  # kg water per kg dry air in the chamber
    balance: dict[str, float] = field(default_factory=lambda: dict.fromkeys(("fire", "stack", "weather", "meat"), 0.0))

    def add_split(self, kilograms: float, moisture: float = 0.17) -> None:
        """Lay one split on the coals; ``moisture`` is kg of water per kg of wet wood."""
        dry = kilograms * (1 - moisture)
        self.splits.append(Split(kilograms * moisture, dry * (1 - CHAR_SHARE), dry * CHAR_SHARE))

    @property
    def stored(self) -> float:
        """Heat in the steel and the chamber's air, J above 0 degC."""
        air = self._air_capacity * (self.near + self.far)
        steel = self.spec.firebox_steel_kg * self.firebox_steel + self.spec.chamber_steel_kg * self.chamber_steel
        return air + CP_STEEL * steel

    _air_capacity = 350.0  # J/K each end: 0.35 m3 of hot air and the thin grate in it

    def _burn(self, breath: float) -> tuple[float, float]:
        """Burn for a second; ``breath`` is the draught against its usual value. Returns W and kg/s of water."""
        glow = min(1.0, self.coals / 0.35)
        flame = sum(s.caught * s.volatile for s in self.splits)
        kindle = min(1.0, glow + flame)
        power = steam = 0.0
        for split in self.splits:
            dry = split.water < 0.3 * (split.water + split.volatile) or split.caught > 0.2
            split.caught = min(1.0, split.caught + kindle * (kindle > 0.15) * (1 / 240.0 if dry else 1 / 420.0))
            steamed = split.water * (0.15 + split.caught) * kindle / 300.0
            burnt = split.volatile * split.caught * breath / self.spec.flame_life_s
            share = burnt / split.volatile if split.volatile > 0 else 1.0
            self.coals += split.char * share
            split.char -= split.char * share
            split.volatile -= burnt
            split.water -= steamed
            power += burnt * HEAT_OF_VOLATILES - steamed * HEAT_OF_STEAM
            steam += steamed + burnt * WATER_FROM_VOLATILES
        self.splits = [s for s in self.splits if s.volatile > 0.01]
        burnt = self.coals * breath / self.spec.coal_life_s
        self.coals -= burnt
        return power + burnt * HEAT_OF_CHAR, steam

    def step(self, weather: Weather, meat_heat: float = 0.0, meat_steam: float = 0.0) -> None:
        """Go on by 1 s. ``meat_heat`` W is what the meat takes from the chamber, ``meat_steam`` kg/s what it gives."""
        spec = self.spec
        stack = max(0.0, 1 - (weather.air + KELVIN) / (0.5 * (self.near + self.far) + KELVIN))
        lid = self.lid
        flow = spec.draught * (0.10 + math.sqrt(stack) * (1 - 0.5 * lid)) * (1 + 0.05 * weather.wind)
        breath = math.sqrt(flow / 0.026)
        power, steam = self._burn(breath)
        through = flow * CP_DRY_AIR
        radiant = max(0.0, power) * spec.radiant
        gas = (through * weather.air + power - radiant + spec.firebox_inner * self.firebox_steel) / (
            through + spec.firebox_inner
        )
        to_firebox = spec.firebox_inner * (gas - self.firebox_steel) + radiant
        blown = 1 + 0.18 * weather.wind
        firebox_out = spec.firebox_loss * blown * (self.firebox_steel - weather.air)
        firebox_out += 0.35 * STEFAN_BOLTZMANN * ((self.firebox_steel + KELVIN) ** 4 - (weather.air + KELVIN) ** 4)
        chamber_out = spec.chamber_loss * blown * (self.chamber_steel - weather.air)
        open_near, open_far = (spec.open_lid * lid * blown * (t - weather.air) for t in (self.near, self.far))
        steel_near, steel_far = (0.5 * spec.chamber_inner * (t - self.chamber_steel) for t in (self.near, self.far))
        mixed = spec.between * (self.near - self.far)
        c = self._air_capacity
        net_near = through * (gas - self.near) - mixed - steel_near - open_near - 0.5 * meat_heat
        net_far = through * (self.near - self.far) + mixed - steel_far - open_far - 0.5 * meat_heat
        up_stack = through * (self.far - weather.air)
        self.near += net_near / c
        self.far += net_far / c
        self.firebox_steel += (to_firebox - firebox_out) / (CP_STEEL * spec.firebox_steel_kg)
        self.chamber_steel += (steel_near + steel_far - chamber_out) / (CP_STEEL * spec.chamber_steel_kg)
        fresh = weather.ratio + (steam + meat_steam) / flow
        self.ratio += (weather.ratio - self.ratio) * 0.3 * lid + (fresh - self.ratio) / 15.0
        self.power, self.air_flow = power, flow
        self._add_up(power, up_stack, firebox_out + chamber_out + open_near + open_far, meat_heat)

    def _add_up(self, fire: float, stack: float, weather: float, meat: float) -> None:
        for name, joule in (("fire", fire), ("stack", stack), ("weather", weather), ("meat", meat)):
            self.balance[name] += joule
