"""A table in the wrong unit is noticed, one without a unit is read if only one will do, and a true cook is let be."""

import json

import numpy as np
import pytest
from cook_variants import variants
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.errors import TableError
from pitscribe.intake.table import read_table
from pitscribe.intake.tableunit import doubt, ordinary

START = 1_780_142_400
COOKS = [one.record for one in variants(16, seed=31_337)]


def as_f(celsius):
    """A file in degF read as degC."""
    return celsius * 1.8 + 32


def as_c(celsius):
    """A file in degC read as degF."""
    return (celsius - 32) / 1.8


def columns(record, hours):
    """(air, meat) of the first hours, a row a minute as a table has them."""
    t = np.arange(record.places[0].t[0], record.places[0].t[-1], 60.0)
    t = t[t <= t[0] + 3600 * hours]
    table = {s.place: np.interp(t, s.t[np.isfinite(s.celsius)], s.celsius[np.isfinite(s.celsius)])
             for s in record.places}
    return [table[s.place] for s in record.air], [table[s.place] for s in record.meat]


@pytest.mark.parametrize("hours", [2, 5, 99])
@pytest.mark.parametrize("kinds", ["air and meat", "meat alone", "air alone"])
def test_the_wrong_unit_is_doubted_and_the_right_one_never(hours, kinds):
    """16 kinds of cook; without meat or without air there is less to go by, so one in ten may pass unnoticed."""
    noticed = 0
    for record in COOKS:
        air, meat = columns(record, hours)
        air, meat = air if "air" in kinds else [], meat if "meat" in kinds else []
        assert doubt(air, meat, "C") is None
        assert doubt(air, meat, "F") is None
        fahrenheit = doubt([as_f(y) for y in air], [as_f(y) for y in meat], "C")
        celsius = doubt([as_c(y) for y in air], [as_c(y) for y in meat], "F")
        assert fahrenheit is None or fahrenheit.endswith("is the unit deg F?")
        assert celsius is None or celsius.endswith("is the unit deg C?")
        noticed += (fahrenheit is not None) + (celsius is not None)
        assert not ordinary([as_c(y) for y in air], [as_c(y) for y in meat])  # so it is never guessed to be degF
    assert noticed >= 0.9 * 2 * len(COOKS)


def rising(first, last, n=480):
    return np.linspace(first, last, n)


PIT = np.full(480, 121.0)


@pytest.mark.parametrize(
    ("what", "air", "meat"),
    [
        ("meat put on frozen", [PIT], [rising(-18, 60)]),
        ("a cold smoke", [np.full(480, 24.0)], [rising(4, 20)]),
        ("a fire that never came up", [np.full(480, 45.0)], [rising(4, 30)]),
        ("a probe that hung in the pit all along", [PIT], [rising(4, 90), PIT - 4]),
        ("one probe, and it came out after an hour", [], [np.concatenate((rising(4, 30, 60), PIT[60:]))]),
        ("a very hot grill", [np.full(480, 260.0)], [rising(4, 60)]),
        ("meat that is hot when the record begins", [PIT], [rising(70, 95)]),
        ("constant data", [np.full(480, 20.0)], [np.full(480, 20.0)]),
        ("no reading at all", [np.full(480, np.nan)], [np.full(480, np.nan)]),
    ],
)
def test_an_odd_cook_is_no_cook_in_the_other_unit_and_is_let_be(what, air, meat):
    for unit in "CF":
        assert doubt(air, meat, unit) is None, what


@settings(max_examples=60)
@given(st.lists(st.floats(-60, 1400) | st.just(float("nan")), max_size=40), st.sampled_from("CF"), st.booleans())
def test_whatever_stands_in_a_table_it_is_doubted_or_not_and_never_breaks(values, unit, is_air):
    y = np.array(values, dtype=float)
    said = doubt([y] if is_air else [], [] if is_air else [y], unit)
    assert said is None or f"is the unit deg {'F' if unit == 'C' else 'C'}?" in said


def written(path, unit, hours=4.0):
    """A cook's first hours in a unit: pit at 121 degC, meat from 4 degC."""
    rows = ["time,grate,flat"]
    for i in range(int(60 * hours)):
        values = 121 + 3 * np.sin(i / 9), 121 - 117 * np.exp(-i * 60 / 25_000)
        rows.append(f"{START + 60 * i}," + ",".join(f"{v * 1.8 + 32 if unit == 'F' else v:.2f}" for v in values))
    path.write_text("\n".join(rows) + "\n")
    return path


PLACES = ("--air", "grate", "--meat", "flat")


@pytest.mark.parametrize(("true", "said"), ["CF", "FC"])
def test_a_replay_in_the_wrong_unit_says_so_first_and_in_what_it_cannot_say(command, tmp_path, true, said):
    words = ("replay", written(tmp_path / "a.csv", true), "--unit", said, *PLACES, "--every", "60min")
    status, out, err = command(*words)
    assert (status, err) == (0, [])
    assert out[0].startswith("cannot say: whether these are the temperatures that they seem to be (the ")
    assert f"is the unit deg {true}?" in out[0]
    told = json.loads("\n".join(command(*words, "--json")[1]))
    first = told["cannot_say"][0]
    assert f"is the unit deg {true}?" in first["why"]
    assert (first["from"], first["to"]) == (told["from"], told["to"])


def test_a_replay_in_the_right_unit_says_nothing_of_it_and_an_import_in_the_wrong_one_does(command, tmp_path):
    for unit in "CF":
        csv = written(tmp_path / f"{unit}.csv", unit)
        told = json.loads("\n".join(command("replay", csv, "--unit", unit, *PLACES, "--every", "60min", "--json")[1]))
        assert not any("unit" in c["why"] for c in told["cannot_say"])
    status, out, _ = command("import", csv, "--unit", "C", *PLACES)
    assert status == 0
    assert "is the unit deg F?" in out[0]


def test_a_forgotten_unit_is_told_which_it_was_taken_for_unless_both_or_none_would_do(command, tmp_path):
    for unit in "CF":
        csv = written(tmp_path / f"{unit}.csv", unit)
        status, out, err = command("replay", csv, *PLACES, "--every", "60min", "--unit", unit)
        assert (status, err) == (0, [])
        status, guessed, err = command("replay", csv, *PLACES, "--every", "60min")
        assert (status, len(err)) == (0, 1)
        assert f"no unit was given: taken as deg {unit}" in err[0]
        assert (guessed == out) == (unit == "F")  # printed in the settings' unit, which is F
    flat = tmp_path / "flat.csv"
    flat.write_text("time,flat\n" + "".join(f"{START + 60 * i},33\n" for i in range(90)))
    status, out, err = command("replay", flat, "--meat", "flat")
    assert (status, out, len(err)) == (1, [], 1)
    assert "no unit is given; say C or F" in err[0]


def test_what_is_kept_is_never_guessed(command, tmp_path):
    status, _, err = command("import", written(tmp_path / "a.csv", "F"), *PLACES)
    assert status == 1
    assert "no unit is given; say C or F" in err[0]
    with pytest.raises(TableError, match="no unit is given"):
        read_table(tmp_path / "a.csv", unit=None, air=["grate"], meat=["flat"])


def test_a_probe_that_hangs_in_the_pit_makes_no_true_cook_unreadable(tmp_path):
    lines = [f"{START + 60 * i},121,{4 + i / 6:.2f},{119 + i % 2}" for i in range(480)]
    path = tmp_path / "a.csv"
    path.write_text("\n".join(["time,grate,flat,tip", *lines]) + "\n")
    assert read_table(path, unit="C", air=["grate"], meat=["flat", "tip"]).doubt is None
