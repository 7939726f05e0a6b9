"""The ledger's frames that wait for another process: none is let go of that its keeper has not stored."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_rig import LOGGER, ticks

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire.frames import FrameKey
from pitscribe.wire.messages import ranges_of

NOW = 1_780_000_000.0


@pytest.fixture
def ledger(tmp_path):
    made = Ledger(tmp_path / "ledger.sqlite", SetClock(NOW))
    yield made
    made.close()


def key(sequence, logger=LOGGER, boot=1):
    return FrameKey(logger, boot, sequence)


def test_what_waits_is_there_after_a_restart_in_its_order_and_is_no_frame_of_this_ledgers_own(ledger):
    ledger.hold([(key(n), "south", ticks(n)) for n in (3, 1, 2)])
    ledger.hold([(key(1), "south", ticks(1))])
    again = Ledger(ledger.path, SetClock(NOW))
    assert [one.frame for one in again.waiting("south", 10)] == [ticks(3), ticks(1), ticks(2)]
    assert [one.frame for one in again.waiting("south", 2)] == [ticks(3), ticks(1)]
    assert again.waiting_counts() == {"south": (3, round(NOW * 1000))}
    assert (again.loggers(), again.frame_count()) == ([], 0)
    again.close()


def test_a_row_that_was_let_go_is_not_used_again(ledger):
    """What was sent of the old one would be taken for the new one, which then waited for nothing."""
    ledger.hold([(key(1), "south", ticks(1))])
    (first,) = ledger.waiting("south", 10)
    ledger.let_go("south", LOGGER, [(1, 1, 1)])
    ledger.hold([(key(2), "south", ticks(2))])
    (second,) = ledger.waiting("south", 10)
    assert second.row > first.row


def test_other_bytes_under_a_key_that_waits_are_kept_aside(ledger):
    ledger.hold([(key(1), "south", ticks(1)), (key(1), "south", ticks(1, salt=3))])
    assert [one.data for one in ledger.aside_items("clash")] == [ticks(1, salt=3)]
    assert [one.frame for one in ledger.waiting("south", 10)] == [ticks(1)]


def test_a_new_layout_has_frames_wait_for_the_new_keeper_and_the_old_ones_word_frees_them_no_more(ledger):
    ledger.hold([(key(n, logger), "south", ticks(n, logger=logger)) for n in (1, 2) for logger in (7, 8)])
    ledger.keep_by(lambda logger: "west" if logger == 7 else "south")
    assert ledger.let_go("south", 7, [(1, 1, 2)]) == 0
    assert {name: count.frames for name, count in ledger.waiting_counts().items()} == {"south": 2, "west": 2}


_KEYS = st.builds(FrameKey, st.sampled_from([7, 8]), st.integers(0, 2), st.integers(0, 6))


@settings(max_examples=8, deadline=None)
@given(held=st.lists(_KEYS, max_size=20), said=st.lists(_KEYS, max_size=20))
def test_exactly_those_that_are_named_are_let_go(tmp_path_factory, held, said):
    ledger = Ledger(tmp_path_factory.mktemp("waiting") / "l", SetClock(NOW))
    ledger.hold([(one, "south", ticks(one.sequence, one.boot, one.logger)) for one in held])
    for logger in (7, 8):
        ledger.let_go("south", logger, ranges_of([one for one in said if one.logger == logger]))
    left = {one.frame for one in ledger.waiting("south", 100)}
    assert left == {ticks(one.sequence, one.boot, one.logger) for one in set(held) - set(said)}
    ledger.close()
