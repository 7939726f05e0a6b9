"""``pitscribe emf``: what a multimeter reads at the plug of a thermocouple, what each chip makes of it, and back.

For the builder with a meter in the hand: is this lead reversed, is this wire of the type that it is sold as, does this
chip report what it should? Bare temperatures are degC here, as on every thermocouple table; both units are printed.
"""

import argparse
import json
import math
from dataclasses import dataclass
from functools import partial

import numpy as np

from pitscribe.commands.when import parse_temperature
from pitscribe.config import Config
from pitscribe.errors import ConfigError, OutOfRangeError
from pitscribe.metrology import chips, its90
from pitscribe.metrology.bothunits import both_units
from pitscribe.metrology.junction import hot_junction

# What a thermocouple about a smoker can have, from a freezer to the coals. Our allowance, no source.
PLAUSIBLE_C = (-30.0, 400.0)

_both = partial(both_units, digits=2)


@dataclass(frozen=True, slots=True)
class Loop:
    """A thermocouple with its plug: type, hot and cold junction [degC], emf at the plug [mV]."""

    tc: str
    hot_c: float
    cold_c: float
    mv: float

    @classmethod
    def from_hot(cls, tc: str, hot_c: float, cold_c: float) -> "Loop":
        """What is at the plug. Raises OutOfRangeError for an unknown type or a junction outside its function."""
        return cls(tc, hot_c, cold_c, _emf(tc, hot_c, "hot") - _emf(tc, cold_c, "cold"))

    @classmethod
    def from_mv(cls, tc: str, mv: float, cold_c: float) -> "Loop":
        """What the hot junction must be. Raises OutOfRangeError as ``from_hot``, and for an emf that has none."""
        hot_c = _read(tc, mv, cold_c)
        if hot_c is None:
            low, high = (end - _emf(tc, cold_c, "cold") for end in its90.emf_limits(tc))
            raise OutOfRangeError(
                f"{mv:g} mV: type {tc} with its cold junction at {_both(cold_c)} gives {low:.3f} to {high:.3f} mV"
            )
        return cls(tc, hot_c, cold_c, mv)


@dataclass(frozen=True, slots=True)
class Report:
    """What one ideal chip for the loop's type reports: codes, registers in hex, its own reading, and ours of it."""

    chip: str
    hot: int
    cold: int
    registers: str
    reads: float  # degC, or mV if the chip leaves the table to us
    unit: str  # "degC" or "mV"
    corrected_c: float | None
    clipped: bool  # a junction lies beyond what the chip can say


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Work out the loop that was asked for, and print it."""
    tc, cold_c = arguments.type.upper(), parse_temperature(arguments.cold, "C")
    if (arguments.temp is None) == (arguments.mv is None):
        raise ConfigError("say either the hot junction or what the meter reads: emf K 107.2, or emf K --mv 3.39")
    if arguments.mv is None:
        loop = Loop.from_hot(tc, parse_temperature(arguments.temp, "C"), cold_c)
    elif math.isfinite(arguments.mv):
        loop = Loop.from_mv(tc, arguments.mv, cold_c)
    else:
        raise ConfigError(f"--mv {arguments.mv}: must be a number")
    print(json.dumps(as_json(loop), indent=1) if arguments.json else text(loop))


def _emf(tc: str, celsius: float, junction: str) -> float:
    try:
        return its90.emf(tc, celsius)
    except OutOfRangeError as error:
        raise OutOfRangeError(f"{junction} junction: {error}" if tc in its90.KINDS else str(error)) from None


def _read(tc: str, mv: float, cold_c: float) -> float | None:
    """What an instrument for this type reads of an emf at its terminals [degC]; None outside the function."""
    hot_c = float(its90.temperature(tc, mv + _emf(tc, cold_c, "cold"), out_of_range="nan"))
    return hot_c if math.isfinite(hot_c) else None


def reversed_reads(loop: Loop) -> float | None:
    """What an instrument reads if the two leads are changed over at the plug [degC]; None if it is no temperature."""
    return _read(loop.tc, -loop.mv, loop.cold_c)


def other_types(loop: Loop) -> dict[str, float]:
    """The temperature that the same emf means with wire of another type, where a cook could have it. [degC]"""
    found = {}
    for tc in its90.KINDS:
        low, high = its90.limits(tc)
        if tc != loop.tc and low <= loop.cold_c <= high:
            hot_c = _read(tc, loop.mv, loop.cold_c)
            if hot_c is not None and PLAUSIBLE_C[0] <= hot_c <= PLAUSIBLE_C[1]:
                found[tc] = hot_c
    return found


def reports(loop: Loop) -> list[Report]:
    """What each chip, made or set for the loop's type and without any error of its own, reports."""
    return [_report(loop, spec) for spec in chips.CHIPS.values()]


def _report(loop: Loop, spec: chips.Chip) -> Report:
    codes = chips.code_from_emf(spec.name, loop.tc, np.array([loop.mv]), np.array([loop.cold_c]))
    back = float(hot_junction(loop.tc, *chips.loop_emf(spec.name, loop.tc, *codes))[0])
    hot, cold = (int(code[0]) for code in codes)
    return Report(
        spec.name, hot, cold, _registers(spec.name, hot, cold), hot * spec.hot_lsb,
        "mV" if spec.mode == "volts" else "degC", back if math.isfinite(back) else None,
        hot in spec.hot_codes or cold in spec.cold_codes or _beyond_table(loop, spec.mode),
    )


def _beyond_table(loop: Loop, mode: str) -> bool:
    """Whether a chip that looks a table up finds no such emf in it."""
    if mode not in ("table", "sum"):
        return False
    low, high = (its90.emf(loop.tc, end) for end in chips.TABLE_RANGE_C[loop.tc])
    return not low <= (loop.mv if mode == "sum" else its90.emf(loop.tc, loop.hot_c)) <= high


def _registers(chip: str, hot: int, cold: int) -> str:
    """The word or the registers as a logic analyser shows them."""
    if chip == "max31855":
        return f"{chips.max31855_word(hot, cold):08X}"
    if chip.startswith("max31856"):
        both = chips.max31856_registers(hot, cold).hex().upper()
        return f"0Ah {both[:4]}, 0Ch {both[4:10]}"
    upper, lower = chips.mcp9600_registers(chip, hot, cold)
    return f"0{0 if len(upper) == 2 else 3}h {upper.hex().upper()}, 02h {lower.hex().upper()}"


def as_json(loop: Loop) -> dict[str, object]:
    """Everything, temperatures in degC."""
    back = reversed_reads(loop)
    slopes = {"hot": its90.sensitivity(loop.tc, loop.hot_c), "cold": its90.sensitivity(loop.tc, loop.cold_c)}
    return {
        "type": loop.tc, "hot_c": round(loop.hot_c, 4), "cold_c": round(loop.cold_c, 4), "mv": round(loop.mv, 6),
        "sensitivity_uv_per_k": {end: round(slope, 3) for end, slope in slopes.items()},
        "reversed": {"mv": round(-loop.mv, 6), "reads_c": None if back is None else round(back, 4)},
        "other_types": {tc: round(hot_c, 4) for tc, hot_c in other_types(loop).items()},
        "chips": [
            {
                "chip": r.chip, "hot": r.hot, "cold": r.cold, "registers": r.registers, "reads": round(r.reads, 6),
                "unit": r.unit, "corrected_c": None if r.corrected_c is None else round(r.corrected_c, 4),
                "clipped": r.clipped,
            }
            for r in reports(loop)
        ],
    }


def text(loop: Loop) -> str:
    """The same for a person."""
    slope, cold_slope = (its90.sensitivity(loop.tc, c) for c in (loop.hot_c, loop.cold_c))
    back, others = reversed_reads(loop), other_types(loop)
    lines = [
        f"type {loop.tc}: hot junction {_both(loop.hot_c)}, cold junction (the plug) {_both(loop.cold_c)}",
        f"at the plug     {loop.mv:.4f} mV",
        f"sensitivity     {slope:.2f} uV/C ({slope / 1.8:.2f} uV/F) at the hot junction, {cold_slope:.2f} uV/C at the "
        f"plug: 0.01 mV on the meter is {10 / slope:.2f} C ({18 / slope:.2f} F)",
        f"leads reversed  {-loop.mv:.4f} mV, which reads as {'no temperature' if back is None else _both(back)}",
        "",
        f"Of wire of another type the same {loop.mv:.4f} mV would mean:",
        *(f"  {tc}  {_both(hot_c)}" for tc, hot_c in others.items()),
    ]
    if not others:
        lines.append(f"  nothing between {_both(PLAUSIBLE_C[0])} and {_both(PLAUSIBLE_C[1])}")
    lines += [
        "",
        f"What a chip for type {loop.tc} reports, if it has no error of its own:",
        f"  {'chip':16} {'its own reading':24} {'corrected':24} {'hot':>7} {'cold':>5}  registers",
        *(_row(r) for r in reports(loop)),
        "mcp9600-sum: an mcp9600, should it add temperatures as its data sheet describes, and not emfs.",
    ]
    return "\n".join(lines)


def _row(r: Report) -> str:
    reads = f"{r.reads:.4f} mV" if r.unit == "mV" else _both(r.reads)
    corrected = "beyond its range" if r.clipped else "-" if r.corrected_c is None else _both(r.corrected_c)
    return f"  {r.chip:16} {reads:24} {corrected:24} {r.hot:7} {r.cold:5}  {r.registers}"
