"""Nothing is lost at switching off: who asks for it, by cable, page or note, has every tick so far on flash."""

import contextlib
import io
import json
import random

import numpy as np
import pytest
from firmware_rig import WordChip, run
from journal_rig import events_in, frames_in
from servers import wait_until
from test_frame_ticks import APP
from usb_rig import CableLogger, FilePort
from web_rig import LOGGER, PIN, Hotspot, RealTime, write_segments

from pitscribe import cli
from pitscribe.clock import SystemClock
from pitscribe.intake.usb import Conversation
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire.frames import TICKS, check, decode_ticks

CHANNELS = [{"chip": "max31855", "tc": "K", "spi": 0, "cs": 17}]


def uptimes(frames: list[bytes]) -> np.ndarray:
    """The uptime of every tick in the tick frames [ms], in the order of the journal."""
    ticks = [frame for frame in frames if check(frame).kind == TICKS]
    return np.concatenate([part.uptime_ms for part in decode_ticks(ticks)]) if ticks else np.zeros(0)


def whole_until(frames: list[bytes], up: int) -> bool:
    """Whether every tick from the first one, a period of a second after the start, to that of ``up`` is there, once."""
    found = uptimes(frames)
    return bool(found.size and found[0] <= 1100 and (np.diff(found) == 1000).all() and found[-1] >= up)


@pytest.fixture
def cabled(flash, make_bench, tmp_path):
    """A logger on a cable, sixty times as fast as the world, that would keep up to 128 ticks in memory."""
    bench = make_bench({17: WordChip(0x06B41900, 0x06B01910)})
    logger = CableLogger(flash, bench, {"channels": CHANNELS}, tmp_path / "port", PITSCRIBE_SPEED="60")
    yield logger
    logger.cut_power()


@contextlib.contextmanager
def talk(logger):
    port = FilePort(logger.cable.port)
    try:
        yield Conversation(port, "port", answer_s=5.0)
    finally:
        port.close()


def until(conversation, up_ms):
    """Wait until the logger has been up for so long."""
    wait_until(f"{up_ms} ms", lambda: json.loads(conversation.ask("state").state)["up"] >= up_ms)


def test_after_the_answer_to_save_the_power_may_go_and_every_tick_is_there(cabled, flash):
    with talk(cabled) as conversation:
        until(conversation, 30_000)
        assert uptimes(frames_in(flash)).size == 0, "all ticks are in memory"
        before = json.loads(conversation.ask("state").state)["up"]
        answer = conversation.ask("save")
    cabled.process.kill()
    assert answer.refused is None
    assert answer.whole("up") > before - 1100, "no tick from before the question is missing"
    assert whole_until(frames_in(flash), answer.whole("up"))


def test_a_pull_brings_every_tick_until_it_was_asked_for(cabled, flash, tmp_path):
    with talk(cabled) as conversation:
        until(conversation, 80_000)
        before = json.loads(conversation.ask("state").state)["up"]
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert cli.main(["--home", str(tmp_path / "home"), "pull", str(cabled.cable.port)]) == 0
    assert "newest" not in said.getvalue()
    with contextlib.closing(Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock())) as ledger:
        stored = sorted(ledger.frames(LOGGER), key=lambda one: one.key.sequence)
    assert whole_until([one.frame for one in stored], before - 1100)


def test_a_pull_says_so_where_the_newest_ticks_cannot_be_saved(flash, make_bench, tmp_path):
    write_segments(flash / "journal", 2)  # 3 KB of 32 are left
    bench = make_bench({17: WordChip(0x06B41900)})
    config = {"channels": CHANNELS, "journal_kb": 32, "frame_ticks": 4}
    logger = CableLogger(flash, bench, config, tmp_path / "port", PITSCRIBE_SPEED="600")
    try:
        with talk(logger) as conversation:
            wait_until("a full journal", lambda: not json.loads(conversation.ask("state").state)["journal"]["ok"])
        said = io.StringIO()
        with contextlib.redirect_stdout(said):
            assert cli.main(["--home", str(tmp_path / "home"), "pull", str(logger.cable.port)]) == 0
        assert "the logger did not save its newest ticks" in said.getvalue()
    finally:
        logger.cut_power()


def test_the_pages_button_takes_the_pin_and_answers_when_every_tick_is_on_flash(tmp_path):
    spot = Hotspot(tmp_path / "flash", speed=20)
    try:
        wait_until("half a minute", lambda: spot.guest.get("/now").json["up"] > 30_000)
        assert spot.guest.post("/save", {}).status == 403
        assert uptimes(frames_in(tmp_path / "flash")).size == 0
        before = spot.guest.get("/now").json["up"]
        answer = spot.guest.post("/save", {"pin": PIN})
        spot.logger.cut_power()
        assert answer.status == 200
        assert answer.json["up"] > before - 1100
        assert whole_until(frames_in(tmp_path / "flash"), answer.json["up"])
    finally:
        spot.close()


def lived(flash, body, **settings):
    """Run the coroutine ``body`` beside the application; return what it printed as JSON, a line each."""
    lines = "".join(f"    {line}\n" for line in body.strip().splitlines())
    script = f"calm = True\n{APP}async def go2(app):\n{lines}\n" + f"""
import json, random
async def main():
    app = app_of(**{settings})
    asyncio.create_task(app.run())
    await go2(app)
asyncio.run(main())
"""
    return [json.loads(line) for line in run(script, flash, shims=True, PITSCRIBE_SPEED="0").splitlines()]


def test_behind_a_note_the_ticks_until_then_are_on_flash_within_a_period(flash):
    (uptime,) = lived(flash, """
await asyncio.sleep_ms(40_300)
print(json.dumps(app.note("pull", "", app.uptime.now())))
await asyncio.sleep_ms(1100)
""")
    assert uptimes(frames_in(flash)).tolist() == list(range(1000, 40_001, 1000))
    assert [event.uptime_ms for event in events_in(flash, "note")] == [uptime]


@pytest.mark.parametrize("seed", range(4))
def test_saves_at_any_time_by_several_at_once_neither_lose_nor_double_a_tick(seed, flash):
    chance = random.Random(seed)
    waits = [chance.choice((0, 40, 250, 900, 1000, 7000, 63_900, 64_100, 130_000)) for _ in range(60)]
    said = lived(flash, f"""
async def one():
    print(json.dumps(await app.recorder.save()))
for at, wait in enumerate({waits}):
    await asyncio.sleep_ms(wait)
    for _ in range(1 + at % 3):
        asyncio.create_task(one())
    if at % 7 == 6:
        app.journal.move_cursor(app.journal.next)
await asyncio.sleep_ms(3000)
print(json.dumps([app.lost, app.sampler.missed, app.sampler.last_uptime()]))
""", period_ms=chance.choice((250, 1000)), frame_ticks=chance.choice((4, 32, 64, 128, 192)))
    *ups, (lost, missed, last) = said
    assert len(ups) == 120
    assert None not in ups
    assert (lost, missed) == (0, 0)
    found = uptimes(frames_in(flash))
    assert len(set(np.diff(found).tolist())) == 1
    assert max(ups) <= found[-1] <= last


def test_a_save_that_the_flash_did_not_take_says_so(flash):
    (failed, nothing, again) = lived(flash, """
await asyncio.sleep_ms(10_500)
write = app.journal._write
app.journal._write = lambda sequence, frame: False
print(json.dumps(await app.recorder.save()))
print(json.dumps(await app.recorder.save()))
app.journal._write = write
await asyncio.sleep_ms(2000)
print(json.dumps(await app.recorder.save()))
""")
    assert (failed, nothing) == (None, None)
    assert again >= 12_000
    assert uptimes(frames_in(flash)).tolist() == list(range(11_000, again + 1, 1000))


def test_a_recorder_that_stands_is_not_waited_for(flash):
    ((up, waited),) = lived(flash, """
async def never(stretch):
    await asyncio.Event().wait()
app.recorder.encoder.add = never
await asyncio.sleep_ms(10_500)
begun = app.uptime.now()
print(json.dumps([await app.recorder.save(), app.uptime.now() - begun]))
""")
    assert up is None
    assert waited < 3000, "the host asks again after 3 s"


def test_a_note_that_comes_again_after_the_network_was_closed_and_opened_is_one_note(flash):
    """Each opening makes its views anew; the phone sends again what it had no answer to."""
    first, again, other = lived(flash, """
from pitlogger.views import Views
await asyncio.sleep_ms(1500)
def tell(mark, text):
    print(json.dumps(Views(app, "", "1", time).post("/note", {"pin": "1", "kind": "text", "text": text, "mark": mark})))
tell("a", "bark set")
await asyncio.sleep_ms(20_000)
tell("a", "bark set")
tell("b", "bark set")
assert len(list(Views(app, "", "1", time)._app.notes)) == 2
""")
    assert again == first
    assert other["up"] > first["up"]
    assert [event.fields["text"] for event in events_in(flash, "note")] == ["bark set", "bark set"]


def asked_all_the_time(folder):
    """Run a board in real time that saves over and over: ticks taken, the worst lateness [us], tick frames."""
    folder.mkdir()
    board = RealTime(folder, beside="""
while True:
    assert await app.recorder.save() is not None
    await asyncio.sleep_ms(30)
""")
    try:
        wait_until("ticks", lambda: board.lines() and board.lines()[-1][0] >= 20, 30)
        taken, worst_us, missed, *_ = board.lines()[-1]
    finally:
        board.close()
    assert missed == 0
    return taken, worst_us, sum(check(frame).kind == TICKS for frame in frames_in(folder))


@pytest.mark.alone
def test_no_tick_is_late_while_saves_are_asked_for_all_the_time(tmp_path):
    """The machine that tests may itself be late, not three times; the firmware must not be, a tenth of the period."""
    worst = []
    while len(worst) < 3 and min(worst, default=25_000) >= 25_000:
        taken, us, frames = asked_all_the_time(tmp_path / str(len(worst)))
        worst.append(us)
        print(f"{taken} ticks of 250 ms in {frames} frames, latest {us / 1000:.1f} ms")
        assert frames >= taken - 3, "a save a tick"
    assert min(worst) < 25_000


@pytest.mark.parametrize("fails", ["ask", "event"])
def test_a_note_for_which_memory_was_short_and_that_is_asked_for_again_is_there_once(fails, flash):
    """As the panel asks again, at its next turn, for a note that a button asked for."""
    up, before, kept = lived(flash, f"""
await asyncio.sleep_ms(5500)
whole, up = app.recorder.{fails}, app.uptime.now()
def short(*all):
    raise MemoryError
app.recorder.{fails} = short
try:
    app.note("fuel", "", up)
    print(json.dumps("no lack of memory"))
except MemoryError:
    print(json.dumps(up))
before = len(app.notes)
app.recorder.{fails} = whole
assert app.note("fuel", "", up) == up
for i in range(7):
    app.note("text", str(i), up)
await asyncio.sleep_ms(2000)
print(json.dumps(before))
print(json.dumps([note[2] for note in app.notes]))
""")
    assert before == 0
    notes = events_in(flash, "note")
    assert [(event.fields["kind"], event.uptime_ms) for event in notes[:2]] == [("fuel", up), ("text", up)]
    assert len(notes) == 8
    assert kept == list("23456"), "the last five are remembered"
    assert uptimes(frames_in(flash))[-1] >= up - 1000, "and the save that follows was not forgotten"
