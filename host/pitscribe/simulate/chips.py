"""Amplifier chips as a bus sees them: bytes in, bytes out, at a time of the world.

A chip converts at its own pace on a grid of its own; every conversion has a number, and the noise in it is drawn from
(seed, chip, number), so a chip says the same at the same time however often and in whatever order it is asked.
Blocks of 600 conversions are worked out at once, so that a read is a look-up.

Sources: MAX31855 data sheet 19-5793 (word, faults); MAX31856 data sheet (registers); SOURCES.md section 2. Noise
of the MAX31855 and its conversion time of 100 ms: from memory.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import BenchError
from pitscribe.metrology.chips import CHIPS, LINE_LIMIT_K, SLOPE_UV, chip_of, code_from_emf, max31855_word
from pitscribe.metrology.its90 import emf
from pitscribe.metrology.uncertainty import DRIFT_PART, DRIFT_SPAN_K, LINE_GAIN_PER_K, TERMINAL_LIMIT_K

Array = NDArray[np.float64]
Codes = tuple[NDArray[np.int32], NDArray[np.int32]]
# Of the wiring and the chip (hot code stuck, both codes frozen, hum on the leads, leads reversed), and two of the
# world: a probe that slipped out of its meat, and a box that somebody stood beside the fire.
# Two more are of an I2C bus (``chips_i2c``).
FaultKind = Literal["open", "short-ground", "short-supply", "dead-00", "dead-ff", "stuck", "frozen", "hum", "reversed",
                    "slipped-out", "hot-box", "stuck-line", "slow-clock"]
_HUM_MV = 0.15  # rms: some kelvin of any wire
BLOCK = 600
_ONE_SHOT_MS = 155
_OPEN, _SHORT_GROUND, _SHORT_SUPPLY = 1, 2, 4
_TYPES = {1: "E", 2: "J", 3: "K", 4: "N", 7: "T"}


class Loop(Protocol):
    """What a chip is wired to: at times in s, (n,), tip and terminal block with the wire's error, the die."""

    def __call__(self, channel: int, seconds: Array) -> tuple[Array, Array, Array]:
        """Return deg C, each (n,)."""
        ...


@dataclass(frozen=True)
class Fault:
    """Something wrong with one channel for a while, s of the world."""

    channel: int
    kind: FaultKind
    start: float
    end: float = float("inf")


@dataclass(frozen=True)
class ChipError:
    """What one chip is out by.

    cold : its cold sensor, K at a die of 25 degC; cold_drift : K more for each kelvin above that
    offset_mv, gain : its amplifier, mV and as a share
    terminal : how much warmer the terminal block is than the die at rest, K
    """

    cold: float
    offset_mv: float
    gain: float
    cold_drift: float = 0.0
    terminal: float = 0.0


def draw_chip_error(rng: np.random.Generator, chip: str, tc: str) -> ChipError:
    """Draw a chip's own errors, uniform within its data sheet's limits, which say no more than that.

    The sensor's drift and the terminal block's warmth are within the allowances that ``metrology.uncertainty`` makes
    for them: no source.
    """
    spec = CHIPS[chip]
    cold, offset, gain, drift, terminal = rng.uniform(-1, 1, size=5).tolist()
    cold, drift = cold * spec.cold_limit_k, drift * DRIFT_PART * spec.cold_limit_k / DRIFT_SPAN_K
    terminal *= TERMINAL_LIMIT_K
    if spec.offset_limit_mv is None:  # the sheet gives kelvin: nine tenths of them for offset
        limit_k = spec.hot_limit_k or LINE_LIMIT_K[tc][0][1]
        per_kelvin = SLOPE_UV[tc] / 1000.0
        return ChipError(cold, offset * 0.9 * limit_k * per_kelvin, gain * LINE_GAIN_PER_K * limit_k, drift, terminal)
    return ChipError(cold, offset * spec.offset_limit_mv, gain * spec.gain_limit, drift, terminal)


class Amplifier:
    """What the chips share: loop, errors, faults and the blocks of finished conversions."""

    name = ""  # of the chip, in metrology.chips
    noise_mv = 0.004  # rms; MAX31855: from memory, the sheet has no figure
    cold_noise = 0.015  # K rms, of the cold sensor: from memory

    def __init__(self, channel: int, tc: str, loop: Loop, error: ChipError, seed: int) -> None:
        self.channel, self.tc, self.loop, self.error, self.seed = channel, tc, loop, error, seed
        self.faults: list[Fault] = []
        self._blocks: dict[tuple[object, int], bytes] = {}

    def break_it(self, faults: Sequence[Fault]) -> None:
        """Have these faults as well, from their start on."""
        self.faults.extend(f for f in faults if f.channel == self.channel)
        self._blocks.clear()

    def _dead(self, seconds: float) -> int | None:
        """The byte that a dead chip's line is stuck at, if it is dead now."""
        for fault in self.faults:
            if fault.start <= seconds < fault.end and fault.kind.startswith("dead"):
                return 0x00 if fault.kind == "dead-00" else 0xFF
        return None

    def _during(self, seconds: Array, kind: str) -> NDArray[np.bool_]:
        mask = np.zeros(seconds.shape, dtype=bool)
        for fault in self.faults:
            if fault.kind == kind:
                mask |= (seconds >= fault.start) & (seconds < fault.end)
        return mask

    def _input(self, block: int, period_ms: float, quiet: float) -> tuple[Array, Array, Array]:
        """A block's instants, emf at the input with noise in mV, and what the cold sensor reads."""
        numbers = np.arange(block * BLOCK, (block + 1) * BLOCK, dtype=np.float64)
        instants: Array = (numbers + 0.5) * (period_ms / 1000.0)
        mv, cold_c = self._without_noise(instants)
        noise = np.random.default_rng((self.seed, 3, self.channel, block)).standard_normal((2, BLOCK))
        mv += noise[0] * self.noise_mv * quiet
        hum = self._during(instants, "hum")
        if hum.any():
            mv += _HUM_MV * hum * np.random.default_rng((self.seed, 6, self.channel, block)).standard_normal(BLOCK)
        return instants, mv, cold_c + self.cold_noise * noise[1]

    def _without_noise(self, seconds: Array) -> tuple[Array, Array]:
        """The emf at the input in mV, and what the cold sensor reads in deg C, at some times in s."""
        hot, terminal, die = self.loop(self.channel, seconds)
        error = self.error
        loop = emf(self.tc, hot) - emf(self.tc, terminal + error.terminal)
        loop = np.where(self._during(seconds, "reversed"), -loop, loop)
        limit = chip_of(self.name).cold_limit_k
        off = np.clip(error.cold + error.cold_drift * (die - 25.0), -limit, limit)
        return loop * (1 + error.gain) + error.offset_mv, die + off

    def _held(self, at: Array, codes: Codes, code: Callable[[Array, Array], Codes]) -> Codes:
        """What a chip that is stuck or frozen says at those times: what it had when that began."""
        hot, cold = codes
        for fault in self.faults:
            here = (at >= fault.start) & (at < fault.end)
            if fault.kind in ("stuck", "frozen") and here.any():
                first_hot, first_cold = code(*self._without_noise(np.array([fault.start])))
                hot = np.where(here, first_hot, hot)
                cold = np.where(here, first_cold, cold) if fault.kind == "frozen" else cold
        return hot, cold


class MAX31855(Amplifier):
    """Read only: 32 bits, most significant first, again and again as long as the clock runs."""

    name = "max31855"
    period_ms = 100

    def transfer(self, written: bytes, n_read: int, world_ms: int) -> bytes:
        """Answer one transfer; bytes clocked out while something was written are lost."""
        if self.faults and (stuck := self._dead(world_ms / 1000.0)) is not None:
            return bytes((stuck,)) * n_read
        number = max(0, world_ms // self.period_ms - 1)
        block, i = divmod(number, BLOCK)
        words = self._blocks.get((None, block)) or self._convert(block)
        word = words[4 * i : 4 * i + 4]
        if n_read == 4 and not written:
            return word
        skip = len(written)
        return (word * (1 + (skip + n_read) // 4))[skip : skip + n_read]

    def _convert(self, block: int) -> bytes:
        at, mv, cold_c = self._input(block, self.period_ms, 1.0)
        hot, cold = self._held(at, self._codes(mv, cold_c), self._codes)
        fault = np.zeros(BLOCK, dtype=np.int64)
        for kind, bit in (("open", _OPEN), ("short-ground", _SHORT_GROUND), ("short-supply", _SHORT_SUPPLY)):
            fault |= np.where(self._during(at, kind), bit, 0)
        hot = np.where(fault, 0, hot)  # the sheet does not say what stands there
        whole = zip(hot.tolist(), cold.tolist(), fault.tolist(), strict=True)
        words = np.array([max31855_word(h, c, f) for h, c, f in whole], dtype=">u4").tobytes()
        self._blocks[None, block] = words
        return words

    def _codes(self, mv: Array, cold_c: Array) -> Codes:
        return code_from_emf("max31855", self.tc, mv, cold_c)


class MAX31856(Amplifier):
    """Sixteen registers; read at an address, written at the address with bit 7 set, either counting on."""

    name = "max31856"
    noise_mv = 0.0013
    POWER_ON = bytes((0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00, 0, 0, 0, 0, 0, 0))

    def __init__(self, channel: int, tc: str, loop: Loop, error: ChipError, seed: int) -> None:
        super().__init__(channel, tc, loop, error, seed)
        self.registers = bytearray(self.POWER_ON)
        self._since_ms = 0  # when this configuration began to convert
        self._one_shot_ms: int | None = None

    def transfer(self, written: bytes, n_read: int, world_ms: int) -> bytes:
        """Answer one transfer; the first byte written is the address."""
        if self.faults and (stuck := self._dead(world_ms / 1000.0)) is not None:
            return bytes((stuck,)) * n_read
        if not written:
            return b"\xff" * n_read
        self._refresh(world_ms)
        address = written[0] & 0x0F
        if not written[0] & 0x80:
            start = address + len(written) - 1
            return bytes(self.registers[(start + i) % 16] for i in range(n_read))
        for i, value in enumerate(written[1:]):
            self._write((address + i) % 16, value, world_ms)
        return b"\x00" * n_read

    def _write(self, register: int, value: int, world_ms: int) -> None:
        free_cold = self.registers[0] & 0x08 and register in (0x0A, 0x0B)
        if register > 0x09 and not free_cold:
            return  # read only
        if register in (0, 1) and value != self.registers[register]:
            self._since_ms = world_ms
        if register == 0:
            if value & 0x40 and not value & 0x80:
                self._one_shot_ms = world_ms + _ONE_SHOT_MS
            value &= ~0x02  # fault clear clears itself
        self.registers[register] = value

    def _refresh(self, world_ms: int) -> None:
        """Put the newest finished conversion into registers 0Ah to 0Fh, if there is one."""
        control = self.registers[0]
        averaged = 1 << min(self.registers[1] >> 4 & 7, 4)
        fifty = control & 1
        period = (98.0 if fifty else 82.0) + (averaged - 1) * (20.0 if fifty else 16.67)
        if control & 0x80:
            number = int(world_ms / period) - 1
            if number * period < self._since_ms and self._since_ms > 0:
                return
        elif self._one_shot_ms is not None and world_ms >= self._one_shot_ms:
            number = int(self._one_shot_ms / period)
            self._one_shot_ms = None
            self.registers[0] &= ~0x40
        else:
            return
        block, i = divmod(max(0, number), BLOCK)
        key = (self.registers[1], control & 0x31, self.registers[9])
        done = self._blocks.get((key, block)) or self._convert(key, block, period, averaged)
        self.registers[0x0A:0x10] = done[6 * i : 6 * i + 6]

    def _convert(self, key: tuple[int, int, int], block: int, period: float, averaged: int) -> bytes:
        gain32 = key[0] & 0x0C == 0x0C
        at, mv, cold_c = self._input(block, period, averaged**-0.5 * (0.3 if gain32 else 1.0))
        offset = key[2] - 256 if key[2] & 0x80 else key[2]
        cold_c = cold_c + offset / 16.0
        status = np.zeros(BLOCK, dtype=np.uint8)
        opened, ground, supply = (self._during(at, kind) for kind in ("open", "short-ground", "short-supply"))
        if key[1] & 0x30:  # open-circuit detection is on
            status |= np.where(opened, 0x01, 0).astype(np.uint8)
        status |= np.where(ground | supply, 0x02, 0).astype(np.uint8)
        floating = np.random.default_rng((self.seed, 4, self.channel, block)).normal(0.0, 0.2, BLOCK)
        mv = np.where(opened, floating, np.where(ground, 0.0, np.where(supply, 80.0, mv)))
        codes = partial(self._codes, key[0])
        hot, cold = self._held(at, codes(mv, cold_c), codes)
        rows = np.empty((BLOCK, 6), dtype=np.uint8)
        left, right = cold.astype(np.int64) << 2, hot.astype(np.int64) << 5
        rows[:, 0], rows[:, 1] = left >> 8 & 0xFF, left & 0xFF
        rows[:, 2], rows[:, 3], rows[:, 4] = right >> 16 & 0xFF, right >> 8 & 0xFF, right & 0xFF
        rows[:, 5] = status
        self._blocks[key, block] = rows.tobytes()
        return self._blocks[key, block]

    def _codes(self, cr1: int, mv: Array, cold_c: Array) -> Codes:
        kind = cr1 & 0x0F
        if kind & 0x08:
            return code_from_emf("max31856-gain32" if kind & 0x04 else "max31856-gain8", self.tc, mv, cold_c)
        if kind not in _TYPES:
            raise BenchError(f"channel {self.channel}: the bench has no reference table for CR1 type {kind}")
        return code_from_emf("max31856", _TYPES[kind], mv, cold_c)


def make_chip(chip: str, channel: int, tc: str, loop: Loop, error: ChipError, seed: int) -> MAX31855 | MAX31856:
    """Return the chip that a channel's name (metrology.chips) asks for."""
    kind = MAX31855 if chip == "max31855" else MAX31856
    return kind(channel, tc, loop, error, seed)
