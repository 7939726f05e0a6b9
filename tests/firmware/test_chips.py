"""The drivers, bit by bit, on real MicroPython over the simulated bus.

Codes from the data sheets as SOURCES.md section 2 has them: MAX31855 tables 4 and 5 (Maxim 19-5793), MAX31856
register formats (Maxim 19-7534).
"""

import json

import pytest
from firmware_rig import RegisterChip, WordChip, run

READ_ALL = """
import json, machine
from array import array
from pitlogger.chips import Bus, driver
def made(chip, tc="K", cs=17, mains=60, average=4):
    pin = machine.Pin(cs, machine.Pin.OUT, value=1)
    return driver({"chip": chip, "tc": tc}, BUS, pin, mains, average)
BUS = Bus(machine.SPI(0, baudrate=1000000), 1000000)
codes = array("i", bytes(4 * 9))
def read(chip, at=0):
    chip.read(codes, at)
    return list(codes[at:at + 3])
"""

CONFIGURED = "chip = made('max31856')\nchip.configure()\n"

# MAX31855 table 4 (hot, LSB 0.25 degC) and table 5 (cold, LSB 0.0625 degC), as the sheet's own bits.
TABLE_4 = {
    1600.00: "01100100000000",
    1000.00: "00111110100000",
    100.75: "00000110010011",
    25.00: "00000001100100",
    0.00: "00000000000000",
    -0.25: "11111111111111",
    -1.00: "11111111111100",
    -250.00: "11110000011000",
}
TABLE_5 = {
    127.0: "011111110000",
    100.5625: "011001001001",
    25.0: "000110010000",
    0.0: "000000000000",
    -0.0625: "111111111111",
    -1.0: "111111110000",
    -20.0: "111011000000",
    -55.0: "110010010000",
}

# Whole words of SOURCES.md section 2: word, hot degC, cold degC, fault.
WORDS = [
    (0x64007F00, 1600, 127, 0),
    (0x3E806490, 1000, 100.5625, 0),
    (0x064C1900, 100.75, 25, 0),
    (0xFFFCFFF0, -0.25, -0.0625, 0),
    (0xF060C900, -250, -55, 0),
    (0x06B41900, 107.25, 25, 0),
    (0x05D82D00, 93.5, 45, 0),
    (0x00011901, 0, 25, 1),
    (0x00011902, 0, 25, 2),
    (0x00011904, 0, 25, 4),
    (0x00000000, 0, 0, 0),
]

# Broken words: D17 set, D3 set, D16 without a reason, a reason without D16, a line stuck high.
BROKEN = [0x064E1900, 0x064C1908, 0x064D1900, 0x064C1901, 0xFFFFFFFF]

# MAX31856: left-justified registers (SOURCES.md section 2): hot 24 bits, LSB 2^-7 after 5 bits are dropped.
HOT_31856 = {
    1600: 0x640000,
    1000: 0x3E8000,
    100.9375: 0x064F00,
    25: 0x019000,
    0.0625: 0x000100,
    -0.0625: 0xFFFF00,
    -0.25: 0xFFFC00,
    -1: 0xFFF000,
    -250: 0xF06000,
    93.296875: 0x05D4C0,
    107.203125: 0x06B340,
    135: 0x087000,
}
COLD_31856 = {
    127.984375: 0x7FFC,
    125: 0x7D00,
    25.5: 0x1980,
    25: 0x1900,
    0.015625: 0x0004,
    -0.015625: 0xFFFC,
    -1: 0xFF00,
    -55: 0xC900,
}
# Voltage mode, gain x 1.6 x 2^17 x volts, as 24-bit registers.
VOLTS_31856 = [(8, 1e-3, 0x00D1C0), (32, 1e-3, 0x0346E0), (8, 10e-3, 0x083120), (8, -1e-3, 0xFF2E40)]
VOLTS_31856 += [(32, 5.531749e-3, 0x122060)]


def read_words(words, flash, make_bench):
    bench = make_bench({17: WordChip(*words)})
    script = READ_ALL + f"chip = made('max31855')\nprint(json.dumps([read(chip) for _ in range({len(words)})]))"
    return json.loads(run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path))


def test_max31855_reads_every_code_of_the_data_sheets_tables(flash, make_bench):
    hot = [int(bits, 2) << 18 | 0x1900 for bits in TABLE_4.values()]
    cold = [0x064C0000 | int(bits, 2) << 4 for bits in TABLE_5.values()]
    read = read_words(hot + cold, flash, make_bench)
    assert [r[0] * 0.25 for r in read[: len(hot)]] == list(TABLE_4)
    assert [r[1] * 0.0625 for r in read[len(hot) :]] == list(TABLE_5)
    assert all(r[2] == 0 for r in read)


def test_max31855_splits_whole_words_into_hot_cold_and_fault(flash, make_bench):
    read = read_words([w for w, *_ in WORDS], flash, make_bench)
    assert [(r[0] / 4, r[1] / 16, r[2]) for r in read] == [(hot, cold, fault) for _, hot, cold, fault in WORDS]


def test_max31855_word_that_breaks_fixed_bits_is_a_bad_word(flash, make_bench):
    read = read_words(BROKEN, flash, make_bench)
    assert [r[2] & 0x0200 for r in read] == [0x0200] * len(BROKEN)
    assert read[4] == [-1, -1, 0x0207]


def test_pin_without_a_chip_is_a_bad_word_for_both_chips(flash, make_bench):
    bench = make_bench({})
    script = READ_ALL + "print(json.dumps([read(made('max31855')), read(made('max31856'))]))"
    read = json.loads(run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path))
    assert [r[2] & 0xFF00 for r in read] == [0x0200, 0x0200]


def read_registers(chip, steps, flash, make_bench, *, kind="max31856", tc="K", mains=60, average=4):
    """Configure and read; ``steps`` are (register settings) put in before each read."""
    bench = make_bench({17: chip})
    done = iter(steps)

    def before(_select, _world):
        if chip.log and len(chip.log) % 2 == 0 and not chip.dead:
            values = next(done, None)
            if values is not None:
                chip.set(*values)

    bench.on_transfer = before
    script = READ_ALL + (
        f"chip = made({kind!r}, {tc!r}, 17, {mains}, {average})\nchip.configure()\n"
        f"print(json.dumps([read(chip) for _ in range({len(steps)})]))"
    )
    return json.loads(run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path))


def test_max31856_reads_every_hot_and_cold_code_of_the_data_sheet(flash, make_bench):
    steps = [(0x1900, hot) for hot in HOT_31856.values()] + [(cold, 0x019000) for cold in COLD_31856.values()]
    read = read_registers(RegisterChip(), steps, flash, make_bench)
    assert [r[0] / 128 for r in read[: len(HOT_31856)]] == list(HOT_31856)
    assert [r[1] / 64 for r in read[len(HOT_31856) :]] == list(COLD_31856)
    assert all(r[2] == 0 for r in read)


@pytest.mark.parametrize(("gain", "volts", "register"), VOLTS_31856)
def test_max31856_voltage_code_is_gain_times_1_6_times_2_to_17_times_volts(gain, volts, register, flash, make_bench):
    ((hot, _, fault),) = read_registers(
        RegisterChip(), [(0x1900, register)], flash, make_bench, kind=f"max31856-gain{gain}"
    )
    assert hot == pytest.approx(gain * 1.6 * 2**17 * volts, abs=1)
    assert fault == 0


def test_max31856_status_register_is_the_low_byte_of_fault(flash, make_bench):
    steps = [(0x1900, 0x019000, 1 << bit) for bit in range(8)]
    read = read_registers(RegisterChip(), steps, flash, make_bench)
    assert [r[2] for r in read] == [1 << bit for bit in range(8)]


# CR0: auto convert, open-circuit test, filter. CR1: averaging, type (0 B ... 7 T; 8 gain 8; 12 gain 32).
CONFIGURATIONS = [
    ("max31856", "K", 60, 1, 0x90, 0x03),
    ("max31856", "T", 50, 16, 0x91, 0x47),
    ("max31856", "B", 60, 2, 0x90, 0x10),
    ("max31856", "N", 60, 8, 0x90, 0x34),
    ("max31856-gain8", "K", 50, 4, 0x91, 0x28),
    ("max31856-gain32", "T", 60, 4, 0x90, 0x2C),
]


@pytest.mark.parametrize(("kind", "tc", "mains", "average", "cr0", "cr1"), CONFIGURATIONS)
def test_max31856_is_configured_as_the_data_sheet_says(kind, tc, mains, average, cr0, cr1, flash, make_bench):
    chip = RegisterChip()
    read_registers(chip, [(0x1900, 0)], flash, make_bench, kind=kind, tc=tc, mains=mains, average=average)
    assert chip.registers[:10] == bytes([cr0, cr1, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0, 0])
    # The filter may be changed only while the chip does not convert (from memory of the sheet).
    assert chip.log[0][:2] == bytes([0x80, cr0 & 0x7F])
    assert chip.log[1] == bytes([0x80, cr0])


def test_max31856_that_lost_its_supply_is_a_bad_word_once_and_is_configured_again(flash, make_bench):
    chip = RegisterChip()
    bench = make_bench({17: chip})
    reads = []

    def before(_select, _world):
        reads.append(1)
        if len(reads) == 4:  # two writes, one read, and now the second read
            chip.power_cycle()

    bench.on_transfer = before
    script = READ_ALL + CONFIGURED + "print(json.dumps([read(chip)[2] for _ in range(4)]))"
    faults = json.loads(run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path))
    assert faults == [0, 0x0200, 0, 0]
    assert len(chip.log) == 4


def test_max31856_that_was_dead_and_comes_back_is_configured_again(flash, make_bench):
    chip = RegisterChip()
    chip.dead = True
    bench = make_bench({17: chip})
    seen = []

    def before(_select, _world):
        seen.append(1)
        chip.dead = len(seen) < 9

    bench.on_transfer = before
    script = READ_ALL + CONFIGURED + "print(json.dumps([read(chip)[2] for _ in range(6)]))"
    faults = json.loads(run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path))
    assert faults[0] & 0x0200
    assert faults[-1] == 0


def test_two_chips_on_one_bus_get_each_its_own_clock_phase(flash, make_bench):
    bench = make_bench({17: WordChip(0x064C1900), 20: RegisterChip()})
    script = (
        READ_ALL
        + """
phases = []
class Spy:
    def __init__(self, spi): self.spi, self.phase = spi, None
    def init(self, baudrate, polarity, phase): self.phase = phase; self.spi.init(baudrate=baudrate, phase=phase)
    def write(self, data): phases.append(("w", self.phase)); self.spi.write(data)
    def readinto(self, buf): phases.append(("r", self.phase)); self.spi.readinto(buf)
BUS = Bus(Spy(machine.SPI(0)), 1000000)
a, b = made("max31855", cs=17), made("max31856", cs=20)
b.configure()
for chip in (a, b, a): read(chip)
print(json.dumps(phases))
"""
    )
    phases = json.loads(run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path))
    # MAX31855: data at the rising edge, mode 0; MAX31856: mode 1 (SOURCES.md section 2).
    assert phases == [["w", 1], ["w", 1], ["r", 0], ["w", 1], ["r", 1], ["r", 0]]
