"""Real time: what the cable does to the sampler. Time is the machine's own here, not the board's governed one."""

import contextlib
import io
import json
import random
import time

import pytest
from firmware_rig import WordChip
from servers import wait_until
from usb_rig import CableLogger, FilePort

from pitscribe import cli
from pitscribe.intake.usb import Conversation
from pitscribe.wire.lines import question

PERIOD_MS = 250
TICKS = 28

SCRIPT = f"""
import asyncio, gc, json, sys, time
from array import array
from pitlogger import rules, settings
from pitlogger.app import App

at = array("i", bytes(4 * {TICKS}))
seen = 0

class Chip:
    word = "ok"
    def configure(self):
        pass
    def read(self, codes, place):
        codes[place], codes[place + 1], codes[place + 2] = 429, 400, 0

class First(Chip):
    def read(self, codes, place):
        global seen
        if seen < {TICKS}:
            at[seen] = time.ticks_ms()
        seen += 1
        Chip.read(self, codes, place)

values = rules.defaults()
values.update({{"period_ms": {PERIOD_MS}, "frame_ticks": 4}})
app = App(values, [], [First()] + [Chip() for _ in range(5)], 5, time, "power", None, None, (sys.stdin, sys.stdout))

async def end():
    while seen < {TICKS}:
        await asyncio.sleep_ms(50)
    with open("ticks.json", "w") as f:
        json.dump([list(at), app.sampler.missed, gc.mem_alloc()], f)
    await asyncio.sleep_ms(60000)

async def main():
    await asyncio.gather(app.run(), end())

asyncio.run(main())
"""


@pytest.fixture
def real(flash, make_bench, tmp_path):
    """The application on six chips of Python, by the real clock, its console on a cable."""
    (flash / "real.py").write_text(SCRIPT)
    logger = CableLogger(flash, make_bench({17: WordChip(0)}), {}, tmp_path / "port", ["real.py"], shims=False)
    yield logger
    logger.cut_power()


@pytest.mark.alone
def test_no_tick_is_missed_or_late_while_the_cable_is_pulled_from_shouted_at_and_not_read(real, flash, tmp_path):
    port, chance = real.cable.port, random.Random(3)
    noise = b"".join(bytes(chance.randrange(32, 127) for _ in range(60)) + b"\n" for _ in range(2000))
    end = time.monotonic() + TICKS * PERIOD_MS / 1000
    turns = 0
    while time.monotonic() < end - 1:
        with contextlib.redirect_stdout(io.StringIO()):
            assert cli.main(["--home", str(tmp_path / "home"), "pull", str(port), "--all", "--time"]) == 0
        real.cable._all_to_board(noise)
        far = FilePort(port)
        Conversation(far, "port").ask("live", s=60)
        far.close()
        real.cable.reads = False
        real.cable._all_to_board(question(1, "frames", **{"from": 0, "most": 16}) * 4)
        time.sleep(0.3)
        real.cable.reads = True
        turns += 1
    wait_until("the ticks' times", lambda: (flash / "ticks.json").exists() and (flash / "ticks.json").read_text())
    at, missed, heap = json.loads((flash / "ticks.json").read_text())
    late = sorted(t - at[0] - k * PERIOD_MS for k, t in enumerate(at))
    late = [one - late[0] for one in late]
    print(f"{turns} pulls, {len(at)} ticks of {PERIOD_MS} ms: missed {missed}, latest {late[-1]} ms, heap {heap} bytes")
    assert turns >= 2
    assert missed == 0
    # The machine that tests may itself be late once; the firmware must not be, a tenth of a period at most.
    assert late[-2] <= PERIOD_MS // 10
