"""The rules of minutes, one by one on drawn series; that they never look ahead and do not mind how a series came."""

import numpy as np
import pytest
from gate_bench import as_trace, fault, make_world, samples_of, utc
from hypothesis import given, settings
from hypothesis import strategies as st
from series_world import open_ledger, same

from pitscribe.clock import SetClock
from pitscribe.metrology import lone, minutes, stuck
from pitscribe.metrology.flags import Flag, FlagArray
from pitscribe.metrology.minutes import Grid, Minutes, Samples, Summary, explained_noise, since
from pitscribe.metrology.swapped import Told, named_in
from pitscribe.metrology.together import judge
from pitscribe.metrology.uncertainty import TERMINAL_TAU_S, Setup
from pitscribe.series import Reader, load
from pitscribe.watch.live import Watch
from pitscribe.wire.frames import Channel, FrameKey, check, encode_event, encode_ticks

PATIENT = settings(deadline=None, max_examples=30)  # a busy machine is no failure
T0 = 60.0 * 28_000_000
AIR, MEAT = (Setup("max31856", "K", "K", "iec-1", kind, None) for kind in ("air", "meat"))
COARSE = Setup("max31855", "K", "K", "iec-1", "meat", None)


def drawn(celsius, *, step=2.0**-7, cold=1600, t=None, flags=None):
    """Samples of a series at 1 Hz, codes in steps of so many kelvin: float64 (n,) [degC]."""
    n, codes = celsius.size, np.rint(np.nan_to_num(celsius) / step).astype(np.int32)
    t = T0 + np.arange(float(n)) if t is None else t
    flags = np.zeros(n, np.uint32) if flags is None else flags
    return Samples(t, celsius, flags, codes, np.full(n, cold, np.int32))


def flagged(flags: FlagArray, flag):
    """Minutes of the series whose samples have a flag."""
    return sorted(set((np.flatnonzero(flags & np.uint32(flag)) // 60).tolist()))


def pit(n, rng, level=115.0):
    """A drawn pit's air, (n,) [degC]: a slow swing, and eddies of some seconds to minutes."""
    eddies = sum(size * np.convolve(rng.normal(0, 1, n + tau), np.ones(tau), "valid")[:n] / tau**0.5
                 for tau, size in ((5, 0.5), (60, 0.8), (240, 0.8)))
    return level + 6 * np.sin(np.arange(n) / 400.0) + eddies


def meat(n, rng, start=20.0, per_hour=8.0, noise=0.03):
    """A drawn joint's core, (n,) [degC]."""
    return start + per_hour * np.arange(n) / 3600 + rng.normal(0, noise, n)


@st.composite
def gatherings(draw):
    """Two to four traces' samples with gaps, bad samples, stretches that stand still, jumps and cold steps."""
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    out = []
    for i in range(draw(st.integers(2, 4))):
        n = draw(st.integers(1, 2400))
        base = pit(n, rng) if i % 2 == 0 else meat(n, rng, start=rng.uniform(-30, 110))
        for _ in range(draw(st.integers(0, 3))):
            a, b = sorted(rng.integers(0, n, 2).tolist())
            base[a:b] = rng.choice([base[a], rng.uniform(-80, 150)])
        t = T0 + rng.integers(0, 600) + np.cumsum(rng.choice([1.0, 1.0, 1.0, 2.0, 30.0], n))
        t[rng.integers(0, n) :] += rng.choice([0.0, 100.0, 20_000.0])
        bad = np.where(rng.random(n) < 0.02, np.uint32(rng.choice([1, 16, 128])), np.uint32(0)).astype(np.uint32)
        base[(bad & 17) != 0] = np.nan
        samples = drawn(base, t=t, flags=bad, cold=1600 + int(rng.integers(0, 300)))
        out.append((AIR if i % 2 == 0 else MEAT, f"place {i}", samples))
    return out


NOTES = [Told(T0 + 900.0, "ice", "place 1"), Told(T0 + 1800.0, "text", "moved place 0"), Told(T0 + 2400.0, "lid", "")]


@PATIENT
@given(gatherings(), st.lists(st.integers(1, 9), min_size=4, max_size=4))
def test_flags_do_not_depend_on_the_pieces_in_which_a_series_came(parts, pieces):
    whole = judge([as_trace(*part) for part in parts], NOTES)
    piecewise = judge([as_trace(*part, pieces=n) for part, n in zip(parts, pieces, strict=False)], NOTES)
    for a, b in zip(whole, piecewise, strict=True):
        assert a.tobytes() == b.tobytes()


@PATIENT
@given(gatherings(), st.floats(0, 4000))
def test_no_flag_depends_on_what_comes_later(parts, after):
    now = T0 + after
    whole = judge([as_trace(*part) for part in parts], NOTES)
    so_far = []
    for setup, place, samples in parts:
        n = int(np.searchsorted(samples.t, now, side="right"))
        so_far.append((setup, place, Samples(*(column[:n] for column in samples))))
    then = judge([as_trace(*part) for part in so_far], [note for note in NOTES if note.t <= now])
    for a, b in zip(whole, then, strict=True):
        assert a[: b.size].tobytes() == b.tobytes()


def test_a_logger_that_was_off_for_a_moment_goes_on_where_it_was():
    """Stretches of one placement are one: a code that rested before the restart need not rest for ten minutes more."""
    rng, n = np.random.default_rng(2), 3600
    resting = meat(n, rng)
    resting[1200:] = resting[1200]
    hot = as_trace(AIR, "grate", drawn(pit(n, rng)))
    whole, _ = judge([as_trace(MEAT, "flat", drawn(resting)), hot])
    halves = [Samples(*(column[rows] for column in drawn(resting))) for rows in (slice(0, 1950), slice(1955, n))]
    first, second, _ = judge([*(as_trace(MEAT, "flat", half) for half in halves), hot])
    assert flagged(whole, Flag.STUCK)[0] == 30
    assert first.tolist() == whole[:1950].tolist()
    assert second.tolist() == whole[1955:].tolist()


@PATIENT
@given(gatherings())
def test_what_was_flagged_before_stays_and_only_flags_of_minutes_come_on_top(parts):
    ours = np.uint32(Flag.REVERSED | Flag.STUCK | Flag.SWAPPED | Flag.COLD_FAST | Flag.NOISY | Flag.NO_CONTACT)
    for (_, _, samples), flags in zip(parts, judge([as_trace(*part) for part in parts], NOTES), strict=True):
        assert (flags & ~ours == samples.flags).all()
        assert not (flags[samples.t < 60 * (samples.t.min() // 60 + 1)] & np.uint32(Flag.STUCK | Flag.NOISY)).any()


@PATIENT
@given(st.integers(0, 1000), st.floats(0, 100), st.floats(-12, 12), st.sampled_from(["max31855", "max31856"]))
def test_meat_with_the_chips_own_noise_is_never_taken_for_air_noise_or_a_stuck_code(seed, start, per_hour, chip):
    rng, n = np.random.default_rng(seed), 7200
    setup = Setup(chip, "K", "K", "iec-1", "meat", None)
    step = 0.25 if chip == "max31855" else 2.0**-7
    celsius = meat(n, rng, start, per_hour, 0.1 if chip == "max31855" else 0.03)
    samples = drawn(np.rint(celsius / step) * step, step=step)
    flags = judge([as_trace(setup, "flat", samples), as_trace(AIR, "grate", drawn(pit(n, rng)))])
    assert [f.tolist().count(0) for f in flags] == [n, n]


def test_a_quiet_chip_of_coarse_steps_may_rest_in_ice_and_in_a_stall():
    """No noise at all: an hour on one code while the pit and another place move."""
    rng, n = np.random.default_rng(5), 3600
    still = as_trace(COARSE, "flat", drawn(np.zeros(n), step=0.25))
    others = [as_trace(AIR, "grate", drawn(pit(n, rng))), as_trace(MEAT, "tip", drawn(meat(n, rng, per_hour=20.0)))]
    assert not judge([still, *others])[0].any()


def test_a_quiet_chip_in_the_air_that_rests_while_the_other_air_place_swings_is_stuck():
    rng, n = np.random.default_rng(5), 3600
    coarse_air = Setup("max31855", "K", "K", "iec-1", "air", None)
    swinging = pit(n, rng) + 20 * np.sin(np.arange(n) / 500.0)
    still = judge([as_trace(coarse_air, "grate", drawn(np.full(n, 120.0), step=0.25)),
                   as_trace(AIR, "far end", drawn(swinging))])[0]
    assert flagged(still, Flag.STUCK)[0] == stuck.STUCK_MIN


def test_when_every_place_rests_none_is_stuck():
    n = 3600
    still = [as_trace(MEAT, f"place {i}", drawn(np.full(n, 20.0 + i))) for i in range(3)]
    assert not any(flags.any() for flags in judge(still))


@pytest.mark.parametrize("kind", ["air", "meat"])
def test_noise_is_flagged_from_a_little_above_the_multiple_that_the_rule_names_and_not_a_little_below(kind):
    setup, rng = AIR if kind == "air" else MEAT, np.random.default_rng(9)
    sure = explained_noise(setup)
    assert 3.5 < minutes.NOISE_FACTOR / minutes.MEDIAN_SIZE < 6.0
    for factor, wanted in ((3.5, []), (6.0, list(range(4, 20)))):
        celsius = 60.0 + rng.normal(0, factor * sure, 1200)
        assert flagged(judge([as_trace(setup, "one", drawn(celsius))])[0], Flag.NOISY) == wanted


def test_one_spike_a_minute_is_not_noise():
    celsius = np.full(1200, 60.0)
    celsius[::60] += 3.0
    assert not judge([as_trace(MEAT, "flat", drawn(celsius))])[0].any()


def test_the_terminal_lag_is_that_of_a_first_order_system():
    """Against a step by step solution of dT/dt = (die - T) / tau, at each minute's end."""
    seconds = np.arange(7200)
    die = 20 + 25 * (1 - np.exp(-seconds / 1100)) + 3 * np.sin(seconds / 700)
    terminal = np.empty(die.size)
    now = die[0]
    for i, value in enumerate(die):
        now += (value - now) / TERMINAL_TAU_S
        terminal[i] = now
    lag = lone.terminal_lag(die.reshape(-1, 60).mean(axis=1))
    true = (die - terminal)[59::60]
    assert np.nanmax(np.abs(lag - true)[15:]) < 0.06
    assert np.isnan(lag[:9]).all()


def test_meat_from_the_freezer_ice_and_a_cooling_joint_are_not_reversed():
    rng, n = np.random.default_rng(4), 7200
    frozen = np.minimum(-18 + 10 * np.arange(n) / 3600, -2) + rng.normal(0, 0.03, n)
    ice = np.where(np.arange(n) < 3600, 60.0, 0.0) + rng.normal(0, 0.03, n)
    cooling = 2.0 + 60 * np.exp(-np.arange(n) / 3000) + rng.normal(0, 0.03, n)
    hot = as_trace(AIR, "grate", drawn(pit(n, rng)))
    for celsius in (frozen, ice, cooling):
        assert not flagged(judge([as_trace(MEAT, "flat", drawn(celsius)), hot])[0], Flag.REVERSED)


def test_a_probe_that_is_put_back_after_wrapping_where_it_was_is_not_taken_for_pulled_out():
    rng, n = np.random.default_rng(4), 5400
    celsius = meat(n, rng, 80.0)
    celsius[3000:3200] -= 45 * np.exp(-np.abs(np.arange(200) - 60) / 25.0)
    hot = as_trace(AIR, "grate", drawn(pit(n, rng, 95.0)))
    assert not judge([as_trace(MEAT, "flat", drawn(celsius)), hot])[0].any()


def bath(n, at, rng):
    """A meat probe that is held in ice for some minutes."""
    celsius = meat(n, rng)
    celsius[at : at + 600] = 20 * np.exp(-(np.arange(600)) / 6.0)
    return celsius


def test_a_note_that_names_one_place_while_another_answers_marks_both_until_a_note_finds_it_right():
    rng, n = np.random.default_rng(3), 7200
    flat, point, tip = meat(n, rng), bath(n, 1830, rng), meat(n, rng)
    point[4830:5430] = bath(n, 4830, rng)[4830:5430]
    traces = [as_trace(MEAT, name, drawn(x)) for name, x in (("flat", flat), ("second flat", point), ("tip", tip))]
    ice = Told(T0 + 1800, "ice", "the flat, in a glass")
    marks = judge(traces, [ice])
    assert flagged(marks[0], Flag.SWAPPED) == flagged(marks[1], Flag.SWAPPED) == list(range(36, 120))
    assert not marks[2].any()
    right = judge(traces, [ice, Told(T0 + 4800, "ice", "second flat")])
    assert flagged(right[0], Flag.SWAPPED) == list(range(36, 86))
    for harmless in (Told(T0 + 1800, "ice", "second flat"), Told(T0 + 1800, "ice", "flat and tip"),
                     Told(T0 + 1800, "wrap", "flat"), Told(T0 + 2900, "ice", "flat"), Told(T0 + 9e9, "ice", "flat")):
        assert not any(flags.any() for flags in judge(traces, [harmless]))


def test_places_are_named_by_whole_words_and_the_longer_name_counts():
    places = ["flat", "second flat", "tip", "far end"]
    assert named_in("Second flat, at last", places) == {"second flat"}
    assert named_in("FLAT", places) == {"flat"}
    assert named_in("flattened tipping", places) == set()
    assert named_in("the far end and the tip", places) == {"far end", "tip"}


def test_a_grid_stays_small_whatever_the_times_say_and_keeps_short_gaps():
    grid = Grid([np.array([10, 11, 15]), np.array([11, 10**12])])
    assert grid.rows(np.array([10, 11, 15, 10**12])).tolist() == [0, 1, 5, 65]
    assert grid.size == 66
    assert (grid.row_at(60.0 * 15 + 3), grid.row_at(60.0 * 12)) == (5, None)
    assert Grid([]).size == 0
    assert judge([as_trace(MEAT, "flat", drawn(np.empty(0)))])[0].size == 0
    assert judge([]) == []


@given(st.lists(st.tuples(st.booleans(), st.booleans()), max_size=40))
def test_since_is_on_from_a_begin_to_the_next_end(steps):
    on, wanted = False, []
    for begins, ends in steps:
        on = begins or (on and not ends)
        wanted.append(on)
    begins, ends = (np.array([step[i] for step in steps], bool) for i in (0, 1))
    assert since(begins, ends).tolist() == wanted


def test_minutes_are_those_of_utc_and_hold_what_they_say():
    t = T0 + np.array([58.0, 59.0, 60.0, 61.0, 200.0])
    samples = drawn(np.array([1.0, 2.0, 3.0, 90.0, np.nan]), t=t, flags=np.array([0, 0, 0, 128, 1], np.uint32))
    samples = samples._replace(hot=np.array([5, 6, 5, 9, 0], np.int32))
    summary = Summary(MEAT)
    summary.extend(samples)
    numbers, table = summary.minutes()
    got = Minutes(*table)
    assert (numbers - int(T0 // 60)).tolist() == [0, 1, 3]
    assert got.samples.tolist() == [2, 2, 1]
    assert got.codes.tolist() == [2, 2, 0]
    assert got.flips.tolist() == [0, 2, 0]  # 5 6 5, across the minutes, and 6 5 9
    np.testing.assert_equal(got.mean, [1.5, 3.0, np.nan])
    np.testing.assert_equal(got.top, [2.0, 90.0, np.nan])
    np.testing.assert_equal(got.hot_high, [6, 9, np.nan])


def bench_frames(world, hours):
    """Frames of a minute, as the bench's logger would send them, an anchor first; the cook begins with the world."""
    parts = samples_of(world, hours, first_s=0)
    table = tuple(Channel(p.chip, p.tc) for p in world.scenario.placements)
    hot, cold = (np.stack([getattr(s, name) for _, _, s in parts], 1) for name in ("hot", "cold"))
    start_ms = round(1000 * utc(world, 0))
    told = {"utc_ms": start_ms + 500, "err_ms": 1, "from": "host"}
    yield encode_event(FrameKey(1, 1, 0), 500, "anchor", told)
    for i in range(60 * hours):
        rows, none = slice(60 * i, 60 * i + 60), np.zeros((60, len(table)), np.int32)
        yield encode_ticks(FrameKey(1, 1, 1 + i), 60_000 * i, 1000, table, hot[rows], cold[rows], none)


def bench_cook(ledger, world):
    """A cook with the bench's placements."""
    cook = ledger.start_cook("bench", at=round(1000 * utc(world, 0)))
    for p in world.scenario.placements:
        ledger.place(cook.id, p.tc, 1, p.channel, p.place, p.kind)
    return cook


def test_a_cook_in_a_ledger_has_these_flags_and_a_reader_says_what_load_says(tmp_path):
    world = make_world("small", 7, 1, faults=[fault(1, "slipped-out", 25)])
    frames = list(bench_frames(world, 1))
    with open_ledger(tmp_path, round(1000 * utc(world, 0))) as ledger:
        cook = bench_cook(ledger, world)
        reader = Reader(ledger, cook.id)
        for i in range(0, len(frames), 7):
            ledger.store_frames([(check(frame), frame) for frame in frames[i : i + 7]], "test")
            same(reader.read(), load(ledger, cook.id))
        grate, flat = reader.read().places
    seconds = flat.t - utc(world, 0)
    at = seconds[(flat.flags & np.uint32(Flag.NO_CONTACT)) != 0]
    assert 0 < at[0] - 1500 < 420
    assert not flat.good()[seconds >= at[0]].any()
    assert not grate.flags.any()


@pytest.mark.parametrize(("kind", "key", "grade", "words"), [
    ("slipped-out", "place-flat", "bad", "not in the meat"), ("hum", "doubt-flat", "warn", "flickers"),
])
def test_the_page_tells_what_is_wrong_with_a_place_and_what_to_do(tmp_path, kind, key, grade, words):
    world = make_world("small", 7, 1, faults=[fault(1, kind, 20)])
    with open_ledger(tmp_path, round(1000 * utc(world, 0))) as ledger:
        bench_cook(ledger, world)
        ledger.store_frames([(check(frame), frame) for frame in bench_frames(world, 1)], "test")
        body = Watch(ledger, SetClock(utc(world, 3600))).now().body
    (told,) = [trouble for trouble in body["troubles"] if "flat" in trouble["key"]]
    assert (told["key"], told["grade"]) == (key, grade)
    assert words in told["words"]
    flat = next(place for place in body["places"] if place["place"] == "flat")
    assert flat["fresh"] == (kind == "hum")
