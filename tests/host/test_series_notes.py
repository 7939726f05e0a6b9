"""Notes that a logger journalled are notes of the cook: when its boot has a time, once, and a person's to change."""

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from series_world import LOGGER, T0_MS, Logger, open_ledger, same, store

from pitscribe.errors import NotFoundError
from pitscribe.ledger.values import NOTE_KINDS
from pitscribe.series import CookNotes, Reader, load, own

HOUR = 3_600_000


def cooking(ledger, started=T0_MS, ended=None):
    """A cook whose one place hangs on the logger's channel 0."""
    cook = ledger.start_cook("brisket", at=started)
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    return cook if ended is None else ledger.end_cook(cook.id, at=ended)


def said(notes):
    return [(note.at_ms, note.kind, note.text) for note in notes]


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(tmp_path, T0_MS + HOUR) as opened:
        yield opened


def world(ledger, *, anchored=True):
    logger = Logger()
    frames = [logger.boot(4)]
    if anchored:
        frames.append(logger.anchor(4, 1000, T0_MS + 1000, err_ms=0))
    frames += [logger.ticks(4, T0_MS, 0), logger.note(4, 60_000, "wrap"), logger.note(4, 90_000, "text", "smells good")]
    store(ledger, *frames)
    return logger


def test_logger_note_is_a_note_of_the_cook_at_the_time_that_its_anchor_gives(ledger):
    world(ledger)
    cook = cooking(ledger)
    ledger.add_note(cook.id, T0_MS + 75_000, "fuel")
    expected = [
        (T0_MS + 60_000, "wrap", ""), (T0_MS + 75_000, "fuel", ""), (T0_MS + 90_000, "text", "smells good"),
    ]
    assert said(load(ledger, cook.id).notes) == expected
    assert CookNotes(ledger).of(cook) == load(ledger, cook.id).notes
    assert len({note.id for note in load(ledger, cook.id).notes}) == 3


def test_note_that_comes_again_is_one_note(ledger):
    logger = world(ledger)
    cook = cooking(ledger)
    store(ledger, *logger.made)
    assert len(load(ledger, cook.id).notes) == 2


def test_note_of_a_boot_without_a_time_waits_for_the_anchor(ledger):
    logger = world(ledger, anchored=False)
    cook = cooking(ledger)
    reader = Reader(ledger, cook.id)
    assert reader.read().notes == ()
    store(ledger, logger.anchor(4, 100_000, T0_MS + 103_000, err_ms=0))
    assert said(reader.read().notes) == [(T0_MS + 63_000, "wrap", ""), (T0_MS + 93_000, "text", "smells good")]
    same(reader.read(), load(ledger, cook.id))


def test_note_that_comes_while_a_cook_is_read_is_in_it_and_live_is_what_load_gives(ledger):
    logger = world(ledger)
    cook = cooking(ledger)
    reader = Reader(ledger, cook.id)
    before = reader.read()
    store(ledger, logger.note(4, 120_000, "spritz"))
    assert said(reader.read().notes)[-1] == (T0_MS + 120_000, "spritz", "")
    assert len(reader.read().notes) == len(before.notes) + 1
    same(reader.read(), load(ledger, cook.id))


def test_note_is_in_the_cook_in_which_its_logger_had_a_place_then_and_in_no_other(ledger):
    world(ledger)
    first = cooking(ledger, T0_MS, T0_MS + 70_000)
    second = cooking(ledger, T0_MS + 80_000)
    early = ledger.start_cook("elsewhere", at=T0_MS)  # no place on this logger
    assert said(load(ledger, first.id).notes) == [(T0_MS + 60_000, "wrap", "")]
    assert said(load(ledger, second.id).notes) == [(T0_MS + 90_000, "text", "smells good")]
    assert load(ledger, early.id).notes == ()


def test_changed_logger_note_is_a_persons_from_then_on_and_is_not_there_twice(ledger):
    world(ledger)
    cook = cooking(ledger)
    note = load(ledger, cook.id).notes[0]
    assert note.id < 0
    ledger.change_note(own(ledger, note.id), at=T0_MS + 61_000, kind="boat")
    assert said(load(ledger, cook.id).notes)[0] == (T0_MS + 61_000, "boat", "")
    assert len(load(ledger, cook.id).notes) == 2
    with pytest.raises(NotFoundError):
        own(ledger, note.id)


def test_withdrawn_logger_note_stays_withdrawn_when_its_frame_comes_again_or_its_boot_is_timed_anew(ledger):
    logger = world(ledger)
    cook = cooking(ledger)
    ledger.remove_note(own(ledger, load(ledger, cook.id).notes[0].id))
    store(ledger, *logger.made, logger.anchor(4, 200_000, T0_MS + 200_100, err_ms=0))
    assert [note.kind for note in load(ledger, cook.id).notes] == ["text"]


def test_note_that_no_cook_has_cannot_be_changed(ledger):
    world(ledger)
    cooking(ledger)
    with pytest.raises(NotFoundError, match="no note -999"):
        own(ledger, -999)


@pytest.mark.parametrize(("kind", "text", "kept"), [
    ("smoke", "blue", ("text", "smoke blue")), ("text", "", None), ("text", "a\nb\x00", ("text", "a b")),
    ("lid", "", ("lid", "")),
    (7, "x", None), ("wrap", None, None),
])
def test_note_of_a_later_firmware_or_a_faulty_one_becomes_a_text_or_nothing(kind, text, kept, ledger):
    logger = Logger()
    store(ledger, logger.boot(4), logger.anchor(4, 1000, T0_MS + 1000), logger.note(4, 60_000, kind, text))
    cook = cooking(ledger)
    assert [note[1:] for note in said(load(ledger, cook.id).notes)] == ([] if kept is None else [kept])


@settings(max_examples=25, deadline=None, derandomize=True)
@given(order=st.permutations(range(6)), repeats=st.lists(st.integers(0, 5), max_size=4))
def test_notes_do_not_depend_on_the_order_in_which_frames_come_nor_on_how_often(order, repeats, tmp_path_factory):
    logger = Logger()
    frames = [logger.boot(4), logger.anchor(4, 1000, T0_MS + 1000), logger.anchor(4, 900_000, T0_MS + 900_040)]
    frames += [logger.note(4, 100_000 * (n + 1), kind) for n, kind in enumerate(NOTE_KINDS[:3])]
    with open_ledger(tmp_path_factory.mktemp("ledger"), T0_MS + HOUR) as ledger:
        cook = cooking(ledger)
        for place in [*order, *repeats]:
            store(ledger, frames[place])
        found = [dataclasses.replace(note, id=0) for note in load(ledger, cook.id).notes]
    assert [(note.kind, round((note.at_ms - T0_MS) / 100)) for note in found] == [
        (kind, 1000 * (n + 1)) for n, kind in enumerate(NOTE_KINDS[:3])
    ]
