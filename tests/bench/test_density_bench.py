"""How closely the bench's own cooks are packed, and how long the journal lasts.

`pytest tests/bench/test_density_bench.py -s`. What is packed: codes of the
simulated smoker's chips, read as the firmware reads them, at one tick a second. What bounds it is the noise of the
chips: the entropy printed beside it is that of the better of the format's two predictors, column by column.
"""

import numpy as np
import pytest

from pitscribe.simulate.scenario import SCENARIOS
from pitscribe.simulate.world import World
from pitscribe.wire.density import density
from pitscribe.wire.frames import Channel, FrameKey, encode_ticks

HOURS = 3
KB = 420  # half of what a Pico W leaves to files
MODES = {"max31856": 0, "max31856-gain8": 8, "max31856-gain32": 12}
AVERAGE_16 = 4 << 4  # CR1 of the MAX31856


def signed(value, bits):
    return value - (1 << bits) if value >> (bits - 1) else value


def read(chip, name, ms):
    """Hot, cold and fault codes as the firmware's drivers take them from the registers."""
    if name == "max31855":
        a, b, c, d = chip.transfer(b"", 4, ms)
        return signed(a << 6 | b >> 2, 14), signed(c << 4 | d >> 4, 12), d & 7
    r = chip.transfer(b"\0", 16, ms)
    return signed(r[12] << 11 | r[13] << 3 | r[14] >> 5, 19), signed(r[10] << 6 | r[11] >> 2, 14), r[15]


def cook(name, seed, only=None):
    """Codes of a cook, (ticks, channels, 3), and its channel table; ``only``: six channels of this chip, in turn."""
    world = World(SCENARIOS[name], seed)
    places = sorted((p for p in world.scenario.placements if only in (None, p.chip)), key=lambda p: p.channel)
    for place in places:
        if place.chip in MODES:
            kind = MODES[place.chip] or "BEJKNRST".index(place.tc)
            world.chips[place.cs].transfer(bytes((0x80, 0x10, AVERAGE_16 | kind)), 0, 0)
            world.chips[place.cs].transfer(bytes((0x80, 0x90)), 0, 0)
    codes = np.zeros((3600 * HOURS, len(places), 3), np.int64)
    for tick in range(len(codes)):
        world.run_to(tick + 1.0)
        codes[tick] = [read(world.chips[p.cs], p.chip, 1000 * (tick + 1)) for p in places]
    table = [Channel(p.chip, p.tc) for p in places]
    if only is None:
        return codes, table
    six = [n % len(table) for n in range(6)]
    return codes[:, six], [table[n] for n in six]


def packed(codes, table, ticks):
    """The density of such a cook in frames of so many ticks, and the hours that six channels last."""
    frames = [
        encode_ticks(FrameKey(1, 1, n), 1000 * at, 1000, table, *(codes[at : at + ticks, :, c] for c in range(3)))
        for n, at in enumerate(range(0, len(codes), ticks))
    ]
    found = density(frames)
    return found, KB * 1024 / (found.bytes_per_channel_tick * 6 * 3600)


DEFAULT = 128  # ticks a frame while nobody takes them: firmware_mpy/pitlogger/rules.py
# What six channels may take at the default, and the hours that they must last. The aim, 0.45 byte and 36 hours, is met
# by MAX31855; the entropy of the bench's noise alone is more than that on MAX31856 (see firmware_mpy/README.md).
KINDS = {"six MAX31855": ("max31855", 0.45, 36.0), "three MAX31855 and three MAX31856": (None, 0.69, 29.0)}
COOKS = [("backyard", 7), ("backyard", 8), ("bad-wires", 7)]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("name", "seed"), COOKS)
def test_a_bench_cook_is_packed_closely_and_the_journal_lasts(name, seed, kind, capsys):
    only, most, hours = KINDS[kind]
    codes, table = cook(name, seed, only)
    assert len(table) == 6
    for ticks in (64, DEFAULT, 192):
        found, lasts = packed(codes, table, ticks)
        with capsys.disabled():
            print(
                f"\n{name} {seed}, {kind}, {ticks} ticks a frame: {found.bytes_per_channel_tick:.3f} byte a channel "
                f"and tick, entropy {found.entropy_bytes_per_channel_tick:.3f}; in {KB} KB: {lasts:.1f} h"
            )
        if ticks == DEFAULT:
            assert found.bytes_per_channel_tick <= most
            assert lasts >= hours
