"""Which answers to "what time is it" become anchors (WIRE.md section 5), on MicroPython."""

import itertools
import json

from firmware_rig import run
from hypothesis import given, settings
from hypothesis import strategies as st

ANSWERS = """
import json, sys
from pitlogger.timebase import Anchors
anchors = Anchors(7)
for re_up, uptime, err, off in json.loads(%r):
    order = {"boot": 7, "re_up": re_up, "utc_ms": 1780142400000 + re_up + off, "err_ms": err}
    print(json.dumps([anchors.answer(order, uptime), anchors.best]))
"""
HOUR = 3_600_000
AGAIN = 3_000_000  # 50 min: the host's hour less what jitter could take from it


def answers(rows, flash):
    """For each (re_up, uptime at the answer, err, ms by which the host's clock is wrong): what is journalled, and the
    best so far."""
    out = run(ANSWERS % json.dumps([[*row, 0][:4] for row in rows]), flash, shims=False)
    return [json.loads(line) for line in out.splitlines()]


def test_the_first_is_journalled_and_a_worse_one_only_when_50_minutes_have_passed(flash):
    at_once = [(1000, 1100, 50), (5000, 5400, 50)]
    later = [(AGAIN + 1099, AGAIN + 1099, 200), (AGAIN + 1100, AGAIN + 1100, 200)]
    told = answers([*at_once, *later], flash)
    assert [journalled is not None for journalled, _ in told] == [True, False, False, True]
    assert told[0][0] == {"up": 1050, "utc_ms": 1780142401000, "err_ms": 100, "from": "host"}
    assert told[3][0]["err_ms"] == 200
    assert told[3][1] == told[0][0], "a worse anchor is journalled, but the best stays the best"


def test_a_better_one_by_a_third_is_journalled_at_once(flash):
    told = answers([(1000, 1000, 90), (2000, 2000, 61), (3000, 3000, 60)], flash)
    assert [journalled is not None for journalled, _ in told] == [True, False, True]
    assert told[2][1]["err_ms"] == 60


def test_answers_an_hour_apart_are_all_journalled_however_they_jitter(flash):
    """The host answers once an hour (intake/mqtt.py); some come early, and none of these may wait for the next."""
    rows = [(k * HOUR + jitter, k * HOUR + jitter, 200) for k, jitter in enumerate([900, 0, 800, 5, 700, 0])]
    assert [journalled is not None for journalled, _ in answers(rows, flash)] == [True] * 6


def test_an_answer_that_contradicts_the_best_is_journalled_and_becomes_the_best(flash):
    """The first host's clock was two days behind (no battery); the crystal cannot have gone so wrong in 10 s."""
    wrong = -2 * 24 * HOUR
    told = answers([(1000, 1010, 5, wrong), (11_000, 11_100, 300)], flash)
    assert told[1][0] == {"up": 11_050, "utc_ms": 1780142411000, "err_ms": 350, "from": "host"}
    assert told[1][1] == told[1][0], "though it is less certain than the one before"


def test_what_the_crystal_explains_is_no_contradiction(flash):
    """100 ppm of 2000 s are 200 ms; with errors of 50 ms each, 300 ms apart agree and 302 do not."""
    first = (0, 0, 50)
    for apart, contradicts in ((300, False), (-300, False), (302, True), (-302, True)):
        (_, _), (journalled, best) = answers([first, (2_000_000, 2_000_000, 50, apart)], flash)
        assert (journalled is not None) == contradicts, apart
        assert (best["up"] == 2_000_000) == contradicts, apart


def test_two_hosts_that_contradict_each_other_put_no_more_than_one_anchor_a_minute_in_the_journal(flash):
    rows = [(s * 1000, s * 1000, 50, 5000 * (s % 2)) for s in range(300)]
    ups = [journalled["up"] for journalled, _ in answers(rows, flash) if journalled]
    assert ups[0] == 0
    assert len(ups) == 6
    assert all(b - a >= 60_000 for a, b in itertools.pairwise(ups[1:]))


def test_late_answer_about_an_earlier_time_that_contradicts_is_journalled_but_is_not_the_best(flash):
    told = answers([(5000, 5000, 10), (1000, 5100, 10, 9000)], flash)
    assert told[1][0] is not None
    assert told[1][1] == told[0][0]


def test_an_answer_that_came_too_late_is_of_no_use(flash):
    assert answers([(0, 60_001, 1)], flash) == [[None, None]]


def test_uptimes_beyond_a_small_integer_of_the_board_are_no_trouble(flash):
    big = (1 << 40) + 3
    ((journalled, _),) = answers([(big, big + 10, 5)], flash)
    assert journalled == {"up": big + 5, "utc_ms": 1780142400000 + big, "err_ms": 10, "from": "host"}


@settings(max_examples=10, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10 * HOUR), st.integers(0, 59_000), st.integers(0, 5000)), max_size=30))
def test_no_50_minutes_in_which_the_host_answers_go_by_without_an_anchor(tmp_path_factory, drawn):
    rows = sorted(((re_up, re_up + late, err) for re_up, late, err in drawn), key=lambda row: row[1])
    last = None
    for row, (journalled, best) in zip(rows, answers(rows, tmp_path_factory.mktemp("flash")), strict=True):
        re_up, uptime, said = row
        err = said + (uptime - re_up + 1) // 2
        best_err = best["err_ms"]
        assert best_err * 2 < err * 3 or err == best_err == 0, "the best is never worse by half than what was just said"
        if last is None or uptime - last >= AGAIN:
            assert journalled is not None
        if journalled is not None:
            last = uptime
            assert (journalled["up"], journalled["err_ms"]) == ((re_up + uptime) // 2, err)
