"""Which chip of a logger is where: SPI chips by their select pin, I2C chips by bus and address."""

from typing import Protocol

from pitscribe.errors import BenchError
from pitscribe.simulate.chips import MAX31855, MAX31856, ChipError, Loop, make_chip
from pitscribe.simulate.chips_i2c import MCP9600, Answer, I2cBus


class Placed(Protocol):
    """What is asked of a placement, or of a dip, to wire its chip up."""

    @property
    def channel(self) -> int: ...
    @property
    def chip(self) -> str: ...
    @property
    def tc(self) -> str: ...
    @property
    def spi(self) -> int: ...
    @property
    def cs(self) -> int: ...
    @property
    def i2c(self) -> int: ...
    @property
    def address(self) -> int: ...
    @property
    def model(self) -> int: ...


class Wiring:
    """The chips of one logger: ``spi`` by select pin, ``i2c`` one bus behind the other."""

    def __init__(self) -> None:
        self.spi: dict[int, MAX31855 | MAX31856] = {}
        self.i2c = (I2cBus({}), I2cBus({}))

    def add(self, placed: Placed, loop: Loop, error: ChipError, seed: int) -> MAX31855 | MAX31856 | MCP9600:
        """Put the chip of a placement where it belongs, and return it. BenchError where there is one already."""
        if on_i2c(placed.chip):
            mcp = MCP9600(placed.channel, placed.tc, loop, error, seed, model=placed.model)
            if self.i2c[placed.i2c].chips.setdefault(placed.address, mcp) is not mcp:
                raise BenchError(f"channel {placed.channel}: address {placed.address} is taken")
            return mcp
        chip = make_chip(placed.chip, placed.channel, placed.tc, loop, error, seed)
        if self.spi.setdefault(placed.cs, chip) is not chip:
            raise BenchError(f"channel {placed.channel}: pin {placed.cs} is taken")
        return chip

    def i2c_transfer(self, select: int, written: bytes, n_read: int, world_ms: int) -> Answer:
        """One I2C transfer; ``select`` is bus x 128 + address."""
        return self.i2c[select >> 7].transfer(select & 0x7F, written, n_read, world_ms)


def on_i2c(chip: str) -> bool:
    """Whether a chip (its name in settings) is on an I2C bus."""
    return chip.startswith("mcp9600")


def settings_of(placed: Placed) -> dict[str, str | int]:
    """A channel's settings, as the builder of the logger would write them."""
    where: dict[str, int] = {"spi": placed.spi, "cs": placed.cs}
    if on_i2c(placed.chip):
        where = {"i2c": placed.i2c, "address": placed.address}
    return {"chip": placed.chip, "tc": placed.tc, **where}
