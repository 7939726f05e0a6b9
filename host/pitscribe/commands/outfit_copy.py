"""Putting a set of modules on a board beside the one that runs, and the one rename that switches.

    fw-1a2b3c4d/pitlogger/...   one set        set        names the set that runs
    fw-5e6f7a8b/pitlogger/...   another        main.py    starts it

The order is what makes a mix impossible: a set is whole and read back before ``set`` names it, and the one that
``set`` names is left alone. A board that was filled by hand has ``pitlogger`` beside ``main.py``; that
counts as its old set.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from pitscribe.commands.outfit_board import Board, Facts
from pitscribe.commands.outfit_set import PREFIX, ModuleSet
from pitscribe.errors import ConfigError, SourceError

POINTER, SWITCH = "set", "main.py"
_BY_HAND = ("pitlogger", "page")  # where modules lie that were copied by hand
_SPARE = 4  # blocks left over beside the set, for settings and what the flash needs itself (our allowance)
_TRIAL = """
for _k in [k for k in _s.modules if k.split(".")[0] == "pitlogger"]:
    del _s.modules[_k]
_s.path.insert(0, {name!r})
_dog.feed()
import pitlogger.start
_dog.feed()
"""


class Before(NamedTuple):
    """What ran before: what ``set`` named and what ``main.py`` was, each None where there was none."""

    running: str | None
    switch: bytes | None


@dataclass(slots=True)
class Copied:
    """What a copy came to: files written, those that were there already, and segments given up for room."""

    written: int = 0
    kept: int = 0
    segments: int = 0


def look(board: Board) -> Before:
    """See what runs on the board."""
    names = board.names()
    running = board.read(POINTER).decode(errors="replace").strip() if POINTER in names else None
    return Before(running or None, board.read(SWITCH) if SWITCH in names else None)


def clear_stale(board: Board, modules: ModuleSet, running: str | None) -> list[str]:
    """Remove sets that neither run nor are wanted: what failed runs left. Returns their names."""
    stale = [name for name in board.names() if name.startswith(PREFIX) and name not in (running, modules.name)]
    for name in stale:
        board.remove_tree(name)
    return stale


def copy(board: Board, modules: ModuleSet, running: str | None, tell: Callable[[str], None], journal: str | None
         ) -> Copied:
    """Put the set in its folder; files that are there with the right hash stay. In the set that runs already a damaged
    file is mended by a rename. ``journal``: the folder of which stored segments may go for room, None: none may.

    Raises ConfigError where there is no room, SourceError where the board reads back something else than was sent.
    """
    done, root = Copied(), modules.name
    there = {f"{root}/", *board.tree(root)} if root in board.names() else set()
    good = {path for path in modules.files if f"{root}/{path}" in there and _agrees(board, modules, path)}
    done.kept = len(good)
    missing = ModuleSet({path: data for path, data in modules.files.items() if path not in good}, b"", "")
    done.segments = _make_room(board, missing, journal)
    if missing.files:
        tell(f"copying {len(missing.files)} files, {missing.size / 1000:.0f} KB")
    for folder in (root, *(f"{root}/{inner}" for inner in modules.folders())):
        if f"{folder}/" not in there:
            board.make_folder(folder)
    for path, data in missing.files.items():
        (board.replace if running == root else board.write)(f"{root}/{path}", data)
        if not _agrees(board, modules, path):
            raise SourceError(f"{path}: the board reads back something else than was sent; its flash may be worn out")
        done.written += 1
    return done


def _agrees(board: Board, modules: ModuleSet, path: str) -> bool:
    return board.sha256(f"{modules.name}/{path}") == hashlib.sha256(modules.files[path]).hexdigest()


def _make_room(board: Board, missing: ModuleSet, journal: str | None) -> int:
    facts = board.facts()
    if not missing.files:
        return 0
    want = missing.room(facts.block) + _SPARE * facts.block
    given_up = 0
    for segment in stored_segments(board, journal) if journal and facts.free < want else []:
        board.remove(segment)
        given_up += 1
        if (facts := board.facts()).free >= want:
            break
    if facts.free < want:
        raise ConfigError(no_room(facts, want))
    return given_up


def no_room(facts: Facts, want: int) -> str:
    """The complaint."""
    return (
        f"the flash has {facts.free // 1024} KB free and the modules need {want // 1024} KB beside those that run; "
        "take the journal with `pitscribe pull`, and give --room: the oldest of what the host has stored goes for it"
    )


def stored_segments(board: Board, journal: str) -> list[str]:
    """The segments of a journal (WIRE.md 4) in which every frame is stored on the host, the oldest first, and never
    the newest: what the logger itself gives up first where space is short."""
    if journal not in board.names():
        return []
    names = sorted(path.rpartition("/")[2] for path in board.tree(journal) if path.endswith(".seg"))
    try:
        cursor = int(board.read(f"{journal}/cursor").split(b" ")[0])
        firsts = [int(name.removesuffix(".seg"), 16) for name in names]
    except (SourceError, ValueError):
        return []
    return [f"{journal}/{name}" for name, following in zip(names, firsts[1:], strict=False) if following <= cursor]


def try_set(board: Board, modules: ModuleSet) -> None:
    """Have the board load the set's start and all that it needs at once, before anything is switched."""
    board.run(_TRIAL.format(name=modules.name), "the new modules")


def switch(board: Board, modules: ModuleSet, before: Before) -> None:
    """Let the next start run the set: one rename, and another for ``main.py`` where that differs."""
    if before.running != modules.name:
        board.replace(POINTER, modules.name.encode())
    if before.switch != modules.switch:
        board.replace(SWITCH, modules.switch)


def switch_back(board: Board, before: Before) -> None:
    """Let the next start run what ran before."""
    if before.switch is not None:
        board.replace(SWITCH, before.switch)
    if before.running is not None:
        board.replace(POINTER, before.running.encode())
    elif POINTER in board.names():
        board.remove(POINTER)


def leftovers(board: Board, modules: ModuleSet) -> list[str]:
    """The old sets, which nothing names any more, that of a board filled by hand too."""
    return [
        name for name in board.names() if name != modules.name and (name.startswith(PREFIX) or name in _BY_HAND)
    ]


def expect_restart(board: Board, modules: ModuleSet) -> None:
    """Leave word of the reset to come, for the boot event; it is none of those that lead to safe mode."""
    board.replace("reason", f"soft outfitted with {modules.name}".encode())
    if "resets" in board.names():
        board.remove("resets")
