"""What the commands share: the ledger of the home folder, and the cook that is meant."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pitscribe.clock import Clock, SystemClock
from pitscribe.config import Config
from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook

LEDGER_NAME = "ledger.sqlite"
MOST_NAMED = 8  # loggers in one line of complaint


@contextmanager
def begun_ledger(config: Config, clock: Clock | None = None) -> Iterator[Ledger]:
    """The ledger of the home folder, made if it is missing, and closed afterwards: for what can come first there."""
    ledger = Ledger(config.folder() / LEDGER_NAME, clock or SystemClock())
    try:
        yield ledger
    finally:
        ledger.close()


@contextmanager
def open_ledger(config: Config, clock: Clock | None = None) -> Iterator[Ledger]:
    """The ledger of the home folder, closed afterwards.

    Raises NotFoundError if there is none: a home that was mistyped must not become a new one.
    """
    there(config)
    with begun_ledger(config, clock) as ledger:
        yield ledger


@contextmanager
def read_ledger(config: Config, clock: Clock | None = None) -> Iterator[Ledger]:
    """As ``open_ledger``, for reading alone; also where the home cannot be written."""
    path = there(config)
    writable = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
    ledger = Ledger(path, clock or SystemClock(), read_only=not writable)
    try:
        yield ledger
    finally:
        ledger.close()


def there(config: Config) -> Path:
    """The ledger's file. NotFoundError, with what to do, if there is none."""
    path = config.home / LEDGER_NAME
    if not path.exists():
        raise NotFoundError(
            f"there is no ledger in {config.home}; name another home with --home or PITSCRIBE_HOME, or begin one there "
            "with: pitscribe serve, pitscribe cook start NAME or pitscribe probe add NAME"
        )
    return path


def meant_cook(ledger: Ledger, named: str | None, *, running: bool = False) -> Cook:
    """The cook of that number or name; without one, the newest, or the newest that has not ended.

    Raises NotFoundError.
    """
    if named is not None:
        return ledger.cook(named)
    cooks = ledger.cooks()
    if not cooks:
        raise NotFoundError("there is no cook yet; begin one with: pitscribe cook start NAME")
    going_on = [cook for cook in cooks if cook.ended_ms is None]
    if not running:
        return cooks[0]
    if not going_on:
        raise NotFoundError(f"no cook is going on; name the one that you mean, or reopen {cooks[0].name!r}")
    return going_on[0]


def meant_logger(ledger: Ledger, named: str | None) -> int:
    """The logger of that id; without one, the only one there is. Raises ConfigError."""
    if named is not None:
        return logger_number(named, "--logger ")
    known = [info.logger for info in ledger.loggers()]
    if len(known) != 1:
        seen = ", ".join(f"{logger:08x}" for logger in known[:MOST_NAMED]) or "none has been seen yet"
        if len(known) > MOST_NAMED:
            seen += f" and {len(known) - MOST_NAMED} more"
        raise ConfigError(f"which logger? name it with --logger ({seen})")
    return known[0]


def logger_number(named: str, option: str = "") -> int:
    """The number that a logger's id is. Raises ConfigError."""
    try:
        number = int(named, 16)
    except ValueError:
        number = -1
    if not 0 <= number < 1 << 32:
        raise ConfigError(f"{option}{named}: must be 8 hex digits, as in the logger's topics")
    return number
