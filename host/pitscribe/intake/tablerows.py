"""One pass over the lines of a table: the header, then the rows into arrays, each cell checked as it comes."""

import csv
import math
import re
from array import array
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, tzinfo
from pathlib import Path
from typing import NamedTuple

from pitscribe.errors import TableError
from pitscribe.intake.tablecells import unguarded
from pitscribe.ledger.values import TIMES_MS

TIME = "time"
UNITS = ("C", "F")
DELIMITERS = ",;\t"
EARLIEST, LATEST = (ms / 1000 for ms in TIMES_MS)  # what the ledger takes
LONGEST_GAP_S = 30 * 86400.0  # between two rows: no cook has one, and a mistyped year has
COLDEST_C, HOTTEST_C = -60.0, 1400.0  # of one reading, whatever it is

GAPS = ("", "nan", "na", "n/a", "null", "none", "-", "--", "---")  # how a table says that there was no reading

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")


class NoUnitError(TableError):
    """Neither the header nor who asked says a unit."""


class Chosen(NamedTuple):
    """A column that is a place: where it stands in a row, and how it is to be taken."""

    at: int
    place: str
    kind: str
    unit: str


class Reading:
    """One pass over one file: header, then rows into arrays, each checked as it comes."""

    def __init__(self, path: Path, lines: Iterable[str], unit: str | None, zone: tzinfo) -> None:
        self.path, self._unit, self.zone = path, unit, zone
        self._line = 0
        self._lines = self._numbered(lines)
        self._delimiter, self._header = self._read_header()
        self._time = [name.lower() for name in self._header].index(TIME)
        self.chosen: list[Chosen] = []
        self.t = array("d")
        self.values: list[array[float]] = []
        self._said: tuple[float, str] = (-math.inf, "")  # the time before, as it was written
        self.naive: bool | None = None  # times come without an offset; None: not known yet, or epoch

    def _numbered(self, lines: Iterable[str]) -> Iterator[str]:
        try:
            for line in lines:
                self._line += 1
                if "\0" in line:
                    raise self._wrong("there is a zero byte", "this is no text; save the table as CSV in UTF-8")
                yield line
        except UnicodeDecodeError as error:
            self._line += 1
            raise self._wrong("it is not UTF-8", "save the table as CSV in UTF-8") from error

    def _wrong(self, what: str, remedy: str, column: str | None = None) -> TableError:
        place = f"line {self._line}" + ("" if column is None else f", column {column!r}")
        return TableError(f"{self.path}, {place}: {what}; {remedy}")

    # header

    def _read_header(self) -> tuple[str, list[str]]:
        first = next(self._lines, "")
        self._line = 1
        if not first.strip():
            raise self._wrong("there is no header", f"name the columns there, one of them {TIME!r}")
        try:
            rows = {d: next(csv.reader([first], delimiter=d)) for d in DELIMITERS}
        except csv.Error as error:
            raise self._wrong(f"it cannot be read as CSV ({error})", "look at its quotation marks") from error
        splits = {d: [unguarded(cell.strip()) for cell in row] for d, row in rows.items()}
        for delimiter, names in splits.items():
            if TIME in [name.lower() for name in names]:
                return delimiter, names
        best = max(splits.values(), key=len)
        raise self._wrong(
            f"no column {TIME!r} is among {_listed(best)}",
            f"name the column of times {TIME!r}; cells are parted by a comma, a semicolon or a tab",
        )

    def choose(self, air: Sequence[str], meat: Sequence[str]) -> None:
        """Find the columns that are places."""
        wanted = [(name.strip(), "air") for name in air] + [(name.strip(), "meat") for name in meat]
        if not wanted:
            others = [name for name in self._header if name.lower() != TIME]
            raise TableError(f"{self.path}: which columns are places? name some of {_listed(others)} as air or meat")
        for name, kind in wanted:
            names = [name, *(f"{name} [{unit}]" for unit in UNITS)]
            found = [i for i, column in enumerate(self._header) if column in names] or self._alike(names)
            if not found:
                raise self._wrong(f"no column {name!r} is among {_listed(self._header)}", "correct the name")
            if len(found) > 1 or [w for w, _ in wanted].count(name) > 1 or found[0] == self._time:
                raise self._wrong(f"column {name!r} is there or asked for twice", "a place has one column")
            place, unit = self._place_and_unit(self._header[found[0]])
            if not place or not place.isprintable() or len(place) > 200:
                raise self._wrong(f"column {name!r} cannot name a place", "give it a short printable name")
            self.chosen.append(Chosen(found[0], place, kind, unit))
            self.values.append(array("d"))

    def _alike(self, names: Sequence[str]) -> list[int]:
        """Columns that differ from what was asked for by capitals alone, where it is one."""
        wanted = [name.casefold() for name in names]
        found = [i for i, column in enumerate(self._header) if column.casefold() in wanted]
        return found if len(found) == 1 else []

    def _place_and_unit(self, column: str) -> tuple[str, str]:
        """What a column's name says, and the unit that was given: they must not contradict each other."""
        said = next((unit for unit in UNITS if column.endswith(f"[{unit}]")), None)
        if said is None and self._unit is None:
            raise NoUnitError(f"{self.path}: no unit is given; say C or F")
        if said is not None and self._unit not in (None, said):
            what = f"column {column!r} says {said}, and the unit given is {self._unit}"
            raise self._wrong(what, "correct one of them")
        return (column if said is None else column[:-3].strip()), str(said or self._unit)

    def manner(self) -> str:
        """How the file was read, as a text: the same file read otherwise is another table."""
        return repr(([tuple(one) for one in self.chosen], str(self.zone)))

    # rows

    def read(self) -> None:
        """Read all rows."""
        rows = csv.reader(self._lines, delimiter=self._delimiter, strict=True)
        try:
            for row in rows:
                if any(cell.strip() for cell in row):
                    self._row(row)
        except csv.Error as error:
            raise self._wrong(f"it cannot be read as CSV ({error})", "look at its quotation marks") from error
        if not self.t:
            raise TableError(f"{self.path}: there is no row below the header; nothing to read")

    def _row(self, row: Sequence[str]) -> None:
        many, cells = len(self._header), len(row)
        if cells > many and not any(cell.strip() for cell in row[many:]):
            cells = many  # a delimiter at the end of the line
        if cells != many:
            remedy = "give every row every cell, empty or not"
            if cells > many and self._delimiter == ",":
                remedy += "; decimal commas need semicolons or tabs between the cells"
            raise self._wrong(f"it has {cells} cells, the header has {many}", remedy)
        self.t.append(self._read_time(row[self._time].strip()))
        for column, values in zip(self.chosen, self.values, strict=True):
            values.append(self._read_value(row[column.at].strip(), column))

    def _read_time(self, text: str) -> float:
        at = self._epoch(text) if _NUMBER.match(text) else self._iso(text)
        before, as_written = self._said
        if at == before:
            raise self._wrong(f"the time {text!r} is that of the row before", "keep one of the two", TIME)
        if at < before:
            remedy = "sort the rows; where clocks were put back, write times with their offset"
            raise self._wrong(f"time runs backwards, from {as_written!r} to {text!r}", remedy, TIME)
        if at - before > LONGEST_GAP_S and math.isfinite(before):
            late = f"{text!r} is {(at - before) / 86400:.0f} days after the row before"
            raise self._wrong(late, "correct it, or split the table", TIME)
        self._said = (at, text)
        return at

    def _epoch(self, text: str) -> float:
        at = float(text.replace(",", "."))
        if not EARLIEST <= at <= LATEST:
            hint = "these look like milliseconds: divide by 1000" if at > LATEST else "write ISO 8601 or epoch seconds"
            raise self._wrong(f"{text!r} is no time between 2000 and 2100 in seconds since 1970", hint, TIME)
        return at

    def _iso(self, text: str) -> float:
        try:
            when = datetime.fromisoformat(text)
        except ValueError:
            raise self._wrong(
                f"{text!r} is not a time" if text else "there is no time",
                "write ISO 8601, as in 2026-05-30T14:05:00+02:00, or seconds since 1970",
                TIME,
            ) from None
        naive = when.tzinfo is None
        if self.naive not in (None, naive):
            raise self._wrong(f"{text!r}: some times have an offset and some have none", "write all alike", TIME)
        self.naive = naive
        try:
            at = (when.replace(tzinfo=self.zone) if naive else when).timestamp()
        except (OverflowError, ValueError):
            at = math.inf
        if not EARLIEST <= at <= LATEST:
            raise self._wrong(f"{text!r} is no time between 2000 and 2100", "correct the year", TIME)
        return at

    def _read_value(self, text: str, column: "Chosen") -> float:
        if text.lower() in GAPS:
            return math.nan
        if not _NUMBER.match(text) or ("," in text and self._delimiter == ","):
            remedy = "correct it, or leave the cell empty for a gap"
            if _NUMBER.match(text):
                remedy = f"write {text.replace(',', '.')}, or put semicolons between the cells"
            raise self._wrong(f"{text!r} is not a number", remedy, column.place)
        value = float(text.replace(",", "."))
        celsius = value if column.unit == "C" else (value - 32) / 1.8
        if not COLDEST_C <= celsius <= HOTTEST_C:
            remedy = "empty the cell if the probe was out"
            raise self._wrong(f"{text} deg {column.unit} cannot be", remedy, column.place)
        return celsius


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name) for name in names[:12])
    return shown + (f" and {len(names) - 12} more" if len(names) > 12 else "") if names else "no column"
