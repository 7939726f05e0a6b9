"""MCP9600 and MCP9601 as an I2C bus sees them, and the bus itself with what can go wrong on it.

Sources: Microchip DS20005426, registers 00h to 06h and 20h (SOURCES.md section 2); from memory: 320 ms a conversion at
18 bits, the 9601's status bits. That T_H stands at 16.0625 degC until the update flag was cleared once is a field
report (the same section), taken at its worst. A 9600 whose probe is open has nothing to say it with: its input floats.
"""

import struct
from collections.abc import Iterable

import numpy as np

from pitscribe.errors import BenchError
from pitscribe.metrology.chips import TABLE_RANGE_C, code_from_emf, mcp9600_registers
from pitscribe.metrology.its90 import emf
from pitscribe.simulate.chips import BLOCK, Amplifier, Array, ChipError, Codes, Loop

FIRST_ADDRESS, LAST_ADDRESS = 0x60, 0x67
STUCK = 0x0101  # 16.0625 degC
NOT_ACKNOWLEDGED, ANSWERED = 1, 0
_FOR_EVER_US = 1_000_000
_STRETCH_US = 60  # after every byte that the chip has to think about: our own picture, no source
_HOT, _DELTA, _COLD, _ADC, _STATUS, _SENSOR, _DEVICE, _ID = 0, 1, 2, 3, 4, 5, 6, 0x20
_UPDATED, _BURST_DONE, _SHORT, _RANGE_OR_OPEN = 0x40, 0x80, 0x20, 0x10
_KINDS = "KJTNSEBR"  # by the type field of the sensor register
_FULL_SCALE_MV = 262.144
_PULSES_TO_FREE = 9

Answer = tuple[int, int, bytes]  # whether it was acknowledged, us that the clock was held, what was read


class MCP9600(Amplifier):
    """One chip. ``model`` is its device id: 40h for an MCP9600, 41h for an MCP9601.

    Faults: ``dead-00`` and ``dead-ff`` do not acknowledge; ``stuck-line`` holds the data line from its start on until
    the clock had nine pulses; ``slow-clock`` stretches it without end.
    """

    name = "mcp9600"
    noise_mv = 0.002
    period_ms = 320

    def __init__(
        self, channel: int, tc: str, loop: Loop, error: ChipError, seed: int, *, model: int = 0x40
    ) -> None:
        super().__init__(channel, tc, loop, error, seed)
        self.model = model
        self.power_on(0)

    def power_on(self, world_ms: int) -> None:
        """The supply came back: settings are gone, and nothing has been converted."""
        self.sensor = self.device = self.status = 0
        self._cleared = False
        self._since_ms = world_ms
        self._seen = -1  # number of the conversion that raised the update flag last
        self._pointer = 0

    def transfer(self, written: bytes, n_read: int, world_ms: int) -> Answer:
        """Answer one transfer: a register's address, then what is written to it or read from it."""
        seconds = world_ms / 1000.0
        if self._dead(seconds) is not None or not written:
            return NOT_ACKNOWLEDGED, 0, b"\xff" * n_read
        if self._now("slow-clock", seconds):
            return ANSWERED, _FOR_EVER_US, b"\xff" * n_read
        self._pointer = written[0]
        self._refresh(world_ms)
        for value in written[1:]:
            self._write(self._pointer, value, world_ms)
        held = _STRETCH_US * (len(written) + n_read)
        return ANSWERED, held, self._register(world_ms)[:n_read].ljust(n_read, b"\xff")

    def holds_line(self, world_ms: int) -> float | None:
        """The start of the fault in which it holds the data line now, if there is one."""
        seconds = world_ms / 1000.0
        starts = [f.start for f in self.faults if f.kind == "stuck-line" and f.start <= seconds < f.end]
        return max(starts, default=None)

    def _now(self, kind: str, seconds: float) -> bool:
        return bool(self._during(np.array([seconds]), kind)[0])

    def _write(self, register: int, value: int, world_ms: int) -> None:
        if register == _STATUS:
            self.status &= value | ~(_UPDATED | _BURST_DONE)
            self._cleared |= not value & _UPDATED
        elif register in (_SENSOR, _DEVICE):
            if register == _SENSOR:
                self.sensor = value
            else:
                self.device = value
            self._since_ms = world_ms

    def _number(self, world_ms: int) -> int:
        """The newest conversion that is done; -1: none since the configuration."""
        number = world_ms // self.period_ms - 1
        return number if number * self.period_ms >= self._since_ms else -1

    def _refresh(self, world_ms: int) -> None:
        number = self._number(world_ms)
        if number > self._seen and not self.device & 3:
            self._seen = number
            self.status |= _UPDATED

    def _register(self, world_ms: int) -> bytes:
        if self._pointer == _STATUS:
            return bytes([self.status | self._conditions(world_ms)])
        if self._pointer in (_SENSOR, _DEVICE):
            return bytes([self.sensor if self._pointer == _SENSOR else self.device])
        if self._pointer == _ID:
            return bytes([self.model, 0x10])
        if self._pointer not in (_HOT, _DELTA, _COLD, _ADC):
            return b"\x00\x00"
        if self._seen < 0 or not self._cleared:
            return b"\x00\x00\x00" if self._pointer == _ADC else struct.pack(">H", STUCK)
        hot, cold, raw = struct.unpack_from(">hhi", self._done(self._seen), 0)
        if self._pointer == _DELTA:
            return struct.pack(">h", hot - cold)
        if self._pointer == _ADC:
            return mcp9600_registers("mcp9600-adc", raw, cold)[0]
        return struct.pack(">h", hot if self._pointer == _HOT else cold)

    def _conditions(self, world_ms: int) -> int:
        """Bits b5 and b4 of the status."""
        if self._seen < 0:
            return 0
        _, _, _, conditions = struct.unpack(">hhiB", self._done(self._seen))
        return int(conditions)

    def _done(self, number: int) -> bytes:
        """Hot, cold, raw ADC and conditions of one conversion."""
        kind = _KINDS[self.sensor >> 4 & 7]
        if kind not in TABLE_RANGE_C:
            raise BenchError(f"channel {self.channel}: the bench has no reference table for type {kind}")
        block, i = divmod(number, BLOCK)
        rows = self._blocks.get((kind, block)) or self._convert(kind, block)
        return rows[9 * i : 9 * i + 9]

    def _convert(self, kind: str, block: int) -> bytes:
        at, mv, cold_c = self._input(block, self.period_ms, 1.0)
        opened, ground, supply = (self._during(at, fault) for fault in ("open", "short-ground", "short-supply"))
        floating = np.random.default_rng((self.seed, 4, self.channel, block)).normal(0.0, 0.2, BLOCK)
        mv = np.where(opened, floating, np.where(ground, 0.0, np.where(supply, _FULL_SCALE_MV, mv)))
        hot, cold = self._held(at, self._codes(kind, mv, cold_c), lambda m, c: self._codes(kind, m, c))
        raw, _ = code_from_emf("mcp9600-adc", kind, mv, cold_c)
        low, high = TABLE_RANGE_C[kind]
        total = mv + emf(kind, cold_c)
        conditions = np.where((total < emf(kind, low)) | (total > emf(kind, high)), _RANGE_OR_OPEN, 0)
        if self.model == 0x41:
            conditions = np.where(opened, _RANGE_OR_OPEN, np.where(ground | supply, _SHORT, conditions))
        rows = zip(hot.tolist(), cold.tolist(), raw.tolist(), conditions.tolist(), strict=True)
        made = b"".join(struct.pack(">hhiB", *row) for row in rows)
        self._blocks[kind, block] = made
        return made

    def _codes(self, kind: str, mv: Array, cold_c: Array) -> Codes:
        return code_from_emf("mcp9600", kind, mv, cold_c)


class I2cBus:
    """The chips on one bus by address. A data line that one of them holds down fails them all."""

    def __init__(self, chips: dict[int, MCP9600]) -> None:
        self.chips = chips
        self._pulses = 0
        self._freed: set[tuple[int, float]] = set()  # (address, start) of faults that nine pulses have ended

    def transfer(self, address: int, written: bytes, n_read: int, world_ms: int) -> Answer:
        """One transfer, as op 2 of the bench's protocol has it."""
        if any(True for _ in self._holders(world_ms)):
            return ANSWERED, _FOR_EVER_US, b"\xff" * n_read
        chip = self.chips.get(address)
        if chip is None:
            return NOT_ACKNOWLEDGED, 0, b"\xff" * n_read
        return chip.transfer(written, n_read, world_ms)

    def lines(self, pulses: int, world_ms: int) -> int:
        """Give the clock some pulses; return the level of the data line."""
        holders = list(self._holders(world_ms))
        self._pulses = self._pulses + pulses if holders else 0
        if holders and self._pulses >= _PULSES_TO_FREE:
            self._freed.update(holders)
            self._pulses = 0
            return 1
        return 0 if holders else 1

    def _holders(self, world_ms: int) -> Iterable[tuple[int, float]]:
        for address, chip in self.chips.items():
            start = chip.holds_line(world_ms)
            if start is not None and (address, start) not in self._freed:
                yield address, start
