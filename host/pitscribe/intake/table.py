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
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import TableError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook

TIME = "time"
UNITS = ("C", "F")
DELIMITERS = ",;\t"
EARLIEST, LATEST = 1e8, 4.2e9  # epoch seconds: 1973 to 2103
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

    unit : "C" or "F", of every column
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
        raise TableError(f"{path}: {error.strerror}") from error
    manner = repr((content, unit, list(air), list(meat), tz))
    return reading.table(hashlib.sha256(manner.encode()).hexdigest())


def _unit(path: Path, unit: str | None) -> str:
    if unit is None or unit.upper() not in UNITS:
        given = "no unit is given" if unit is None else f"unit {unit!r} is not known"
        raise TableError(f"{path}: {given}; say C or F")
    return unit.upper()


def _zone(path: Path, tz: str | None) -> tzinfo:
    if tz is None:
        return UTC
    try:
        return ZoneInfo(tz)
    except (ValueError, OSError, KeyError) as error:
        raise TableError(f"{path}: time zone {tz!r} is not known; write it as in Europe/Berlin") from error


class _Reading:
    """One pass over one file: header, then rows into arrays, each checked as it comes."""

    def __init__(self, path: Path, lines: Iterable[str], unit: str, zone: tzinfo) -> None:
        self._path, self._unit, self._zone = path, unit, zone
        self._line = 0
        self._lines = self._numbered(lines)
        self._delimiter, self._header = self._read_header()
        self._time = [name.lower() for name in self._header].index(TIME)
        self._chosen: list[tuple[int, str, str]] = []  # index, column, kind
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
            found = [i for i, column in enumerate(self._header) if column == name]
            if not found:
                raise self._wrong(f"no column {name!r} is among {_listed(self._header)}", "correct the name")
            if len(found) > 1 or [w for w, _ in wanted].count(name) > 1 or found[0] == self._time:
                raise self._wrong(f"column {name!r} is there or asked for twice", "a place has one column")
            if not name or not name.isprintable() or len(name) > 200:
                raise self._wrong(f"column {name!r} cannot name a place", "give it a short printable name")
            self._chosen.append((found[0], name, kind))
            self._values.append(array("d"))

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
        for (index, name, _), values in zip(self._chosen, self._values, strict=True):
            values.append(self._read_value(row[index].strip(), name))

    def _read_time(self, text: str) -> float:
        at = self._epoch(text) if _NUMBER.match(text) else self._iso(text)
        before, as_written = self._said
        if at == before:
            raise self._wrong(f"the time {text!r} is that of the row before", "keep one of the two", TIME)
        if at < before:
            remedy = "sort the rows; where clocks were put back, write times with their offset"
            raise self._wrong(f"time runs backwards, from {as_written!r} to {text!r}", remedy, TIME)
        self._said = (at, text)
        return at

    def _epoch(self, text: str) -> float:
        at = float(text.replace(",", "."))
        if not EARLIEST <= at <= LATEST:
            hint = "these look like milliseconds: divide by 1000" if at > LATEST else "write ISO 8601 or epoch seconds"
            raise self._wrong(f"{text!r} is no time between 1973 and 2103 in seconds since 1970", hint, TIME)
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
        return (when.replace(tzinfo=self._zone) if naive else when).timestamp()

    def _read_value(self, text: str, column: str) -> float:
        if not text or text.lower() == "nan":
            return math.nan
        if not _NUMBER.match(text) or ("," in text and self._delimiter == ","):
            raise self._wrong(f"{text!r} is not a number", "correct it, or leave the cell empty for a gap", column)
        value = float(text.replace(",", "."))
        celsius = value if self._unit == "C" else (value - 32) / 1.8
        if not COLDEST_C <= celsius <= HOTTEST_C:
            raise self._wrong(f"{text} deg {self._unit} cannot be", "empty the cell if the probe was out", column)
        return celsius

    # the whole

    def table(self, digest: str) -> Table:
        """The table, after a last look at each column as a whole."""
        columns = [
            Column(name, kind, np.array(values, np.float64))
            for (_, name, kind), values in zip(self._chosen, self._values, strict=True)
        ]
        for column in columns:
            self._plausible(column)
        assumed = []
        if self._naive:
            zone = "UTC" if self._zone is UTC else str(self._zone)
            assumed.append(f"times without an offset were taken as {zone}")
        return Table(str(self._path), digest, np.array(self._t, np.float64), tuple(columns), tuple(assumed))

    def _plausible(self, column: Column) -> None:
        there = column.celsius[np.isfinite(column.celsius)]
        if not there.size:
            raise TableError(f"{self._path}, column {column.place!r}: there is not one reading in it; leave it out")
        median = float(np.median(there))
        if median > ABSURD_MEDIAN_C[column.kind]:
            shown = median if self._unit == "C" else median * 1.8 + 32
            question = "is this F?" if self._unit == "C" else "is this column what you say?"
            raise TableError(
                f"{self._path}, column {column.place!r}: half of it is above {shown:.0f} deg {self._unit}, "
                f"too hot for {column.kind}; {question}"
            )


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name) for name in names[:12])
    return shown + (f" and {len(names) - 12} more" if len(names) > 12 else "") if names else "no column"
