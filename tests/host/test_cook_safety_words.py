"""Safety in words: in the reader's unit first, in both, and never rounded in the reader's favour."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitscribe.cook import safety_tables as tables
from pitscribe.cook.grid import Cells, Grid
from pitscribe.cook.safety import safety_of
from pitscribe.cook.safety_words import cold, earned, heat, reading, spent, told


@pytest.mark.parametrize(
    ("mark", "fahrenheit"),
    [
        # degF as the sources print them (SOURCES.md section 7): USDA to consumers 40, 90, 140, 145, 160, 165;
        # Food Code 135, 130, 41, 165; FSIS 50, 130
        (cold(tables.ZONE_C[0]), 40), (heat(tables.ZONE_C[1]), 140), (cold(tables.COUNTER_HOT_C), 90),
        (heat(tables.CONSUMER_C["beef"]), 145), (heat(tables.CONSUMER_C["ground"]), 160),
        (heat(tables.CONSUMER_C["poultry"]), 165), (heat(tables.HOT_C), 135), (heat(tables.HOT_ROAST_C), 130),
        (heat(tables.REHEAT_C), 165), (cold(tables.COOL_C[1][0]), 41), (cold(tables.COME_UP_C[0]), 50),
        # 21 degC is 69.8 degF and is printed as 70 beside it: the stricter one is told
        (cold(tables.COOL_C[0][0]), 69),
    ],
)
def test_a_published_line_is_told_in_degf_as_its_source_prints_it_or_stricter(mark, fahrenheit):
    assert told(mark, "F").startswith(f"{fahrenheit} F (")
    assert told(mark, "C").endswith(f" C ({fahrenheit} F)")


@given(st.floats(-40, 150))
def test_no_line_and_no_reading_is_told_in_the_readers_favour(celsius):
    fahrenheit = celsius * 1.8 + 32
    for unit in "FC":
        f, c = figures(told(heat(celsius), unit), unit)
        assert f >= fahrenheit - 0.1 - 1e-3
        assert c >= celsius - 1e-4
        for mark, slack in ((cold, 0.1), (reading, 0.0)):
            f, c = figures(told(mark(celsius), unit), unit)
            assert f <= fahrenheit + slack + 1e-3
            assert c <= celsius + 1e-4
            assert f > fahrenheit - 1.001
            assert c > celsius - 0.101


def figures(text, unit):
    one, two = map(float, re.fullmatch(r"(-?[\d.]+) [FC] \((-?[\d.]+) [FC]\)", text).groups())
    return (one, two) if unit == "F" else (two, one)


@given(st.floats(0, 100))
def test_time_against_the_reader_is_told_no_shorter_and_a_share_no_greater(x):
    text = spent(x)
    if " h " in text:
        h, m = text.split(" h ")
        minutes = 60 * int(h) + int(m)
    else:
        minutes = int(text.split()[0]) * (1 if text.endswith("min") else 1 / 60)
    assert 60 * x - 1e-3 <= minutes <= 60 * x + 1.001
    assert float(earned(x / 100).split()[0]) <= x + 1e-3


def test_almost_enough_is_not_told_as_all_of_it():
    assert earned(0.999) == "99 %"
    assert spent(4 + 0.2 / 60) == "4 h 01"


@pytest.mark.parametrize("kind", tables.KINDS)
@pytest.mark.parametrize("last_c", [12.0, 61.0, 92.0, 140.0])
def test_no_mark_is_left_in_what_is_told_and_both_units_stand_in_it(kind, last_c):
    y = np.linspace(3, last_c, 700)
    y = np.concatenate((y, np.linspace(last_c, 15, 300))) if last_c < 100 else y
    cells = Cells(y, np.full(y.size, 0.2), np.full(y.size, 0.05))
    said = safety_of({"flat": cells}, (), Grid(0.0, y.size), kind, air=(cells,))
    for check in said.coldest:
        assert "{" not in told(check.words, "C") + check.why
        assert "degC" not in check.why
        for celsius in re.findall(r"[\d.]+ C", check.why):
            assert f"({celsius})" in check.why
        assert check.as_json()["why"] == check.why
        assert not re.search(r"\d (F|C|degC)", check.what)
