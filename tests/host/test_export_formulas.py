"""What a person typed must not run in a spreadsheet, and must come back as it was typed.

Which signs begin a formula, and the apostrophe before them: OWASP ASVS 5.0, 1.2.10 (seen); quoting: RFC 4180, section
2, 6 and 7. That a cell can also begin behind a separator that another spreadsheet goes by: OWASP's page on CSV
injection, from memory.
"""

import csv
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_commands import table

from pitscribe.clock import SystemClock
from pitscribe.intake.tablecells import guarded, unguarded
from pitscribe.ledger.ledger import Ledger

STARTS = "=+-@\t\r\n\0"
SEPARATORS = ",;\t|"
NAMES = ["=1+2", "+1", "-flat", "@SUM(A1)", "'=1", "''-x", "'point", 'in "paper"', "x;=1+2", 'x";=1+2', "a,-b", "flat"]


def begins_a_formula(cell: str) -> bool:
    """Whether a spreadsheet may take a cell for a formula: by its first sign, unless it is a plain number."""
    return cell.lstrip(' "')[:1] in tuple(STARTS) and not cell.replace(".", "").removeprefix("-").isdigit()


@given(st.text("=+-@\t\r\n\0'\";,| ab1", max_size=12))
def test_a_guarded_text_begins_no_formula_wherever_it_is_cut_and_comes_back_as_it_was(text):
    safe = guarded(text)
    assert unguarded(safe) == text
    for separator in SEPARATORS:
        assert not any(begins_a_formula(cell) for cell in safe.split(separator)), safe


@given(st.text(max_size=20))
@settings(max_examples=40)
def test_any_text_at_all_comes_back_as_it_was(text):
    assert unguarded(guarded(text)) == text


@pytest.mark.parametrize("name", ["flat", "burnt ends", "O'Brien", "50/50", "a-b", "'69", "fumée"])
def test_an_ordinary_name_is_left_as_it_is(name):
    assert guarded(name) == name


@pytest.fixture(params=NAMES)
def typed(command, tmp_path, request):
    """A cook in whose name, notes, meats and places something was typed that a spreadsheet might run: what it is."""
    csv = table(tmp_path / "a.csv", rows=5)
    assert command("import", csv, "--unit", "F", "--air", "grate", "--meat", "flat")[0] == 0
    name = request.param
    with closing(Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock())) as ledger, ledger._write() as db:
        db.execute("UPDATE sheets SET place = ? WHERE place = 'flat'", (name,))
        cook = ledger.cooks()[0]
        ledger.set_cook(cook.id, name=name, target_c=95.0, band_c=(107.0, 135.0), meats=[name], meat_kind="beef")
        ledger.add_note(cook.id, cook.started_ms + 60_000, "text", name)
    return name


def test_no_cell_of_an_export_is_a_formula_however_a_spreadsheet_parts_it(command, tmp_path, typed):
    assert command("export", "--unit", "F", "--out", tmp_path / "b.csv")[0] == 0
    for delimiter in SEPARATORS:
        with (tmp_path / "b.csv").open(newline="", encoding="utf-8") as file:
            cells = [cell for row in csv.reader(file, delimiter=delimiter) for cell in row]
        assert [cell for cell in cells if begins_a_formula(cell)] == []


def test_what_was_typed_comes_back_through_our_own_import(command, tmp_path, typed):
    """All that the file and the one beside it say: places, the cook's name and aims, its notes."""
    assert command("export", "--out", tmp_path / "b.csv")[0] == 0
    assert command("import", tmp_path / "b.csv")[0] == 0, "places and kinds are in the file beside it"
    with closing(Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock())) as ledger:
        cooks = [ledger.cook(number) for number in (1, 2)]
        places = [[(sheet.place, sheet.kind) for sheet in ledger.sheets(cook.id)] for cook in cooks]
        notes = [[(note.at_ms, note.kind, note.text) for note in ledger.notes(cook.id)] for cook in cooks]
    assert places[0] == places[1] == [("grate", "air"), (typed, "meat")]
    assert notes[0] == notes[1]
    assert notes[0][0][2] == typed
    same = [(c.name, c.target_c, c.band_c, c.meats, c.meat_kind, c.started_ms, c.ended_ms) for c in cooks]
    assert same[0] == same[1]
