"""Which answers to "what time is it" become anchors (WIRE.md section 5), on MicroPython."""

import json

from firmware_rig import run
from hypothesis import given, settings
from hypothesis import strategies as st

ANSWERS = """
import json, sys
from pitlogger.timebase import Anchors
anchors = Anchors(7)
for re_up, uptime, err in json.loads(%r):
    order = {"boot": 7, "re_up": re_up, "utc_ms": 1780142400000 + re_up, "err_ms": err}
    print(json.dumps([anchors.answer(order, uptime), anchors.best]))
"""
HOUR = 3_600_000


def answers(rows, flash):
    """For each (re_up, uptime at the answer, err): what is journalled, and the best so far."""
    out = run(ANSWERS % json.dumps(rows), flash, shims=False)
    return [json.loads(line) for line in out.splitlines()]


def test_the_first_is_journalled_and_a_worse_one_only_when_an_hour_has_passed(flash):
    at_once = [(1000, 1100, 50), (5000, 5400, 50)]
    later = [(HOUR + 1099, HOUR + 1099, 200), (HOUR + 1100, HOUR + 1100, 200)]
    told = answers([*at_once, *later], flash)
    assert [journalled is not None for journalled, _ in told] == [True, False, False, True]
    assert told[0][0] == {"up": 1050, "utc_ms": 1780142401000, "err_ms": 100, "from": "host"}
    assert told[3][0]["err_ms"] == 200
    assert told[3][1] == told[0][0], "a worse anchor is journalled, but the best stays the best"


def test_a_better_one_by_a_third_is_journalled_at_once(flash):
    told = answers([(1000, 1000, 90), (2000, 2000, 61), (3000, 3000, 60)], flash)
    assert [journalled is not None for journalled, _ in told] == [True, False, True]
    assert told[2][1]["err_ms"] == 60


def test_an_answer_that_came_too_late_is_of_no_use(flash):
    assert answers([(0, 60_001, 1)], flash) == [[None, None]]


def test_uptimes_beyond_a_small_integer_of_the_board_are_no_trouble(flash):
    big = (1 << 40) + 3
    ((journalled, _),) = answers([(big, big + 10, 5)], flash)
    assert journalled == {"up": big + 5, "utc_ms": 1780142400000 + big, "err_ms": 10, "from": "host"}


@settings(max_examples=10, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10 * HOUR), st.integers(0, 59_000), st.integers(0, 5000)), max_size=30))
def test_no_hour_in_which_the_host_answers_goes_by_without_an_anchor(tmp_path_factory, drawn):
    rows = sorted(((re_up, re_up + late, err) for re_up, late, err in drawn), key=lambda row: row[1])
    last = None
    for row, (journalled, best) in zip(rows, answers(rows, tmp_path_factory.mktemp("flash")), strict=True):
        re_up, uptime, said = row
        err = said + (uptime - re_up + 1) // 2
        best_err = best["err_ms"]
        assert best_err * 2 < err * 3 or err == best_err == 0, "the best is never worse by half than what was just said"
        if last is None or uptime - last >= HOUR:
            assert journalled is not None
        if journalled is not None:
            last = uptime
            assert (journalled["up"], journalled["err_ms"]) == ((re_up + uptime) // 2, err)
