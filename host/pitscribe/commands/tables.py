"""``pitscribe import`` and ``pitscribe export``: journal segments and CSV in, CSV out."""

import argparse
import csv
import os
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from pitscribe.commands.ledgers import begun_ledger, meant_cook, read_ledger
from pitscribe.commands.when import local, parse_past
from pitscribe.config import Config
from pitscribe.cook.analysis import flag_words
from pitscribe.errors import ConfigError, StoreError
from pitscribe.intake.folder import import_folder
from pitscribe.intake.table import import_table
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import CookRecord, Series, boot_times, give_or_take, heard_span, load

Times = NDArray[np.float64]


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Take in or give out."""
    if arguments.action == "export":
        with read_ledger(config) as ledger:
            _export(config, ledger, arguments)
        return
    with begun_ledger(config) as ledger:
        if _is_table(arguments.path):
            _import_table(ledger, arguments)
        else:
            _import_folder(ledger, arguments)


def _import_folder(ledger: Ledger, arguments: argparse.Namespace) -> None:
    for name in ("unit", "air", "meat", "name", "tz"):
        if getattr(arguments, name):
            raise ConfigError(f"--{name} is for a CSV; {arguments.path} is none")
    now = ledger.now_ms() / 1000
    started_at = None if arguments.started_at is None else parse_past(arguments.started_at, now)
    if arguments.boot is not None and started_at is None:
        raise ConfigError("--boot is for --started-at: which boot that was")
    done = import_folder(ledger, arguments.path, started_at=started_at, boot=arguments.boot)
    print(f"{done.frames} frames in {counted(done.files, 'file')}: {done.new} new, {done.known} known already")
    if done.clashes or done.damaged or done.asides:
        stretches, unusable = counted(done.damaged, "damaged stretch", "es"), counted(done.asides, "frame")
        print(
            f"kept aside: {stretches}, {unusable} that cannot be used, "
            f"{done.clashes} that differ from a known frame of the same key"
        )
    if done.placed is not None and started_at is not None:
        logger, boot = done.placed
        print(f"boot {boot} of logger {logger:08x} is taken to have started at {local(started_at)}")
    for logger in done.loggers:
        tell_readings(ledger, logger)
    tell_timeless(ledger, done.timeless)


def tell_readings(ledger: Ledger, logger: int) -> None:
    """Print of when there are readings of a logger, and how to make a cook of them."""
    if (heard := heard_span(ledger, logger)) is None:
        return
    began = datetime.fromtimestamp(heard[0]).strftime("%Y-%m-%dT%H:%M")
    channels = ", ".join(f"{number} ({tc})" for number, tc in ledger.channels(logger).items())
    print(
        f"logger {logger:08x} has readings from {local(heard[0])} to {local(heard[1])} on channels {channels}; "
        f"for a cook of them: pitscribe cook start NAME --at {began} --logger {logger:08x} --meat PLACE=CHANNEL"
    )


def tell_timeless(ledger: Ledger, boots: Sequence[tuple[int, int]]) -> None:
    """Print which (logger, boot) no anchor places in time, and what can."""
    times = {logger: boot_times(ledger, logger) for logger, _ in boots}
    for logger, boot in boots:
        known = ""
        if (base := times[logger].bases.get(boot)) is not None:
            about = give_or_take(times[logger].windows[boot].half)
            known = f"; by the boots around it, it began at {local(float(base.utc(0)))}, give or take {about}"
        print(
            f"boot {boot} of logger {logger:08x} never learnt the time{known}; say when it was switched on with: "
            f"pitscribe boots --logger {logger:08x} --boot {boot} --started-at TIME"
        )


def _import_table(ledger: Ledger, arguments: argparse.Namespace) -> None:
    if arguments.started_at or arguments.boot is not None:
        raise ConfigError(f"--started-at is for journal segments; {arguments.path} says its times itself")
    done = import_table(
        ledger,
        arguments.path,
        unit=arguments.unit,
        air=names(arguments.air),
        meat=names(arguments.meat),
        name=arguments.name,
        tz=arguments.tz,
    )
    for line in (*done.table.assumed, *filter(None, [done.table.doubt])):
        print(line)
    state = "was imported before, as" if done.known else "is"
    print(f"{arguments.path} {state} cook {done.cook.id}, {done.cook.name}: {counted(done.table.t.size, 'row')}")


def counted(number: int, what: str, plural: str = "s") -> str:
    """``1 file``, ``2 files``."""
    return f"{number} {what}" + ("" if number == 1 else plural)


def names(text: str) -> list[str]:
    """``A,B`` -> the names in it."""
    return [name.strip() for name in text.split(",") if name.strip()]


def _export(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    record = load(ledger, meant_cook(ledger, arguments.cook).id, known=arguments.known)
    unit = arguments.unit or config.units
    if arguments.out is None:
        _write_csv(record, unit, sys.stdout)
        return
    out = arguments.out.resolve()  # a link stays, what it names is written
    if out.exists() and not out.is_file():  # a pipe or a device is written to, not replaced
        with out.open("w", newline="", encoding="utf-8") as straight:
            _write_csv(record, unit, straight)
        return
    # Beside its place first: an export that fails leaves what was there.
    part = out.with_name(out.name + ".part")
    try:
        with part.open("w", newline="", encoding="utf-8") as file:
            _write_csv(record, unit, file)
            file.flush()
            os.fsync(file.fileno())
        part.replace(out)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise StoreError(f"{arguments.out}: {error.strerror}; choose another place with --out") from error


def _write_csv(record: CookRecord, unit: str, out: IO[str]) -> None:
    """One row a time; a place has its temperature, its standard uncertainty and its flags, the unit in the header.

    Behind them, what the junction read at those air places that are corrected for stem and lag.
    """
    writer = csv.writer(out, lineterminator="\n")
    header = ["time"]
    for series in record.places:
        header += [f"{series.place} [{unit}]", f"{series.place} u [{unit}]", f"{series.place} flags"]
    header += [f"{series.place} as read [{unit}]" for series in record.as_read]
    writer.writerow(header)
    writer.writerows(_rows(record, unit))


def _rows(record: CookRecord, unit: str) -> Iterator[list[str]]:
    if not record.places:
        return
    t = np.unique(np.concatenate([_to_ms(s.t) for s in record.places]))
    columns: list[list[tuple[str, ...]]] = [[*_column(s, t, unit)] for s in record.places]
    columns += [[cells[:1] for cells in _column(s, t, unit)] for s in record.as_read]
    for i, at in enumerate(t):
        row = [datetime.fromtimestamp(round(at, 3), UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")]
        for cells in columns:
            row += cells[i]
        yield row


def _to_ms(t: Times) -> Times:
    """Times to the millisecond, as they are written: two loggers' ticks within one become one row."""
    return np.round(t, 3)


def _column(series: Series, t: Times, unit: str) -> list[tuple[str, str, str]]:
    """The three cells of one place at each time; empty where it has no sample or nothing can be said."""
    scale, shift = (1.8, 32.0) if unit == "F" else (1.0, 0.0)
    words = {int(f): " ".join(w.replace(" ", "-") for w in flag_words(int(f))) for f in np.unique(series.flags)}
    cells = [("", "", "")] * t.size
    rows = np.searchsorted(t, _to_ms(series.t))
    for row, celsius, u, flags in zip(
        rows.tolist(), series.celsius.tolist(), series.u.tolist(), series.flags.tolist(), strict=True
    ):
        known = celsius == celsius
        cells[row] = (
            f"{celsius * scale + shift:.3f}" if known else "",
            f"{u * scale:.3f}" if known else "",
            words[flags],
        )
    return cells


def is_file(source: str) -> bool:
    """Whether what a person named is a file rather than a cook."""
    return _is_table(Path(source)) or Path(source).is_file()


def _is_table(path: Path) -> bool:
    return path.suffix.lower() in (".csv", ".tsv", ".txt")
