"""What becomes of a journal that is full, cannot be read or is not there; and what is told of it beforehand and behind.

``keep`` oldest is tested with the journal (test_journal.py); here is ``keep`` newest, and the whole logger around both.
"""

import json

import pytest
from firmware_rig import run
from journal_rig import events_in, frames_in, said
from test_loss import APP

from pitscribe.wire.frames import EVENT, check, decode_event, decode_ticks

NEWEST = """
j = Journal("journal", LOGGER, 3 * 16384, True)
def how():
    return [j.first, j.cursor, j.next, j.lost, j.loss, j.ok]
"""


def events_of(flash, name):
    """(sequence, fields) of every event of that name."""
    return [(event.key.sequence, event.fields) for event in events_in(flash, name)]


def test_newest_gives_up_the_oldest_segment_counts_each_frame_in_it_and_says_which(flash):
    written, (first, cursor, following, lost, loss, ok), found = said(
        flash, NEWEST + "print(json.dumps([put(j, 700), how(), everything(j)]))"
    )
    assert all(written)
    assert (following, ok) == (700, True)
    assert first == cursor == lost > 300
    assert loss == [0, first - 1]
    assert [s for _, s in found] == list(range(first, 700))


def test_newest_lets_stored_segments_go_first_and_counts_only_what_was_not_stored(flash):
    script = "put(j, 250)\nj.move_cursor(130)\na = how()\nput(j, 300)\nprint(json.dumps([a, how(), everything(j)]))"
    before, (first, cursor, _, lost, loss, _), found = said(flash, NEWEST + script)
    assert before[3:5] == [0, None]
    assert first == cursor > 130
    assert (lost, loss) == (first - 130, [130, first - 1])
    assert [s for _, s in found] == list(range(first, 550))


def test_newest_does_not_count_again_what_was_lost_when_it_was_to_be_written(flash):
    """Numbers between segments whose frames never reached the flash are not lost a second time with the segment."""
    script = """
put(j, 10)
close, j._close = j._close, lambda: None
def no(path, mode): raise OSError(5)
import pitlogger.journal as module
module.open, j._file = no, None
failed = put(j, 7)
del module.open
j._close = close
put(j, 600)
print(json.dumps([failed, how(), len(everything(j))]))
"""
    failed, (_, _, following, lost, loss, _), left = said(flash, NEWEST + script)
    assert failed == [False] * 7
    assert following == 617
    assert lost == 617 - left
    assert loss[0] == 0


def test_cursor_is_not_moved_back_by_a_word_about_frames_that_were_given_up(flash):
    script = "put(j, 600)\na = j.cursor\nj.move_cursor(5)\nprint(json.dumps([a, j.cursor]))"
    before, after = said(flash, NEWEST + script)
    assert after == before > 5


def test_next_boot_of_newest_begins_at_what_is_left_and_loses_nothing_more(flash):
    first = said(flash, NEWEST + "put(j, 600)\nj.keep_lost(j.lost)\nprint(json.dumps(how()))")
    again = said(flash, NEWEST + "print(json.dumps(how() + [len(everything(j))]))")
    assert again[:4] == first[:4]
    assert again[4:] == [None, True, first[2] - first[0]]


def test_newest_frees_a_journal_of_one_segment_too(flash):
    script = NEWEST.replace("3 * 16384", "16384") + "print(json.dumps([all(put(j, 400)), how(), everything(j)]))"
    written, (first, _, following, lost, _, _), found = said(flash, script)
    assert written
    assert (following, lost) == (400, first)
    assert [s for _, s in found] == list(range(first, 400))


RUN = """
async def go():
    task = asyncio.create_task(app.run())
    await asyncio.sleep_ms(%d)
    state, now = json.loads(app.state()), json.loads(app.now())
    print(json.dumps([app.sampler.beats, app.sampler.missed, app.lost, state["journal"], now, app.uptime.now()]))
asyncio.run(go())
"""


def lived(flash, begin, minutes):
    out = run(APP + begin + RUN % (60_000 * minutes), flash, shims=True, PITSCRIBE_SPEED="0")
    return json.loads(out)


BROKEN = {
    "full, the oldest kept": 'app = app_of(journal_kb=16, frame_ticks=8)',
    "full, the newest kept": 'app = app_of(journal_kb=16, frame_ticks=8, keep="newest")',
    "a file where the folder should be": 'open("blocked", "w").close()\napp = app_of(journal="blocked")',
    "no folder to make it in": 'app = app_of(journal="not/there/journal")',
    "gone while it runs": """
app = app_of(frame_ticks=8)
async def rob():
    await asyncio.sleep_ms(600_000)
    app.journal._close()
    os.rename("journal", "gone")
asyncio.create_task(rob())
""",
}


@pytest.mark.parametrize("what", BROKEN)
def test_sampling_and_now_go_on_whatever_is_wrong_with_the_journal(what, flash):
    beats, missed, lost, journal, now, up = lived(flash, BROKEN[what], 40)
    assert beats in (2399, 2400)
    assert missed == 0
    assert up - now["up"] <= 1000
    assert all(codes is not None and codes[0] != 0 for codes in now["codes"])
    assert lost > 0
    assert journal["ok"] is (what == "full, the newest kept")


def test_loss_event_of_newest_says_which_frames_and_they_are_those_that_are_missing(flash):
    *_, lost, journal, _, _ = lived(flash, 'app = app_of(journal_kb=48, frame_ticks=8, keep="newest")', 120)
    told = events_of(flash, "loss")
    assert told
    kept = {check(frame).key.sequence for frame in frames_in(flash)}
    sequence, fields = told[-1]
    assert fields["frames"] == lost == journal["first"]
    assert fields["to"] == min(kept) - 1
    assert not kept & set(range(fields["from"], fields["to"] + 1))
    assert sequence in kept
    ticks = decode_ticks([frame for frame in frames_in(flash) if check(frame).kind != EVENT])
    assert sum(len(one.uptime_ms) for one in ticks) > 500


def test_hours_left_are_those_that_it_then_takes_until_the_first_loss(flash):
    script = APP + """
app = app_of(journal_kb=160, frame_ticks=8)
async def go():
    task = asyncio.create_task(app.run())
    said = []
    while not app.lost:
        await asyncio.sleep_ms(120_000)
        said.append([app.uptime.now(), json.loads(app.state())["journal"]])
    print(json.dumps(said))
asyncio.run(go())
"""
    told = json.loads(run(script, flash, shims=True, PITSCRIBE_SPEED="0"))
    end = told[-1][0] / 3_600_000
    assert told[-1][1]["free_kb"] == 0
    assert len(told) > 10
    for up, journal in told[5:-1]:
        assert journal["hours"] == pytest.approx(end - up / 3_600_000, abs=0.05 * end + 0.1)
        assert 0 <= journal["free_kb"] <= 160


def test_hours_are_not_said_before_a_rate_is_known(flash):
    *_, journal, _, _ = lived(flash, "app = app_of(frame_ticks=8)", 0)
    assert journal["hours"] is None
    assert journal["free_kb"] > 0


def test_note_is_an_event_of_its_uptime_in_the_journal(flash):
    script = APP + """
app = app_of()
print(app.note("wrap", "", 61_000), app.note("text", "sm\u00f8g", 2 ** 40))
"""
    assert run(script, flash, shims=True) == f"61000 {2**40}\n"
    notes = [decode_event(frame) for frame in frames_in(flash) if check(frame).kind == EVENT][1:]
    assert [(note.name, note.uptime_ms, note.fields) for note in notes] == [
        ("note", 61_000, {"kind": "wrap", "text": ""}), ("note", 2**40, {"kind": "text", "text": "smøg"}),
    ]
