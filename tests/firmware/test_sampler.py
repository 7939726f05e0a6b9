"""The sampler's schedule in virtual time, its missed ticks, and what it allocates."""

import json

from firmware_rig import RegisterChip, WordChip, run

SCHEDULE = """
import asyncio, json, time
from pitlogger.sampler import Sampler
from pitlogger.timebase import Uptime

class Chip:
    taken = []
    def configure(self): pass
    def read(self, codes, at):
        Chip.taken.append(time.ticks_diff(time.ticks_ms(), start))
        codes[at] = len(Chip.taken)
        codes[at + 1] = codes[at + 2] = 0
def sampler(period, frame_ticks):
    return Sampler([Chip()], period, frame_ticks, time, Uptime(time), lambda: None)
start = time.ticks_ms()
"""


def schedule(script, flash):
    return json.loads(run(SCHEDULE + script, flash, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="0"))


def test_tick_k_is_taken_at_start_plus_k_periods_however_many(flash):
    taken = schedule(
        """
async def go():
    task = asyncio.create_task(sampler(997, 200).run())
    await asyncio.sleep_ms(997 * 500 + 1)
    task.cancel()
asyncio.run(go())
print(json.dumps(Chip.taken))
""",
        flash,
    )
    assert taken == [997 * (k + 1) for k in range(500)]


def test_tick_that_is_late_by_up_to_half_a_period_is_taken_and_the_next_is_on_time(flash):
    taken = schedule(
        """
async def go():
    task = asyncio.create_task(sampler(1000, 200).run())
    await asyncio.sleep_ms(1500)
    time.sleep_ms(1000)     # someone blocks from 1500 to 2500
    await asyncio.sleep_ms(1501)
    task.cancel()
asyncio.run(go())
print(json.dumps(Chip.taken))
""",
        flash,
    )
    assert taken == [1000, 2500, 3000, 4000]


def test_tick_that_is_later_than_half_a_period_is_recorded_as_missed_and_never_invented(flash):
    seen = schedule(
        """
async def go():
    s = sampler(1000, 200)
    task = asyncio.create_task(s.run())
    await asyncio.sleep_ms(1500)
    time.sleep_ms(2100)     # from 1500 to 3600: tick 2 is 1600 late, tick 3 600
    await asyncio.sleep_ms(1500)
    task.cancel()
    block = s._stretch
    print(json.dumps([Chip.taken, s.missed, block.ticks, block.present, list(block.missed[:1]), block.low]))
asyncio.run(go())
""",
        flash,
    )
    # Ticks 1, 2 of the frame (numbered from 0) are missed: bits 6 and 5 of the first byte.
    assert seen == [[1000, 4000, 5000], 2, 5, 3, [0b01100000], 1000]


def test_missed_ticks_behind_a_full_frame_belong_to_it_and_the_next_begins_with_a_tick_that_was_taken(flash):
    seen = schedule(
        """
async def go():
    s = sampler(1000, 4)
    task = asyncio.create_task(s.run())
    await asyncio.sleep_ms(4500)
    time.sleep_ms(2200)
    await asyncio.sleep_ms(600)
    full = s.take_full()
    task.cancel()
    print(json.dumps([full.ticks, full.present, full.missed[0], s._stretch.low, s._stretch.ticks]))
asyncio.run(go())
""",
        flash,
    )
    assert seen == [6, 4, 0b00001100, 7000, 1]


def test_recorder_that_does_not_keep_up_costs_whole_frames_which_are_counted_and_never_a_tick(flash):
    seen = schedule(
        """
async def go():
    s = sampler(250, 4)
    task = asyncio.create_task(s.run())
    await asyncio.sleep_ms(250 * 13 + 1)    # three frames full, nobody takes the first
    task.cancel()
    print(json.dumps([len(Chip.taken), s.missed, s.dropped, s.take_full().columns[0][0], s._stretch.columns[0][0]]))
asyncio.run(go())
""",
        flash,
    )
    assert seen == [13, 0, 2, 1, 13]


def test_chip_that_does_not_answer_is_a_fault_on_its_channel_and_the_others_go_on(flash, make_bench):
    bench = make_bench({17: WordChip(0x064C1900), 21: RegisterChip()})
    script = """
import json, machine
from pitlogger.chips import Absent, Bus, driver
from pitlogger.sampler import Sampler
from pitlogger.timebase import Uptime
import time
bus = Bus(machine.SPI(0), 1000000)
class Broken:
    def init(self, **_): pass
    def write(self, data): raise OSError(5)
    def readinto(self, buf): raise OSError(5)
def on(chip, cs, bus=bus):
    return driver({"chip": chip, "tc": "K"}, bus, machine.Pin(cs, machine.Pin.OUT, value=1), 60, 4)
broken = Bus(Broken(), 1000000)
chips = [on("max31855", 17), on("max31855", 20), on("max31856", 21), None]
chips += [on("max31855", 22, broken), on("max31856", 26, broken), Absent()]
s = Sampler(chips, 1000, 32, time, Uptime(time), lambda: None)
s.configure()
s.take()
print(json.dumps([s.last(i) for i in range(7)]))
"""
    seen = json.loads(run(script, flash, shims=True, PITSCRIBE_BENCH=bench.path))
    nothing = [0, 0, 0x0100]
    assert seen == [[403, 400, 0], [-1, -1, 0x0207], [3200 >> 0, 1600, 0], None, nothing, nothing, nothing]


def test_taking_and_missing_a_tick_allocates_nothing(flash):
    script = """
import micropython, time
from pitlogger.chips.max31855 import MAX31855
from pitlogger.chips.max31856 import MAX31856, LINEAR
from pitlogger.chips import Bus
from pitlogger.sampler import Sampler
from pitlogger.timebase import Uptime
class Spi:
    def init(self, **_): pass
    def write(self, data): pass
    def readinto(self, buf):
        for i in range(len(buf)):
            buf[i] = 255
class Dead(Spi):
    error = OSError(5)
    def readinto(self, buf): raise self.error
def pin(level): pass
bus, dead = Bus(Spi(), 1000000), Bus(Dead(), 1000000)
chips = [MAX31855(bus, pin), MAX31855(bus, pin), MAX31855(dead, pin), None]
s = Sampler(chips, 1000, 32, time, Uptime(time), lambda: None)
s.take()
up = Uptime(time)
micropython.heap_lock()
for _ in range(20):
    s.take()
    s.miss()
    up.advance()
micropython.heap_unlock()
print(s._stretch.present)
"""
    assert run(script, flash).split() == ["21"]


def test_uptime_goes_on_where_the_boards_ticks_wrap_and_stays_in_small_integers(flash):
    script = """
from pitlogger.timebase import Uptime
class Clock:            # the RP2040's ticks: 30 bits
    now = 2**30 - 5
    def ticks_ms(self): return self.now % 2**30
    def ticks_diff(self, a, b): return ((a - b + 2**29) % 2**30) - 2**29
clock = Clock()
up = Uptime(clock)
total = 0
for step in (4, 10, 2**29 - 1, 2**29 - 1, 2**28, 2**24, 123456789, 2**29 - 1):
    clock.now += step
    total += step
    assert up.now() == total, (up.now(), total)
    assert 0 <= up.low < 2**24 and up.high < 2**24
print(total)
"""
    assert int(run(script, flash)) > 2**30
