"""How many ticks the recorder puts into a frame: many while nobody takes them, a stretch of 64 while a host does."""

import pytest
from firmware_rig import run
from journal_rig import segments

from pitscribe.wire.frames import TICKS, check, decode_ticks
from pitscribe.wire.segments import scan_segment

APP = """
import asyncio, time
from pitlogger import settings
from pitlogger.app import App
class Chip:
    at = 0
    def configure(self): pass
    def read(self, codes, at):
        Chip.at += 1
        codes[at] = 1700 + Chip.at % 3 if calm else Chip.at * 7919 % 30011 - 15000
        codes[at + 1] = 400 if calm else Chip.at * 104729 % 30011 - 15000
        codes[at + 2] = 0
values, _ = settings.read("config.json")
values["channels"] = [{"chip": "max31855", "tc": "K", "spi": 0, "cs": cs} for cs in range(6)]
def app_of(**more):
    values.update(more)
    return App(values, [], [Chip() for _ in range(6)], 1, time, "power", None, None)
async def go(app, s, host=False):
    for _ in range(s):
        await asyncio.sleep_ms(1000)
        if host:
            app.journal.move_cursor(app.journal.next)
async def live(app, *spans):
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(500)
    for s, host in spans:
        await go(app, s, host)
"""


def lived(flash, *spans, calm=True, **settings):
    """Run for so many seconds, with a host that stores all or without; return the tick frames journalled."""
    script = f"calm = {calm}\n{APP}asyncio.run(live(app_of(**{settings}), *{spans}))"
    run(script, flash, shims=True, PITSCRIBE_SPEED="0")
    frames = [frame for file in segments(flash) for frame in scan_segment(file.read_bytes())[0]]
    return [frame for frame in frames if check(frame).kind == TICKS]


def ticks(frames):
    return [len(decode_ticks([frame])[0].uptime_ms) for frame in frames]


def test_frames_are_long_while_nobody_takes_them_and_short_while_a_host_has_all_that_was_before(flash):
    frames = lived(flash, (258, False), (130, True), (260, False))
    # The frame that was begun when the host came ends with its stretch; the first one after it went is in its last yes.
    assert ticks(frames) == [128, 128, 64, 64, 64, 128]
    up = decode_ticks(frames)[0].uptime_ms
    assert (up[1:] - up[:-1] == 1000).all()


@pytest.mark.parametrize(("frame_ticks", "found"), [(4, 4), (32, 32), (100, 64), (191, 128), (192, 192)])
def test_a_frame_has_no_more_ticks_than_the_settings_say(frame_ticks, found, flash):
    assert set(ticks(lived(flash, (600, False), frame_ticks=frame_ticks))) == {found}


def test_codes_that_jump_about_make_shorter_frames_and_none_that_is_too_long_or_loses_a_tick(flash):
    frames = lived(flash, (450, False), calm=False, frame_ticks=192)
    assert ticks(frames) == [64] * 6
    assert max(map(len, frames)) <= 4096
    up = decode_ticks(frames)[0].uptime_ms
    assert (up[1:] - up[:-1] == 1000).all()


def test_a_stretch_for_which_there_is_no_memory_at_all_leaves_those_before_it_in_the_frame(flash):
    """Then the encoder goes back without having begun: it once went back before the stretch that was in the frame. Such
    a frame takes no more, even where there is no memory to seal it yet: how its columns ended may be overwritten."""
    script = """
import asyncio
from array import array
from pitlogger.frames import Encoder
from pitlogger.stretch import Stretch
encoder, stretch = Encoder(1, 1, bytes([0x14]), 1000, 128), Stretch(64, 1)
for i in range(64):
    stretch.put(array("i", [1700 + i * i % 7, 400, 0]))
asyncio.run(encoder.add(stretch))
follows = Stretch(64, 1)
follows.low = 64000
follows.put(array("i", [1700, 400, 0]))
assert encoder.takes(follows)
encoder.back()
assert not encoder.takes(follows)
print(bytes(encoder.seal(1)).hex())
"""
    codes = decode_ticks([bytes.fromhex(run(script, flash))])[0].hot[:, 0]
    assert codes.tolist() == [1700 + i * i % 7 for i in range(64)]
