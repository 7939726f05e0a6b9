"""Figures of the build guide that are worked out: immersion, what a resistance in the loop costs, what a filter lets
through."""

import math

# Probe through a cooker's wall: gas, wall [degC], sheath's conductivity [W/(m K)], film [W/(m2 K)]: our choice of a
# case, docs/SOURCES.md section 5.
GAS_C, WALL_C, SHEATH_K, FILM_H = 121.1, 60.0, 15.0, 25.0
SHEATHS = {"1/16 in": 1.5875e-3, "1/8 in": 3.175e-3}  # diameter [m]
DEPTHS_MM = (25, 50, 75, 100, 150)
# Resistivity of the two wires of type K [Ohm m] and diameters [m]: from memory.
RESISTIVITY_K = 0.706e-6 + 0.294e-6
GAUGES = {"24 AWG": 0.511e-3, "30 AWG": 0.255e-3}
SLOPE_UV = 41.0  # uV/K of type K from 60 to 150 degC: NIST Monograph 175, docs/SOURCES.md section 1
# Current that the input may take from the loop [nA]: MAX31855 from memory, MAX31856 from its data sheet, seen.
BIAS_NA = {"MAX31855": 100.0, "MAX31856": 4.0}


def reads_low(diameter_m: float, depth_mm: float) -> float:
    """How far a sheath's tip that is so deep in the gas reads low, for its stem leads to the wall. [K]

    A fin with an insulated tip: Lienhard, A Heat Transfer Textbook (thermometer well).
    """
    m = math.sqrt(4 * FILM_H / (SHEATH_K * diameter_m))
    return (GAS_C - WALL_C) / math.cosh(m * depth_mm / 1000)


def loop_ohm(gauge: str, metres: float) -> float:
    """Resistance of a thermocouple of type K, out and back. [Ohm]"""
    return RESISTIVITY_K / (math.pi / 4 * GAUGES[gauge] ** 2) * metres


def bias_error(chip: str, ohm: float) -> float:
    """What the input's current makes of so much resistance in the loop, at most. [K]"""
    return BIAS_NA[chip] * 1e-3 * ohm / SLOPE_UV


def corner_hz(ohm: float, farad: float) -> float:
    """Frequency above which a resistance in the loop and a capacitor across it pass less and less. [Hz]"""
    return 1 / (2 * math.pi * ohm * farad)


def immersion() -> str:
    """Table: how far the tip reads low by depth."""
    rows = ["| sheath | " + " | ".join(f"{mm} mm in" for mm in DEPTHS_MM) + " |", "| --- " * (len(DEPTHS_MM) + 1) + "|"]
    for name, diameter in SHEATHS.items():
        low = [reads_low(diameter, mm) for mm in DEPTHS_MM]
        rows.append(f"| {name} | " + " | ".join(f"{1.8 * k:.1f} F ({k:.1f} C) low" for k in low) + " |")
    return "\n".join(rows) + "\n"


def resistance() -> str:
    """Table: what lies in the loop, and what it may cost with each chip."""
    lengths = [("2 m of 24 AWG type K", loop_ohm("24 AWG", 2)), ("2 m of 30 AWG type K", loop_ohm("30 AWG", 2)),
               ("two series resistors of 100 Ohm", 200.0), ("two of 1 kOhm", 2000.0)]
    rows = ["| in the loop | Ohm | MAX31855: up to | MAX31856: up to | corner with 10 nF |",
            "| --- | --- | --- | --- | --- |"]
    for what, ohm in lengths:
        errors = [f"{1.8 * bias_error(chip, ohm):.2f} F ({bias_error(chip, ohm):.2f} C)" for chip in BIAS_NA]
        rows.append(f"| {what} | {ohm:.0f} | {errors[0]} | {errors[1]} | {corner_hz(ohm, 10e-9) / 1000:.0f} kHz |")
    return "\n".join(rows) + "\n"
