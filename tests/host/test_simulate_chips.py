"""The bench's chips, byte by byte.

Words and codes: MAX31855 data sheet Tables 4 and 5, MAX31856 data sheet, as in SOURCES.md section 2 and traps in
section 13.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.errors import BenchError
from pitscribe.metrology.chips import split_max31855, split_max31856
from pitscribe.simulate.chips import MAX31855, MAX31856, ChipError, Fault, draw_chip_error

IDEAL = ChipError(0.0, 0.0, 0.0)
AUTO, DETECT = 0x80, 0x10


def steady(hot, terminal, die=None):
    """A loop that holds still."""

    def loop(channel, seconds):
        ones = np.ones_like(seconds)
        return ones * hot, ones * terminal, ones * (terminal if die is None else die)

    return loop


def max31855(hot, cold, tc="K", faults=(), error=IDEAL):
    chip = MAX31855(0, tc, steady(hot, cold), error, seed=1)
    chip.noise_mv = chip.cold_noise = 0.0
    chip.break_it(faults)
    return chip


def max31856(hot, cold, tc="K", cr1=0x03, cr0=AUTO | DETECT, faults=(), noise=False):
    chip = MAX31856(0, tc, steady(hot, cold), IDEAL, seed=1)
    if not noise:
        chip.noise_mv = chip.cold_noise = 0.0
    chip.break_it(faults)
    chip.transfer(bytes((0x80, cr0, cr1)), 0, 0)
    return chip


@pytest.mark.parametrize(
    ("tc", "hot", "cold", "word"),
    [
        ("K", 93.3, 45.0, "05d82d00"),  # the straight line says 93.494, the register 93.50 (section 2)
        ("K", 107.2, 25.0, "06b41900"),  # 107.213 -> 107.25
        ("K", 60.0, 10.0, "03b80a00"),  # 59.414 -> 59.50
        ("T", 93.3, 25.0, "05201900"),  # 82.009 -> 82.00
        ("K", -1.0, -1.0, "fff0ff00"),  # Table 4: -1.00 is 11 1111 1111 1100; Table 5: -1.0000 is 1111 1111 0000
    ],
)
def test_max31855_gives_the_words_of_its_data_sheet(tc, hot, cold, word):
    assert max31855(hot, cold, tc).transfer(b"", 4, 5000).hex() == word


@pytest.mark.parametrize(
    ("kind", "word"), [("open", "00011901"), ("short-ground", "00011902"), ("short-supply", "00011904")]
)
def test_max31855_names_its_fault(kind, word):
    chip = max31855(93.3, 25.0, faults=[Fault(0, kind, 10.0, 20.0), Fault(3, "open", 0.0)])
    assert chip.transfer(b"", 4, 9_000)[1] & 1 == 0
    assert chip.transfer(b"", 4, 15_000).hex() == word
    assert chip.transfer(b"", 4, 21_000)[1] & 1 == 0


@pytest.mark.parametrize(("kind", "byte"), [("dead-00", 0x00), ("dead-ff", 0xFF)])
def test_a_dead_chip_holds_its_line(kind, byte):
    faults = [Fault(0, kind, 10.0)]
    assert max31855(93.3, 25.0, faults=faults).transfer(b"", 4, 11_000) == bytes((byte,)) * 4
    chip = max31856(93.3, 25.0, faults=faults)
    assert chip.transfer(b"\x0a", 6, 9_000) != bytes((byte,)) * 6
    assert chip.transfer(b"\x0a", 6, 11_000) == bytes((byte,)) * 6


def test_max31855_repeats_its_word_and_loses_what_goes_out_during_a_write():
    chip = max31855(107.2, 25.0)
    assert chip.transfer(b"", 6, 1000).hex() == "06b4190006b4"
    assert chip.transfer(b"\x00", 3, 1000).hex() == "b41900"
    assert chip.transfer(b"", 2, 1000).hex() == "06b4"


def test_max31856_registers_are_as_the_sheet_says_at_power_on():
    chip = MAX31856(0, "K", steady(93.3, 25.0), IDEAL, seed=1)
    assert chip.transfer(b"\x00", 16, 10_000).hex() == "0003ff7fc07fff800000" + "00" * 6


def test_max31856_converts_only_when_told_and_reads_back_what_was_written():
    chip = MAX31856(0, "K", steady(93.296875, 25.0), IDEAL, seed=1)
    chip.noise_mv = chip.cold_noise = 0.0
    chip.transfer(bytes((0x80, 0x91, 0x43)), 0, 20_000)
    assert chip.transfer(b"\x00", 2, 20_001).hex() == "9143"
    assert chip.transfer(b"\x0a", 6, 20_050).hex() == "00" * 6  # 50 Hz, 16 averaged: 398 ms to the first
    assert chip.transfer(b"\x0a", 6, 21_000).hex() == "190005d4c000"  # 93.296875: 05D4C0; 25: 1900
    chip.transfer(bytes((0x8A, 0x7F, 0x7F, 0x7F)), 0, 21_000)  # read only
    assert chip.transfer(b"\x0a", 6, 21_001).hex() == "190005d4c000"


@pytest.mark.parametrize(
    ("tc", "cr1", "hot", "cold", "code"),
    [
        ("K", 0x03, 135.0, 25.0, "087000"),
        ("K", 0x03, 107.203125, 25.0, "06b340"),
        ("T", 0x07, -0.25, 10.0, "fffc00"),
        ("K", 0x08, 25.0, 0.0, "00d1e0"),  # 1.000242 mV: one step above the 00D1C0 of 1 mV, gain 8
        ("K", 0x0C, 135.0, 0.0, "122060"),  # 5.531749 mV, gain 32
    ],
)
def test_max31856_gives_the_codes_of_its_data_sheet(tc, cr1, hot, cold, code):
    registers = max31856(hot, cold, tc, cr1).transfer(b"\x0c", 3, 5000)
    assert abs(int(registers.hex(), 16) - int(code, 16)) <= 0x20  # one code: the sheet does not say how it rounds


def test_max31856_one_shot_takes_its_time_then_holds():
    chip = MAX31856(0, "K", steady(135.0, 25.0), IDEAL, seed=1)
    chip.transfer(bytes((0x80, 0x40)), 0, 1000)
    assert chip.transfer(b"\x00", 1, 1100)[0] & 0x40
    assert chip.transfer(b"\x0c", 3, 1100) == bytes(3)
    first = chip.transfer(b"\x0c", 3, 1200)
    assert first[:2].hex() in ("086f", "0870")
    assert not chip.transfer(b"\x00", 1, 1200)[0] & 0x40
    assert chip.transfer(b"\x0c", 3, 90_000) == first


def test_max31856_sees_an_open_probe_only_if_it_is_told_to_look():
    faults = [Fault(0, "open", 0.0)]
    assert max31856(93.3, 25.0, faults=faults).transfer(b"\x0f", 1, 5000) == b"\x01"
    assert max31856(93.3, 25.0, cr0=AUTO, faults=faults).transfer(b"\x0f", 1, 5000) == b"\x00"
    shorted = max31856(93.3, 25.0, faults=[Fault(0, "short-ground", 0.0)])
    assert shorted.transfer(b"\x0f", 1, 5000) == b"\x02"


def test_max31856_refuses_a_type_that_the_bench_has_no_table_for():
    chip = max31856(93.3, 25.0, cr1=0x05)  # R
    with pytest.raises(BenchError, match="type 5"):
        chip.transfer(b"\x0a", 6, 5000)


def test_averaging_quietens_the_max31856():
    spread = []
    for cr1 in (0x08, 0x48):
        chip = max31856(93.3, 25.0, cr1=cr1, noise=True)
        codes = [split_max31856(chip.transfer(b"\x0a", 6, t))[0] for t in range(1000, 400_000, 500)]
        spread.append(np.std(codes))
    assert 1.5 < spread[0] < 3.0  # 1.3 uV rms of 0.596 uV a code (data sheet)
    assert spread[1] < 0.4 * spread[0]


@settings(max_examples=30, deadline=None)
@given(times=st.lists(st.integers(0, 300_000), min_size=1, max_size=12))
def test_a_chip_says_the_same_at_the_same_time_however_it_is_asked(times):
    noisy = [MAX31855(2, "K", steady(93.3, 25.0), IDEAL, seed=9) for _ in range(2)]
    forward = {t: noisy[0].transfer(b"", 4, t) for t in times}
    backward = {t: noisy[1].transfer(b"", 4, t) for t in sorted(times, reverse=True)}
    assert forward == backward
    assert all(split_max31855(int.from_bytes(w, "big"))[2] == 0 for w in forward.values())


def test_drawn_errors_stay_within_the_data_sheets_limits():
    for chip, limit in (("max31855", 2.0), ("max31856", 0.7)):
        cold = [draw_chip_error(np.random.default_rng(s), chip, "K").cold for s in range(300)]
        assert np.abs(cold).max() <= limit
        assert np.abs(cold).max() > 0.8 * limit
