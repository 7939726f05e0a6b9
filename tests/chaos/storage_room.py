"""A disk that is full, a database that is locked, a home that may not be written."""

import contextlib
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from chaos.storage_kit import CLOCK, FRAMES, Figures, checked, held, run
from intake_rig import LOGGER

from pitscribe.errors import StoreError
from pitscribe.ledger import store
from pitscribe.ledger.ledger import Ledger


def _refusal(work: Callable[[], object]) -> str | None:
    """In what words it was refused; None if it was done."""
    try:
        work()
    except StoreError as error:
        return str(error)
    return None


@contextlib.contextmanager
def _small(folder: Path, size_kb: int) -> Iterator[bool]:
    """A file system of that size at the folder; False where none can be mounted."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs", folder]
    mounted = subprocess.run(command, check=False, capture_output=True).returncode == 0
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "-l", folder], check=True)


@contextlib.contextmanager
def _room(folder: Path, pages: int, mounted: bool) -> Iterator[None]:
    """Leave so many pages of room."""
    if mounted:
        free = os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize
        (folder / "ballast").write_bytes(bytes(max(0, free - 4096 * pages)))
        try:
            yield
        finally:
            (folder / "ballast").unlink()
        return
    largest = max(path.stat().st_size for path in folder.iterdir()) if any(folder.iterdir()) else 0
    before, ignored = resource.getrlimit(resource.RLIMIT_FSIZE), signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (largest + 4096 * pages, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)


def full(folder: Path, seed: int, times: int) -> Figures:
    """What was said to be stored is; what was not is not at all; with room again all goes on."""
    dice = random.Random(seed)
    base = folder / "base.sqlite"
    ledger = Ledger(base, CLOCK)
    ledger.store_frames(checked(FRAMES[:200]), "mqtt")
    ledger.close()
    refused = 0
    with _small(folder / "small", 2400) as mounted:
        for n in range(times):
            home = folder / "small" / f"{n}"
            home.mkdir()
            path = home / "ledger.sqlite"
            shutil.copy(base, path)
            ledger, stored, failed = Ledger(path, CLOCK), set(FRAMES[:200]), []
            with _room(home if not mounted else folder / "small", dice.randrange(60), mounted):
                for at in range(200, 600, 20):
                    batch = FRAMES[at : at + 20]
                    said = _refusal(partial(ledger.store_frames, checked(batch), "mqtt"))
                    assert said is None or "disk" in said, said
                    if said is None:
                        stored |= set(batch)
                    else:
                        failed.append(batch)
                assert {one.frame for one in ledger.frames(LOGGER)} == stored, "half of something, or lost"
                if n % 2:
                    ledger.close()  # which cannot bring the log in
            if n % 2:
                ledger = Ledger(path, CLOCK)
            assert {one.frame for one in ledger.frames(LOGGER)} == stored, "lost by closing"
            for batch in failed:
                ledger.store_frames(checked(batch), "mqtt")
            ledger.close()
            assert held(path) == set(FRAMES[:600])
            refused += len(failed)
            shutil.rmtree(home)
        begun = _begun_without_room(folder / "small", mounted)
    return {"by": "a small tmpfs" if mounted else "RLIMIT_FSIZE", "times": times, "commits refused": refused, **begun}


def _begun_without_room(folder: Path, mounted: bool) -> Figures:
    """A new ledger on a disk with room for so many pages: refused in words, or whole; and begun when there is room."""
    refused = 0
    for pages in range(0, 130, 6):
        path = folder / "new" / "ledger.sqlite"
        path.parent.mkdir()
        with _room(folder if mounted else path.parent, pages, mounted):
            said = _refusal(lambda path=path: Ledger(path, CLOCK).close())
            assert said is None or "disk" in said or "cannot be opened" in said, said
            refused += said is not None
        assert held(path) == set()
        shutil.rmtree(path.parent)
    return {"new ones refused": refused}


# locked


_HOLD = """
import sqlite3, sys, time
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("BEGIN IMMEDIATE")
db.execute("DELETE FROM frames")
print("held", flush=True)
time.sleep(600)
"""


def locked(folder: Path, _seed: int, _times: int) -> Figures:
    """Who waits in vain is told, reads on meanwhile, and stores when the other has gone, also by SIGKILL."""
    path = folder / "ledger.sqlite"
    ledger = Ledger(path, CLOCK)
    ledger.store_frames(checked(FRAMES[:10]), "mqtt")
    other = subprocess.Popen([sys.executable, "-c", _HOLD, path], stdout=subprocess.PIPE)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        ledger._writer.execute("PRAGMA busy_timeout = 300")
        said = _refusal(partial(ledger.store_frames, checked(FRAMES[10:20]), "mqtt"))
        assert said is not None, "stored through the other's lock"
        assert f"held by another program for over {store.LOCK_WAIT_S:.0f} s" in said, said
        assert ledger.frame_count() == 10
    finally:
        other.kill()
        other.wait()
    assert ledger.store_frames(checked(FRAMES[10:20]), "mqtt").new == 10
    ledger.close()
    assert held(path) == set(FRAMES[:20])
    return {"told": 1}


# read-only


def readonly(folder: Path, _seed: int, _times: int) -> Figures:
    """Of a home that may not be written a cook is still shown; serve ends with a line, and nothing changes."""
    home = folder / "home"
    home.mkdir(mode=0o700)
    ledger = Ledger(home / "ledger.sqlite", CLOCK)
    ledger.store_frames(checked(FRAMES), "mqtt")
    ledger.start_cook("one")
    ledger.close()
    before = {path.name: path.read_bytes() for path in home.iterdir()}
    if subprocess.run(["mount", "--bind", home, home], check=False, capture_output=True).returncode:
        return {"left out": "a read-only mount needs root"}
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", home], check=True)
        status, said = run(home, "cook", "show", "one")
        assert status == 0, said
        status, said = run(home, "note", "wrap")
        assert (status, said.count("\n")) == (1, 1), said
        status, said = run(home, "serve", "--page-port", 0, "--broker-port", 0)
        assert (status, said.count("\n")) == (1, 1), said
        assert "Read-only file system" in said, said
        status, said = run(home, "recover", "--anyway")
        assert (status, said.count("\n")) == (1, 1), said
    finally:
        subprocess.run(["umount", "-l", home], check=True)
    assert {path.name: path.read_bytes() for path in home.iterdir()} == before
    return {"commands": 4}
