"""One host a home: two that take in, analyse and tell at once would tell everything twice.

The lock is the kernel's (flock(2)) on a file in the home, and goes with the process that holds it, however that ends:
none is ever left over. The file stays, for another process may be about to lock it; all that it holds is a number to
tell. Commands that only read or write the ledger do not ask for it: SQLite keeps those apart.
"""

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path
from time import sleep

from pitscribe.errors import StoreError

LOCK_NAME = "serve.lock"
AGAIN_S = 0.2  # `pitscribe check` shares the lock for an instant, to see who has it: our allowance, no source


@contextlib.contextmanager
def only_host(folder: Path) -> Iterator[None]:
    """Be the one host of a home while the ``with`` lasts; the folder is made if it is missing.

    Raises StoreError if there is one already, naming its process, or if no lock can be had there.
    """
    path = folder / LOCK_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)  # not inherited by what this process starts
    except OSError as error:
        raise StoreError(f"{path} cannot be opened: {error.strerror or error}") from error
    try:
        _take(file, path)
        yield
    finally:
        os.close(file)  # gives the lock back


def _locked(file: int) -> bool:
    with contextlib.suppress(BlockingIOError):
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return True
    return False


def _take(file: int, path: Path) -> None:
    try:
        if not _locked(file):
            sleep(AGAIN_S)
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        held = os.pread(file, 20, 0).strip().decode("ascii", "replace")
        who = f"process {held}" if held.isdecimal() else "another process"
        raise StoreError(
            f"{path.parent} is served already, by {who}; end that one first, or name another home with --home"
        ) from None
    except OSError as error:
        raise StoreError(f"{path} cannot be locked: {error.strerror or error}; put the home on a local disk") from error
    with contextlib.suppress(OSError):  # a full disk: the lock holds all the same, and nobody is told the number
        os.ftruncate(file, 0)
        os.pwrite(file, f"{os.getpid()}\n".encode(), 0)
