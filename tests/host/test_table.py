"""Import of tables: a good one becomes a cook; a bad one is refused with file, line, column, value and what to do."""

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.clock import SetClock
from pitscribe.errors import StoreError, TableError
from pitscribe.intake.table import import_table, read_table
from pitscribe.ledger.ledger import Ledger

T0 = 1_780_000_000


@pytest.fixture
def ledger(tmp_path):
    made = Ledger(tmp_path / "ledger.sqlite", SetClock(float(T0)))
    yield made
    made.close()


def written(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "sunday.csv"
    path.write_bytes(text.encode(encoding))
    return path


def rows(*lines, header="time,grate,flat"):
    return "\n".join([header, *lines]) + "\n"


GOOD = rows(f"{T0},225.0,41", f"{T0 + 60},,41.9", f"{T0 + 120},230,")


def test_a_table_becomes_a_cook_that_has_ended(ledger, tmp_path):
    result = import_table(ledger, written(tmp_path, GOOD), unit="F", air=["grate"], meat=["flat"])
    assert (result.cook.name, result.cook.started_ms, result.cook.ended_ms) == ("sunday", T0 * 1000, (T0 + 120) * 1000)
    grate, flat = ledger.sheets(result.cook.id)
    assert (grate.place, grate.kind, flat.place, flat.kind) == ("grate", "air", "flat", "meat")
    assert list(grate.t) == [T0, T0 + 60, T0 + 120]
    # 225 degF = 107.222 degC, 230 degF = 110 degC (the definition: (F - 32) / 1.8)
    np.testing.assert_allclose(grate.celsius, [107.2222222, np.nan, 110.0], atol=1e-6)
    np.testing.assert_allclose(flat.celsius, [5.0, 5.5, np.nan], atol=1e-9)


def test_the_same_table_again_is_the_same_cook_but_read_otherwise_it_is_another(ledger, tmp_path):
    path = written(tmp_path, GOOD)
    first = import_table(ledger, path, unit="F", air=["grate"], meat=["flat"])
    again = import_table(ledger, path, unit="F", air=["grate"], meat=["flat"])
    assert again.known
    assert again.cook == first.cook
    other = import_table(ledger, path, unit="F", meat=["flat"])
    assert not other.known
    assert len(ledger.cooks()) == 2


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_every_usual_way_of_writing_a_csv_is_read(tmp_path, delimiter, newline, encoding):
    text = GOOD.replace(",", delimiter).replace("\n", newline)
    table = read_table(written(tmp_path, text, encoding), unit="C", air=["grate"], meat=["flat"])
    assert [column.place for column in table.columns] == ["grate", "flat"]
    np.testing.assert_array_equal(table.columns[1].celsius, [41, 41.9, np.nan])


def test_decimal_commas_quotes_spaces_and_other_columns_are_taken(tmp_path):
    text = f'"Time"; "flat, left" ;lid\n{T0};" 41,5 ";open\n\n{T0 + 1};42;\n'
    table = read_table(written(tmp_path, text.replace('; "', ';"')), unit="C", meat=["flat, left"])
    np.testing.assert_array_equal(table.columns[0].celsius, [41.5, 42.0])


@pytest.mark.parametrize(
    ("text", "tz", "utc"),
    [
        ("2026-05-30T14:05:00Z", None, "2026-05-30T14:05:00+00:00"),
        ("2026-05-30T14:05:00+02:00", None, "2026-05-30T12:05:00+00:00"),
        ("2026-05-30 14:05:00.250", None, "2026-05-30T14:05:00.250+00:00"),
        ("2026-05-30 14:05", "Europe/Berlin", "2026-05-30T12:05:00+00:00"),
        ("2026-01-30 14:05", "America/Chicago", "2026-01-30T20:05:00+00:00"),
        ("1780000000.5", None, "2026-05-28T20:26:40.5+00:00"),
    ],
)
def test_times_are_read_as_they_are_meant(tmp_path, text, tz, utc):
    table = read_table(written(tmp_path, rows(f"{text},1,2")), unit="C", air=["grate"], tz=tz)
    assert table.t[0] == pytest.approx(datetime.fromisoformat(utc).timestamp(), abs=1e-6)
    naive = text.startswith("2026") and "Z" not in text and "+" not in text
    assert table.assumed == ((f"times without an offset were taken as {tz or 'UTC'}",) if naive else ())


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.integers(1, 4000), min_size=1, max_size=40),
    values=st.data(),
    iso=st.booleans(),
    unit=st.sampled_from("CF"),
)
def test_what_a_table_says_comes_back(tmp_path_factory, steps, values, iso, unit):
    t = T0 + np.cumsum(steps)
    cells = values.draw(st.lists(st.one_of(st.none(), st.integers(-20, 180)), min_size=len(t), max_size=len(t)))
    cells[0] = 100
    stamps = [datetime.fromtimestamp(x, UTC).isoformat() if iso else str(x) for x in t]
    lines = [f"{stamp},{'' if cell is None else cell}" for stamp, cell in zip(stamps, cells, strict=True)]
    path = written(tmp_path_factory.mktemp("t"), rows(*lines, header="time,grate"))
    table = read_table(path, unit=unit, air=["grate"])
    np.testing.assert_array_equal(table.t, t)
    read = table.columns[0].celsius * (1.0 if unit == "C" else 1.8) + (0 if unit == "C" else 32)
    np.testing.assert_allclose(read, [np.nan if cell is None else cell for cell in cells], atol=1e-9)


WRONG = {
    "an unreadable number": (
        rows(f"{T0},225,41", f"{T0 + 1},22S,41"),
        r"sunday\.csv, line 3, column 'grate': '22S' is not a number; correct it, or leave the cell empty",
    ),
    "time backwards": (
        rows(f"{T0},225,41", f"{T0 - 60},225,41"),
        rf"line 3, column 'time': time runs backwards, from '{T0}' to '{T0 - 60}'; sort the rows",
    ),
    "a time twice": (rows(f"{T0},225,41", f"{T0},226,41"), r"line 3, column 'time': the time '\d+' is that of the row"),
    "no time column": (
        rows("1,2,3", header="when,grate,flat"),
        r"line 1: no column 'time' is among 'when', 'grate', 'flat'; name the column of times 'time'",
    ),
    "a missing column": (rows("1,2", header="time,grate"), r"line 1: no column 'flat' is among 'time', 'grate'; corr"),
    "a column twice": (rows("1,2,3,4", header="time,grate,flat,flat"), r"line 1: column 'flat' is there or asked for"),
    "no rows": (rows(), r"sunday\.csv: there is no row below the header"),
    "nothing at all": ("", r"line 1: there is no header; name the columns there"),
    "a short row": (rows(f"{T0},225"), r"line 2: it has 2 cells, the header has 3; give every row every cell"),
    "a long row": (rows(f"{T0},225,41,7"), r"line 2: it has 4 cells"),
    "another delimiter": (GOOD.replace(",", "|"), r"line 1: no column 'time'.*a comma, a semicolon or a tab"),
    "no time": (rows(",225,41"), r"line 2, column 'time': there is no time; write ISO 8601"),
    "a word for a time": (rows("noon,225,41"), r"line 2, column 'time': 'noon' is not a time; write ISO 8601"),
    "milliseconds": (rows(f"{T0}000,225,41"), r"line 2, column 'time': .*milliseconds: divide by 1000"),
    "seconds from the start": (rows("0,225,41"), r"line 2, column 'time': '0' is no time between 2000 and 2100"),
    "some offsets": (
        rows("2026-05-30T14:05:00Z,225,41", "2026-05-30T14:06:00,225,41"),
        r"line 3, column 'time': .*some times have an offset and some have none",
    ),
    "colder than cold": (rows(f"{T0},-459.67,41"), r"line 2, column 'grate': -459\.67 deg F cannot be"),
    "infinite": (rows(f"{T0},1e999,41"), r"line 2, column 'grate': 1e999 deg F cannot be"),
    "an empty column": (rows(f"{T0},225,", f"{T0 + 1},225,"), r"column 'flat': there is not one reading in it"),
    "a zero byte": (rows(f"{T0},225,\x00"), r"line 2: there is a zero byte"),
    "an open quote": (rows(f'{T0},"225,41'), r"line 2: it cannot be read as CSV \(.*\); look at its quotation marks"),
}


@pytest.mark.parametrize(("text", "told"), WRONG.values(), ids=WRONG)
def test_a_bad_table_is_refused_with_its_place_and_leaves_nothing(ledger, tmp_path, text, told):
    with pytest.raises(TableError, match=told):
        import_table(ledger, written(tmp_path, text), unit="F", air=["grate"], meat=["flat"])
    assert ledger.cooks() == []


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16"])
def test_another_encoding_is_told(tmp_path, encoding):
    text = rows(f"{T0},225,41", header="time,grate,plätze").replace("flat", "x")
    with pytest.raises(TableError, match=r"line 1: (it is not UTF-8|there is a zero byte); .*save the table as CSV"):
        read_table(written(tmp_path, text, encoding), unit="F", air=["grate"])


@pytest.mark.parametrize(("unit", "told"), [("K", "unit 'K' is not known; say C or F"), (None, "no unit is given")])
def test_an_unknown_unit_is_told(tmp_path, unit, told):
    with pytest.raises(TableError, match=told):
        read_table(written(tmp_path, GOOD), unit=unit, air=["grate"])


@pytest.mark.parametrize(("kind", "value"), [("air", "450"), ("meat", "203")])
def test_fahrenheit_given_as_celsius_is_asked_back(tmp_path, kind, value):
    table = rows(*(f"{T0 + n},{value}" for n in range(9)), header="time,x")
    with pytest.raises(TableError, match=rf"column 'x': half of it is above {value} deg C, .*is this F\?"):
        read_table(written(tmp_path, table), unit="C", **{kind: ["x"]})
    read_table(written(tmp_path, table), unit="F", **{kind: ["x"]})


def test_no_places_is_told_with_the_columns_there_are(tmp_path):
    with pytest.raises(TableError, match=r"which columns are places\? name some of 'grate', 'flat'"):
        read_table(written(tmp_path, GOOD), unit="F")


def test_no_file_and_an_unknown_zone_are_told(tmp_path):
    with pytest.raises(TableError, match=r"gone\.csv: No such file"):
        read_table(tmp_path / "gone.csv", unit="F", air=["grate"])
    with pytest.raises(TableError, match="time zone 'Mars/Olympus' is not known"):
        read_table(written(tmp_path, GOOD), unit="F", air=["grate"], tz="Mars/Olympus")


def test_a_disk_that_fills_in_the_middle_leaves_no_half_cook(ledger, tmp_path):
    (pages,) = ledger._writer.execute("PRAGMA page_count").fetchone()
    ledger._writer.execute(f"PRAGMA max_page_count = {pages + 12}")
    lines = [f"{T0 + n},107,41" for n in range(3000)]  # 24 KB a blob: the first sheet fits, the second does not
    with pytest.raises(StoreError, match="disk is full"):
        import_table(ledger, written(tmp_path, rows(*lines)), unit="C", air=["grate"], meat=["flat"])
    assert ledger.cooks() == []
    assert ledger._read("SELECT count(*) FROM sheets") == [(0,)]


HEADED = "time,pit [F],flat [F],humid\n1780142400,250,40,x\n1780142430,251,41,y\n"


def test_a_column_whose_name_ends_in_its_unit_needs_no_other_word_for_it(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(HEADED)
    for air, meat in ((["pit"], ["flat"]), (["pit [F]"], ["flat [F]"])):
        read = read_table(path, unit=None, air=air, meat=meat)
        assert [c.place for c in read.columns] == ["pit", "flat"]
        assert read.columns[0].celsius[0] == pytest.approx((250 - 32) / 1.8)


def test_a_unit_that_the_header_contradicts_is_refused(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(HEADED)
    with pytest.raises(TableError, match=r"says F, and the unit given is C"):
        read_table(path, unit="C", air=["pit"], meat=["flat"])


@pytest.mark.parametrize("late", ["1811600000", "2027-05-30T12:00:00Z", "9981-01-01T00:00:00Z", "0001-01-01T00:00:00Z"])
def test_a_mistyped_year_is_refused_and_names_its_line(tmp_path, late):
    path = tmp_path / "a.csv"
    path.write_text(f"time,flat\n2026-05-30T12:00:00Z,40\n{late},41\n")
    if late.isdecimal():
        path.write_text(f"time,flat\n1780142400,40\n{late},41\n")
    with pytest.raises(TableError, match="line 3"):
        read_table(path, unit="F", meat=["flat"])


def test_the_same_table_with_its_unit_written_otherwise_is_the_same_table(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time,flat\n1780142400,40\n1780142430,41\n")
    small, large = (read_table(path, unit=unit, meat=["flat"]).digest for unit in "fF")
    assert small == large
    assert read_table(path, unit="C", meat=["flat"]).digest != large
