"""The way in from a table: a CSV with a ``time`` and one column a place becomes a cook of its own.

The whole file is read and checked, once, line by line, before anything is stored. Taken are commas, semicolons or tabs
between cells, a byte order mark, empty cells (gaps), and decimal commas where the comma does not part the cells.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import TableError
from pitscribe.intake import tableunit
from pitscribe.intake.tablerows import UNITS, NoUnitError, Reading
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook

# Above these medians (degC) a column is not what it says: pits are smoked in below 200 degC, and meat in a pit is no
# hotter than that, even where its probe came out. Common practice, no source.
ABSURD_MEDIAN_C = {"air": 400.0, "meat": 200.0}
# Meat that holds water stays below 100 degC; above it, a table whose unit is in doubt as a whole is not taken.
DRY_MEDIAN_C = 115.0

HOTTER_K = 10.0  # more than two probes are off, the one in the meat and the one in the air


@dataclass(frozen=True, slots=True)
class Column:
    """One place of a table: degC, float64 (n,), NaN where the cell was empty."""

    place: str
    kind: str  # "air" or "meat"
    celsius: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Table:
    """A checked table. ``t``: float64 (n,), UTC seconds, ascending. ``assumed``: what a reader should be told.

    ``doubt``: why its unit may be another one, or its columns swapped; None: nothing speaks for that.
    """

    source: str
    digest: str  # of the file and of how it was read
    t: NDArray[np.float64]
    columns: tuple[Column, ...]
    assumed: tuple[str, ...]
    doubt: str | None


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
    guess: bool = False,
) -> TableResult:
    """Make a cook of a CSV: all of it or, with TableError, nothing. The same table again gives the cook it has made."""
    table = read_table(path, unit=unit, air=air, meat=meat, tz=tz, guess=guess)
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
    path: Path, *, unit: str | None, air: Sequence[str] = (), meat: Sequence[str] = (), tz: str | None = None,
    guess: bool = False,
) -> Table:
    """Read and check a CSV.

    unit : "C" or "F", of every column whose name does not end in its unit, as in "flat [F]"
    air, meat : the columns that are places; the others are left alone
    tz : IANA name of the zone of times without an offset; None: they are UTC
    guess : where no unit is given, take the one in which the table is an ordinary cook, if that is one of the two

    Raises TableError naming file, line, column and value.
    """
    try:
        return _read(path, _unit(path, unit), air, meat, tz)
    except NoUnitError:
        likely = [(one, table) for one in UNITS if (table := _ordinary(path, one, air, meat, tz))] if guess else []
        if len(likely) != 1:
            raise
    one, table = likely[0]
    told = f"no unit was given: taken as deg {one}, in which alone it is an ordinary cook; give the unit to be sure"
    return replace(table, assumed=(*table.assumed, told))


def _read(path: Path, unit: str | None, air: Sequence[str], meat: Sequence[str], tz: str | None) -> Table:
    try:
        with path.open(newline="", encoding="utf-8-sig") as lines:
            reading = Reading(path, lines, unit, _zone(path, tz))
            reading.choose(air, meat)
            reading.read()
        with path.open("rb") as file:
            content = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}; name a CSV file that can be read") from error
    return _table(reading, hashlib.sha256(f"{content} {reading.manner()}".encode()).hexdigest())


def _ordinary(path: Path, unit: str, air: Sequence[str], meat: Sequence[str], tz: str | None) -> Table | None:
    """The table read in a unit, if it can be and is an ordinary cook then."""
    try:
        table = _read(path, unit, air, meat, tz)
    except TableError:
        return None
    return table if tableunit.ordinary(*_by_kind(table.columns)) else None


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


def _table(reading: Reading, digest: str) -> Table:
    """The table, after a last look at each column as a whole."""
    t = np.array(reading.t, np.float64)
    columns = [
        Column(chosen.place, chosen.kind, np.array(values, np.float64))
        for chosen, values in zip(reading.chosen, reading.values, strict=True)
    ]
    units = {chosen.unit for chosen in reading.chosen}
    # Columns of both units were named so in the header, which nobody does in error.
    doubt = tableunit.doubt(*_by_kind(columns), units.pop()) if len(units) == 1 else None
    for chosen, column in zip(reading.chosen, columns, strict=True):
        _check(reading.path, column, chosen.unit, doubt)
    assumed = (f"times without an offset were taken as {reading.zone}",) if reading.naive else ()
    return Table(str(reading.path), digest, t, tuple(columns), assumed, doubt or _swapped(columns))


def _by_kind(columns: Sequence[Column]) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    air, meat = ([c.celsius for c in columns if c.kind == kind] for kind in ("air", "meat"))
    return air, meat


def _swapped(columns: Sequence[Column]) -> str | None:
    """That a meat place is hotter than all air most of the time, as no pit makes it; None: none is.

    Beside a fire that went out for long the meat is hotter too, but never hotter than that air once was.
    """
    air = [c.celsius for c in columns if c.kind == "air"]
    ever = max((float(np.nanmax(one)) for one in air), default=float("inf"))
    for column in columns:
        if column.kind == "air" or np.nanmax(column.celsius) <= ever:
            continue
        more = column.celsius - np.max(np.where(np.isfinite(air), air, -np.inf), axis=0)
        known = more[np.isfinite(more)]
        if known.size and float(np.median(known)) > HOTTER_K:
            return f"{column.place} is hotter than the air most of the time: are two columns swapped?"
    return None


def _check(path: Path, column: Column, unit: str, doubt: str | None) -> None:
    """Refuse a column without a reading, and one that cannot be what it is said to be."""
    there = column.celsius[np.isfinite(column.celsius)]
    if not there.size:
        raise TableError(f"{path}, column {column.place!r}: there is not one reading in it; leave it out")
    median = float(np.median(there))
    dry = column.kind == "meat" and median > DRY_MEDIAN_C
    if median > ABSURD_MEDIAN_C[column.kind] or (dry and doubt):
        shown = median if unit == "C" else median * 1.8 + 32
        question = "is this F?" if unit == "C" else "is this column what you say?"
        raise TableError(
            f"{path}, column {column.place!r}: half of it is above {shown:.0f} deg {unit}, too hot for {column.kind}; "
            f"{question}"
        )
