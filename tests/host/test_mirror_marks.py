"""When the mirror reads a past cook again: when its record may have changed, and not because its logger goes on."""

import pytest
from page_world import LOGGER, START, UP_MS, make_world

from pitscribe.mirror.marks import Times, marks_of
from pitscribe.wire.frames import encode_event


@pytest.fixture
def world(tmp_path):
    made = make_world(tmp_path, hours=2)
    made.send(made.anchor(LOGGER, UP_MS + 7_200_000, START + 7200))
    made.ledger.end_cook(made.cook.id)
    yield made
    made.ledger.close()


def marks(world):
    return marks_of(world.ledger, world.ledger.cook(world.cook.id), Times(world.ledger))


def test_hours_that_come_after_a_cook_and_their_anchors_leave_it_alone(world):
    world.carry_on(3600)  # its first frame is within the second that is spared at the cook's end
    before = marks(world)
    for hour in range(4, 10):
        world.carry_on(3600)
        world.send(world.anchor(LOGGER, UP_MS + hour * 3_600_000, START + hour * 3600 * (1 + 9e-6) + 0.01))
        assert marks(world) == before


def test_a_cook_that_nobody_has_ended_has_marks_too_when_another_runs_and_they_change_with_its_frames(world):
    world.ledger.reopen_cook(world.cook.id)
    before = marks(world)
    assert marks(world) == before
    world.carry_on(600)
    assert marks(world) != before


def test_it_is_read_again_for_whatever_changes_it(world):
    ledger, cook = world.ledger, world.cook
    flat = next(p for p in ledger.placements(cook.id) if p.place == "flat")
    note = {"kind": "wrap", "text": ""}
    changes = {
        "a note": lambda: ledger.add_note(cook.id, ledger.now_ms(), "text", "rain"),
        "a note at the logger": lambda: world.send(encode_event(world._key(LOGGER), UP_MS + 3_000_000, "note", note)),
        "another name": lambda: ledger.set_cook(cook.id, name="Oak"),
        "a placement's end": lambda: ledger.end_placement(flat.id, round((START + 3600) * 1000)),
        "a time that somebody gives": lambda: ledger.tell_anchor(LOGGER, 1, 0, round((START - 70) * 1000), 1, "person"),
        "a clock that was wrong": lambda: [
            world.send(world.anchor(LOGGER, UP_MS + n * 3_600_000, START + 30 + n * 3600)) for n in range(5, 12)
        ],
    }
    for what, change in changes.items():
        before = marks(world)
        assert marks(world) == before
        change()
        assert marks(world) != before, what
