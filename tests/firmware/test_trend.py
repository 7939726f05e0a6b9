"""The trend of 24 hours, its memory and its gaps; and what the board makes of its ticks: alarms, spread, order."""

import json
import struct

import pytest
from firmware_rig import Worker, run
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

NOTHING = -32768
STEP = 600
POINTS = 144

SCRIPT = """
import struct
from pitlogger.trend import Trend
def whole(trend, channel):
    made, at = [], trend.first()
    while at < trend.slot:
        piece = trend.piece(channel, at, 50)
        made += struct.unpack("<%dh" % (len(piece) // 2), piece)
        at += len(piece) // 2
    return made
def answer(values):
    trend = Trend([False, True], 600)
    for uptime, value in values:
        trend.begin(uptime)
        if value is not None:
            trend.add(1, value)
    return [trend.slot, trend.first(), whole(trend, 1), trend.extremes(1)]
"""


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    worker = Worker(SCRIPT, tmp_path_factory.mktemp("trend"))
    yield worker
    worker.close()


def tenths(hundredths: int) -> int:
    return (hundredths + 5) // 10


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.sampled_from([1, 7, 60, 599, 600, 601, 4000, 40_000, 100_000]),
                  st.none() | st.integers(-5000, 100_000)),
        min_size=1, max_size=60,
    )
)
def test_a_point_is_the_mean_of_its_minutes_and_a_gap_stays_a_gap(board, steps):
    uptime, values = 0, []
    for passed, value in steps:
        uptime += passed
        values.append((uptime, value))
    slot, first, points, extremes = board.ask(values)
    assert slot == uptime // STEP
    assert first == max(0, slot - POINTS)
    begun = values[0][0] // STEP
    expected = []
    for s in range(first, slot):
        inside = [tenths(v) for t, v in values if v is not None and t // STEP == s and s >= begun]
        expected.append(round_half_up(sum(inside), len(inside)) if inside else NOTHING)
    assert points == expected
    lately = [tenths(v) for t, v in values if v is not None and t // 3600 > uptime // 3600 - 24]
    assert extremes == ([min(lately), max(lately)] if lately else None)


def round_half_up(total: int, count: int) -> int:
    return (2 * total + count) // (2 * count)


def test_memory_is_taken_once_and_a_month_takes_no_more(flash):
    script = """
import gc
from pitlogger.trend import Trend
gc.collect()
before = gc.mem_alloc()
trend = Trend([True] * 6, 60)
gc.collect()
made = gc.mem_alloc()
for minute in range(0, 30 * 1440, 7):
    trend.begin(minute * 60)
    for i in range(6):
        trend.add(i, 10000 + minute % 700)
gc.collect()
print(made - before, gc.mem_alloc() - made, trend.first(), len(trend.piece(5, trend.first() + 3, 24)))
"""
    taken, grown, first, piece = (int(word) for word in run(script, flash).split())
    assert 17_280 <= taken < 19_500
    assert grown < 200
    assert first == trend_slot() - 1440
    assert piece == 48


def trend_slot() -> int:
    return list(range(0, 30 * 1440, 7))[-1]


LOCAL = """
import json
from pitlogger import settings
from pitlogger.local import Local
channels = [
    {"place": "grate", "kind": "air", "offset": 0, "low": 200, "high": 275},
    {"place": "flat", "kind": "meat", "offset": 0, "low": -100, "high": 2000},
    {"place": "tip", "kind": "meat", "offset": -150, "low": -100, "high": 2000},
    {"place": "", "kind": "", "offset": 0, "low": -100, "high": 2000},
    {"place": "point", "kind": "meat", "offset": 0, "low": -100, "high": 2000},
]
class Sampler:
    codes = []
    up = 0
    def last(self, i): return Sampler.codes[i]
    def last_uptime(self): return Sampler.up * 1000
table = bytes((0x13, 0x13, 0x13, 0x13, 0x13))
local = Local(Sampler(), table, {"units": "F", "trend_min": 1, "channels": channels})
def see(celsius, up, fault=0):
    Sampler.up = up
    # An ideal MAX31855 with its block at 25 degC, near enough: its straight line is what wits undoes.
    Sampler.codes = [None if c is None else [int(c * 4), 400, 1 if c == 999 else 0] for c in celsius]
    local.read()
    return [[c.value for c in local.channels], [c.word for c in local.channels], [c.alarm for c in local.channels],
            local.spread(), local.order()]
out = []
"""


def local(flash, script: str) -> list:
    return json.loads(run(LOCAL + script + "\nprint(json.dumps(out))", flash))


def test_coldest_meat_is_first_then_air_and_meat_without_a_value_behind_the_meat_that_has_one(flash):
    first, second = local(
        flash, "out.append(see([110, 70, 75, 30, 66], 1))\nout.append(see([110, 70, 75, 30, 999], 2))"
    )
    assert first[4] == [4, 1, 2, 0, 3]
    assert second[4] == [1, 2, 4, 0, 3]
    assert second[1] == ["", "", "", "", "open"]
    assert second[0][4] is None
    # tip reads 1.5 K less by its offset: the spread of 70 and 75 is so some 3.5 K.
    assert 330 < second[3] < 370
    assert first[0][2] - second[0][2] == 0


def test_an_alarm_begins_at_its_limit_and_ends_one_kelvin_inside(flash):
    # 200 degF is 93.3 degC, 275 degF 135 degC. The chip's line is off by less than 2 K there: steps are larger.
    steps = [110, 90, 93.75, 100, 140, 134.75, 130]
    out = local(flash, f"for i, c in enumerate({steps}):\n    out.append(see([c, 70, 70, 70, 70], i))")
    values = [o[0][0] / 100 for o in out]
    alarms = [o[2][0] for o in out]
    low, high = (200 - 32) / 1.8, (275 - 32) / 1.8
    state, expected = 0, []
    for v in values:
        if v < low + (1 if state == -1 else 0):
            state = -1
        elif v > high - (1 if state == 1 else 0):
            state = 1
        else:
            state = 0
        expected.append(state)
    assert alarms == expected
    assert set(alarms) == {-1, 0, 1}


def test_an_alarm_holds_while_a_probe_has_no_value(flash):
    out = local(flash, "for i, c in enumerate((150, 999, 110)):\n    out.append(see([c, 70, 70, 70, 70], i))")
    assert [o[2][0] for o in out] == [1, 1, 0]


def test_the_trend_has_what_was_seen_with_the_offset(flash):
    out = local(
        flash,
        "for i in range(200):\n    see([110, 70, 70, 70, 70], i)\n"
        "out.append([list(local.trend.piece(1, 0, 9)), list(local.trend.piece(2, 0, 9))])",
    )
    flat, tip = (struct.unpack("<3h", bytes(p)) for p in out[0])
    assert len(set(flat)) == 1
    assert flat[0] - tip[0] == 15
