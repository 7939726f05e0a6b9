"""MCP9600 and MCP9601, bit by bit, on real MicroPython over the simulated I2C bus, and what goes wrong on such a bus.

Codes from the data sheet DS20005426 as SOURCES.md section 2 has them (computed from its formats). What is the MCP9601's
alone (b5 short, b4 open) and the 2 uV of the raw ADC are from memory there.
"""

import json

import numpy as np
import pytest
from firmware_rig import Logger, RegisterChip, run
from i2c_rig import DEVICE, SENSOR, TABLE_STATUS, RegisterMap, RunningBench, block, dip
from journal_rig import frames_in
from servers import wait_until

from pitscribe.metrology.chips import loop_emf
from pitscribe.metrology.its90 import emf, temperature
from pitscribe.simulate.chips import Fault
from pitscribe.simulate.wiring import settings_of
from pitscribe.wire.frames import TICKS, check, decode_ticks

SET_UP = """
import json, machine, time
from array import array
from pitlogger.chips import i2c_driver
from pitlogger.chips.i2c import I2cBus, TIMEOUT_US
def make():
    return machine.I2C(0, scl=machine.Pin(5), sda=machine.Pin(4), freq=100000, timeout=TIMEOUT_US)
def lines():
    return [machine.Pin(n, machine.Pin.OPEN_DRAIN, value=1) for n in (5, 4)]
BUS = I2cBus(make, lines, time)
def made(chip="mcp9600", tc="K", address=0x60, period=1000):
    return i2c_driver({"chip": chip, "tc": tc, "address": address}, BUS, period)
codes = array("i", bytes(4 * 24))
def read(chip, at=0):
    try:
        chip.read(codes, at)
    except OSError as error:
        return [0, 0, 0x0100, error.errno]
    return list(codes[at:at + 3])
"""


@pytest.fixture
def bench_of(tmp_path):
    """Run a bench of baths; all are closed at the end."""
    running = []

    def make(scenario, *maps):
        bench = RunningBench(tmp_path, scenario)
        for address, chip in enumerate(maps, 0x60):
            bench.wiring.i2c[0].chips[address] = chip
        running.append(bench)
        return bench

    yield make
    for bench in running:
        bench.close()


def ask(script, flash, bench):
    return json.loads(run(SET_UP + script, flash, shims=True, PITSCRIBE_BENCH=bench.path, PITSCRIBE_SPEED="0",
                          PITSCRIBE_EASE_MS="0"))


def configured(chip="mcp9600", tc="K", period=1000):
    return f"chip = made({chip!r}, {tc!r}, period={period})\nchip.configure()\n"


# Register 00h (and 02h), degC; register 03h, mV: SOURCES.md section 2.
HOT = {-25: "FE70", -0.0625: "FFFF", 25: "0190", 93.3125: "05D5", 107.1875: "06B3", 135: "0870", 371.125: "1732"}
COLD = {-25: "FE70", -0.0625: "FFFF", 25: "0190", 93.3125: "05D5"}
RAW = {1.0: "0001F4", -1.0: "FFFE0C"}


def test_reads_every_temperature_code_of_the_data_sheet(flash, bench_of):
    chip = RegisterMap()
    chip.steps = [{0x00: bytes.fromhex(h), TABLE_STATUS: b"\x40"} for h in HOT.values()]
    chip.steps += [{0x02: bytes.fromhex(c), TABLE_STATUS: b"\x40"} for c in COLD.values()]
    n = len(chip.steps)
    seen = ask(configured() + f"print(json.dumps([read(chip) for _ in range({n})]))", flash, bench_of(block(), chip))
    assert [s[0] / 16 for s in seen[: len(HOT)]] == list(HOT)
    assert [s[1] / 16 for s in seen[len(HOT) :]] == list(COLD)
    assert [s[2] for s in seen] == [0] * n


def test_reads_the_raw_adc_in_steps_of_2_microvolts(flash, bench_of):
    chip = RegisterMap()
    chip.steps = [{0x03: bytes.fromhex(r), TABLE_STATUS: b"\x40"} for r in RAW.values()]
    seen = ask(configured("mcp9600-adc") + "print(json.dumps([read(chip) for _ in range(2)]))", flash,
               bench_of(block(), chip))
    assert [s[0] * 0.002 for s in seen] == list(RAW)
    assert [s[2] for s in seen] == [0, 0]


BROKEN = [("mcp9600", 0x02, "2000"), ("mcp9600", 0x02, "E000")]
BROKEN += [("mcp9600-adc", 0x03, "200000"), ("mcp9600-adc", 0x03, "FD0000")]


@pytest.mark.parametrize(("chip", "register", "data"), BROKEN)
def test_bits_that_do_not_carry_the_sign_on_are_a_bad_word(chip, register, data, flash, bench_of):
    regs = RegisterMap()
    regs.steps = [{register: bytes.fromhex(data)}]
    seen = ask(configured(chip) + "print(json.dumps(read(chip)))", flash, bench_of(block(), regs))
    assert seen[2] & 0x0200


# WIRE.md section 2: bits b5 and b4 of the status, and 1 beside 10h if the chip is a 9601. The other bits are no faults.
STATUS = [(0x40, 0x60, 0x20), (0x40, 0x50, 0x10), (0x41, 0x60, 0x20), (0x41, 0x50, 0x11), (0x41, 0x70, 0x31),
          (0x40, 0xCF, 0x00)]


@pytest.mark.parametrize(("model", "status", "fault"), STATUS)
def test_fault_byte_is_what_the_wire_format_says_of_the_status(model, status, fault, flash, bench_of):
    regs = RegisterMap(model)
    regs.steps = [{TABLE_STATUS: bytes([status])}]
    seen = ask(configured() + "print(json.dumps([read(chip), chip.name]))", flash, bench_of(block(), regs))
    assert seen == [[400, 400, fault], "9601" if model == 0x41 else "9600"]


# Type field, register 05h b6..4 (SOURCES.md section 2): 0 K, 1 J, 2 T, 3 N, 4 S, 5 E, 6 B, 7 R.
@pytest.mark.parametrize(("tc", "field"), [(tc, i) for i, tc in enumerate("KJTNSEBR")])
def test_configuration_is_the_type_no_filter_18_bits_and_the_update_flag_cleared_last(tc, field, flash, bench_of):
    regs = RegisterMap()
    ask(configured(tc=tc) + "print('0')", flash, bench_of(block(), regs))
    assert regs.log[0] == bytes([SENSOR, field << 4])
    assert regs.log[1][0] == DEVICE
    # 06h: b7 cold junction 0.0625, b6..5 18 bits, b1..0 normal mode: all 0; b4..2 count in burst mode only.
    assert regs.log[1][1] & 0xE3 == 0
    assert regs.log[2] == bytes([TABLE_STATUS, 0])
    assert len(regs.log) == 3


def test_a_chip_with_another_identity_is_a_bad_word_and_is_not_written_to(flash, bench_of):
    regs = RegisterMap(0x55)
    seen = ask(configured() + "print(json.dumps([read(chip), chip.name]))", flash, bench_of(block(), regs))
    assert seen == [[0, 0, 0x0200], ""]
    assert regs.log == []


def test_flag_is_cleared_where_it_is_up_and_old_values_become_no_answer_after_two_seconds(flash, bench_of):
    regs = RegisterMap()
    regs.steps = [{}, {TABLE_STATUS: b"\x40"}, {}, {}, {}, {TABLE_STATUS: b"\x40"}]
    script = configured() + "print(json.dumps([read(chip)[2] for _ in range(6)]))"
    assert ask(script, flash, bench_of(block(), regs)) == [0x0100, 0, 0, 0x0100, 0x0100, 0]
    assert regs.log[3:] == [bytes([TABLE_STATUS, 0])] * 2


def test_at_four_reads_a_second_what_is_there_is_read_and_nothing_is_waited_for(flash, bench_of):
    bench = bench_of(block(dip(0)))
    script = configured(period=250) + """
start = time.ticks_ms()
seen = []
for _ in range(24):
    time.sleep_ms(250)
    before = time.ticks_ms()
    seen.append(read(chip))
    assert time.ticks_diff(time.ticks_ms(), before) <= 3, time.ticks_diff(time.ticks_ms(), before)
print(json.dumps(seen))
"""
    seen = ask(script, flash, bench)
    assert seen[0][2] == 0x0100  # the first conversion takes 320 ms
    assert {s[2] for s in seen[3:]} == {0}
    assert all(abs(s[0] / 16 - 93.3) < 0.3 and abs(s[1] / 16 - 25) < 0.2 for s in seen[3:])


def test_chip_that_sticks_until_its_flag_is_cleared_is_never_taken_at_its_word(flash, bench_of):
    script = configured() + """
seen = []
for _ in range(6):
    seen.append(read(chip)); time.sleep_ms(300)
print(json.dumps(seen))
"""
    seen = ask(script, flash, bench_of(block(dip(0))))
    assert seen[0][0] == 0x0101  # 16.0625 degC: the field report
    assert all(s[2] == 0 for s in seen[3:])
    assert not [s for s in seen if s[0] == 0x0101 and not s[2]]


@pytest.mark.parametrize("tc", ["K", "T"])
def test_chip_that_lost_its_supply_shows_at_once_whatever_its_type_and_is_configured_again(tc, flash, bench_of):
    bench = bench_of(block(dip(0, tc=tc)))
    chip = bench.wiring.i2c[0].chips[0x60]
    transfer, count = chip.transfer, []

    def watched(written, n_read, world_ms):
        if written[0] == TABLE_STATUS and n_read:
            count.append(1)
            if len(count) == 3:
                chip.power_on(world_ms)
        return transfer(written, n_read, world_ms)

    chip.transfer = watched
    script = configured(tc=tc) + """
seen = []
for _ in range(7):
    time.sleep_ms(1000)
    seen.append(read(chip))
print(json.dumps(seen))
"""
    seen = ask(script, flash, bench)
    assert [s[2] >> 8 for s in seen] == [0, 0, 2, 0, 0, 0, 0]
    assert all(abs(s[0] / 16 - 93.3) < 0.3 for s in seen if not s[2])


def test_absent_chip_is_no_answer_each_time_and_its_neighbour_goes_on(flash, bench_of):
    bench = bench_of(block(dip(0, address=0x63)))
    script = """
a, b = made(address=0x61), made(address=0x63)
b.configure(); time.sleep_ms(1000)
print(json.dumps([read(a), read(b)[2], read(a), BUS.scan()]))
"""
    assert ask(script, flash, bench) == [[0, 0, 256, 5], 0, [0, 0, 256, 5], [0x63]]


def test_scan_reads_identities_for_an_empty_write_is_not_acknowledged(flash, bench_of):
    bench = bench_of(block(dip(0, address=0x60), dip(1, address=0x67, model=0x41)))
    assert ask("print(json.dumps(BUS.scan()))", flash, bench) == [0x60, 0x67]
    assert bench.wiring.i2c_transfer(0x60, b"", 0, 0)[0] == 1


def test_data_line_held_at_the_start_is_freed_by_nine_clocks(flash, bench_of):
    bench = bench_of(block(dip(0), faults=(Fault(0, "stuck-line", 0.0, 1e6),)))
    script = configured() + "time.sleep_ms(1000)\nprint(json.dumps(read(chip)))"
    assert ask(script, flash, bench)[2] == 0
    # Nine pulses, each a byte of op 3, and then looks at the line.
    assert [op for op, _ in bench.requests[:20]].count(3) >= 9


def test_data_line_held_in_mid_run_costs_one_reading_of_each_chip_at_most_and_is_freed(flash, bench_of):
    bench = bench_of(block(dip(0), dip(1, address=0x61), faults=(Fault(1, "stuck-line", 2.5, 1e6),)))
    script = """
chips = [made(), made(address=0x61)]
for c in chips: c.configure()
seen, worst = [], 0
for _ in range(6):
    time.sleep_ms(1000)
    before = time.ticks_ms()
    seen.append([read(c)[2] for c in chips])
    worst = max(worst, time.ticks_diff(time.ticks_ms(), before))
print(json.dumps([seen, worst]))
"""
    seen, worst = ask(script, flash, bench)
    assert seen[:2] == [[0, 0]] * 2
    assert sum(fault != 0 for row in seen for fault in row) <= 2
    assert seen[-1] == [0, 0]
    assert worst <= 15


def test_line_that_nothing_frees_delays_eight_chips_by_less_than_a_tenth_of_the_shortest_period(flash, bench_of):
    bench = bench_of(block(*(dip(i, address=0x60 + i) for i in range(8))))
    bus = bench.wiring.i2c[0]
    bus.lines = lambda pulses, world_ms: 0
    bus.transfer = lambda address, written, n_read, world_ms: (0, 1_000_000, b"\xff" * n_read)
    script = """
chips = [made(address=0x60 + i) for i in range(8)]
worst = 0
for _ in range(40):
    time.sleep_ms(250)
    before = time.ticks_ms()
    faults = [read(c)[2] for c in chips]
    assert faults == [256] * 8
    worst = max(worst, time.ticks_diff(time.ticks_ms(), before))
print(json.dumps(worst))
"""
    assert ask(script, flash, bench) <= 6


def test_chip_that_stretches_the_clock_without_end_is_given_up_after_the_timeout_and_comes_back(flash, bench_of):
    bench = bench_of(block(dip(0), faults=(Fault(0, "slow-clock", 1.5, 3.5),)))
    script = configured() + """
seen, worst = [], 0
for _ in range(6):
    time.sleep_ms(1000)
    before = time.ticks_ms()
    seen.append(read(chip)[2])
    worst = max(worst, time.ticks_diff(time.ticks_ms(), before))
print(json.dumps([seen, worst]))
"""
    seen, worst = ask(script, flash, bench)
    assert seen == [0, 256, 256, 0, 0, 0]
    assert worst <= 8


@pytest.mark.parametrize(("model", "kind", "fault"), [
    (0x41, "open", 0x11), (0x41, "short-ground", 0x20), (0x41, "short-supply", 0x20), (0x40, "short-supply", 0x10),
    (0x40, "short-ground", 0x00),
])
def test_probe_that_is_open_or_shorted_is_what_each_chip_can_say_of_it(model, kind, fault, flash, bench_of):
    bench = bench_of(block(dip(0, model=model), faults=(Fault(0, kind, 0.0, 1e6),)))
    script = configured() + "time.sleep_ms(1000)\nprint(json.dumps(read(chip)))"
    assert ask(script, flash, bench)[2] == fault


def test_reading_allocates_nothing_whatever_the_flag_says(flash):
    script = """
import micropython, time
from array import array
from pitlogger.chips.mcp9600 import MCP9600
from pitlogger.sampler import Sampler
from pitlogger.timebase import Uptime
class I2c:
    flag = 0x40
    def writeto(self, address, data): pass
    def readfrom_mem_into(self, address, register, buf):
        for i in range(len(buf)):
            buf[i] = (0x41 if register == 0x20 else self.flag if register == 4 else 0x04 if register == 6 else 0)
class Bus:
    i2c = I2c()
    def take(self): return self.i2c
    def failed(self, error): pass
class Gone(Bus):
    error = OSError(5)
    def take(self): raise self.error
bus = Bus()
chips = [MCP9600(bus, 0x60, 3, False, 1000), MCP9600(bus, 0x61, 3, True, 1000), MCP9600(Gone(), 0x62, 3, False, 1000)]
s = Sampler(chips, 1000, 64, time, Uptime(time), lambda: None)
s.configure()
s.take()
micropython.heap_lock()
for i in range(50):
    I2c.flag = 0x40 if i & 4 else 0x10
    s.take()
micropython.heap_unlock()
print(s._stretch.present, [s.word(i) for i in range(3)])
"""
    assert run(script, flash) == "51 ['9601 lost 7', '9601 lost 7', 'absent']\n"


def test_eight_channels_on_spi_and_i2c_sample_together_and_each_is_told_in_a_word(flash, bench_of):
    bench = bench_of(block(
        dip(0, "max31855", cs=17), dip(1, "max31856", cs=20), dip(2, "max31855", "T", cs=21),
        dip(3), dip(4, "mcp9600-adc", address=0x61, model=0x41), dip(5, address=0x62), dip(6, address=0x63),
        faults=(Fault(2, "dead-ff", 3.5, 5.5), Fault(5, "dead-00", 4.5, 1e6), Fault(6, "dead-00", 0.0, 1e6)),
    ))
    script = """
import asyncio
from pitlogger.chips import Bus, driver
from pitlogger.sampler import Sampler
from pitlogger.timebase import Uptime
spi = Bus(machine.SPI(0), 1000000)
def on(chip, cs, tc="K"): return driver({"chip": chip, "tc": tc}, spi, machine.Pin(cs, machine.Pin.OUT, value=1), 60, 4)
chips = [on("max31855", 17), on("max31856", 20), on("max31855", 21, "T"), made(), made("mcp9600-adc", address=0x61),
         made(address=0x62), made(address=0x63), None]
s = Sampler(chips, 1000, 16, time, Uptime(time), lambda: None)
async def go():
    s.configure()
    task = asyncio.create_task(s.run())
    await asyncio.sleep_ms(10500)
    task.cancel()
asyncio.run(go())
print(json.dumps([s.missed, [s.word(i) for i in range(8)], s.changes, s._stretch.ticks]))
"""
    words = ["ok", "ok", "back 1", "9600 ok", "9601 ok", "9600 lost 1", "absent", ""]
    assert ask(script, flash, bench) == [0, words, 6 + 2 + 1, 10]


def test_what_the_whole_firmware_journals_of_both_buses_is_on_the_host_what_the_bench_holds_for_true(
    flash, bench_of, loggers
):
    """main.py, unmodified, on the bench: codes of four kinds of chip through journal and frames to degrees."""
    dips = (dip(0, "max31855", cs=17), dip(1, "max31856", "T", cs=20), dip(2, "mcp9600", "K"),
            dip(3, "mcp9600", "T", address=0x61, model=0x41), dip(4, "mcp9600-adc", "K", address=0x62),
            dip(5, "mcp9600-adc", "T", address=0x67, model=0x41))
    bench = bench_of(block(*dips))
    config = {"channels": [settings_of(d) for d in dips], "i2c": [{"id": 0}], "frame_ticks": 16,
              "hotspot": {"when": "never"}}
    loggers.append(Logger(flash, bench, config, PITSCRIBE_SPEED="0"))
    wait_until("ten frames", lambda: len(loggers[0].journalled()) > 10 or loggers[0].status is not None)
    loggers[0].cut_power()
    frames = frames_in(flash)
    (ticks,) = decode_ticks([f for f in frames if check(f).kind == TICKS])
    assert [c.chip for c in ticks.table] == [d.chip for d in dips]
    assert [c.tc for c in ticks.table] == [d.tc for d in dips]
    assert (ticks.fault == 0).all()
    assert ticks.missed_ms.size == 0
    for i, d in enumerate(dips):
        mv, cold_c = loop_emf(d.chip, d.tc, ticks.hot[:, i], ticks.cold[:, i])
        got = temperature(d.tc, mv + emf(d.tc, cold_c))
        # One step of the coarsest chip and its noise of 4 uV, some three times over.
        assert np.abs(got - 93.3).max() < (0.5 if d.chip == "max31855" else 0.35)
        assert abs(got.mean() - 93.3) < (0.15 if d.chip == "max31855" else 0.06)


def test_settings_name_chips_by_bus_and_address_and_the_scan_says_which_are_elsewhere(flash, bench_of, loggers):
    bench = bench_of(block(dip(0), dip(1, address=0x65)))
    config = {"channels": [{"chip": "mcp9600", "address": 0x60}, {"chip": "mcp9600", "address": 0x61}],
              "i2c": [{"id": 0}], "frame_ticks": 4, "hotspot": {"when": "never"}}
    loggers.append(Logger(flash, bench, config, PITSCRIBE_SPEED="0"))
    wait_until("a frame", lambda: len(loggers[0].journalled()) > 2 or loggers[0].status is not None)
    said = loggers[0].console()
    assert "i2c 0: no MCP9600 at 97" in said
    assert "i2c 0: no channel for the MCP9600 at 101" in said


# MAX31856 registers 03h to 08h: cold limits in degC, hot limits LSB 2^-4 degC (SOURCES.md section 2).
@pytest.mark.parametrize(("limits", "registers"), [
    ({}, "7FC07FFF8000"),
    ({"cold_high": 60, "cold_low": -10, "hot_high": 150, "hot_low": -20}, "3CF60960FEC0"),
    ({"cold_high": 127, "cold_low": -64, "hot_high": 2048, "hot_low": -2048}, "7FC07FFF8000"),
])
def test_limits_of_a_max31856_are_written_as_its_data_sheet_codes_them(limits, registers, flash, make_bench):
    chip = RegisterChip()
    bench = make_bench({17: chip})
    script = f"""
import json, machine
from array import array
from pitlogger import settings
from pitlogger.chips import Bus, driver
settings.write("config.json", {{"channels": [dict({limits!r}, chip="max31856", cs=17)]}})
values, complaints = settings.read("config.json")
pin = machine.Pin(17, machine.Pin.OUT, value=1)
chip = driver(values["channels"][0], Bus(machine.SPI(0), 1000000), pin, 60, 4)
chip.configure()
codes = array("i", bytes(12))
chip.read(codes, 0)
print(json.dumps([complaints, codes[2]]))
"""
    assert json.loads(run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path)) == [[], 0]
    assert chip.registers[3:9].hex().upper() == registers


# (channels, i2c, the key complained of)
WRONG = [
    ([{"chip": "mcp9600"}], [], "channels[0].i2c"),
    ([{"chip": "mcp9600", "i2c": 1}], [{"id": 0}], "channels[0].i2c"),
    ([{"chip": "mcp9600"}, {"chip": "mcp9600-adc"}], [{"id": 0}], "channels[1].address"),
    ([{"chip": "mcp9600", "address": 0x68}], [{"id": 0}], "channels[0].address"),
    ([{"chip": "mcp9600", "cs": 17}], [{"id": 0}], "channels[0].cs"),
    ([{"chip": "max31855", "cs": 17, "address": 0x60}], [], "channels[0].address"),
    ([{"chip": "max31856-gain8", "cs": 17, "hot_high": 100}], [], "channels[0].hot_high"),
    ([{"chip": "max31856", "cs": 17, "cold_high": 128}], [], "channels[0].cold_high"),
    ([{"chip": "mcp9600"}], [{"id": 0, "baud": 400000}], "i2c[0].baud"),
]


def test_setting_that_no_chip_of_this_kind_has_or_a_place_that_is_taken_is_named(flash):
    script = f"""
import json
from pitlogger import settings
told = []
for channels, i2c, _ in json.loads({json.dumps(WRONG)!r}):
    settings.write("config.json", {{"channels": channels, "i2c": i2c}})
    told.append(settings.read("config.json")[1])
print(json.dumps(told))
"""
    told = json.loads(run(script, flash))
    assert [[line.split(":")[0] for line in lines] for lines in told] == [[key] for _, _, key in WRONG]
