"""``main.py``, the switch, on real littlefs in RAM: the power goes at every operation, and a start is never a mix."""

import json

import pytest
from firmware_rig import FIRMWARE, run
from journal_rig import LITTLEFS

# Two sets, OLD with settings in place and NEW with settings of its own, each of two modules that must be of one set.
# What a start did is in ``seen``: set, settings, and how it ended.
RIG = LITTLEFS + """
import asyncio, gc, json, os, sys
sys.path[:] = [".frozen"]       # the firmware is on the flash, or nowhere
SWITCH, TRIAL, FILES = %r, %r, %r
START = '''
NAME = %%r
def main(trial=None):
    import sys
    from pitlogger import part
    from rig import lived
    assert part.NAME == NAME, "a mix"
    lived(NAME, trial)
'''
class Rig: pass
rig = Rig()
sys.modules["rig"] = rig
class Reset(BaseException): pass
class Machine: pass
machine = Machine()
sys.modules["machine"] = machine
class Timer:
    ONE_SHOT = 0
    def __init__(self, id, mode, period, callback):
        assert 60000 < period <= 120000         # the longest period, and not for ever
        rig.ring = lambda: callback(self)
machine.Timer = Timer
def reset():
    raise Reset
machine.reset = reset
def put(path, text):
    with open(path, "w") as f:
        f.write(text)
def a_set(folder, name, settings=None):
    if folder:
        os.mkdir(folder)
        folder += "/"
    os.mkdir(folder + "pitlogger")
    for file, text in (("__init__", ""), ("start", START %% name), ("part", "NAME = %%r" %% name), ("trial", TRIAL),
                       ("files", FILES)):
        put("%%spitlogger/%%s.py" %% (folder, file), text)
    if settings:
        put(folder + "config.json", settings)
class App:
    def __init__(self):
        self.sampler = self.log = self
        self.lines = []
    def last_uptime(self): return 1000
    def add(self, line): self.lines.append(line)
def lived(name, trial):
    "What a set does on a start: read its settings, and stay where it takes a tick."
    from pitlogger import trial as module
    file = "config.json" if trial is None else module.settings_of(trial)
    with open(file) as f:
        seen.append([name, json.load(f)["of"], bool(trial)])
    rig.fate(trial, module)
rig.lived = lived
def tick(trial, module):
    if trial:
        app = App()
        asyncio.run(module.stay(trial, app))
        assert app.lines == [trial + " stays"] and app.file == "config.json"
def crash(trial, module):
    raise ValueError("new")
def hang(trial, module):
    rig.ring()
def start(fate):
    "One start; how it ended."
    rig.fate, rig.ring = fate, lambda: None
    for name in [n for n in sys.modules if n.startswith("pitlogger")]:
        del sys.modules[name]
    path = list(sys.path)
    ended = "ran"
    try:
        sys.path.insert(0, "")
        exec(SWITCH, {"__name__": "__main__"})
    except Reset:
        ended = "reset"
    except (OSError, ImportError):
        if not flash.dead:
            raise
    finally:
        sys.path[:] = path
    return "cut" if flash.dead else ended
def mounted():
    gc.collect()
    vfs.mount(vfs.VfsLfs2(flash, progsize=256), "/f")
    os.chdir("/f")
def unmounted():
    os.chdir("/")
    vfs.umount("/f")
    gc.collect()
def text_of(path):
    try:
        with open(path) as f:
            return f.read()
    except OSError:
        return None
flash = Flash(24 * ERASED)
vfs.VfsLfs2.mkfs(flash, progsize=256)
mounted()
BY_HAND = %r
a_set("" if BY_HAND else "fw-old", "old")
a_set("fw-new", "new", '{"of": "new"}')
put("config.json", '{"of": "old"}')
put("set", "fw-new " + ("." if BY_HAND else "fw-old"))
unmounted()
EMPTY = bytes(flash.data)
"""


def said(flash, script: str, *, by_hand: bool = False):
    """What a script behind the rig printed as JSON in its last line."""
    sources = [(FIRMWARE / name).read_text() for name in ("main.py", "pitlogger/trial.py", "pitlogger/files.py")]
    return json.loads(run(RIG % (*sources, by_hand) + script, flash, heap="heapsize=2m").splitlines()[-1])


CUTS = """
found = []
for torn in %s:
    left = 0
    while True:
        flash.data[:] = EMPTY
        seen = []
        mounted()
        flash.left, flash.torn = left, torn
        first = start(tick)
        flash.left, flash.dead = -1, False
        unmounted()
        mounted()
        began = len(seen)
        second = start(tick)
        third = start(tick)
        found.append([first, second, third, seen[began:], text_of("set"), text_of("config.json")])
        left += 1
        unmounted()
        if first != "cut":
            break
print(json.dumps(found))
"""


@pytest.mark.parametrize("by_hand", [False, True])
def test_power_cut_anywhere_in_a_trial_leaves_the_old_set_with_the_old_settings_or_the_new_set_with_the_new(
    flash, by_hand
):
    found = said(flash, CUTS % "range(3)", by_hand=by_hand)
    ends = set()
    for first, second, third, seen, _, settings in found:
        assert third == "ran", first
        assert second in ("ran", "reset")  # a set that ends on its trial is followed by a reset, though it has stayed
        (name, of, _), again = seen
        assert name == of, "settings of the one with modules of the other"
        assert again == [name, name, False]  # what runs then, stays
        assert json.loads(settings) == {"of": name}
        ends.add(name)
    assert ends == {"old", "new"}  # cuts before and behind the one rename
    print(sum(first == "cut" for first, *_ in found), "cuts")


@pytest.mark.parametrize(("fate", "why"), [("crash", "ValueError('new',)"), ("hang", "'no tick in time'")])
def test_set_that_crashes_or_takes_no_tick_is_left_by_a_reset_and_the_old_one_runs_with_its_settings(flash, fate, why):
    script = f"""
seen = []
mounted()
first = start({fate})
reason = text_of("reason")
second = start(tick)
print(json.dumps([first, reason, second, seen, text_of("set"), text_of("config.json")]))
"""
    first, reason, second, seen, pointer, settings = said(flash, script)
    assert (first, second) == ("reset", "ran")
    assert reason == f"soft fw-new: {why}"  # which the boot event and the log of the old set say
    assert seen == [["new", "new", True], ["old", "old", False]]
    assert (pointer, json.loads(settings)) == ("fw-old", {"of": "old"})


def test_set_that_does_not_even_load_is_left_by_a_reset(flash):
    script = """
seen = []
mounted()
os.remove("fw-new/pitlogger/part.py")
first = start(tick)
print(json.dumps([first, text_of("reason"), start(tick), seen]))
"""
    first, reason, second, seen = said(flash, script)
    assert (first, second) == ("reset", "ran")
    assert "ImportError" in reason
    assert seen == [["old", "old", False]]


def test_where_the_way_back_cannot_be_written_the_new_set_is_not_begun(flash):
    script = """
seen = []
mounted()
os.mkdir("set.new")
print(json.dumps([start(tick), seen, text_of("set")]))
"""
    ended, seen, pointer = said(flash, script)
    assert ended == "ran"
    assert seen == [["old", "old", False]]
    assert pointer == "fw-new fw-old"
