"""No lack of memory makes the firmware spin: it waits and goes on, or starts again."""

import json
import socket
import subprocess
import threading
import time

import numpy as np
import pytest
from firmware_rig import FIRMWARE, HEAP, MICROPYTHON, environment, run
from journal_rig import frames_in
from servers import wait_until
from web_rig import RealTime

from pitscribe.wire.frames import TICKS, check, decode_ticks

# Once the trend has been looked for in the journal, for three seconds the heap has room in pieces of 128 bytes alone:
# what is read from a socket does not fit, what the tasks of the sampler allocate does (if it did not, the board would
# start again, which is the other way out).
_FULL = """
await asyncio.sleep_ms(2500)
gc.collect()
kept, holes = [None] * 200, [None] * 70
for i in range(70):
    kept[i] = bytearray(32)
    holes[i] = bytearray(128)
try:
    for i in range(70, 200):
        kept[i] = bytearray(256)
except MemoryError:
    pass
holes = None
gc.collect()
sys.stdout.write("full\\n")
await asyncio.sleep_ms(3000)
kept = None
gc.collect()
sys.stdout.write("free\\n")
"""
_QUESTION = b"ab\x01\x00\x00\x01" + bytes(6) + b"\x03box\x00\x00\x01\x00\x01"


@pytest.mark.alone
def test_guests_of_a_logger_without_memory_do_not_make_it_spin_and_are_served_when_there_is_some_again(tmp_path):
    board = RealTime(tmp_path, beside=_FULL)
    stop = threading.Event()

    def storm():
        """Everything that guests do, twenty times a second."""
        held = []
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
            while not stop.wait(0.05):
                asker.sendto(_QUESTION, ("127.0.0.1", board.names))
                held.append(socket.socket())
                held[-1].setblocking(False)
                held[-1].connect_ex(("127.0.0.1", board.port))
                if len(held) > 6:
                    held.pop(0).close()
        for one in held:
            one.close()

    guests = threading.Thread(target=storm)
    try:
        wait_until("a full heap", lambda: "full" in board.printed())
        guests.start()
        since, busy = time.monotonic(), board.busy_s()
        wait_until("a heap that is free again", lambda: "free" in board.printed())
        assert board.busy_s() - busy < 0.5 * (time.monotonic() - since)
        stop.set()
        guests.join()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
            asker.settimeout(5)
            asker.sendto(_QUESTION, ("127.0.0.1", board.names))
            assert asker.recv(512)[-4:] == socket.inet_aton("127.0.0.1")
        wait_until("the page", lambda: board.guest.get("/now").status == 200)
        assert board.guest.get("/now").json["missed"] == 0
    finally:
        stop.set()
        board.close()


CABLE = """
import asyncio, gc, json, sys, time
from pitlogger.usb import Usb
class Report:
    now = state = settings = lambda self: b"{}"
usb = Usb(sys.stdin, sys.stdout, None, 7, "", time, Report())
async def go():
    task = asyncio.create_task(usb.run())
    kept = []
    await asyncio.sleep_ms(50)
    gc.collect()
    try:
        while True:
            kept.append(bytearray(32))
    except MemoryError:
        pass
    await asyncio.sleep_ms(1500)
    kept = None
    gc.collect()
    await asyncio.sleep_ms(1000)
    sys.stdout.write("\\n" + json.dumps(task.done()) + "\\n")
asyncio.run(go())
"""


def test_console_that_is_written_to_while_there_is_no_memory_is_read_on_when_there_is(tmp_path):
    """A question that is longer than what is left."""
    (tmp_path / "script.py").write_text(CABLE)
    board = subprocess.Popen(
        [str(MICROPYTHON), "-X", "heapsize=100k", "script.py"], cwd=tmp_path, env=environment(False),
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )
    try:
        time.sleep(0.5)
        board.stdin.write(b"~?" + b"x" * 3000 + b"\n")
        board.stdin.flush()
        assert board.stdout.read().splitlines()[-1:] == [b"false"]
    finally:
        board.stdin.close()
        board.kill()
        board.wait()


NO_ROOM = """
import gc
import pitlogger.app
text = open(%r).read()
assert text.endswith("\\nmain()\\n")
exec(text[:-7])
kept = [None] * 3000
gc.collect()
for i in range(3000):
    if gc.mem_free() <= %d:
        break
    kept[i] = bytearray(64)
main()
"""


@pytest.mark.parametrize("free", [2000, 2500, 3000, 4000, 8000])
def test_logger_that_has_not_the_memory_to_run_starts_again_even_where_it_cannot_say_so(tmp_path, free):
    """With less than that the simulated clock, unlike the board's, cannot even wait."""
    (tmp_path / "script.py").write_text(NO_ROOM % (str(FIRMWARE / "main.py"), free))
    done = subprocess.run(
        [str(MICROPYTHON), "-X", HEAP, "script.py"], cwd=tmp_path, env=environment(True, PITSCRIBE_SPEED="0"),
        capture_output=True, timeout=20,
    )
    assert done.returncode == 3, "reset by the firmware"


SHORT = """
import asyncio, gc, json, time
from pitlogger import rules
from pitlogger.app import App
from pitlogger.frames import Encoder
values = rules.defaults()
values["channels"] = values["channels"][:2]
class Chip:
    at = 0
    def configure(self): pass
    def read(self, codes, at):
        Chip.at += 1
        codes[at], codes[at + 1], codes[at + 2] = Chip.at // 2 * 7919 % 3001, 400, 0
app = App(values, [], [Chip(), Chip()], 1, time, "power", None, None)
run, calls = Encoder._run, 0
async def failing(self, *all):
    global calls
    calls += 1
    if calls in FAILS:
        raise MemoryError
    await run(self, *all)
Encoder._run = failing
async def go():
    task = asyncio.create_task(app.run())
    while app.journal.next < 5:
        await asyncio.sleep_ms(1000)
    print(json.dumps([app.sampler.missed, app.lost]))
asyncio.run(go())
"""


@pytest.mark.parametrize("fails", [(1,), (4,), (7,), (9, 10, 11), (8, 12), (2, 9, 16)])
def test_stretch_that_memory_was_too_short_for_is_encoded_when_there_is_some_and_no_tick_is_lost(fails, tmp_path):
    out = run(SHORT.replace("FAILS", repr(fails)), tmp_path, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="0")
    assert json.loads(out) == [0, 0]
    frames = [frame for frame in frames_in(tmp_path) if check(frame).kind == TICKS]
    runs = decode_ticks(frames)
    hot = np.concatenate([one.hot[:, 0] for one in runs]).tolist()
    assert hot == [i * 7919 % 3001 for i in range(len(hot))]
