"""The longest period there is, 60 s: hours of it in simulated time."""

import json

import numpy as np
from firmware_rig import run
from journal_rig import frames_in
from test_frame_ticks import APP

from pitscribe.wire.frames import TICKS, check, decode_ticks

HOURS = """
calm = True
""" + APP + """
import json
from pitlogger.app import App
class Dog:
    fed, gap, at = 0, 0, None
    def feed(self):
        now = time.ticks_ms()
        if self.at is not None:
            self.gap = max(self.gap, time.ticks_diff(now, self.at))
        self.at = now
        self.fed += 1
dog = Dog()
values.update(period_ms=60000, frame_ticks=4)
app = App(values, [], [Chip() for _ in range(6)], 1, time, "power", None, dog)
waits = []
async def pause(piece_ms):
    begun = time.ticks_ms()
    await app.sampler.after_tick(piece_ms)
    waits.append(time.ticks_diff(time.ticks_ms(), begun))
async def go():
    task = asyncio.create_task(app.run())
    hours = app.hours()
    for _ in range(9):
        await asyncio.sleep_ms(20 * 60 * 1000)
        await pause(100)
    begun = time.ticks_ms()
    up, last = await app.recorder.save(), app.sampler.last_uptime()
    took = time.ticks_diff(time.ticks_ms(), begun)
    print(json.dumps({"hours": hours, "left": app.hours(), "free": app.journal.free(), "written": app.journal.written,
                      "missed": app.sampler.missed, "lost": app.lost, "up": up, "last": last, "took": took,
                      "gap": dog.gap, "fed": dog.fed, "waits": waits, "done": task.done()}))
asyncio.run(go())
"""


def test_three_hours_of_a_tick_a_minute_do_not_drift_are_fed_told_in_hours_and_saved_at_once(flash):
    said = json.loads(run(HOURS, flash, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="0"))
    assert (said["missed"], said["lost"], said["done"]) == (0, 0, False)
    frames = [frame for frame in frames_in(flash) if check(frame).kind == TICKS]
    uptimes = np.concatenate([part.uptime_ms for part in decode_ticks(frames)])
    assert uptimes.tolist() == list(range(60_000, 180 * 60_000 + 1, 60_000)), "tick k is of k periods"
    assert len(frames) == 45
    # The watchdog bites after 8 s (settings); it is looked at once a second, whatever the period.
    assert said["gap"] <= 1100
    assert said["fed"] >= 3 * 3600 * 0.9
    # Hours left: what is free at the rate of what three hours wrote, by hand.
    assert said["hours"] is None
    assert abs(said["left"] - 3 * said["free"] / said["written"]) <= 0.01 * said["left"] + 0.1
    # A piece that is short beside the period waits for no tick; a save takes a moment, not a minute.
    assert max(said["waits"]) <= 10
    assert (said["up"], said["took"] <= 1000) == (said["last"], True)


PIECES = HOURS.split("async def go():")[0].replace("period_ms=60000", "period_ms=PERIOD") + """
async def go():
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(int(PERIOD * 2.4))
    for _ in range(4):
        await pause(400)
    print(json.dumps([waits, app.sampler.missed]))
asyncio.run(go())
"""


def test_a_piece_waits_for_a_tick_exactly_where_it_is_more_than_a_tenth_of_the_period(flash):
    def waits(period: int) -> list[int]:
        script = PIECES.replace("PERIOD", str(period))
        made, missed = json.loads(run(script, flash, shims=True, PITSCRIBE_SPEED="0", PITSCRIBE_EASE_MS="0"))
        assert missed == 0
        return made

    assert max(waits(4000)) <= 10
    first, *rest = waits(3900)
    assert abs(first - 0.6 * 3900) <= 20
    assert all(abs(wait - 3900) <= 20 for wait in rest)
