"""Frames that the logger had to give up are counted across boots, journalled, and told; and the state stays short."""

import itertools
import json

from firmware_rig import run
from journal_rig import events_in

from pitscribe.wire.messages import parse_state

APP = """
import asyncio, json, os, time
from pitlogger import files, rules, settings
from pitlogger.app import App
class Chip:
    at = 0
    def configure(self): pass
    def read(self, codes, at):
        Chip.at += 1
        for i in range(3):
            codes[at + i] = Chip.at * 7919 % 30011 - 15000      # jumps about, so that frames are long
values = rules.defaults()
values["channels"] = [{"chip": "max31855", "tc": "K", "spi": 0, "cs": cs} for cs in range(8)]
def app_of(complaints=(), **more):
    values.update(more)
    return App(values, list(complaints), [Chip() for _ in range(8)], 1, time, "power", None, None)
"""


def losses(flash):
    """(boot, uptime in ms, frames) of every loss event, in order."""
    events = events_in(flash, "loss")
    assert all(set(event.fields) <= {"frames", "from", "to"} for event in events)
    return [(event.key.boot, event.uptime_ms, event.fields["frames"]) for event in events]


def test_loss_is_kept_while_the_journal_is_full_journalled_when_it_takes_frames_again_and_goes_on_across_boots(flash):
    filling = """
app = app_of(journal_kb=32, frame_ticks=8)
async def go():
    task = asyncio.create_task(app.run())
    while app.journal.lost < 50:
        await asyncio.sleep_ms(1000)
    print(json.dumps([app.lost, files.read_number("journal/lost"), app.journal.boot]))
"""
    stored = """
    app.journal.move_cursor(app.journal.next)
    await asyncio.sleep_ms(300_000)
    print(json.dumps([app.lost, app.journal.ok]))
"""
    first = run(APP + filling + "asyncio.run(go())", flash, shims=True, PITSCRIBE_SPEED="0")
    lost, kept, boot = json.loads(first)
    assert lost == 50
    assert 40 <= kept <= lost, "kept at least once a minute, though not one frame could be written"
    assert losses(flash) == []
    out = run(APP + filling.replace("50", "80") + stored + "asyncio.run(go())", flash, shims=True, PITSCRIBE_SPEED="0")
    (lost, _, boot), (last, ok) = map(json.loads, out.splitlines())
    assert (lost, last, ok) == (80, 80, True)
    ((told_boot, _, told),) = losses(flash)
    assert (told_boot, told) == (boot, 80)
    again = 'print(app_of(journal_kb=32).lost, files.read_number("journal/lost"))'
    assert run(APP + again, flash, shims=True) == "80 80\n"


def test_loss_that_goes_on_is_journalled_once_a_minute_at_most(flash):
    """Every third frame cannot be written: the folder is taken away from under the journal."""
    script = """
app = app_of(frame_ticks=4, period_ms=500)
write = app.journal._write
def some(sequence, frame):
    if sequence % 3 == 0:
        app.journal._close()
        os.rename("journal", "gone")            # what is written now finds no folder
    try:
        return write(sequence, frame)
    finally:
        if sequence % 3 == 0:
            os.rename("gone", "journal")
app.journal._write = some
async def go():
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(600_000)
    print(app.lost)
asyncio.run(go())
"""
    lost = int(run(APP + script, flash, shims=True, PITSCRIBE_SPEED="0"))
    assert lost > 90
    told = losses(flash)
    assert 5 <= len(told) <= 10
    assert all(b[1] - a[1] >= 60_000 and b[2] > a[2] for a, b in itertools.pairwise(told))


def test_state_stays_under_one_and_a_half_kb_whatever_is_in_it(flash):
    """The broker keeps it, and sends it to whoever asks. The longest of everything that the settings and the numbers
    of the format allow. 1 KB was enough until each of eight chips had its word in it."""
    script = """
app = app_of(["channels[7].average: " + "x" * 200 + " does not fit"] * 40,
    name="\\U0001f525" * 40, period_ms=60000, frame_ticks=4, broker=dict(values["broker"], host="192.168.100.100"))
journal = app.journal
journal.next = journal.cursor = journal.lost = 0xFFFFFFFF
journal._names = [0xFFFFFFFF]
app.uptime.high = app.uptime.low = 0xFFFFFF
for i, chip in enumerate(app.sampler._chips):
    chip.name = "9601"
    app.sampler._losses[i] = 999
class Told:
    def read(self): return {"chip_c": -100, "supply_mv": 66000}
app._senses = Told()
class Uplink:
    denied = refused = 0xFFFFFFFF
    trouble = "[Errno 110] " + "x" * 300
app.uplink = Uplink()
app.sampler.missed = 0xFFFFFFFF
app.anchors.best = {"up": 2**48 - 1, "utc_ms": 253402300799999, "err_ms": 2**31, "from": "phone"}
print(app.state().decode())
"""
    text = run(APP + script, flash, shims=True).strip().encode()
    print(f"longest state: {len(text)} bytes")
    state = parse_state(text)
    assert state.condition is not None
    assert len(state.condition.table) == 8
    said = json.loads(text)
    assert said["settings"][-1] == "and 37 more, on the console"
    assert said["chips"] == ["9601 lost 999"] * 8
    assert len(text) < 1536
