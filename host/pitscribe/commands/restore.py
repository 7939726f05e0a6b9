"""``pitscribe restore``: a backup, put into a home that has no ledger."""

import argparse
import contextlib
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from pitscribe.clock import SystemClock, local
from pitscribe.commands.archive import unpacked
from pitscribe.commands.homelock import only_host
from pitscribe.commands.ledgers import LEDGER_NAME
from pitscribe.commands.tables import counted
from pitscribe.config import Config
from pitscribe.errors import ConfigError, SourceError
from pitscribe.ledger.ledger import Ledger

_UNPACKED = ".restoring-"


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Put it in place, the ledger last, so that a cut leaves no half home that looks whole.

    Raises ConfigError if there is a ledger or another file of the backup's names, SourceError if the backup is damaged.
    """
    home = config.folder()
    if not arguments.file.is_file():
        raise SourceError(f"{arguments.file}: there is no such file; name what pitscribe backup wrote")
    if (home / LEDGER_NAME).exists():
        raise ConfigError(f"there is a ledger in {home}: move that folder away, or name another with --home")
    with only_host(home), _beside(home) as folder:
        names = unpacked(arguments.file, folder)
        if LEDGER_NAME not in names:
            raise SourceError(f"{arguments.file}: there is no ledger in it; this is no backup of pitscribe")
        if there := [name for name in names if _another(home / name, folder / name)]:
            raise ConfigError(f"{home} has another {there[0]}: move that folder away, or name another with --home")
        when = (folder / LEDGER_NAME).stat().st_mtime
        Ledger(folder / LEDGER_NAME, SystemClock(), check_pages=True).close()
        for name in sorted(names, key=lambda name: name == LEDGER_NAME):
            (home / name).parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            (folder / name).replace(home / name)
    _tell(home, when)


@contextlib.contextmanager
def _beside(home: Path) -> Iterator[Path]:
    """A folder in the home for what is unpacked; what a restore that was killed left there goes first."""
    for left in home.glob(f"{_UNPACKED}*"):
        shutil.rmtree(left)
    with tempfile.TemporaryDirectory(prefix=_UNPACKED, dir=home) as made:
        yield Path(made)


def _another(there: Path, mine: Path) -> bool:
    """Whether a file is in the way: the same, of a restore that was cut off, is not."""
    return there.exists() and (not there.is_file() or there.read_bytes() != mine.read_bytes())


def _tell(home: Path, when: float) -> None:
    ledger = Ledger(home / LEDGER_NAME, SystemClock())
    try:
        print(f"{home}: {counted(ledger.frame_count(), 'frame')} and {counted(len(ledger.cooks()), 'cook')}, as of "
              f"{local(when)}")
        loggers = ", ".join(f"{info.logger:08x}" for info in ledger.loggers())
    finally:
        ledger.close()
    if loggers:
        print(f"what loggers ({loggers}) sent after that they take for stored and do not send again; they may still "
              "have it: pitscribe pull PORT. Once they are heard of, pitscribe check says which of them have more")
