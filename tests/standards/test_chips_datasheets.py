"""Chip words, codes and the undoing of their straight line.

Sources: MAX31855 data sheet 19-5793 Rev 5, Tables 1, 4 and 5; MAX31856 data sheet, registers and voltage mode;
MCP9600/9601 data sheet DS20005426, registers 00h to 04h; all as in SOURCES.md section 2, which says which figures were
computed there. Traps: section 13.
"""

import numpy as np
import pytest

from pitscribe.metrology import chips, its90
from pitscribe.metrology.chain import correct
from pitscribe.metrology.flags import Flag
from pitscribe.metrology.junction import hot_junction


def codes(*values):
    return np.array(values, np.int32)


def signed(bits: str) -> int:
    value = int(bits.replace(" ", ""), 2)
    return value - (1 << len(bits.replace(" ", ""))) if bits[0] == "1" else value


TABLE_4 = [  # hot, degC
    (1600.0, "0110 0100 0000 00"), (1000.0, "0011 1110 1000 00"), (100.75, "0000 0110 0100 11"),
    (25.0, "0000 0001 1001 00"), (0.0, "0000 0000 0000 00"), (-0.25, "1111 1111 1111 11"),
    (-1.0, "1111 1111 1111 00"), (-250.0, "1111 0000 0110 00"),
]
TABLE_5 = [  # cold, degC
    (127.0, "0111 1111 0000"), (100.5625, "0110 0100 1001"), (25.0, "0001 1001 0000"), (0.0, "0000 0000 0000"),
    (-0.0625, "1111 1111 1111"), (-1.0, "1111 1111 0000"), (-20.0, "1110 1100 0000"), (-55.0, "1100 1001 0000"),
]
WORDS = [  # hot degC, cold degC, fault, word
    (1600, 127, 0, 0x64007F00), (1000, 100.5625, 0, 0x3E806490), (100.75, 25, 0, 0x064C1900),
    (-0.25, -0.0625, 0, 0xFFFCFFF0), (-250, -55, 0, 0xF060C900), (107.25, 25, 0, 0x06B41900), (93.5, 45, 0, 0x05D82D00),
    (0, 25, 1, 0x00011901), (0, 25, 2, 0x00011902), (0, 25, 4, 0x00011904), (0, 0, 0, 0x00000000),
]


@pytest.mark.parametrize(("celsius", "bits"), TABLE_4)
def test_max31855_hot_codes_are_those_of_table_4(celsius, bits):
    assert signed(bits) * chips.CHIPS["max31855"].hot_lsb == celsius
    assert chips.split_max31855(int(bits.replace(" ", ""), 2) << 18)[0] * 0.25 == celsius


@pytest.mark.parametrize(("celsius", "bits"), TABLE_5)
def test_max31855_cold_codes_are_those_of_table_5(celsius, bits):
    assert chips.cold_celsius("max31855", codes(signed(bits)))[0] == celsius
    assert chips.split_max31855(int(bits.replace(" ", ""), 2) << 4)[1] * 0.0625 == celsius


@pytest.mark.parametrize(("hot", "cold", "fault", "word"), WORDS)
def test_max31855_whole_words(hot, cold, fault, word):
    assert chips.max31855_word(int(hot * 4), int(cold * 16), fault) == word
    assert chips.split_max31855(word) == (hot * 4, cold * 16, fault)


def test_a_line_stuck_high_is_no_word_of_the_max31855():
    assert chips.split_max31855(0xFFFFFFFF)[2] & 0x200


def test_straight_lines_are_the_chords_of_its90():
    # SOURCES.md section 2: E(1000)/1000, type T E(400)/400
    for tc, slope in chips.SLOPE_UV.items():
        top = 400.0 if tc == "T" else 1000.0
        assert slope == pytest.approx(1000 * its90.emf(tc, top) / top, abs=6e-4)


# SOURCES.md section 2, "Correction": type, hot; true emf [uV], the chip's line, register, corrected from register,
# each at a cold junction of 10, 25 and 45 degC.
CORRECTION = """
K 60    2039.6 1436.2 619.3     59.414 59.796 60.005    59.50 59.75 60.00     60.09 59.95 60.00
K 68.3  2383.8 1780.4 963.5     67.753 68.135 68.344    67.75 68.25 68.25     68.30 68.41 68.21
K 93.3  3421.9 2818.5 2001.6    92.903 93.284 93.494    93.00 93.25 93.50     93.40 93.27 93.31
K 107.2 3996.8 3393.4 2576.5    106.831 107.213 107.422 106.75 107.25 107.50  107.12 107.24 107.28
K 135   5134.9 4531.5 3714.6    134.404 134.785 134.995 134.50 134.75 135.00  135.10 134.96 135.01
K 148.9 5697.2 5093.8 4276.9    148.026 148.408 148.617 148.00 148.50 148.50  148.87 148.99 148.78
K 204.4 7917.5 7314.2 6497.3    201.819 202.201 202.410 201.75 202.25 202.50  204.33 204.45 204.49
K 371.1 14782.1 14178.7 13361.9 368.129 368.510 368.720 368.25 368.50 368.75  371.22 371.09 371.13
T 60    2077.2 1476.2 645.5     49.807 53.290 57.370    49.75 53.25 57.25     59.93 59.95 59.86
T 68.3  2442.4 1841.4 1010.7    56.807 60.290 64.370    56.75 60.25 64.25     68.23 68.25 68.16
T 93.3  3575.7 2974.7 2144.0    78.526 82.009 86.089    78.50 82.00 86.00     93.27 93.29 93.20
T 107.2 4226.2 3625.3 2794.6    90.994 94.476 98.556    91.00 94.50 98.50     107.21 107.23 107.14
T 135   5567.9 4966.9 4136.2    116.706 120.188 124.268 116.75 120.25 124.25  135.05 135.07 134.98
T 148.9 6258.0 5657.0 4826.3    129.930 133.413 137.493 130.00 133.50 137.50  148.97 148.99 148.91
T 371.1 18705.7 18104.7 17274.0 368.484 371.967 376.047 368.50 372.00 376.00  371.11 371.13 371.06
J 93.3  4398.4 3627.9 2583.6    85.897 87.601 89.582    86.00 87.50 89.50     93.41 93.19 93.21
J 135   6676.8 5906.2 4862.0    125.210 126.914 128.895 125.25 127.00 129.00  135.04 135.09 135.11
N 93.3  2315.5 1917.7 1374.7    73.864 77.894 82.915    73.75 78.00 83.00     93.16 93.43 93.40
N 135   3573.3 3175.6 2632.5    108.557 112.587 117.609 108.50 112.50 117.50  134.93 134.90 134.87
E 93.3  5277.1 4373.2 3135.8    79.097 82.261 86.059    79.00 82.25 86.00     93.19 93.29 93.23
E 135   8137.9 7234.0 5996.5    116.554 119.719 123.516 116.50 119.75 123.50  134.94 135.03 134.98
"""


@pytest.mark.parametrize("line", [x for x in CORRECTION.split("\n") if x], ids=lambda x: "-".join(x.split()[:2]))
def test_max31855_correction_table(line):
    tc, *words = line.split()
    hot, *values = (float(w) for w in words)
    for i, cold in enumerate((10.0, 25.0, 45.0)):
        microvolt, by_line, register, corrected = values[i::3]
        mv = its90.emf(tc, hot) - its90.emf(tc, cold)
        assert 1000 * mv == pytest.approx(microvolt, abs=0.051)
        assert 1000 * mv / chips.SLOPE_UV[tc] + cold == pytest.approx(by_line, abs=6e-4)
        code = chips.code_from_emf("max31855", tc, np.array([mv]), np.array([cold]))
        assert code[0][0] * 0.25 == register
        assert code[1][0] * 0.0625 == cold
        loop, cold_c = chips.loop_emf("max31855", tc, *code)
        assert hot_junction(tc, loop, cold_c)[0] == pytest.approx(corrected, abs=0.0051)
        # One step is allowed, because the sheet does not say whether the chip rounds or cuts off.
        assert abs(corrected - hot) < 0.25


def test_a_warming_box_no_longer_moves_type_k_nor_type_t():
    # Section 13, traps 1 and 2: by the chip's own line K drifts by 0.6 degC and T by 7.6 as the box warms 10 to 45.
    cold = np.arange(10.0, 45.0, 0.0625)
    for tc, least_drift in (("K", 0.55), ("T", 7.0)):
        mv = its90.emf(tc, 93.3) - its90.emf(tc, cold)
        hot_code, cold_code = chips.code_from_emf("max31855", tc, mv, cold)
        assert np.ptp(1000 * mv / chips.SLOPE_UV[tc] + cold) > least_drift
        done = correct("max31855", tc, hot_code, cold_code, np.zeros_like(hot_code))
        assert np.abs(done.celsius - 93.3).max() < 0.15  # half a step of 0.25, in kelvin of ITS-90


HOT_24 = {1600: 0x640000, 1000: 0x3E8000, 100.9375: 0x064F00, 25: 0x019000, 0.0625: 0x000100, -0.0625: 0xFFFF00,
          -0.25: 0xFFFC00, -1: 0xFFF000, -250: 0xF06000, 93.296875: 0x05D4C0, 107.203125: 0x06B340,
          135: 0x087000}
COLD_16 = {127.984375: 0x7FFC, 125: 0x7D00, 25.5: 0x1980, 25: 0x1900, 0.015625: 0x0004, -0.015625: 0xFFFC, -1: 0xFF00,
           -55: 0xC900}


def test_max31856_registers_are_those_of_the_data_sheet():
    for celsius, code in HOT_24.items():
        registers = b"\0\0" + code.to_bytes(3, "big") + b"\0"
        assert chips.split_max31856(registers) == (celsius * 128, 0, 0)
        assert chips.max31856_registers(int(celsius * 128), 0) == registers
    for celsius, code in COLD_16.items():
        registers = code.to_bytes(2, "big") + bytes(4)
        assert chips.split_max31856(registers) == (0, celsius * 64, 0)
        assert chips.max31856_registers(0, int(celsius * 64)) == registers


# SOURCES.md section 2: emf [mV], gain, 24-bit register.
VOLTS = [(1, 8, 0x00D1C0), (1, 32, 0x0346E0), (10, 8, 0x083120), (-1, 8, 0xFF2E40), (5.531749, 32, 0x122060)]


@pytest.mark.parametrize(("mv", "gain", "register"), VOLTS)
def test_max31856_voltage_mode_codes(mv, gain, register):
    chip = f"max31856-gain{gain}"
    hot, cold = chips.code_from_emf(chip, "K", np.array([float(mv)]), np.array([25.0]))
    assert chips.max31856_registers(int(hot[0]), int(cold[0]))[2:5] == register.to_bytes(3, "big")
    assert chips.loop_emf(chip, "K", hot, cold)[0][0] == pytest.approx(mv, abs=0.6e-3 * 8 / gain / 2)


def test_max31856_voltage_steps_and_full_scale():
    # SOURCES.md: LSB 0.59605 and 0.14901 uV; full scale 78.125 and 19.531 mV
    for gain, lsb, full in ((8, 0.59605, 78.125), (32, 0.14901, 19.53125)):
        chip = chips.chip_of(f"max31856-gain{gain}")
        assert 1000 * chip.hot_lsb == pytest.approx(lsb, abs=5e-6)
        assert chip.hot_codes[1] * chip.hot_lsb == pytest.approx(full)
        over = chips.code_from_emf(chip.name, "K", np.array([full + 1]), np.array([25.0]))[0]
        assert over[0] == chip.hot_codes[1]


def made(chip, tc, hot, cold):
    """Codes of an ideal chip for a junction at ``hot``."""
    return chips.code_from_emf(chip, tc, its90.emf(tc, hot) - its90.emf(tc, cold), cold)


@pytest.mark.parametrize("tc", its90.KINDS)
def test_max31856_linearised_chip_needs_no_correction(tc):
    hot, cold = np.linspace(-40, 390, 500), np.linspace(5, 50, 500)
    code = made("max31856", tc, hot, cold)
    assert np.abs(code[0] / 128 - hot).max() < 2**-8 + 1e-6
    assert np.abs(hot_junction(tc, *chips.loop_emf("max31856", tc, *code)) - hot).max() < 2**-8 + 1e-6


@pytest.mark.parametrize("tc", its90.KINDS)
def test_max31855_of_every_type_is_undone_to_its_own_step(tc):
    hot, cold = np.linspace(20, 390, 500), np.round(np.linspace(5, 50, 500) * 16) / 16
    code = made("max31855", tc, hot, cold)
    back = hot_junction(tc, *chips.loop_emf("max31855", tc, *code))
    step = 0.25 * chips.SLOPE_UV[tc] / its90.sensitivity(tc, hot)  # of the straight line, in kelvin of the wire
    assert (np.abs(back - hot) < 0.52 * step).all()


# SOURCES.md section 2, MCP9600: degC, register 00h (and 02h).
TH_16 = {-25: 0xFE70, -0.0625: 0xFFFF, 25: 0x0190, 93.3125: 0x05D5, 107.1875: 0x06B3, 135: 0x0870, 371.125: 0x1732}


def test_mcp9600_temperature_registers_are_those_of_the_data_sheet():
    for celsius, code in TH_16.items():
        upper, lower = code >> 8, code & 0xFF
        # The sheet's own rule: upper x 16 + lower / 16, less 4096 if negative.
        assert upper * 16 + lower / 16 - (4096 if upper & 0x80 else 0) == celsius
        hot, cold, fault = chips.split_mcp9600("mcp9600", code.to_bytes(2, "big"), (0x0190).to_bytes(2, "big"))
        assert (hot * chips.chip_of("mcp9600").hot_lsb, cold * 2.0**-4, fault) == (celsius, 25.0, 0)
        assert chips.mcp9600_registers("mcp9600", int(celsius * 16), 400) == (code.to_bytes(2, "big"), b"\x01\x90")


def test_mcp9600_raw_adc_has_24_bits_of_2_uv():
    # SOURCES.md section 2: 1 mV is 0001F4, -1 mV is FFFE0C.
    for mv, register in ((1.0, 0x0001F4), (-1.0, 0xFFFE0C)):
        hot, cold = chips.code_from_emf("mcp9600-adc", "K", np.array([mv]), np.array([25.0]))
        raw = chips.mcp9600_registers("mcp9600-adc", int(hot[0]), int(cold[0]))
        assert raw == (register.to_bytes(3, "big"), b"\x01\x90")
        assert chips.split_mcp9600("mcp9600-adc", *raw) == (round(mv * 500), 400, 0)
        assert chips.loop_emf("mcp9600-adc", "K", hot, cold)[0][0] == pytest.approx(mv)


@pytest.mark.parametrize("tc", its90.KINDS)
@pytest.mark.parametrize("chip", ["mcp9600", "mcp9600-sum", "mcp9600-adc"])
def test_mcp9600_is_undone_in_each_of_its_ways(chip, tc):
    hot, cold = np.linspace(60, 390, 500), np.round(np.linspace(5, 50, 500) * 16) / 16
    back = hot_junction(tc, *chips.loop_emf(chip, tc, *made(chip, tc, hot, cold)))
    # Half a step, in kelvin of the wire; "sum" looks its table up below the hot junction, where a kelvin is fewer uV.
    step = 2.0 / its90.sensitivity(tc, hot) if chip == "mcp9600-adc" else np.full(hot.shape, 0.0625)
    assert (np.abs(back - hot) < 0.52 * step).all()


# SOURCES.md section 13, trap 3, and section 1: how high T_H reads if the chip adds temperatures, as its sheet says.
SUMMED = [("K", 107.2, 25.0, 0.85), ("K", 107.2, 45.0, 1.18), ("T", 107.2, 25.0, 3.68), ("T", 107.2, 45.0, 5.2)]


@pytest.mark.parametrize(("tc", "hot", "cold", "high"), SUMMED)
def test_mcp9600_that_adds_temperatures_reads_high_and_taken_for_one_that_adds_emfs_stays_so(tc, hot, cold, high):
    at = np.array([hot]), np.array([cold])
    summed, added = made("mcp9600-sum", tc, *at), made("mcp9600", tc, *at)
    assert summed[0][0] / 16 - hot == pytest.approx(high, abs=0.0625 / 2 + 0.06)
    assert added[0][0] / 16 == pytest.approx(hot, abs=0.0625 / 2)

    def read(chip, codes):
        return hot_junction(tc, *chips.loop_emf(chip, tc, *codes))[0] - hot

    assert read("mcp9600-sum", summed) == pytest.approx(0, abs=0.04)
    assert read("mcp9600", added) == pytest.approx(0, abs=0.04)
    # The wrong one of the two believed: as much too high, or too low by the slope's share of it.
    assert read("mcp9600", summed) == pytest.approx(high, abs=0.1)
    assert read("mcp9600-sum", added) == pytest.approx(-high, rel=0.15)


def test_the_sheets_own_promise_rules_out_that_type_t_is_summed():
    # The reason for taking "mcp9600" to add emfs: T_H is promised within 1.5 degC (SOURCES.md section 2).
    summed = made("mcp9600-sum", "T", np.array([107.2]), np.array([25.0]))
    assert summed[0][0] / 16 - 107.2 > 2 * 1.5
    assert chips.chip_of("mcp9600").mode == "table"


FAULTS_55 = {1: Flag.OPEN, 2: Flag.SHORT_GROUND, 4: Flag.SHORT_SUPPLY}
FAULTS_96 = {0x01: Flag.OPEN, 0x10: Flag.OUT_OF_RANGE, 0x20: Flag.SHORT_GROUND | Flag.SHORT_SUPPLY}
FAULTS_56 = {0x01: Flag.OPEN, 0x02: Flag.CHIP_FAULT, 0x04: Flag.OUT_OF_RANGE, 0x08: Flag.OUT_OF_RANGE,
             0x10: Flag.COLD_JUNCTION, 0x20: Flag.COLD_JUNCTION, 0x40: Flag.OUT_OF_RANGE,
             0x80: Flag.COLD_JUNCTION}


def test_every_fault_bit_of_every_chip_has_its_flag():
    for chip, known in (("max31855", FAULTS_55), ("max31856", FAULTS_56), ("max31856-gain8", FAULTS_56),
                        ("mcp9600", FAULTS_96), ("mcp9600-adc", FAULTS_96)):
        for value in range(8 if chip == "max31855" else 256):
            wanted = 0
            for bit, flag in known.items():
                wanted |= flag if value & bit else 0
            assert chips.fault_flags(chip, codes(value))[0] == wanted, (chip, value)


def test_what_the_firmware_saw_outweighs_the_chips_own_bits():
    flags = chips.fault_flags("max31855", codes(0x107, 0x201, 0x300, 0))
    assert flags.tolist() == [Flag.NO_ANSWER, Flag.BAD_WORD, Flag.NO_ANSWER | Flag.BAD_WORD, 0]


def test_a_word_of_zeros_is_not_trusted():
    # Section 13, trap 3: 00000000 is a legal reading of 0 degC with no fault, and also a dead data line.
    for chip in chips.CHIPS:
        done = correct(chip, "K", codes(0, 0, 1), codes(0, 16, 0), codes(0, 0, 0))
        assert done.flags[0] == Flag.BAD_WORD
        assert np.isnan(done.celsius[0])
        assert not done.flags[1:].any()
