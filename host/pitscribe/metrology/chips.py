"""What the amplifier chips' raw codes mean: the emf of the loop, and back.

Sources: MAX31855 data sheet 19-5793 Rev 5 (its word and Tables 1, 4, 5); MAX31856 data sheet (registers 0Ah to 0Fh,
voltage mode, electrical characteristics); MCP9600/9601 data sheet DS20005426 (registers 00h to 04h). SOURCES.md section
2 says which figures were read there; those marked "from memory" here were not.

The forward model is an ideal chip: no offset, no noise, rounding to the nearest step. No sheet says whether the chip
rounds or cuts off; a chip that cuts off reads half a step low.

What the MCP9600 does with its cold junction is an open question. Its sheet says that T_H is the sum of two
temperatures, that of the emf alone (T_delta) and that of the cold junction. Taken literally, type T would read 3.7 degC
high at 107/25 degC, which the +/-1.5 degC that the same sheet promises for T_H does not allow; so it is taken to add
emfs, as a good chip does ("table"), until someone reads T_H and the raw ADC of one chip side by side. If the sheet is
meant literally, the mode is "sum": the entry "mcp9600-sum", which no frame names. In its raw ADC mode there is no such
question.
"""

from dataclasses import dataclass
from functools import reduce
from operator import or_

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import ConfigError
from pitscribe.metrology import its90
from pitscribe.metrology.flags import Flag, FlagArray

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int32]

# The MAX31855's own straight line, V = slope (hot - cold), a version of the chip for each type (Table 1). [uV/K]
# K is read from the sheet, the others from memory; each is the chord from 0 to 1000 degC (T: to 400) of ITS-90.
SLOPE_UV = {"K": 41.276, "J": 57.953, "N": 36.256, "T": 52.18, "E": 76.373, "S": 9.587, "R": 10.506}


@dataclass(frozen=True, slots=True)
class Chip:
    """How one chip, in one mode, codes its readings, and what it promises of them."""

    name: str
    mode: str  # how it makes hot: "line" own slope, "table" adds emfs, "sum" adds temperatures, "volts" leaves it to us
    hot_lsb: float  # degC, or mV in mode "volts"
    cold_lsb: float  # degC
    hot_codes: tuple[int, int]  # where the code is clipped
    cold_codes: tuple[int, int]
    gain_limit: float  # half width, of the emf
    offset_limit_mv: float | None  # half width; None: the sheet states the gain and offset error in kelvin ...
    noise_mv: float  # rms
    cold_limit_k: float  # half width at -20 to 85 degC
    cold_limit_wide_k: float  # half width outside that
    sheet: str  # what to call the source of these figures
    hot_limit_k: float | None = None  # ... namely this, half width at the hot junction, or by type in LINE_LIMIT_K


def _volts(name: str, gain: int, offset_uv: float, noise_uv: float) -> Chip:
    lsb = 1000.0 / (gain * 1.6 * 2**17)
    return Chip(name, "volts", lsb, 2.0**-6, (-(2**17), 2**17), (-(2**13), 2**13 - 1),
                0.0015, offset_uv / 1000.0, noise_uv / 1000.0, 0.7, 1.0, "MAX31856 data sheet")


def _mcp9600(name: str, mode: str) -> Chip:
    """T_H is promised within +/-1.5 degC, cold junction and all; the cold sensor has +/-1 of that (0 to 85 degC; +/-2
    wider: from memory), so the rest is 0.5, in either way of reading it. Noise: one step, our allowance, no source."""
    lsb, ends = (0.002, (-(2**17), 2**17 - 1)) if mode == "volts" else (2.0**-4, (-(2**15), 2**15 - 1))
    return Chip(name, mode, lsb, 2.0**-4, ends, (-(2**12), 2**12 - 1), 0.0, None, 0.002, 1.0, 2.0,
                "MCP9600 data sheet, in part from memory", 0.5)


CHIPS = {
    chip.name: chip
    for chip in (
        # Hot is given from -270 to 1800 degC (first page of the sheet). Cold junction +/-2, wider +/-3, noise 4 uV:
        # from memory (the sheet has no figure for the noise; the bench has the same).
        Chip("max31855", "line", 0.25, 2.0**-4, (-1080, 7200), (-(2**11), 2**11 - 1), 0.0, None, 0.004, 2.0, 3.0,
             "MAX31855 data sheet"),
        # The chip sets its own gain by type; 8 is taken, the more pessimistic one.
        Chip("max31856", "table", 2.0**-7, 2.0**-6, (-(2**18), 2**18 - 1), (-(2**13), 2**13 - 1),
             0.0015, 11.7e-3, 1.3e-3, 0.7, 1.0, "MAX31856 data sheet"),
        _volts("max31856-gain8", 8, 11.7, 1.3),
        _volts("max31856-gain32", 32, 2.9, 0.4),
        _mcp9600("mcp9600", "table"),
        _mcp9600("mcp9600-sum", "sum"),
        _mcp9600("mcp9600-adc", "volts"),
    )
}

# MAX31855, gain and offset error by type, half width about its own straight line, up to a temperature [K, degC].
# K +/-2 from -200 to 700 degC is read from the sheet; the rest is from memory, and that this does not include the cold
# junction's error (which is therefore counted apart) is from memory too.
LINE_LIMIT_K = {
    "K": ((700.0, 2.0), (1350.0, 4.0), (np.inf, 6.0)),
    "J": ((750.0, 2.0), (np.inf, 4.0)),
    "N": ((700.0, 2.0), (np.inf, 4.0)),
    "T": ((400.0, 2.0), (np.inf, 4.0)),
    "E": ((700.0, 2.0), (np.inf, 5.0)),
    "S": ((700.0, 2.0), (np.inf, 4.0)),
    "R": ((700.0, 2.0), (np.inf, 4.0)),
}
# Chips that linearise: where the table of the MAX31856 ends (from memory; the MCP9600 is taken to be alike), and what
# we allow it to depart from ITS-90 (our own guess: its stated resolution is 2^-7 degC, and its sheet gives no figure).
TABLE_RANGE_C = {
    "K": (-200.0, 1372.0),
    "J": (-210.0, 1200.0),
    "N": (-200.0, 1300.0),
    "T": (-200.0, 400.0),
    "E": (-200.0, 1000.0),
    "S": (-50.0, 1768.0),
    "R": (-50.0, 1768.0),
}
TABLE_LIMIT_K = 0.1


def chip_of(name: str) -> Chip:
    """The chip of that name; ConfigError names the known ones."""
    try:
        return CHIPS[name]
    except KeyError:
        raise ConfigError(f"no chip {name!r}; use one of {', '.join(CHIPS)}") from None


def cold_celsius(chip: str, cold: CodeArray) -> FloatArray:
    """Terminal-block temperature that the chip's own sensor gives: int (n,) codes -> float64 (n,) [degC]."""
    return _times(cold, chip_of(chip).cold_lsb)


def loop_emf(chip: str, tc: str, hot: CodeArray, cold: CodeArray) -> tuple[FloatArray, FloatArray]:
    """Emf at the amplifier's input, from raw codes: what the chip assumed is undone.

    "line": slope x (hot - cold), the sheet's own equation; an error of the cold sensor is in both codes and cancels
    here. "table": the chip looks a table of ITS-90 up, so E(hot) - E(cold). "sum": E(hot - cold). "volts": code x LSB.

    Parameters: chip, tc; hot, cold: int (n,). Returns (mV, cold junction degC), float64 (n,); the emf is NaN where the
    codes are outside the reference function.
    """
    spec = chip_of(chip)
    cold_c = _times(cold, spec.cold_lsb)
    if spec.mode == "volts":
        return _times(hot, spec.hot_lsb), cold_c
    if spec.mode == "line":
        mv = _times(hot, spec.hot_lsb * 1e-3 * SLOPE_UV[tc])
        mv -= cold_c * (1e-3 * SLOPE_UV[tc])
        return mv, cold_c
    hot_c = _times(hot, spec.hot_lsb)
    if spec.mode == "sum":
        return its90.emf(tc, hot_c - cold_c, out_of_range="nan"), cold_c
    return its90.emf(tc, hot_c, out_of_range="nan") - its90.emf(tc, cold_c, out_of_range="nan"), cold_c


def code_from_emf(chip: str, tc: str, mv: FloatArray, cold_c: FloatArray) -> tuple[CodeArray, CodeArray]:
    """The codes that an ideal chip gives for an emf at its input and what its cold sensor reads.

    Parameters: chip, tc; mv, float64 (n,), emf of the loop [mV]; cold_c, float64 (n,), terminal block as the chip's
    sensor has it (with its error, if it is to have one) [degC]. Returns (hot, cold), int32 (n,), clipped as the chip
    clips. Whether the chip adds its cold reading before or after rounding it is not said; before is taken.
    """
    spec = chip_of(chip)
    mv, cold_c = np.asarray(mv, np.float64), np.asarray(cold_c, np.float64)
    cold = _codes(cold_c / spec.cold_lsb, spec.cold_codes)
    if spec.mode == "volts":
        return _codes(mv / spec.hot_lsb, spec.hot_codes), cold
    if spec.mode == "line":
        return _codes((mv / (1e-3 * SLOPE_UV[tc]) + cold_c) / spec.hot_lsb, spec.hot_codes), cold
    if spec.mode == "sum":
        return _codes((_looked_up(tc, mv) + cold_c) / spec.hot_lsb, spec.hot_codes), cold
    return _codes(_looked_up(tc, mv + its90.emf(tc, cold_c)) / spec.hot_lsb, spec.hot_codes), cold


def _looked_up(tc: str, mv: FloatArray) -> FloatArray:
    """What a chip's table says of an emf, at its ends for one beyond them."""
    low, high = TABLE_RANGE_C[tc]
    inside = np.clip(mv, its90.emf(tc, low), its90.emf(tc, high))
    clipped: FloatArray = np.clip(its90.temperature(tc, inside), low, high)
    return clipped


def _times(codes: CodeArray, lsb: float) -> FloatArray:
    product: FloatArray = np.multiply(codes, lsb, dtype=np.float64)
    return product


def _codes(steps: FloatArray, ends: tuple[int, int]) -> CodeArray:
    return np.clip(np.rint(steps), *ends).astype(np.int32)


def max31855_word(hot: int, cold: int, fault: int = 0) -> int:
    """The chip's 32-bit word: hot in D31..18, fault in D16, cold in D15..4, SCV SCG OC in D2..0 (data sheet)."""
    fault &= 0x7
    return (hot & 0x3FFF) << 18 | (fault != 0) << 16 | (cold & 0xFFF) << 4 | fault


def split_max31855(word: int) -> tuple[int, int, int]:
    """(hot, cold, fault) of a 32-bit word, fault as WIRE.md has it: with 0200h if D17 or D3, always 0, are set."""
    fault = word & 0x7 if word & 0x10000 else 0
    if word & 0x20008:
        fault |= 0x200
    return _signed(word >> 18, 14), _signed(word >> 4, 12), fault


def max31856_registers(hot: int, cold: int, fault: int = 0) -> bytes:
    """Registers 0Ah to 0Fh: cold left-justified in 16 bits, hot in 24, then the fault status (data sheet)."""
    return (((cold & 0x3FFF) << 2) << 32 | ((hot & 0x7FFFF) << 5) << 8 | fault & 0xFF).to_bytes(6, "big")


def split_max31856(registers: bytes) -> tuple[int, int, int]:
    """(hot, cold, fault) of registers 0Ah to 0Fh; 0200h in fault if a bit that is always 0 is set."""
    cold, hot, fault = int.from_bytes(registers[:2], "big"), int.from_bytes(registers[2:5], "big"), registers[5]
    if cold & 0x3 or hot & 0x1F:
        fault |= 0x200
    return _signed(hot >> 5, 19), _signed(cold >> 2, 14), fault


def mcp9600_registers(chip: str, hot: int, cold: int) -> tuple[bytes, bytes]:
    """Register 00h, or 03h for the raw ADC (24 bits, the sign carried on), and register 02h (data sheet)."""
    size = 3 if chip_of(chip).mode == "volts" else 2
    return hot.to_bytes(size, "big", signed=True), cold.to_bytes(2, "big", signed=True)


def split_mcp9600(chip: str, hot: bytes, cold: bytes, fault: int = 0) -> tuple[int, int, int]:
    """(hot, cold, fault) of those registers; 0200h in fault if the bits that carry the sign on are not all alike."""
    codes = int.from_bytes(hot, "big", signed=True), int.from_bytes(cold, "big", signed=True)
    spec = chip_of(chip)
    for code, (low, high) in zip(codes, (spec.hot_codes, spec.cold_codes), strict=True):
        if not low <= code <= high:
            fault |= 0x200
    return *codes, fault


def _signed(value: int, bits: int) -> int:
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


# Bits of the fault column's low byte, b0 first. The MAX31856's b5..b2 are limits: the chip's whole range, or those of
# the logger's settings, which are to be set where no true reading can be. The MCP9600's b7, b6 (a conversion is done)
# and b3..b1 (alerts, which the firmware leaves off) are no faults; b4 is its input range, on the MCP9601 an open
# circuit, where the firmware sets b0 besides; b5 is a short circuit of the MCP9601, whereto is not said. What is the
# MCP9601's alone is from memory.
_NONE, _SHORT = Flag(0), Flag.SHORT_GROUND | Flag.SHORT_SUPPLY
_FAULT_BITS = {
    "max31855": (Flag.OPEN, Flag.SHORT_GROUND, Flag.SHORT_SUPPLY),
    "max31856": (Flag.OPEN, Flag.CHIP_FAULT, Flag.OUT_OF_RANGE, Flag.OUT_OF_RANGE,
                 Flag.COLD_JUNCTION, Flag.COLD_JUNCTION, Flag.OUT_OF_RANGE, Flag.COLD_JUNCTION),
    "mcp9600": (Flag.OPEN, _NONE, _NONE, _NONE, Flag.OUT_OF_RANGE, _SHORT, _NONE, _NONE),
}


def fault_flags(chip: str, fault: CodeArray) -> FlagArray:
    """Flags of the fault column (WIRE.md section 2): int (n,) -> uint32 (n,).

    Where the bus gave an error or the word is broken, the chip's own bits say nothing and are left out.
    """
    bits = _FAULT_BITS[chip_of(chip).name.partition("-")[0]]
    if not fault.any():
        return np.zeros(fault.shape, np.uint32)
    named = np.full(256, int(Flag.CHIP_FAULT), np.uint32)  # a bit that the chip does not have is a fault without a name
    for value in range(1 << len(bits)):
        named[value] = int(reduce(or_, (flag for i, flag in enumerate(bits) if value >> i & 1), _NONE))
    low, high = fault & 0xFF, fault >> 8 & 0xFF
    flags = named[low]
    seen = np.where(high & 2, np.uint32(Flag.BAD_WORD), np.uint32(0))
    seen |= np.where((high & 1) | (high & 0xFC), np.uint32(Flag.NO_ANSWER), np.uint32(0))
    result: FlagArray = np.where(high != 0, seen, flags)
    return result
