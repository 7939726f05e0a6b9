"""The way in from a table: a CSV with a ``time`` and one column a place becomes a cook of its own.

The whole file is read and checked, once, line by line, before anything is stored. Taken are commas, semicolons or tabs
between cells, a byte order mark, empty cells (gaps), and decimal commas where the comma does not part the cells.
"""

import csv
import hashlib
import math
import re
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import TableError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import TIMES_MS, Cook

TIME = "time"
UNITS = ("C", "F")
DELIMITERS = ",;\t"
EARLIEST, LATEST = (ms / 1000 for ms in TIMES_MS)  # what the ledger takes
LONGEST_GAP_S = 30 * 86400.0  # between two rows: no cook has one, and a mistyped year has
COLDEST_C, HOTTEST_C = -60.0, 1400.0  # of one reading, whatever it is
# Above these medians (degC) a column given as C is not what it says: pits are smoked in below 200 degC, and meat that
# holds water stays below 100 degC. Common practice, no source.
ABSURD_MEDIAN_C = {"air": 400.0, "meat": 115.0}

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")


@dataclass(frozen=True, slots=True)
class Column:
    """One place of a table: degC, float64 (n,), NaN where the cell was empty."""

    place: str
    kind: str  # "air" or "meat"
    celsius: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Table:
    """A checked table. ``t``: float64 (n,), UTC seconds, ascending. ``assumed``: what a reader should be told."""

    source: str
    digest: str  # of the file and of how it was read
    t: NDArray[np.float64]
    columns: tuple[Column, ...]
    assumed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TableResult:
    """What an import did; ``known``: this table, read in this way, had been imported before."""

    cook: Cook
    table: Table
    known: bool


def import_table(
    ledger: Ledger,
    path: Path,
    *,
    unit: str,
    air: Sequence[str] = (),
    meat: Sequence[str] = (),
    name: str | None = None,
    tz: str | None = None,
) -> TableResult:
    """Make a cook of a CSV: all of it or, with TableError, nothing. The same table again gives the cook it has made."""
    table = read_table(path, unit=unit, air=air, meat=meat, tz=tz)
    with ledger.together():
        if made := ledger.sheet_cook(table.digest):
            return TableResult(made, table, known=True)
        first, last = round(float(table.t[0]) * 1000), round(float(table.t[-1]) * 1000)
        cook = ledger.start_cook(name or path.stem, at=first)
        for column in table.columns:
            ledger.add_sheet(
                cook.id, column.place, column.kind, table.t, column.celsius, table.source, table.digest
            )
        cook = ledger.end_cook(cook.id, last)
    return TableResult(cook, table, known=False)


def read_table(
    path: Path, *, unit: str | None, air: Sequence[str] = (), meat: Sequence[str] = (), tz: str | None = None
) -> Table:
    """Read and check a CSV.

    unit : "C" or "F", of every column whose name does not end in its unit, as in "flat [F]"
    air, meat : the columns that are places; the others are left alone
    tz : IANA name of the zone of times without an offset; None: they are UTC

    Raises TableError naming file, line, column and value.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as lines:
            reading = _Reading(path, lines, _unit(path, unit), _zone(path, tz))
            reading.choose(air, meat)
            reading.read()
        with path.open("rb") as file:
            content = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}; name a CSV file that can be read") from error
    return reading.table(hashlib.sha256(f"{content} {reading.manner()}".encode()).hexdigest())


def _unit(path: Path, unit: str | None) -> str | None:
    if unit is not None and unit.upper() not in UNITS:
        raise TableError(f"{path}: unit {unit!r} is not known; say C or F")
    return None if unit is None else unit.upper()


def _zone(path: Path, tz: str | None) -> tzinfo:
    if tz is None:
        return UTC
    try:
        return ZoneInfo(tz)
    except (ValueError, OSError, KeyError) as error:
        raise TableError(f"{path}: time zone {tz!r} is not known; write it as in Europe/Berlin") from error


class _Chosen(NamedTuple):
    """A column that is a place: where it stands in a row, and how it is to be taken."""

    at: int
    place: str
    kind: str
    unit: str


class _Reading:
    """One pass over one file: header, then rows into arrays, each checked as it comes."""

    def __init__(self, path: Path, lines: Iterable[str], unit: str | None, zone: tzinfo) -> None:
        self._path, self._unit, self._zone = path, unit, zone
        self._line = 0
        self._lines = self._numbered(lines)
        self._delimiter, self._header = self._read_header()
        self._time = [name.lower() for name in self._header].index(TIME)
        self._chosen: list[_Chosen] = []
        self._t = array("d")
        self._values: list[array[float]] = []
        self._said: tuple[float, str] = (-math.inf, "")  # the time before, as it was written
        self._naive: bool | None = None  # times come without an offset; None: not known yet, or epoch

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
        return TableError(f"{self._path}, {place}: {what}; {remedy}")

    # header

    def _read_header(self) -> tuple[str, list[str]]:
        first = next(self._lines, "")
        self._line = 1
        if not first.strip():
            raise self._wrong("there is no header", f"name the columns there, one of them {TIME!r}")
        try:
            splits = {d: [cell.strip() for cell in next(csv.reader([first], delimiter=d))] for d in DELIMITERS}
        except csv.Error as error:
            raise self._wrong(f"it cannot be read as CSV ({error})", "look at its quotation marks") from error
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
            raise TableError(f"{self._path}: which columns are places? name some of {_listed(others)} as air or meat")
        for name, kind in wanted:
            names = [name, *(f"{name} [{unit}]" for unit in UNITS)]
            found = [i for i, column in enumerate(self._header) if column in names]
            if not found:
                raise self._wrong(f"no column {name!r} is among {_listed(self._header)}", "correct the name")
            if len(found) > 1 or [w for w, _ in wanted].count(name) > 1 or found[0] == self._time:
                raise self._wrong(f"column {name!r} is there or asked for twice", "a place has one column")
            place, unit = self._place_and_unit(self._header[found[0]])
            if not place or not place.isprintable() or len(place) > 200:
                raise self._wrong(f"column {name!r} cannot name a place", "give it a short printable name")
            self._chosen.append(_Chosen(found[0], place, kind, unit))
            self._values.append(array("d"))

    def _place_and_unit(self, column: str) -> tuple[str, str]:
        """What a column's name says, and the unit that was given: they must not contradict each other."""
        said = next((unit for unit in UNITS if column.endswith(f"[{unit}]")), None)
        if said is None and self._unit is None:
            raise TableError(f"{self._path}: no unit is given; say C or F")
        if said is not None and self._unit not in (None, said):
            what = f"column {column!r} says {said}, and the unit given is {self._unit}"
            raise self._wrong(what, "correct one of them")
        return (column if said is None else column[:-3].strip()), str(said or self._unit)

    def manner(self) -> str:
        """How the file was read, as a text: the same file read otherwise is another table."""
        return repr(([tuple(one) for one in self._chosen], str(self._zone)))

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
        if not self._t:
            raise TableError(f"{self._path}: there is no row below the header; nothing to read")

    def _row(self, row: Sequence[str]) -> None:
        if len(row) != len(self._header):
            counts = f"it has {len(row)} cells, the header has {len(self._header)}"
            raise self._wrong(counts, "give every row every cell, empty or not")
        self._t.append(self._read_time(row[self._time].strip()))
        for column, values in zip(self._chosen, self._values, strict=True):
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
        if self._naive not in (None, naive):
            raise self._wrong(f"{text!r}: some times have an offset and some have none", "write all alike", TIME)
        self._naive = naive
        try:
            at = (when.replace(tzinfo=self._zone) if naive else when).timestamp()
        except (OverflowError, ValueError):
            at = math.inf
        if not EARLIEST <= at <= LATEST:
            raise self._wrong(f"{text!r} is no time between 2000 and 2100", "correct the year", TIME)
        return at

    def _read_value(self, text: str, column: "_Chosen") -> float:
        if not text or text.lower() == "nan":
            return math.nan
        if not _NUMBER.match(text) or ("," in text and self._delimiter == ","):
            remedy = "correct it, or leave the cell empty for a gap"
            raise self._wrong(f"{text!r} is not a number", remedy, column.place)
        value = float(text.replace(",", "."))
        celsius = value if column.unit == "C" else (value - 32) / 1.8
        if not COLDEST_C <= celsius <= HOTTEST_C:
            remedy = "empty the cell if the probe was out"
            raise self._wrong(f"{text} deg {column.unit} cannot be", remedy, column.place)
        return celsius

    # the whole

    def table(self, digest: str) -> Table:
        """The table, after a last look at each column as a whole."""
        columns = [
            Column(chosen.place, chosen.kind, np.array(values, np.float64))
            for chosen, values in zip(self._chosen, self._values, strict=True)
        ]
        for chosen, column in zip(self._chosen, columns, strict=True):
            self._plausible(column, chosen.unit)
        assumed = []
        if self._naive:
            zone = "UTC" if self._zone is UTC else str(self._zone)
            assumed.append(f"times without an offset were taken as {zone}")
        return Table(str(self._path), digest, np.array(self._t, np.float64), tuple(columns), tuple(assumed))

    def _plausible(self, column: Column, unit: str) -> None:
        there = column.celsius[np.isfinite(column.celsius)]
        if not there.size:
            raise TableError(f"{self._path}, column {column.place!r}: there is not one reading in it; leave it out")
        median = float(np.median(there))
        if median > ABSURD_MEDIAN_C[column.kind]:
            shown = median if unit == "C" else median * 1.8 + 32
            question = "is this F?" if unit == "C" else "is this column what you say?"
            raise TableError(
                f"{self._path}, column {column.place!r}: half of it is above {shown:.0f} deg {unit}, "
                f"too hot for {column.kind}; {question}"
            )


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name) for name in names[:12])
    return shown + (f" and {len(names) - 12} more" if len(names) > 12 else "") if names else "no column"
