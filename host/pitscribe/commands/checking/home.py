"""The home folder: whose it is, who can read its secrets, who serves it."""

import os
import pwd
import stat
from collections.abc import Iterator
from pathlib import Path

from pitscribe.commands.checking.finding import Finding, look, not_looked, ok, wrong
from pitscribe.commands.checking.scene import Scene
from pitscribe.config import FILE_NAME
from pitscribe.intake.broker import CREDENTIALS_NAME
from pitscribe.intake.keyring import FILE_NAME as KEYRING_NAME
from pitscribe.page.door.lock import FILE_NAME as DOOR_NAME


def settings(scene: Scene) -> Iterator[Finding]:
    """Whether the settings can be read."""
    path = scene.home / FILE_NAME
    if scene.no_settings is not None:
        yield wrong("settings", scene.no_settings, f"correct {path}; the keys are at the top of config.py")
    elif path.exists():
        yield ok("settings", str(path))
    else:
        yield ok("settings", f"there is no {path}: all is as by default")


def home(scene: Scene) -> Iterator[Finding]:
    """The folder's owner and rights."""
    folder = scene.home
    if not folder.is_dir():
        yield wrong("home", f"there is no folder {folder}", "name the home with --home, or begin one: pitscribe serve")
        return
    found = folder.stat()
    owner, mode = _name(found.st_uid), stat.S_IMODE(found.st_mode)
    said = f"{folder}, of {owner}, mode {mode:03o}"
    me = os.geteuid()
    if found.st_uid != me and me != 0:
        yield wrong("home", f"{said}; you are {_name(me)}", f"run pitscribe as {owner}, or have it given to you: chown "
                    f"-R {_name(me)} {folder}")
    elif found.st_uid != me:
        yield look("home", f"{said}; you are {_name(me)}", f"what root makes there is not {owner}'s: run pitscribe by "
                   f"sudo -u {owner}")
    elif mode & 0o022:
        yield wrong("home", f"{said}: others can write there", f"chmod 700 {folder}")
    elif mode & 0o055:
        yield look("home", f"{said}: others can see what is there, and copy the ledger", f"chmod 700 {folder}")
    elif not os.access(folder, os.W_OK | os.X_OK):
        yield wrong("home", f"{said}: nothing can be written there", f"chmod 700 {folder}; or mount its disk writable")
    else:
        yield ok("home", said)
    yield from _strange(scene, found.st_uid)


def _strange(scene: Scene, owner: int) -> Iterator[Finding]:
    """The ledger's files that are not the folder's owner's: serve could not write them."""
    for name in ("", "-wal", "-shm"):
        path = scene.ledger_path.with_name(scene.ledger_path.name + name)
        if path.exists() and path.stat().st_uid != owner:
            whose = _name(path.stat().st_uid)
            yield wrong("home", f"{path} is of {whose}", f"chown {_name(owner)} {path}")


def secrets(scene: Scene) -> Iterator[Finding]:
    """Files that hold secrets, and who can read them."""
    for path, what in _secret_files(scene):
        try:
            found = path.stat()
        except FileNotFoundError:
            continue
        except OSError as error:
            yield not_looked(path.name, f"{path}: {error.strerror}")
            continue
        mode = stat.S_IMODE(found.st_mode)
        if mode & 0o077:
            yield wrong(path.name, f"{path}, mode {mode:03o}: others can read {what}", f"chmod 600 {path}; and make a "
                        "new one if somebody may have read it")
        elif not os.access(path, os.R_OK):
            yield wrong(path.name, f"{path} of {_name(found.st_uid)} cannot be read", "run pitscribe as its owner")
        else:
            yield ok(path.name, f"{path}, mode {mode:03o}: {what}")


def _secret_files(scene: Scene) -> Iterator[tuple[Path, str]]:
    config = scene.config
    yield scene.home / CREDENTIALS_NAME, "the broker's password"
    yield scene.home / KEYRING_NAME, "the loggers' secrets"
    yield scene.home / DOOR_NAME, "the page's password (hashed) and its key for sessions"
    if config.broker.password is not None or config.alerts.urls:
        yield scene.home / FILE_NAME, "passwords in the settings"
    if config.mirror is not None and config.mirror.token is not None:
        yield config.mirror.token, "the mirror's token"
    if config.page.tls is not None:
        yield config.page.tls[1], "the key of the page's certificate"


def serving(scene: Scene) -> Iterator[Finding]:
    """Whether somebody serves the home. Two cannot: the lock is the kernel's."""
    if scene.served:
        yield ok("serve", "running" + ("" if scene.pid is None else f" as process {scene.pid}"))
    else:
        yield look("serve", "not running: nothing is taken in, shown or told", "start it: pitscribe serve")


def _name(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"
