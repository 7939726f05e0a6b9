"""``pitscribe import``: journal segments and CSV in."""

import argparse
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from pitscribe.commands.ledgers import begun_ledger
from pitscribe.commands.when import local, parse_past
from pitscribe.config import Config
from pitscribe.errors import ConfigError, TableError
from pitscribe.intake.folder import import_folder
from pitscribe.intake.table import TableResult, import_table
from pitscribe.intake.tableabout import beside, keep_beside, metadata_path
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import boot_times, give_or_take, heard_span


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Take in."""
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
    done = take_table(ledger, arguments.path, arguments, name=arguments.name)
    for line in (*done.table.assumed, *filter(None, [done.table.doubt])):
        print(line)
    state = "was imported before, as" if done.known else "is"
    print(f"{arguments.path} {state} cook {done.cook.id}, {done.cook.name}: {counted(done.table.t.size, 'row')}")


def take_table(
    ledger: Ledger, path: Path, arguments: argparse.Namespace, *, name: str | None = None, guess: bool = False
) -> TableResult:
    """Make a cook of a CSV, by what the command line says and, of what it does not, by the file beside an export."""
    said = beside(path)
    air, meat = names(arguments.air), names(arguments.meat)
    if not air and not meat:
        air, meat = list(said.air), list(said.meat)
    with ledger.together():
        done = import_table(
            ledger, path, unit=arguments.unit, air=air, meat=meat, name=name, tz=arguments.tz, guess=guess
        )
        if done.known:
            return done
        try:
            cook = keep_beside(ledger, done.cook, said, named=name is not None)
        except ConfigError as error:
            raise TableError(f"{metadata_path(path)}: {error}; export anew, or move that file away") from error
        return replace(done, cook=cook)


def counted(number: int, what: str, plural: str = "s") -> str:
    """``1 file``, ``2 files``."""
    return f"{number} {what}" + ("" if number == 1 else plural)


def names(text: str) -> list[str]:
    """``A,B`` -> the names in it."""
    return [name.strip() for name in text.split(",") if name.strip()]


def is_file(source: str) -> bool:
    """Whether what a person named is a file rather than a cook."""
    return _is_table(Path(source)) or Path(source).is_file()


def _is_table(path: Path) -> bool:
    return path.suffix.lower() in (".csv", ".tsv", ".txt")
