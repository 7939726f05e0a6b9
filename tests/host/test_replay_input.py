"""What a new user may hand to ``replay``: every answer is plain, and nothing is told that the data do not carry."""

import json
import math
import re

import pytest

from pitscribe.cook.plain import degrees

START = 1_780_142_400  # 2026-05-30 12:00 UTC
PLACES = ("--unit", "F", "--air", "pit", "--meat", "flat,point", "--every", "4h", "--target", "203F")
UNTIMED = PLACES[:-2]  # without a target nothing is forecast


def rows(n=480, step=60.0):
    """(UTC s, pit, flat, point) of a pit at 250 degF and two places on their way."""
    out = []
    for i in range(n):
        flat, point = (250 - 210 * math.exp(-i * step / tau) for tau in (30_000, 40_000))
        out.append([START + i * step, 250 + 8 * math.sin(i / 20), flat, point])
    return out


def csv(path, table, head="time,pit,flat,point", form="{:.2f}", delimiter=","):
    lines = [delimiter.join([f"{row[0]:.0f}", *(v if isinstance(v, str) else form.format(v) for v in row[1:])])
             for row in table]
    path.write_text("\n".join([head, *lines]) + "\n")
    return path


@pytest.fixture
def replayed(command, tmp_path):
    """(text, JSON) of a replay that must do."""

    def run(table, *words, **how):
        path = csv(tmp_path / "a.csv", table, **how)
        status, out, err = command("replay", path, *(words or UNTIMED))
        assert (status, err) == (0, [])
        told = json.loads("\n".join(command("replay", path, *(words or UNTIMED), "--json")[1]))
        return out, told

    return run


def test_a_row_or_two_have_no_rate_for_want_of_data_and_not_of_movement(replayed):
    for n, why in ((1, "less than a minute of data"), (2, "less than 10 minutes of data")):
        out, _ = replayed(rows(n))
        assert f"cannot say: rate of flat ({why})" in out
        assert not any("stuck" in line or "no good sample" in line for line in out)


def test_in_days_of_silence_nothing_is_told_as_if_it_were_so_then(replayed):
    table = rows()
    for row in table[200:]:
        row[0] += 5 * 86_400
    out, told = replayed(table)
    silent = [look for look in told["looks"] if look["as_of"] < look["at"]]
    assert silent
    assert all(look["as_of"] == "2026-05-30T15:19:00Z" for look in silent)
    lines = [line for line in out[: len(told["looks"])] if "nothing was read for" in line]
    assert len(lines) == len(silent)
    assert not any("coldest" in line for line in lines)


def test_one_place_is_forecast_once(replayed):
    out, told = replayed(rows(), "--unit", "F", "--meat", "flat", "--every", "4h", "--target", "203F")
    assert sum("reaches 203 F at about" in line for line in out) == 1
    assert "cannot say: whether a stall is the meat or the fire (no air place: a usual pit is assumed)" in out
    assert {f["place"] for f in told["forecasts"]} == {"flat", "coldest"}


def test_air_alone_has_its_fire_and_no_meat(replayed):
    out, told = replayed(rows(), "--unit", "F", "--air", "pit")
    assert "coldest meat place: not known" in out
    assert "safety: cannot be checked: no meat place" in out
    assert told["forecasts"] == []


def test_a_probe_that_dies_is_unknown_from_then_on_and_the_rest_goes_on(replayed):
    table = rows()
    for row in table[200:]:
        row[3] = ""
    out, told = replayed(table, *PLACES)
    assert "cannot say: present temperature of point (no good sample for 4 h 40)" in out
    assert any(line.startswith("when point reaches 203 F: not known") for line in out)
    assert any(line.startswith("flat reaches 203 F at about") for line in out)
    lethality = next(c for c in told["safety"]["coldest"] if c["what"] == "lethality 6.5 log")
    assert (lethality["state"], lethality["place"]) == ("unknown", "point")
    assert "for 4 h 39 no reading" in lethality["why"]


def test_constant_data_have_no_rate_and_are_never_safe(replayed):
    out, told = replayed([[row[0], 225.0, 150.0, 151.0] for row in rows()])
    assert all(look["rate_k_h"] is None for look in told["looks"][1:])
    assert any("the reading has not moved by one step" in line for line in out)
    assert "unknown" in {c["state"] for c in told["safety"]["coldest"]}


def test_zero_is_told_without_a_sign():
    assert degrees(-17.78, "F") == "0 F"
    assert degrees(-0.01, "C") == "0.0 C"
    assert degrees(-18.5, "F") == "-1 F"


def test_columns_that_were_swapped_are_asked_about(replayed, command, tmp_path):
    out, told = replayed([[row[0], row[2], row[1], row[3]] for row in rows()])
    assert "flat is hotter than the air most of the time: are two columns swapped?" in out[0]
    assert "swapped" in told["cannot_say"][0]["why"]
    out, _ = replayed(rows())
    assert not any("swapped" in line for line in out)


def test_beside_a_fire_that_is_out_for_most_of_the_time_nothing_is_said_to_be_swapped(replayed):
    table = rows()
    for i, row in enumerate(table[120:]):
        row[1] = 60 + 190 * math.exp(-i / 40)
    out, told = replayed(table)
    assert sum(row[2] > row[1] + 25 for row in table) > 240
    assert not any("swapped" in line for line in out)
    assert not any("swapped" in c["why"] for c in told["cannot_say"])


@pytest.mark.parametrize("word", ["---", "N/A", "nan", "null", "-", "None"])
def test_the_usual_words_for_no_reading_are_gaps(replayed, word):
    table = rows()
    for row in table[::50]:
        row[2] = word
    _, told = replayed(table)
    assert told["flags"]["flat"] == {"no answer": 10}


def test_capitals_and_a_delimiter_at_the_end_make_no_difference(replayed):
    plain, _ = replayed(rows())
    table = [[*row, ""] for row in rows()]
    out, told = replayed(table, head="Time,Pit,Flat,Point")
    assert [line.lower() for line in out] == [line.lower() for line in plain]
    assert told["looks"][-1]["coldest"] == "Point"


def test_decimal_commas_are_read_between_semicolons(replayed):
    plain, _ = replayed(rows(), form="{:.1f}")
    lines = [[row[0], *(f"{v:.1f}".replace(".", ",") for v in row[1:])] for row in rows()]
    out, _ = replayed(lines, head="time;pit;flat;point", delimiter=";")
    assert out == plain


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ([[row[0], *(f"{v:.1f}".replace(".", ",") for v in row[1:])] for row in rows(3)],
         "line 2: it has 7 cells, the header has 4; .*decimal commas need semicolons or tabs"),
        ([[row[0], *(f'"{v:.1f}"'.replace(".", ",") for v in row[1:])] for row in rows(3)],
         r"column 'pit': '250,0' is not a number; write 250\.0, or put semicolons between the cells"),
        ([[row[0], "open", row[2], row[3]] for row in rows(3)], "'open' is not a number; correct it, or leave"),
        (rows(9)[::-1], "line 3, column 'time': time runs backwards"),
        ([], "there is no row below the header"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_line_that_says_what_to_do(command, tmp_path, table, told):
    status, out, err = command("replay", csv(tmp_path / "a.csv", table), *PLACES)
    assert (status, out, len(err)) == (1, [], 1)
    assert re.search(told, err[0])


def test_an_absurd_target_is_refused_in_the_unit_that_it_was_given_in(command, tmp_path):
    status, _, err = command("replay", csv(tmp_path / "a.csv", rows()), *PLACES[:-1], "2030F")
    assert status == 1
    assert "target 1110 degC (2030 F): give 30 to 100 degC (86 F to 212 F)" in err[0]


def test_the_band_and_the_kind_of_meat_that_are_given_are_those_that_it_is_judged_by(replayed):
    _, usual = replayed(rows())
    _, told = replayed(rows(), *UNTIMED, "--band", "300-350F", "--meat-kind", "poultry", "--cut", "bird, 5 kg")
    assert usual["fire"]["band"] is None or not usual["fire"]["band"]["given"]
    assert told["fire"]["band"]["given"]
    assert told["fire"]["band"]["low_c"] == pytest.approx((300 - 32) / 1.8, abs=1e-3)
    assert any("poultry" in str(check["why"]) for check in told["safety"]["coldest"])
    assert not any("poultry" in str(check["why"]) for check in usual["safety"]["coldest"])
