"""Degrees on the board, in integers, beside the host's: within 1 degC over the whole range, and a word for each fault.

The host's values rest on the published reference functions (tests/standards); the board's own table is so checked
against them by way of it.
"""

import numpy as np
import pytest
from firmware_rig import Worker, run

from pitscribe.metrology import chips, flags
from pitscribe.metrology.junction import hot_junction
from pitscribe.wire.layout import CHIPS, TYPES

SCRIPT = """
from pitlogger import wits
def answer(question):
    entry, codes, faults = question
    if faults:
        return [wits.word(entry, *c) for c in codes]
    return [wits.hundredths(entry, *c) for c in codes]
"""

HOT = np.arange(-40.0, 400.0, 1.7)
COLD = np.arange(0.0, 60.1, 7.5)


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    worker = Worker(SCRIPT, tmp_path_factory.mktemp("wits"))
    yield worker
    worker.close()


def entry(chip: str, tc: str) -> int:
    return CHIPS.index(chip) << 4 | TYPES.index(tc)


def codes(chip: str, tc: str, hot_c: np.ndarray, cold_c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    mv = chips.its90.emf(tc, hot_c) - chips.its90.emf(tc, cold_c)
    return chips.code_from_emf(chip, tc, mv, cold_c)


@pytest.mark.parametrize("tc", "KT")
@pytest.mark.parametrize("chip", [c for c in CHIPS if c != "none"])
def test_the_board_is_within_a_degree_of_the_host_from_40_below_to_400(board, chip, tc):
    hot_c, cold_c = (a.ravel() for a in np.meshgrid(HOT, COLD))
    hot, cold = codes(chip, tc, hot_c, cold_c)
    host = hot_junction(tc, *chips.loop_emf(chip, tc, hot, cold))
    pieces = np.array_split(np.column_stack((hot, cold)), 8)
    shown = np.array([c for p in pieces for c in board.ask([entry(chip, tc), p.tolist(), False])], float) / 100
    inside = np.isfinite(host)
    assert inside.mean() > 0.99
    worst = np.abs(shown - host)[inside].max()
    assert worst < 0.1, f"{worst:.3f}"  # 1 degC is asked for; a tenth is what page and screen show


def test_what_cannot_be_looked_up_has_no_value(board):
    k31855, k_volts = entry("max31855", "K"), entry("max31856-gain8", "K")
    assert board.ask([k31855, [[7199, 400], [-1000, 400], [400, -2000]], False]) == [None, None, None]
    assert board.ask([k_volts, [[131071, 1600], [-131072, 1600]], False]) == [None, None]
    # A MAX31855 for type S is no straight line near the room: 33 K off at 100 degC, so nothing is shown.
    assert board.ask([entry("max31855", "S"), [[400, 400]], False]) == [None]
    # What linearises by itself is taken at its word for every type: 100.5 degC.
    assert board.ask([entry("max31856", "B"), [[12864, 1600]], False]) == [10050]


@pytest.mark.parametrize("chip", [c for c in CHIPS if c != "none"])
def test_a_fault_has_a_word_exactly_where_the_host_has_no_use_for_the_value(board, chip):
    # The bits that the chip's driver can pass on.
    bits = 0x07 if chip == "max31855" else 0x31 if chip.startswith("mcp") else 0xFF
    faults = [f for f in range(256) if not f & ~bits] + [0x100, 0x101, 0x200, 0x300]
    said = board.ask([entry(chip, "K"), [[1000, 400, f] for f in faults], True])
    host = chips.fault_flags(chip, np.array(faults, np.int32)) & ~np.uint32(flags.Flag.COLD_JUNCTION)
    assert [bool(word) for word in said] == [bool(flag) for flag in host]


def test_faults_are_told_in_words(board):
    k = entry("max31855", "K")
    asked = [[400, 400, 1], [400, 400, 2], [400, 400, 4], [400, 400, 0x100], [400, 400, 0x200], [0, 0, 0], [1, 0, 0]]
    words = ["open", "short to ground", "short to supply", "no answer", "garbled", "no answer", ""]
    assert board.ask([k, asked, True]) == words


def test_reading_allocates_nothing(flash):
    script = """
import micropython
from pitlogger import wits
codes = ((0x13, 403, 400, 0), (0x37, 3000, 1600, 0), (0x27, 12864, 1600, 1),
         (0x12, 400, 400, 0), (0x63, 2000, 400, 0), (0x13, 0, 0, 0))
def all_of_them():
    for entry, hot, cold, fault in codes:
        wits.word(entry, hot, cold, fault)
        wits.hundredths(entry, hot, cold)
all_of_them()
micropython.heap_lock()
all_of_them()
micropython.heap_unlock()
print("ok")
"""
    assert run(script, flash) == "ok\n"
