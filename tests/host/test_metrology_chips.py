"""Chip codes and words at any value, and what clipping does."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.errors import ConfigError
from pitscribe.metrology import chips, its90
from pitscribe.metrology.junction import hot_junction
from pitscribe.wire import layout

CHIP = st.sampled_from(sorted(chips.CHIPS))
TYPE = st.sampled_from(its90.KINDS)
PATIENT = settings(deadline=None)  # a busy machine is no failure


@PATIENT
@given(st.integers(-(2**13), 2**13 - 1), st.integers(-(2**11), 2**11 - 1), st.integers(0, 7))
def test_a_max31855_word_comes_back_as_it_went(hot, cold, fault):
    word = chips.max31855_word(hot, cold, fault)
    assert 0 <= word < 2**32
    assert word & 0x20008 == 0
    assert chips.split_max31855(word) == (hot, cold, fault)


@PATIENT
@given(st.integers(-(2**18), 2**18 - 1), st.integers(-(2**13), 2**13 - 1), st.integers(0, 255))
def test_max31856_registers_come_back_as_they_went(hot, cold, fault):
    registers = chips.max31856_registers(hot, cold, fault)
    assert len(registers) == 6
    assert chips.split_max31856(registers) == (hot, cold, fault)


def test_bits_that_a_chip_cannot_send_are_seen():
    assert chips.split_max31855(chips.max31855_word(400, 400) | 0x20000)[2] == 0x200
    assert chips.split_max31855(chips.max31855_word(400, 400) | 0x8)[2] == 0x200
    for place, bit in ((1, 0x01), (4, 0x10)):
        registers = bytearray(chips.max31856_registers(400, 400))
        registers[place] |= bit
        assert chips.split_max31856(bytes(registers))[2] == 0x200
    # The MCP9600 carries the sign on: 200 in the upper bits of 02h and 03h is neither.
    assert chips.split_mcp9600("mcp9600", b"\x01\x90", b"\x20\x00")[2] == 0x200
    assert chips.split_mcp9600("mcp9600-adc", b"\x20\x00\x00", b"\x01\x90", 0x10)[2] == 0x210


@PATIENT
@given(st.data(), st.sampled_from(["mcp9600", "mcp9600-adc"]), st.integers(0, 255))
def test_mcp9600_registers_come_back_as_they_went(data, chip, fault):
    spec = chips.chip_of(chip)
    hot, cold = data.draw(st.integers(*spec.hot_codes)), data.draw(st.integers(*spec.cold_codes))
    assert chips.split_mcp9600(chip, *chips.mcp9600_registers(chip, hot, cold), fault) == (hot, cold, fault)


@PATIENT
@given(CHIP, TYPE, st.floats(-40, 350), st.floats(-20, 85))
def test_emf_to_codes_and_back_stays_within_half_a_step(chip, tc, hot, cold):
    spec = chips.chip_of(chip)
    mv = np.array([its90.emf(tc, hot) - its90.emf(tc, cold)])
    if spec.mode == "volts" and abs(mv[0]) >= spec.hot_codes[1] * spec.hot_lsb:
        return  # clipped: the next test
    if spec.mode == "sum" and mv[0] < its90.emf_limits(tc)[0]:
        return  # the same, at the cold end of the table (R and S far below their terminal block)
    hot_code, cold_code = chips.code_from_emf(chip, tc, mv, np.array([cold]))
    loop, cold_c = chips.loop_emf(chip, tc, hot_code, cold_code)
    assert abs(cold_c[0] - cold) <= spec.cold_lsb / 2 + 1e-9
    slope = its90.sensitivity(tc, hot)
    if spec.mode == "sum":  # the table was looked up, and is, at hot - cold
        line = its90.sensitivity(tc, its90.temperature(tc, mv[0])) / slope
        most = 1.05 * (spec.hot_lsb + spec.cold_lsb) * line / 2 + spec.cold_lsb
        assert abs(hot_junction(tc, loop, cold_c)[0] - hot) <= most
        return
    cold_slope = max(abs(its90.sensitivity(tc, cold) - chips.SLOPE_UV[tc]), its90.sensitivity(tc, cold))
    line, volts = spec.hot_lsb * chips.SLOPE_UV[tc] / slope, 1000 * spec.hot_lsb / slope
    step = {"line": line, "table": spec.hot_lsb, "volts": volts}
    # Slopes at the rounded values differ a little from those at the true ones: 5 % is ample.
    most = 1.05 * (step[spec.mode] + spec.cold_lsb * cold_slope / slope) / 2
    assert abs(hot_junction(tc, loop, cold_c)[0] - hot) <= most


def test_codes_are_clipped_as_the_chip_clips():
    high, low = np.array([90.0]), np.array([-90.0])
    cold = np.array([25.0])
    for chip in ("max31855", "max31856-gain8", "max31856-gain32"):
        ends = chips.chip_of(chip).hot_codes
        assert chips.code_from_emf(chip, "K", high, cold)[0][0] == ends[1]
        assert chips.code_from_emf(chip, "K", low, cold)[0][0] == ends[0]
    assert chips.code_from_emf("max31856", "K", high, cold)[0][0] == 1372 * 128
    assert chips.code_from_emf("max31856", "K", low, cold)[0][0] == -200 * 128
    assert chips.code_from_emf("max31855", "K", np.array([1.0]), np.array([200.0]))[1][0] == 2047


def test_every_chip_and_type_that_a_frame_can_name_is_known_here():
    assert {*layout.CHIPS} - {"none"} <= {*chips.CHIPS}
    assert {*layout.TYPES} - {"B"} == {*its90.KINDS} == {*chips.SLOPE_UV} == {*chips.LINE_LIMIT_K}
    assert {*chips.TABLE_RANGE_C} == {*its90.KINDS}


def test_an_unknown_chip_is_refused_by_name():
    with pytest.raises(ConfigError, match="'abacus'"):
        chips.chip_of("abacus")
