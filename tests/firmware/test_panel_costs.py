"""What the panel costs: memory, none of it in the sampler's turns, and nothing at all where there is none."""

import json

import pytest
from firmware_rig import FIRMWARE, run

# The panel over a bus that takes everything, with an application reduced to what it asks of it.
SCRIPT = """
import gc, json, sys, time
import micropython
from pitlogger.local import Local
from pitlogger.timebase import Uptime
import pitlogger.chips
class Bus:
    sent = 0
    def take(self): return self
    def writeto(self, address, data): Bus.sent += 1
    def failed(self, error): pass
class Sampler:
    missed = up_low = up_high = 0
    def last_uptime(self): return app.uptime.now()
    def last(self, i): return [(480, 290, 310, 300, 305, 280)[i], 400, 0]
class Thing: pass
channels = [{"place": "place %%d" %% i, "kind": "meat" if i else "air", "offset": 0, "low": -100, "high": 203}
            for i in range(6)]
values = {"units": "F", "period_ms": 1000, "channels": channels, "trend_min": 2, "i2c": [{"id": 0, "baud": 100000}],
          "panel": {"screen": "ssd1306", "i2c": 0, "address": 60, "turn": 0, "buzzer": 13, "page": 14, "note": 15,
                    "note_kind": "fuel"}}
app = Thing()
app.uptime, app.sampler, app.net, app.hotspot, app.lost = Uptime(time), Sampler(), None, Thing(), 0
app.hotspot.ssid, app.hotspot.key, app.hotspot.pin, app.hotspot.where = "pit-7469", "abcdefghjkmn", "1", "http://x/"
app.anchors, app.journal, app.care = Thing(), Thing(), Thing()
app.anchors.best, app.journal.ok, app.journal.boot, app.care.safe = None, True, 1, False
app.hours = lambda: 40.0
app.follow = lambda: None
app.note = lambda kind, text, uptime: True
app.local = Local(app.sampler, bytes([0x13] * 6), values)
for s in range(0, 86400, 120):
    app.local.trend.begin(s)
    for i in range(6):
        app.local.trend.add(i, 2000 + s // 10)
class Pwm:
    def freq(self, hz): pass
    def duty_u16(self, duty): pass
level = [1]
def used():
    gc.collect()
    return gc.mem_alloc()
# The table of names doubles now and then, by 16 KB: it is to do so before anything is measured.
i = grown = 0
while grown < 5000:
    i += 1
    grown = gc.mem_alloc()
    hasattr(app, "name%%d" %% i)
    grown = gc.mem_alloc() - grown
before = used()
from pitlogger.panel.panel import Panel
panel = Panel(app, values, Bus(), lambda n: lambda: level[0], time, lambda n: Pwm())
made = used() - before
panel.tick()
%s
"""
PAGES = """
from pitlogger.panel import pages
app.local.read()
costs, worst = {}, {}
for name in pages._NAMES:
    most = slowest = 0
    for again in range(3):
        drawing = panel._pages.draw(None, 0)
        while True:
            t = time.ticks_us()
            try:
                room = next(drawing)
            except StopIteration:
                break
            t = time.ticks_diff(time.ticks_us(), t)
            if again:
                slowest = max(slowest, t)
        del drawing
        most = max(most, used() - before)
    while panel._display.step():
        pass
    costs[name], worst[name] = most, slowest
    panel._pages.turn()
print(json.dumps([made, costs, worst, sorted(m for m in sys.modules if "panel" in m)]))
"""
LOCKED = """
app.local.read()
for _ in panel._pages.draw(None, 0):
    pass
micropython.heap_lock()
try:
    for _ in range(50):
        panel.tick()
        panel._display.step()
        panel._buzzer.step()
        panel._page_button.look()
finally:
    micropython.heap_unlock()
print(Bus.sent)
"""


def test_a_page_is_in_memory_only_while_it_is_shown(flash):
    made, costs, _, loaded = json.loads(run(SCRIPT % PAGES, flash, heap="heapsize=400k"))
    print("panel", made, "with a page", costs)
    assert max(costs.values()) < made + 4_500  # bytes on the 64-bit port; a pointer of the board takes half
    assert [m.rpartition(".")[2] for m in loaded if ".page_" in m or m.endswith("qr") or m.endswith("digits")] == [
        "page_health"]


def test_neither_the_tick_nor_what_is_done_many_times_a_second_allocates(flash):
    assert int(run(SCRIPT % LOCKED, flash)) > 40


WRAPS = """
class Clock:  # the board's ticks wrap after 12 days, and differences hold for 6
    now = 2**30 - 5000
    def ticks_ms(self): return self.now & 0x3FFFFFFF
    def ticks_add(self, a, b): return (a + b) & 0x3FFFFFFF
    def ticks_diff(self, a, b): return ((a - b + 0x20000000) & 0x3FFFFFFF) - 0x20000000
clock = Clock()
sounds = []
class Loud(Pwm):
    def duty_u16(self, duty): sounds.append(duty)
app.uptime = Uptime(clock)
panel = Panel(app, values, Bus(), lambda n: lambda: level[0], clock, lambda n: Loud())
def go(ms, step):
    end = clock.now + ms
    while clock.now < end:
        app.uptime.advance()
        app.sampler.up_low = app.uptime.low
        panel.tick()
        app.local.read()
        panel.turn()
        clock.now += step
told = []
for day in range(16):
    go(86400000, 600000)
    Bus.sent = 0
    go(3000, 3)
    del sounds[:]
    app.journal.ok = day not in (7, 15)
    go(3000, 3)
    app.journal.ok = True
    go(12000, 20)
    told.append([Bus.sent > 10, len(sounds) > 1])
print(json.dumps(told))
"""


def test_screen_and_buzzer_outlive_the_wrap_of_the_ticks(flash):
    assert json.loads(run(SCRIPT % WRAPS, flash)) == [[True, day in (7, 15)] for day in range(16)]


ANYTHING = """
import random
from pitlogger import wits
from pitlogger.panel import pages
random.seed(%d)
words = ["", "open", "short to supply", "out of range", "no answer", "garbled"]
names = ["", "x" * 20, "pla\\u00e7e \\u20ac", "~", "a b"]
for turn in range(60):
    for c in app.local.channels:
        c.value = random.choice([None, 0, -27000, 200000, random.randrange(-6000, 40000)])
        c.seen_s = random.choice([None, 0, 5]) if c.value is None else random.choice([0, 5])
        c.word, c.place, c.alarm = random.choice(words), random.choice(names), random.choice([-1, 0, 1])
        c.kind = random.choice(["", "meat", "air"])
        c.low, c.high = random.choice([None, -7300]), random.choice([None, 199000])
    trend = app.local.trend
    if turn %% 7 == 0:
        trend.begin(trend.slot * trend.step_s + random.choice([120, 120, 5000, 90000]))
        trend.add(random.randrange(6), random.randrange(-30000, 320000))
    app.hotspot.ssid, app.hotspot.key = random.choice(["p", "n" * 32]), random.choice(["k" * 8, ";" * 63])
    app.anchors.best = random.choice([None, {"from": "phone"}])
    app.journal.ok = random.choice([True, False])
    app.hours = lambda: random.choice([None, 0.0, 99999.5])
    for _ in panel._pages.draw(random.choice([None, ["a line", "x" * 30]]), turn & 1):
        pass
    while panel._display.step():
        pass
    panel._pages.turn()
print(Bus.sent)
"""


@pytest.mark.parametrize("seed", range(4))
def test_no_state_of_the_logger_is_too_odd_to_be_drawn(flash, seed):
    assert int(run(SCRIPT % (ANYTHING % seed), flash)) > 500


@pytest.mark.alone
def test_the_largest_turn_of_a_drawing_is_a_small_part_of_a_period(flash):
    """What takes 1 us here takes some 320 on the board (measured in an emulator): 25 ms are a tenth of 250."""
    best = {}
    for _ in range(5):  # the computer's own pauses are in one of them, not in all
        _, _, worst, _ = json.loads(run(SCRIPT % PAGES, flash, heap="heapsize=400k"))
        best = {name: min(us, best.get(name, us)) for name, us in worst.items()}
    print("largest turn", best)
    assert max(best.values()) < 60


def test_where_there_is_no_panel_nothing_of_it_is_loaded():
    for module in [*FIRMWARE.glob("pitlogger/*.py"), FIRMWARE / "main.py"]:
        for line in module.read_text().splitlines():
            assert not line.startswith(("import pitlogger.panel", "from pitlogger.panel")), module
