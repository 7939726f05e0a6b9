"""How one reading came about: each step of the chain with its number, its uncertainty and its source.

Nothing is computed in another way than ``chain`` does: the numbers are those of its ``Reading``, and the uncertainties
are the components of ``uncertainty``, each put to the step that it enters by and given in that step's own unit. What a
step hands on, the next one carries along: the uncertainty of a sum or of the inverse function is that of all before it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pitscribe.metrology import its90
from pitscribe.metrology.airprobe import PUT_IN, AirModel
from pitscribe.metrology.chips import (
    SLOPE_UV,
    Chip,
    chip_of,
    fault_flags,
    max31855_word,
    max31856_registers,
    mcp9600_registers,
)
from pitscribe.metrology.coverage import Component
from pitscribe.metrology.flags import dead_line, has_value
from pitscribe.metrology.strand import Codes
from pitscribe.metrology.uncertainty import Reading, components

# By which step a component enters, by how its name begins; the rest is of where the probe is: time, lag, radiation.
_OF_THE_LOOP = ("chip", "quantisation")
_OF_THE_COLD = ("cold junction", "terminal block")
_OF_THE_PROBE = ("probe", "calibration", "wire")

_MONOGRAPH = "NIST Monograph 175"


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    value : its number, None if it has none;  unit : "degC", "K", "mV" or "" for what ``said`` says
    u : standard uncertainty in that unit (of a degC: K), None where it has none of its own
    """

    name: str
    value: float | None
    unit: str
    u: float | None
    source: str
    said: str = ""


def register_word(chip: str, codes: Codes) -> str:
    """What the chip sent, as hex digits; "" where the fault column says that no word of a chip was read."""
    hot, cold, fault = codes
    if fault >> 8:
        return ""
    if chip == "max31855":
        return f"{max31855_word(hot, cold, fault):08X}"
    if chip.startswith("max31856"):
        return max31856_registers(hot, cold, fault).hex(" ").upper()
    return " ".join(register.hex().upper() for register in mcp9600_registers(chip, hot, cold))


def word_step(chip: str, codes: Codes) -> Step:
    """The first step: what the chip sent, and the codes in it."""
    where = {"max31855": "32 bits", "max31856": "registers 0A to 0F"}.get(chip.partition("-")[0], "")
    where = where or ("registers 03 and 02" if chip.endswith("adc") else "registers 00 and 02")
    word = register_word(chip, codes)
    said = f"hot {codes.hot}, cold {codes.cold}, fault {codes.fault:04X}h"
    return Step("register word", None, "", None, f"{chip_of(chip).sheet}: {where}" if word else "no word was read",
                f"{word or 'none'}; {said}")


def derive(codes: Codes, reading: Reading, history: str) -> list[Step]:
    """The steps from the register word to the result of the chain.

    codes, reading : of one sample; ``reading`` has arrays (1,)
    history : where the probe's correction is from, in words ("" if it has none)

    The last step is the result. Where the chain has no value the steps end sooner: behind the word where no reading is
    in it (an open loop), behind the sum where the reference function does not reach it.
    """
    setup, spec = reading.setup, chip_of(reading.setup.chip)
    if _says_nothing(setup.chip, codes):
        return [word_step(setup.chip, codes)]
    parts = components(reading)
    hot_s = float(its90.sensitivity(setup.probe_tc, reading.celsius, out_of_range="nan")[0]) / 1000
    cold_s = float(its90.sensitivity(setup.probe_tc, reading.cold_c, out_of_range="nan")[0]) / 1000
    cold_emf = float(its90.emf(setup.probe_tc, reading.cold_c, out_of_range="nan")[0])
    loop_mv, cold_c, raw_c = (float(x[0]) for x in (reading.loop_mv, reading.cold_c, reading.raw_c))
    loop, cold, probe, place = _by_step(parts)
    u_loop, u_cold, u_sum = _root(loop) * hot_s, _root(cold) * hot_s, _root([*loop, *cold]) * hot_s
    tc, known = setup.probe_tc, setup.calibrated
    constant = "" if known is None or not known.here else "; constant errors are in the probe's correction"
    steps = [
        word_step(setup.chip, codes),
        *_own_reading(spec, codes),
        Step("cold junction", cold_c, "degC", u_cold / cold_s, f"{codes.cold} x {spec.cold_lsb:g} degC{constant}"),
        Step("emf of the loop", loop_mv, "mV", u_loop, _loop_source(spec, setup.tc) + constant),
        Step("emf of the cold junction", cold_emf, "mV", u_cold, f"E({tc}) of it, {_MONOGRAPH}"),
        Step("sum", loop_mv + cold_emf, "mV", u_sum, "law of intermediate temperatures: emfs add"),
        Step("hot junction", raw_c, "degC", u_sum / hot_s, f"inverse of E({tc}), {_MONOGRAPH}"),
    ]
    counted = ", ".join(p.name for p in place if p.u[0] > 0)
    added = 0.0 if known is None else float(known.fit.correction(reading.raw_c, reading.cold_c)[0])
    steps += [
        Step("probe's correction", added, "K", _root(probe), history or f"never calibrated: class {setup.tolerance}"),
        Step("at the place", 0.0, "K", _root(place), f"not corrected, but counted: {counted or 'nothing'}"),
        Step("result", float(reading.celsius[0]), "degC", _root(parts), "GUM 5.1.2"),
    ]
    return [step for step in steps if step.value is None or np.isfinite(step.value)]


def in_the_air(
    steps: Sequence[Step], celsius: float, model: AirModel, parts: Sequence[Component], history: str
) -> list[Step]:
    """The steps for an air probe of which stem and lag were learned: on from what the junction itself reads.

    celsius : the air;  parts : its own components, which take the place of those of the reading, arrays (1,)
    """
    read = replace(steps[-1], name="the junction reads")
    assert read.value is not None
    stem = "" if model.base is None else f", {model.kappa:.3f} of (reading - {model.base})"
    if any(part.name == PUT_IN and part.u[0] > 0 for part in parts):
        stem = f"{stem} as far as the lag lets it (it may be just put in)"
    source = f"{model.offset:+.2f} K{stem}, {model.lag:.0f} s of the slope; {history}"
    return [
        *steps[:-1],
        read,
        Step("stem and lag", celsius - read.value, "K", None, source),
        Step("result", celsius, "degC", _root(parts), "the air's own uncertainty, below"),
    ]


def _says_nothing(chip: str, codes: Codes) -> bool:
    hot, cold, fault = (np.array([code], np.int32) for code in codes)
    return not has_value(dead_line(hot, cold, fault_flags(chip, fault)))[0]


def _own_reading(spec: Chip, codes: Codes) -> list[Step]:
    """What the chip itself takes for the temperature; in voltage mode it says nothing of the kind."""
    if spec.mode == "volts":
        return []
    says = f"{codes.hot} x {spec.hot_lsb:g} degC, as the chip has it: not used as it is"
    return [Step("chip's own reading", codes.hot * spec.hot_lsb, "degC", None, says)]


def _loop_source(spec: Chip, tc: str) -> str:
    if spec.mode == "line":
        return f"{SLOPE_UV[tc]:g} uV/K x (hot - cold), {spec.sheet}"
    if spec.mode == "volts":
        return f"hot code x {1000 * spec.hot_lsb:.4g} uV, {spec.sheet}"
    summed = f"E({tc}) of (hot - cold)" if spec.mode == "sum" else f"E({tc}) of hot less E({tc}) of cold"
    return f"{summed}: the chip's own table undone"


def _by_step(parts: Sequence[Component]) -> tuple[list[Component], ...]:
    """Components by the step that they enter by: loop, cold junction, probe, place."""
    loop: list[Component] = []
    cold: list[Component] = []
    probe: list[Component] = []
    place: list[Component] = []
    for part in parts:
        if part.name.startswith(_OF_THE_PROBE):
            probe.append(part)
        elif part.name.startswith(_OF_THE_LOOP):
            loop.append(part)
        else:
            (cold if part.name.startswith(_OF_THE_COLD) else place).append(part)
    return loop, cold, probe, place


def _root(parts: Sequence[Component]) -> float:
    """Components added in squares [K]."""
    return float(np.sqrt(sum(float(p.u[0]) ** 2 for p in parts)))
