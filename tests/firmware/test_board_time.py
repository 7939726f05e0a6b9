"""Virtual time of the simulated board: what it promises in host/pitscribe/simulate/board/README.md."""

import json
import subprocess
import time

from firmware_rig import MICROPYTHON, ChipBench, WordChip, environment, run
from servers import free_port


def test_wait_of_d_ms_is_d_ms_to_the_millisecond_whatever_was_computed_in_between(flash):
    script = """
import asyncio, json, time, utime
seen = []
async def go():
    start = time.ticks_ms()
    for _ in range(20):
        until = utime.ticks_us() + 3000
        while utime.ticks_us() < until:
            pass
        await asyncio.sleep_ms(1234)
        seen.append(time.ticks_diff(time.ticks_ms(), start))
asyncio.run(go())
print(json.dumps(seen))
"""
    seen = json.loads(run(script, flash, shims=True, PITSCRIBE_SPEED="600", PITSCRIBE_EASE_MS="0"))
    assert seen == [1234 * (k + 1) for k in range(20)]


def test_speed_is_virtual_time_over_real_time(flash):
    script = """
import asyncio, time, utime
async def go():
    real = utime.ticks_us()
    for _ in range(600):
        await asyncio.sleep_ms(1000)
    print((utime.ticks_us() - real) / 1e6)
asyncio.run(go())
"""
    real = float(run(script, flash, shims=True, PITSCRIBE_SPEED="600.0", PITSCRIBE_EASE_MS="0"))
    assert real >= 0.95  # never faster (but for the start-up that it may catch up); slower is the computer's affair


def test_run_is_eased_in_and_goes_at_1x_after_the_end_of_the_world(flash):
    script = """
import asyncio, time, utime
async def go():
    marks = []
    for step in (100, 100000, 100):
        real = utime.ticks_us()
        await asyncio.sleep_ms(step)
        marks.append((utime.ticks_us() - real) / 1000)
    print(marks)
asyncio.run(go())
"""
    env = {"PITSCRIBE_SPEED": "0", "PITSCRIBE_EASE_MS": "100", "PITSCRIBE_WORLD_END_MS": "100100"}
    eased, jumped, after = json.loads(run(script, flash, shims=True, **env))
    assert eased >= 99
    assert after >= 99
    assert jumped < 90_000


def test_socket_event_wakes_a_task_before_the_deadline_and_adds_only_what_has_passed(flash):
    script = """
import asyncio, json, time
async def serve(reader, writer):
    writer.write(b"x")
    await writer.drain()
async def later():
    await asyncio.sleep_ms(10_000_000)
async def go():
    server = await asyncio.start_server(serve, "127.0.0.1", PORT)
    start = time.ticks_ms()
    late = asyncio.create_task(later())
    reader, writer = await asyncio.open_connection("127.0.0.1", PORT)
    await reader.readexactly(1)
    print(time.ticks_diff(time.ticks_ms(), start))
asyncio.run(go())
"""
    passed = int(run(script.replace("PORT", str(free_port())), flash, shims=True, PITSCRIBE_EASE_MS="0"))
    assert 0 <= passed < 5000


READ_TWICE = """
import machine, time
pin = machine.Pin(17, machine.Pin.OUT, value=1)
spi = machine.SPI(0)
buf = bytearray(4)
for _ in range(3):
    pin(0); spi.readinto(buf); pin(1)
    time.sleep(2)
print(time.world_ms(), time.time())
"""


def test_board_that_is_started_again_goes_on_where_the_world_was(flash, make_bench):
    chip = WordChip(0x064C1900)
    bench = make_bench({17: chip})
    env = {"PITSCRIBE_BENCH": bench.path, "PITSCRIBE_SPEED": "0", "PITSCRIBE_EASE_MS": "0"}
    first = run(READ_TWICE, flash, shims=True, **env).split()
    second = run(READ_TWICE, flash, shims=True, **env).split()
    assert chip.worlds == [0, 2000, 4000, 4000, 6000, 8000]
    assert (first[0], second[0]) == ("6000", "10000")
    assert int(second[1]) == ChipBench.UTC0_MS // 1000 + 10


def test_watchdog_that_is_not_fed_ends_the_process(flash):
    script = "import machine, time\ndog = machine.WDT(timeout=3000)\ntime.sleep(2)\ndog.feed()\ntime.sleep(4)\n"
    (flash / "dog.py").write_text(script)
    env = environment(True, PITSCRIBE_SPEED="0")
    done = subprocess.run([str(MICROPYTHON), str(flash / "dog.py")], env=env, capture_output=True, text=True)
    assert done.returncode == 4
    assert done.stdout == "board: watchdog reset\n"


def test_board_without_its_bench_says_so_and_ends(flash):
    script = flash / "alone.py"
    script.write_text("import time")
    env = environment(True, PITSCRIBE_BENCH=str(flash / "nobody"))
    done = subprocess.run([str(MICROPYTHON), str(script)], env=env, capture_output=True, text=True)
    assert done.returncode == 5
    assert "no bench listens" in done.stdout


def test_slow_computer_makes_a_slow_run_and_no_missed_tick(flash, make_bench):
    """The bench here takes 5 ms of real time a read, 30 times what the pace allows."""
    chip = WordChip(0x064C1900)
    bench = make_bench({17: chip})
    bench.on_transfer = lambda _select, _world: time.sleep(0.005)
    script = """
import asyncio, machine, time
from pitlogger.chips import Bus, driver
from pitlogger.sampler import Sampler
from pitlogger.timebase import Uptime
chips = [driver({"chip": "max31855", "tc": "K"}, Bus(machine.SPI(0), 1000000),
                machine.Pin(17, machine.Pin.OUT, value=1), 60, 4)]
s = Sampler(chips, 250, 200, time, Uptime(time), lambda: None)
async def go():
    task = asyncio.create_task(s.run())
    await asyncio.sleep_ms(250 * 100 + 1)
    task.cancel()
asyncio.run(go())
print(s.missed, s.beats)
"""
    env = {"PITSCRIBE_BENCH": bench.path, "PITSCRIBE_SPEED": "1500", "PITSCRIBE_EASE_MS": "0"}
    assert run(script, flash, shims=True, **env).split() == ["0", "100"]
    assert chip.worlds == [250 * (k + 1) for k in range(100)]
