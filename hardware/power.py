"""The power budget: what the logger takes in each mode, and how many hours a stated store lasts.

No figure here was measured on a board of ours: each has where it is from, and a low and a high one to bound it.
"""

from dataclasses import dataclass

MEMORY = "from memory"


@dataclass(frozen=True, slots=True)
class Draw:
    """What something takes: least, usual and most [mA] at ``volts``, and where the figures are from."""

    what: str
    low: float
    usual: float
    high: float
    volts: float
    source: str

    def milliwatts(self) -> tuple[float, float, float]:
        """Least, usual, most. [mW]"""
        return self.low * self.volts, self.usual * self.volts, self.high * self.volts


@dataclass(frozen=True, slots=True)
class Store:
    """What feeds the logger: its capacity as it is sold [mAh] at ``volts``, and the part of it that arrives."""

    what: str
    mah: float
    volts: float
    arrives: float
    source: str

    def watt_hours(self) -> float:
        """What arrives at the board. [Wh]"""
        return self.mah * self.volts * self.arrives / 1000.0


# The board by itself, at its USB socket. The radio's bursts (some 300 mA for milliseconds) are in the averages.
MODES = (
    Draw("no network: journal and cable", 25.0, 32.0, 40.0, 5.0,
         "a user's report of 30 to 33 mA with MicroPython, seen (not measured by us)"),
    Draw("guest of a known network", 40.0, 55.0, 80.0, 5.0, MEMORY),
    Draw("network of its own (page on a phone)", 70.0, 95.0, 140.0, 5.0, MEMORY),
)
# What hangs on 3V3, each once.
MAX31855 = Draw("MAX31855", 0.7, 0.9, 1.5, 3.3, MEMORY)
MAX31856 = Draw("MAX31856", 1.0, 1.2, 2.0, 3.3, "its data sheet's graph, 1.0 to 1.5 mA: seen; the most: from memory")
SCREEN = Draw("screen, text on black", 5.0, 10.0, 20.0, 3.3, MEMORY)
REGULATOR = (0.90, 0.85, 0.75)  # of the board's 3.3 V converter: best, usual, worst; from memory

STORES = (
    Store("power bank of 10000 mAh", 10000.0, 3.7, 0.80, "efficiency: our allowance, no source"),
    Store("three AA nickel-metal hydride cells of 2000 mAh", 2000.0, 3.6, 0.80,
          "diode 0.3 of 3.6 V, cold and age: our allowance, no source"),
    Store("three AA alkaline cells of 2000 mAh", 2000.0, 3.6, 0.80,
          "mean 1.2 V a cell, diode, cold: our allowance, no source"),
)


def milliwatts(mode: Draw, chips: tuple[str, ...], screen: bool) -> tuple[float, float, float]:
    """Least, usual and most power that a logger takes at its supply. [mW]"""
    loads = [{"max31855": MAX31855, "max31856": MAX31856}[chip] for chip in chips] + ([SCREEN] if screen else [])
    least, usual, most = (
        own + sum(load.milliwatts()[i] for load in loads) / REGULATOR[i] for i, own in enumerate(mode.milliwatts())
    )
    return least, usual, most


def hours(store: Store, power: tuple[float, float, float]) -> tuple[float, float, float]:
    """Fewest, usual and most hours that a store lasts at such powers."""
    least, usual, most = power
    wh = store.watt_hours()
    return 1000 * wh / most, 1000 * wh / usual, 1000 * wh / least


def table(chips: tuple[str, ...]) -> str:
    """The budget as a table: power by mode, hours by store, fewest and most in brackets."""
    names = [store.what for store in STORES]
    rows = [f"| mode, with {len(chips)} amplifiers | power at the supply | {' | '.join(names)} |",
            "| --- " * (len(STORES) + 2) + "|"]
    for mode in MODES:
        for screen in (False, True):
            power = milliwatts(mode, chips, screen)
            cells = [f"{hours(store, power)[1]:.0f} h ({hours(store, power)[0]:.0f} to {hours(store, power)[2]:.0f})"
                     for store in STORES]
            name = mode.what + (", screen" if screen else "")
            watts = f"{power[1] / 1000:.2f} W ({power[0] / 1000:.2f} to {power[2] / 1000:.2f})"
            rows.append(f"| {name} | {watts} | {' | '.join(cells)} |")
    return "\n".join(rows) + "\n"


def sources() -> str:
    """Where each figure is from, as a table."""
    rows = ["| figure | least, usual, most | from |", "| --- | --- | --- |"]
    rows += [f"| {d.what} | {d.low:g}, {d.usual:g}, {d.high:g} mA at {d.volts:g} V | {d.source} |"
             for d in (*MODES, MAX31855, MAX31856, SCREEN)]
    best, usual, worst = (100 * part for part in REGULATOR)
    rows.append(f"| 3.3 V converter of the board | {worst:.0f}, {usual:.0f}, {best:.0f} % | {MEMORY} |")
    rows += [f"| {s.what} | {s.volts:g} V, of which {100 * s.arrives:.0f} % arrives | {s.source} |" for s in STORES]
    return "\n".join(rows) + "\n"
