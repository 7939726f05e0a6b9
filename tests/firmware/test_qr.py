"""The code that a phone joins by: any name and key, read back by a decoder that is not ours (zxing-cpp)."""

import itertools
import random

import numpy as np
import pytest
import zxingcpp
from firmware_rig import Worker

SCRIPT = """
from pitlogger.panel import qr
def whole(text):
    made, turns = qr.encode(text), 0
    while True:
        try:
            next(made)
            turns += 1
        except StopIteration as end:
            return end.value, turns
def answer(question):
    what, value = question
    if what == "penalty":
        made = qr._penalty(value, 29)
        while True:
            try:
                next(made)
            except StopIteration as end:
                return end.value
    return whole(qr.wifi(*value) if what == "wifi" else value)
"""
LETTERS = [chr(c) for c in range(32, 127)]


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    worker = Worker(SCRIPT, tmp_path_factory.mktemp("qr"))
    yield worker
    worker.close()


def read(symbol: tuple[int, list[int]]) -> zxingcpp.Barcode:
    """A code as a camera sees it: three pixels a module, the quiet zone of four."""
    side, rows = symbol
    light = np.array([[255 * (1 - (row >> x & 1)) for x in range(side)] for row in rows], np.uint8)
    (found,) = zxingcpp.read_barcodes(np.kron(np.pad(light, 4, constant_values=255), np.ones((3, 3), np.uint8)))
    return found


def network(text: str) -> tuple[str, str]:
    """Name and key of a network's text, taken apart as a phone does: a backslash before what separates."""
    assert text.startswith("WIFI:")
    fields, field, letters = [], "", iter(text[5:])
    for letter in letters:
        if letter == "\\":
            field += next(letters)
        elif letter == ";":
            fields.append(field)
            field = ""
        else:
            field += letter
    kind, ssid, key, last = fields
    assert (kind, last, ssid[:2], key[:2]) == ("T:WPA", "", "S:", "P:")
    return ssid[2:], key[2:]


@pytest.mark.parametrize("seed", range(60))
def test_a_decoder_reads_back_any_name_and_key(board, seed):
    draw = random.Random(seed)
    odd = list('\\;,:"') if seed % 3 == 0 else []
    ssid = "".join(draw.choice(LETTERS + 20 * odd) for _ in range(draw.randint(1, 16)))
    key = "".join(draw.choice(LETTERS + 20 * odd) for _ in range(draw.randint(8, 24)))
    symbol, _ = board.ask(["wifi", [ssid, key]])
    if symbol is None:  # escaped it is longer than the largest that the screen shows
        assert len(ssid) + len(key) + sum((ssid + key).count(c) for c in '\\;,:"') > 78 - 18
        return
    assert network(read(symbol).text) == (ssid, key)


@pytest.mark.parametrize(("length", "side", "level"), [(1, 29, "M"), (42, 29, "M"), (43, 29, "L"), (53, 29, "L"),
                                                       (54, 33, "L"), (78, 33, "L")])
def test_the_smallest_that_holds_a_text_is_taken_and_the_better_correction_where_there_is_room(
    board, length, side, level
):
    """Capacities in bytes: ISO/IEC 18004, table 7 (from memory): 3-M 42, 3-L 53, 4-L 78."""
    text = "".join(random.Random(length).choice(LETTERS) for _ in range(length))
    symbol, _ = board.ask(["text", text])
    assert symbol[0] == side
    found = read(symbol)
    assert (found.text, found.ec_level) == (text, level)


def test_a_text_that_is_too_long_is_none(board):
    assert board.ask(["text", "x" * 79])[0] is None


def test_letters_beyond_ascii_are_read_back(board):
    symbol, _ = board.ask(["wifi", ["Räucherei 1", "päßwörter 2"]])
    assert network(read(symbol).text) == ("Räucherei 1", "päßwörter 2")


def test_it_is_made_in_many_turns(board):
    assert board.ask(["wifi", ["pit-7469", "abcdefghjkmn"]])[1] > 500


def penalty(cells: np.ndarray) -> int:
    """The four rules of ISO/IEC 18004 table 11, word by word, on dark = 1."""
    side, total = len(cells), 0
    for line in [*cells, *cells.T]:
        run = 1
        for a, b in [*itertools.pairwise(line), (0, 2)]:
            if a == b:
                run += 1
            else:
                total += run - 2 if run >= 5 else 0
                run = 1
        text = "".join(map(str, line))
        total += 40 * sum(text[i : i + 11] in ("10111010000", "00001011101") for i in range(side - 10))
    for y in range(side - 1):
        for x in range(side - 1):
            total += 3 * (len(set(cells[y : y + 2, x : x + 2].flat)) == 1)
    return total + 10 * int(abs(100 * int(cells.sum()) // side**2 - 50) // 5)


@pytest.mark.parametrize("seed", range(8))
def test_the_penalty_of_a_mask_is_that_of_the_standard_word_by_word(board, seed):
    cells = (np.random.default_rng(seed).random((29, 29)) < (0.2, 0.5, 0.8)[seed % 3]).astype(int)
    cells[3, 5:16] = [1, 0, 1, 1, 1, 0, 1, 0, 0, 0, 0]
    rows = [int(sum(int(v) << x for x, v in enumerate(row))) for row in cells]
    assert board.ask(["penalty", rows]) == penalty(cells)
