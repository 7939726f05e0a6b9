"""The rules that flag a sample: each is made to happen, and ordinary cooks are left alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.metrology import chips, its90
from pitscribe.metrology.chain import Context, correct, correct_piece
from pitscribe.metrology.flags import RATE_RULES, Flag, rate_flags
from pitscribe.metrology.uncertainty import Setup

T0 = 1_700_000_000.0
PATIENT = settings(deadline=None)  # a busy machine is no failure


def cook(chip, tc, celsius, cold=25.0):
    """Codes of an ideal chip for a series of temperatures."""
    celsius = np.asarray(celsius, np.float64)
    cold = np.broadcast_to(np.asarray(cold, np.float64), celsius.shape)
    hot, cold_code = chips.code_from_emf(chip, tc, its90.emf(tc, celsius) - its90.emf(tc, cold), cold)
    return hot, cold_code, np.zeros(celsius.shape, np.int32)


def seconds(n):
    return T0 + np.arange(float(n))


def rate(kind, celsius, flags=None, t=None):
    celsius = np.asarray(celsius, np.float64)
    flags = np.zeros(celsius.shape, np.uint32) if flags is None else flags
    t = seconds(celsius.size) if t is None else t
    return np.flatnonzero(rate_flags(kind, t, celsius, flags)[0] & Flag.RATE).tolist()


@pytest.mark.parametrize("kind", ["air", "meat"])
def test_a_flickering_step_of_the_coarsest_chip_is_not_flagged(kind):
    # A quarter of a degree of the MAX31855, up and down every second; type T makes 0.28 degC of it.
    hot, cold, fault = cook("max31855", "T", np.full(600, 60.0))
    hot = hot + np.array([0, 1] * 300, np.int32)
    assert np.ptp(correct("max31855", "T", hot, cold, fault, t=seconds(600), kind=kind).celsius) > 0.25
    assert not correct("max31855", "T", hot, cold, fault, t=seconds(600), kind=kind).flags.any()


@pytest.mark.parametrize(("kind", "spike"), [("meat", 5.0), ("meat", -5.0), ("air", 40.0), ("air", -40.0)])
def test_a_spike_of_one_sample_is_flagged_and_its_neighbours_are_not(kind, spike):
    celsius = np.full(100, 90.0)
    celsius[50] += spike
    done = correct("max31855", "K", *cook("max31855", "K", celsius), t=seconds(100), kind=kind)
    assert np.flatnonzero(done.flags).tolist() == [50]
    assert done.flags[50] == Flag.RATE
    assert done.celsius[50] == pytest.approx(90.0 + spike, abs=0.2)  # flagged, not deleted


def test_several_spikes_in_a_row_do_not_become_the_new_truth():
    celsius = np.full(60, 60.0)
    celsius[20:24] = 200.0, 5.0, 180.0, 300.0
    assert rate("meat", celsius) == [20, 21, 22, 23]


def test_a_probe_that_was_moved_is_taken_back_when_its_time_allows_the_change():
    celsius = np.where(np.arange(200) < 100, 60.0, 100.0)
    rule = RATE_RULES["meat"]
    first = 99 + int(np.ceil((40.0 - rule.step_k) / rule.k_per_s))  # 99 was the last good one
    assert rate("meat", celsius) == list(range(100, first))


def test_an_opened_lid_is_not_an_impossible_rate():
    # A bead of 24 AWG wire, time constant 3.8 s (SOURCES.md section 5), from 135 degC into air at 20.
    seconds_open = np.arange(60.0)
    assert rate("air", 20.0 + 115.0 * np.exp(-seconds_open / 3.8)) == []


def test_a_gap_in_time_allows_a_change():
    t = np.array([0.0, 1.0, 601.0, 602.0])
    assert rate("meat", [20.0, 20.0, 60.0, 60.0], t=T0 + t) == []


def test_samples_without_a_value_are_passed_over():
    celsius = np.array([60.0, np.nan, 90.0, 60.2])
    flags = np.array([0, Flag.OPEN, Flag.OUT_OF_RANGE, 0], np.uint32)
    assert rate("meat", celsius, flags) == []


values = st.one_of(st.just(float("nan")), st.floats(0, 200), st.sampled_from([60.0, 60.25, 61.0]))


@PATIENT
@given(st.lists(st.tuples(values, st.sampled_from([0.25, 1.0, 10.0, 300.0])), max_size=60),
       st.lists(st.integers(0, 60), max_size=5), st.sampled_from(["air", "meat"]))
def test_rates_judged_piece_by_piece_are_those_of_the_whole(samples, cuts, kind):
    celsius = np.array([c for c, _ in samples], np.float64)
    t = T0 + np.cumsum([dt for _, dt in samples])
    zero = np.zeros(celsius.size, np.uint32)
    whole, last = rate_flags(kind, t, celsius, zero)
    pieces, carried = [], None
    for piece in np.split(np.arange(celsius.size), sorted(min(c, celsius.size) for c in cuts)):
        some, carried = rate_flags(kind, t[piece], celsius[piece], zero[piece], carried)
        pieces.append(some)
    assert np.concatenate(pieces).tolist() == whole.tolist()
    assert carried == last


@PATIENT
@given(st.lists(st.tuples(st.floats(0, 200), st.sampled_from([0.25, 1.0, 10.0, 60.0])), min_size=1, max_size=40),
       st.sampled_from(["air", "meat"]))
def test_what_is_flagged_is_out_of_reach_of_the_last_good_sample_and_has_too_few_of_its_like(samples, kind):
    """The rule, word for word, one sample at a time."""
    celsius = np.array([c for c, _ in samples])
    t = T0 + np.cumsum([dt for _, dt in samples])
    rule, wanted, like = RATE_RULES[kind], [], []

    def near(a, b):
        return abs(celsius[a] - celsius[b]) <= rule.step_k + rule.k_per_s * min(t[a] - t[b], rule.longest_s)

    good, heard = 0, 1
    for i in range(1, celsius.size):
        if near(i, good):
            good, heard, like = i, heard + 1, []
            continue
        like = [*like, i] if like and near(i, like[-1]) else [i]
        if len(like) > heard or (len(like) >= 3 and t[i] - t[like[0]] >= rule.taken_s):
            good, heard, like = i, len(like), []
        else:
            wanted.append(i)
    assert rate(kind, celsius, t=t) == wanted


def test_a_spike_in_the_very_first_sample_costs_one_good_sample_and_no_more():
    celsius = np.full(600, 60.0)
    celsius[0] = 250.0
    assert rate("meat", celsius) == [1]


@pytest.mark.parametrize(("kind", "period", "step"), [("air", 10, 160.0), ("air", 60, 160.0), ("meat", 60, 70.0)])
def test_a_spike_is_flagged_on_a_slow_logger_too_and_a_step_that_stays_for_three_samples_at_most(kind, period, step):
    t, celsius = T0 + period * np.arange(60.0), np.full(60, 60.0)
    celsius[20] += step
    celsius[40:] += step
    assert rate(kind, celsius, t=t) in ([20, 40, 41], [20, 40])


def test_a_probe_that_is_pushed_from_the_pit_into_cold_meat_is_taken_back_within_half_a_minute_of_its_rest():
    """Time constant 15 s in contact (our allowance, no source): after 30 s it still falls, after 60 it is there."""
    celsius = np.where(np.arange(200) < 100, 110.0, 4.0 + 106.0 * np.exp(-np.maximum(np.arange(200) - 100, 0) / 15.0))
    at = rate("meat", celsius)
    assert at[0] == 101
    assert at == list(range(101, at[-1] + 1))
    assert at[-1] < 135


def test_garbage_at_every_sample_is_judged_in_reasonable_time_and_flagged_mostly():
    celsius = np.random.default_rng(3).uniform(0, 300, 20_000)
    assert len(rate("meat", celsius)) > 15_000


def test_out_of_the_wires_range_keeps_the_value():
    celsius = np.array([20.0, 349.0, 352.0, 380.0])
    done = correct("max31856", "T", *cook("max31856", "T", celsius))
    assert done.flags.tolist() == [0, 0, Flag.OUT_OF_RANGE, Flag.OUT_OF_RANGE]
    assert done.celsius == pytest.approx(celsius, abs=0.01)


@pytest.mark.parametrize("tc", sorted(its90.KINDS))
@pytest.mark.parametrize("chip", ["max31855", "max31856", "mcp9600"])
def test_every_type_that_has_a_function_can_be_judged_and_reads_ice_and_a_pit_without_a_flag(tc, chip):
    done = correct(chip, tc, *cook(chip, tc, np.array([-0.5, 0.5, 120.0])))
    assert done.flags.tolist() == [0, 0, 0]


def test_past_the_reference_function_there_is_no_value_but_a_flag():
    done = correct("max31855", "T", np.array([2000], np.int32), np.array([400], np.int32), np.array([0], np.int32))
    assert done.flags[0] == Flag.OUT_OF_RANGE
    assert np.isnan(done.celsius[0])
    assert np.isnan(done.u[0])


def test_an_amplifier_at_its_stop_is_out_of_range():
    hot = np.array([2**17, 2**17 - 1], np.int32)
    done = correct("max31856-gain32", "K", hot, np.full(2, 1600, np.int32), np.zeros(2, np.int32))
    assert done.flags.tolist() == [Flag.OUT_OF_RANGE, 0]


def test_a_hot_or_frozen_terminal_block_is_flagged_and_makes_less_certain():
    cold = np.array([25.0, 84.0, 86.0, -19.0, -21.0, -39.0, -41.0])
    done = correct("max31855", "K", *cook("max31855", "K", np.full(7, 120.0), cold), tolerance="iec-1")
    cold_flag, out = int(Flag.COLD_JUNCTION), int(Flag.OUT_OF_RANGE)
    assert done.flags.tolist() == [0, 0, cold_flag, 0, cold_flag, cold_flag, cold_flag | out]
    assert not Flag.COLD_JUNCTION & Flag.BAD
    assert done.u[2] > done.u[1] + 0.3


@pytest.mark.parametrize(("fault", "flag", "value"), [
    (0x001, Flag.OPEN, False), (0x002, Flag.SHORT_GROUND, True), (0x004, Flag.SHORT_SUPPLY, True),
    (0x100, Flag.NO_ANSWER, False), (0x200, Flag.BAD_WORD, False),
])
def test_a_fault_of_the_chip_is_flagged_and_only_what_says_nothing_has_no_value(fault, flag, value):
    hot, cold, none = cook("max31855", "K", np.full(3, 95.0))
    none[1] = fault
    done = correct("max31855", "K", hot, cold, none, t=seconds(3))
    assert done.flags.tolist() == [0, flag, 0]
    assert np.isfinite(done.celsius).tolist() == [True, value, True]
    assert np.isfinite(done.u).tolist() == [True, value, True]


def test_a_long_ordinary_cook_gets_no_flag_at_all():
    # 14 h at 1 Hz on the coarsest chip, one step of noise; the pit swings, the box warms and cools.
    n, rng = 50_400, np.random.default_rng(11)
    hours = np.arange(n) / 3600
    meat = 95 - 90 * np.exp(-hours / 5)
    air = 121 + 12 * np.sin(2 * np.pi * hours / 0.7)
    for kind, celsius in (("meat", meat), ("air", air)):
        for tc in "KT":
            hot, cold, fault = cook("max31855", tc, celsius, 25 + 15 * np.sin(hours / 3))
            hot = hot + rng.integers(-1, 2, n).astype(np.int32)
            done = correct("max31855", tc, hot, cold, fault, t=seconds(n), kind=kind)
            assert np.count_nonzero(done.flags) == 0


@PATIENT
@given(st.data())
def test_a_series_corrected_in_pieces_is_bit_for_bit_the_whole(data):
    n = data.draw(st.integers(1, 80))
    seed = data.draw(st.integers(0, 1000))
    rng = np.random.default_rng(seed)
    setup = Setup(data.draw(st.sampled_from(sorted(chips.CHIPS))), "K", data.draw(st.sampled_from("KT")), "iec-2",
                  data.draw(st.sampled_from(["air", "meat"])))
    celsius = rng.uniform(-30, 30) + np.cumsum(rng.normal(0, 1, n))
    hot, cold, fault = cook(setup.chip, "K", celsius, rng.uniform(-30, 60, n))
    spikes = rng.random(n) < 0.1
    hot[spikes] += rng.integers(-3000, 3000, int(spikes.sum())).astype(np.int32)
    fault[rng.random(n) < 0.1] = data.draw(st.sampled_from([1, 2, 4, 0x100, 0x200, 0x301]))
    t, time_u = T0 + np.cumsum(rng.choice([0.25, 1.0, 30.0], n)), rng.uniform(0, 2, n)
    whole, end = correct_piece(setup, hot, cold, fault, t, time_u, Context())
    cuts = sorted(data.draw(st.lists(st.integers(0, n), max_size=6)))
    context, pieces = Context(), []
    for p in np.split(np.arange(n), cuts):
        some, context = correct_piece(setup, hot[p], cold[p], fault[p], t[p], time_u[p], context)
        pieces.append(some)
    for column, one in zip(zip(*pieces, strict=True), whole, strict=True):
        assert np.concatenate(column).tobytes() == one.tobytes()
    assert context.last_good == end.last_good
