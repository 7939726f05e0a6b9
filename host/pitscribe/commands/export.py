"""``pitscribe export``: a cook to go on with elsewhere, as CSV, Parquet or Influx line protocol."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from pitscribe.commands.export_about import about
from pitscribe.commands.export_csv import metadata, metadata_path, write_csv
from pitscribe.commands.export_file import refuse_taken, whole_files
from pitscribe.commands.export_lines import write_lines
from pitscribe.commands.export_parquet import write_parquet
from pitscribe.commands.export_parser import SUFFIXES
from pitscribe.commands.export_table import Table
from pitscribe.commands.ledgers import meant_cook, read_ledger
from pitscribe.config import Config
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import Reader

_LEDGER_NAME = "home"  # as [mirror] has it by default


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Write the cook where it is wanted."""
    out: Path | None = arguments.out
    form = arguments.format or SUFFIXES.get("" if out is None else out.suffix.lower(), "csv")
    if form == "lines" and arguments.unit == "F":
        raise ConfigError("line protocol has degC, as the mirror has it; leave --unit out")
    if out is not None and out.is_dir():
        raise ConfigError(f"{out} is a folder; name a file in it: {out / 'cook.csv'}")
    if out is None and form == "parquet" and sys.stdout.isatty():
        raise ConfigError("Parquet is no text for a terminal: name a file with --out, or send it into a pipe")
    with read_ledger(config) as ledger:
        _export(ledger, config, arguments, form)


def _export(ledger: Ledger, config: Config, arguments: argparse.Namespace, form: str) -> None:
    out: Path | None = None if arguments.out is None else arguments.out.resolve()  # a link stays, its file is written
    cook = meant_cook(ledger, arguments.cook)
    straight = out is not None and out.exists() and not out.is_file()  # a pipe or a device is written to, not replaced
    beside = metadata_path(out) if form == "csv" and out is not None and not straight else None
    for path in filter(None, (None if straight else out, beside)):
        refuse_taken(path, arguments.replace)
    reader = Reader(ledger, cook.id, known=arguments.known)
    record = reader.read()
    table = Table(record, "C" if form == "lines" else arguments.unit or config.units)
    told = about(ledger, record, table.columns, arguments.known)
    name = _LEDGER_NAME if config.mirror is None else config.mirror.name
    write: dict[str, Callable[[BinaryIO], None]] = {
        "csv": lambda file: write_csv(table, file),
        "parquet": lambda file: write_parquet(table, told, file),
        "lines": lambda file: write_lines(record, reader.stretches(), name, told, file),
    }
    if out is None:
        write[form](sys.stdout.buffer)
    elif straight:
        with out.open("wb") as pipe:
            write[form](pipe)
    elif beside is None:
        with whole_files(out, replace=arguments.replace) as (file,):
            write[form](file)
    else:
        with whole_files(beside, out, replace=arguments.replace) as (words, file):
            words.write(metadata(told, table, out))
            write[form](file)
