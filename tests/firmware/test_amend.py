"""Settings that are changed while the logger runs: in pieces, each right after a tick; whole, or not at all."""

import json

from firmware_rig import run
from journal_rig import LITTLEFS

CHANGE = """
import asyncio, gc, json, os, sys, time
from pitlogger import amend, rules, settings
OLD = rules.defaults()
OLD["name"], OLD["secret"] = "the old one", "a secret of the test's own"
GIVEN = dict(OLD, name="the new one")
del GIVEN["secret"]
NEW = dict(OLD, name="the new one")
def change(path, pause):
    return asyncio.run(amend.change(path, json.loads(json.dumps(GIVEN)), OLD, pause))
"""

CUTS = LITTLEFS + CHANGE + """
async def at_once():
    pass
def mounted(flash):
    vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/f")
def unmounted():
    gc.collect()
    try:
        vfs.umount("/f")
    except OSError:
        pass
def prepared():
    flash = Flash(32 * ERASED)
    vfs.VfsLfs2.mkfs(flash, progsize=256)
    mounted(flash)
    settings.write("/f/config.json", OLD)
    unmounted()
    return bytes(flash.data)
def cut(image, left, torn):
    "The name in the settings that a power cut leaves; None if they are neither the old ones nor the new ones."
    flash = Flash(image)
    flash.left, flash.torn = left, torn
    mounted(flash)
    try:
        change("/f/config.json", at_once)
    except OSError:
        pass
    died = flash.dead
    unmounted()
    flash.left, flash.dead = -1, False
    mounted(flash)
    found = settings.kept("/f/config.json")
    unmounted()
    return died, found["name"] if found in (OLD, NEW) else None
image, said, n = prepared(), [], 0
while True:
    said += [cut(image, n, torn) for torn in (0, 1 + n % 2)]
    if not said[-1][0]:
        break
    n += 1
print(json.dumps(said))
"""


def test_power_that_is_cut_at_any_operation_of_a_change_leaves_the_old_settings_or_the_new_ones_whole(flash):
    said = json.loads(run(CUTS, flash, heap="heapsize=2m"))
    cuts = [name for died, name in said if died]
    assert len(cuts) >= 12, "operations of the flash, each cut in two ways: nothing of it done, or half"
    assert set(cuts) == {"the old one", "the new one"}
    assert said[-1] == [False, "the new one"]


STOPPED = CHANGE + """
class Stop(Exception):
    pass
def stopped(at):
    "What the file says when the change ends at its pause number ``at``, and whether it got so far."
    settings.write("config.json", OLD)
    pauses = 0
    async def pause():
        nonlocal pauses
        pauses += 1
        if pauses == at:
            raise Stop
    try:
        change("config.json", pause)
        return settings.kept("config.json") == NEW, False
    except Stop:
        assert os.listdir().count("config.json") == 1
        return settings.kept("config.json") == OLD, True
    finally:
        assert "pitlogger.rules" not in sys.modules, "what it loaded is let go of"
del rules
sys.modules.pop("pitlogger.rules", None)
said = [stopped(at) for at in range(1, 30)]
print(json.dumps(said))
"""


def test_a_change_that_ends_between_two_of_its_pieces_has_changed_nothing(flash):
    said = json.loads(run(STOPPED, flash))
    assert all(right for right, _ in said)
    pieces = sum(early for _, early in said)
    assert pieces >= 8
    assert [early for _, early in said] == [True] * pieces + [False] * (len(said) - pieces)


TICKS = """
import asyncio, builtins, gc, json, sys, time
from pitlogger import settings
values, _ = settings.read("config.json")
from pitlogger import forget
forget(settings.RULES + ("settings",))
from pitlogger.app import App
import pitlogger.usb  # it is there where a change comes by the cable
class Chip:
    def configure(self): pass
    def read(self, codes, at):
        codes[at], codes[at + 1], codes[at + 2] = 429, 400, 0
app = App(values, [], [Chip() for _ in range(6)], 1, time, "power", None, None)
ticked, at, loads, load = [0, 0], [], [], __import__
tick = app._on_tick
def on_tick():
    ticked[:] = time.ticks_ms(), ticked[1] + 1
    at.append(ticked[0])
    tick()
app.sampler._on_tick = on_tick
def watched(name, *more):
    new = name.startswith("pitlogger.") and name not in sys.modules
    before = len(sys.modules)
    made = load(name, *more)
    if new:
        loads.append((name, ticked[1], time.ticks_diff(time.ticks_ms(), ticked[0]), len(sys.modules) - before))
        time.sleep_ms(70)  # as long as a module takes the board, at the least
    return made
async def go():
    asyncio.create_task(app.run())
    await asyncio.sleep_ms(2300)
    builtins.__import__ = watched
    for name in ("one", "two"):
        given = dict(values, name=name)
        wrong = await app.set(given)
        assert wrong == [], wrong
    builtins.__import__ = load
    await asyncio.sleep_ms(2300)
    late = [time.ticks_diff(t, at[0]) - 1000 * k for k, t in enumerate(at)]
    print(json.dumps([late, app.sampler.missed, loads]))
asyncio.run(go())
"""


def test_no_tick_is_late_while_settings_are_changed_each_module_being_loaded_right_after_one(flash):
    """Simulated time, in which loading a module takes 70 ms, which a tenth of the period (100 ms) just has room for."""
    out = run(TICKS, flash, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="0")
    late, missed, loads = json.loads(out.splitlines()[-1])
    assert missed == 0
    assert len(late) > 15
    assert max(late) <= 2
    assert len(loads) >= 8, "two changes, for each of which the rules are loaded anew"
    assert all(after <= 10 and modules == 1 for _, _, after, modules in loads), loads
    assert len({tick for _, tick, _, _ in loads}) == len(loads), "one a tick"
