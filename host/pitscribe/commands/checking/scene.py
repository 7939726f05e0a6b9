"""What the checks look at. Nothing is made or changed for it: a ledger of an earlier version is left as it is."""

import contextlib
import fcntl
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pitscribe.clock import Clock, SystemClock
from pitscribe.commands.homelock import LOCK_NAME
from pitscribe.commands.ledgers import LEDGER_NAME, read_ledger
from pitscribe.config import Config
from pitscribe.errors import PitscribeError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.store import APPLICATION_ID, MIGRATIONS


@dataclass(frozen=True, slots=True)
class Scene:
    """An installation as it is found.

    config : the settings; those by default if they cannot be read, and then ``no_settings`` says why
    ledger : None if it cannot be read, and then ``no_ledger`` says why;  version : of its file, None if it has none
    served : whether a process serves the home;  pid : which, if it said so
    whole : look at everything, however long it takes
    """

    config: Config
    clock: Clock
    no_settings: str | None = None
    ledger: Ledger | None = None
    no_ledger: str | None = None
    version: int | None = None
    served: bool = False
    pid: int | None = None
    whole: bool = False

    @property
    def home(self) -> Path:
        """The home folder."""
        return self.config.home

    @property
    def ledger_path(self) -> Path:
        """Where the ledger is, or would be."""
        return self.home / LEDGER_NAME

    def the_ledger(self) -> Ledger:
        """The ledger, for a check that needs one."""
        assert self.ledger is not None
        return self.ledger


@contextlib.contextmanager
def looked_at(
    config: Config, *, no_settings: str | None = None, whole: bool = False, clock: Clock | None = None
) -> Iterator[Scene]:
    """The scene of a home; its ledger is closed afterwards."""
    clock = clock or SystemClock()
    served, pid = _server(config.home)
    version, no_ledger = _version(config.home / LEDGER_NAME, served)
    with contextlib.ExitStack() as stack:
        ledger = None
        if no_ledger is None:
            try:
                if served:
                    ledger = stack.enter_context(read_ledger(config, clock))
                else:  # what opens it for writing brings its log in, of which a damaged one may be the only trace
                    ledger = Ledger(config.home / LEDGER_NAME, clock, read_only=True)
                    stack.callback(ledger.close)
            except PitscribeError as error:
                no_ledger = str(error)
        yield Scene(config, clock, no_settings, ledger, no_ledger, version, served, pid, whole)


def peeked(path: Path, served: bool) -> contextlib.closing[sqlite3.Connection]:
    """A connection of one's own to a ledger's file, that changes nothing and makes no file beside it."""
    log = path.with_name(path.name + "-wal")
    # As in ledger.store: where nobody has it open SQLite must be told that it needs no log.
    still = not served and (not log.exists() or log.stat().st_size == 0)
    address = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if still else ''}"
    return contextlib.closing(sqlite3.connect(address, uri=True))


def _version(path: Path, served: bool) -> tuple[int | None, str | None]:
    """(version of a ledger's file, why it is not to be opened)."""
    if not path.exists():
        return None, f"there is none in {path.parent}"
    try:
        with peeked(path, served) as db:
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            application = int(db.execute("PRAGMA application_id").fetchone()[0])
    except sqlite3.Error as error:
        return None, f"{path}: {error}"
    if application != APPLICATION_ID:
        return None, f"{path} is no ledger of Pitscribe"
    newest = len(MIGRATIONS)
    if version != newest:
        return version, f"it is of ledger version {version}, and this Pitscribe has {newest}"
    return version, None


def _server(home: Path) -> tuple[bool, int | None]:
    """Whether somebody holds the home's lock, and the number of that process. The lock is asked for, and not kept."""
    try:
        file = os.open(home / LOCK_NAME, os.O_RDONLY)
    except OSError:
        return False, None
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        return False, None
    except OSError:
        said = os.pread(file, 20, 0).strip()
        return True, int(said) if said.isdigit() else None
    finally:
        os.close(file)
