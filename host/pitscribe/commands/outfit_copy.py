"""Putting a set of modules on a board beside the one that runs, and the one rename that switches.

    fw-1a2b3c4d/pitlogger/...   one set        set        names the set that runs
    fw-5e6f7a8b/pitlogger/...   another        main.py    starts it

The order is what makes a mix impossible: a set is whole and read back before ``set`` names it, and the one that
``set`` names is left alone. New settings lie in the new set's folder until then, so the same rename brings them.
``set`` names the old set behind the new one, which so is on trial (``firmware_mpy/main.py``). A board that was filled
by hand has ``pitlogger`` beside ``main.py``; that counts as its old set.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from pitscribe.commands.outfit_board import NOT_WRITTEN, Board, Facts
from pitscribe.commands.outfit_set import PREFIX, ModuleSet
from pitscribe.errors import ConfigError, SourceError

POINTER, SWITCH, SETTINGS = "set", "main.py", "config.json"
_BY_HAND = ("pitlogger", "page")  # where modules lie that were copied by hand
_BESIDE = "."  # what ``set`` calls the modules that were copied by hand
SPARE = 8  # blocks beside the set: settings, ``main.py``, small files, what the flash needs itself (our allowance)
_SEGMENT = 16384  # bytes of a segment of the journal (WIRE.md 4), which the set on trial may have to begin
_RESERVE_MOST = 131072  # what the journal leaves free of the flash: a tenth, and at most this (pitlogger/space.py)
_TRIAL = """
for _k in [k for k in _s.modules if k.split(".")[0] == "pitlogger"]:
    del _s.modules[_k]
_s.path.insert(0, {name!r})
_dog.feed()
import pitlogger.trial
import pitlogger.start
_dog.feed()
"""


class Before(NamedTuple):
    """What ran before: what ``set`` named, what ``main.py`` was, and the settings, each None where there was none."""

    running: str | None
    switch: bytes | None
    settings: bytes | None
    by_hand: bool  # whether modules lie beside ``main.py``

    @property
    def way_back(self) -> str | None:
        """What ``set`` calls the set before, None where there is none."""
        return self.running or (_BESIDE if self.by_hand and self.switch is not None else None)


@dataclass(slots=True)
class Copied:
    """What a copy came to: files written, those that were there already, and segments given up for room."""

    written: int = 0
    kept: int = 0
    segments: int = 0


def named(board: Board) -> list[str]:
    """The names in ``set``."""
    return board.read(POINTER).decode(errors="replace").split() if POINTER in board.names() else []


def look(board: Board) -> Before:
    """See what runs on the board. What a run that was cut left half done is put to rights as ``main.py`` would."""
    names, words = board.names(), named(board)
    if len(words) > 1:  # a set that was to be tried, and was not
        board.replace(POINTER, words[-1].encode())
    running = words[-1] if words and words[-1] in names else None
    if len(words) == 1 and running is not None and f"{running}/{SETTINGS}" in board.tree(running):
        board.rename(f"{running}/{SETTINGS}", SETTINGS)
        names = board.names()
    switch, settings = (board.read(name) if name in names else None for name in (SWITCH, SETTINGS))
    return Before(running, switch, settings, _BY_HAND[0] in names)


def clear_stale(board: Board, modules: ModuleSet, running: str | None) -> list[str]:
    """Remove sets that neither run nor are wanted: what failed runs left. Returns their names."""
    stale = [name for name in board.names() if name.startswith(PREFIX) and name not in (running, modules.name)]
    for name in stale:
        board.remove_tree(name)
    return stale


def copy(
    board: Board, modules: ModuleSet, running: str | None, journal: str, may_go: bool, tell: Callable[[str], None]
) -> Copied:
    """Put the set in its folder; files that are there with the right hash stay. In the set that runs already a damaged
    file is mended by a rename. ``journal`` is its folder, of which stored segments go for room where they ``may_go``.

    Raises ConfigError where there is no room, SourceError where the board reads back something else than was sent.
    """
    done, root = Copied(), modules.name
    there = {f"{root}/", *board.tree(root)} if root in board.names() else set()
    good = {path for path in modules.files if f"{root}/{path}" in there and _agrees(board, modules, path)}
    done.kept = len(good)
    missing = ModuleSet({path: data for path, data in modules.files.items() if path not in good}, b"", "")
    done.segments = _make_room(board, missing, journal, may_go)
    if missing.files:
        tell(f"copying {len(missing.files)} files, {missing.size / 1000:.0f} KB")
    for folder in (root, *(f"{root}/{inner}" for inner in modules.folders())):
        if f"{folder}/" not in there:
            board.make_folder(folder)
    for path, data in missing.files.items():
        put = board.replace if running == root else board.write
        if put(f"{root}/{path}", data) != hashlib.sha256(data).hexdigest():
            raise SourceError(f"{path}: {NOT_WRITTEN}")
        done.written += 1
    return done


def _agrees(board: Board, modules: ModuleSet, path: str) -> bool:
    return board.sha256(f"{modules.name}/{path}") == hashlib.sha256(modules.files[path]).hexdigest()


def _make_room(board: Board, missing: ModuleSet, journal: str, may_go: bool) -> int:
    """See that there is room before anything is written; return how many segments went for it."""
    facts = board.facts()
    if not missing.files:
        return 0
    stored, others = judged_segments(board, journal)
    want = missing.room(facts.block) + SPARE * facts.block
    if others:  # with less free than the journal leaves, the set on trial might give up what nobody has yet
        want += min(facts.whole // 10, _RESERVE_MOST) + _SEGMENT
    going: list[str] = []
    for segment in stored if may_go else []:
        if facts.free + len(going) * _SEGMENT >= want:
            break
        going.append(segment)
    if facts.free + len(going) * _SEGMENT < want:
        raise ConfigError(no_room(facts, want, len(stored), len(others)))
    for segment in going:
        board.remove(segment)
    return len(going)


def no_room(facts: Facts, want: int, stored: int, others: int) -> str:
    """The complaint. ``stored``: segments of the journal that the host has; ``others``: those that it has not."""
    way = ""
    if facts.free + stored * _SEGMENT >= want:
        way = "; give --room: the oldest of its journal goes for it, which the host has stored"
    elif others:
        way = "; take its journal with `pitscribe pull`, then give --room: what the host has stored goes for it"
    return (
        f"the flash has {facts.free // 1024} KB free and {want // 1024} KB are needed, for the modules beside those "
        f"that run and for the journal to go on meanwhile; nothing was changed{way}"
    )


def judged_segments(board: Board, journal: str) -> tuple[list[str], list[str]]:
    """The segments of a journal (WIRE.md 4), the oldest first, without the newest, which is written: those in which
    every frame is stored on the host, which the logger itself gives up first where space is short; and the others."""
    if not board.is_there(journal):
        return [], []
    found = sorted(path for path in board.tree(journal) if path.endswith(".seg"))
    try:
        firsts = [int(path.rpartition("/")[2].removesuffix(".seg"), 16) for path in found]
        cursor = int(board.read(f"{journal}/cursor").split(b" ")[0])
    except (SourceError, ValueError):
        return [], found[:-1]
    stored = sum(following <= cursor for following in firsts[1:])
    return found[:stored], found[stored:-1]


def try_set(board: Board, modules: ModuleSet) -> None:
    """Have the board load the set's start and all that it needs at once, before anything is switched."""
    board.run(_TRIAL.format(name=modules.name), "the new modules")


def offer(board: Board, modules: ModuleSet, settings: bytes | None) -> list[str]:
    """Put settings beside those of the set and have the board's own rules judge them; return what is wrong."""
    if settings is None:
        return []
    beside = f"{modules.name}/{SETTINGS}.new"
    if board.write(beside, settings) != hashlib.sha256(settings).hexdigest():
        raise SourceError(f"{SETTINGS}: {NOT_WRITTEN}")
    wrong = board.run(f"from pitlogger import settings\nprint(settings.read({beside!r})[1])", "its settings")
    return [str(line) for line in wrong or []]


def switch(board: Board, modules: ModuleSet, before: Before, settings: bool) -> None:
    """Let the next start run the set, on trial where there is one to go back to, with the settings that were offered.

    Whatever it runs before the rename of ``set`` it runs as it was: a new ``main.py`` starts the old set as well, and
    settings in the folder of a set count only once that is named alone. In the set that runs already, the rename of
    the settings is the one that counts.
    """
    own = f"{modules.name}/{SETTINGS}"
    if before.switch is not None and b"pitlogger" not in before.switch:
        board.replace(SWITCH + ".old", before.switch)  # somebody's own program
    if before.switch != modules.switch:
        board.replace(SWITCH, modules.switch)
    if not settings and own in board.tree(modules.name):
        board.remove(own)  # of a run that was cut
    if settings:
        board.rename(own + ".new", own)
    if before.running != modules.name:
        board.replace(POINTER, " ".join(filter(None, (modules.name, before.way_back))).encode())


def switch_back(board: Board, before: Before) -> None:
    """Let the next start run what ran before, with the settings of before."""
    if before.settings is not None and board.read(SETTINGS) != before.settings:
        board.replace(SETTINGS, before.settings)
    if (back := before.way_back) is not None:
        board.replace(POINTER, back.encode())
    if before.switch is not None and board.read(SWITCH) != before.switch:
        board.replace(SWITCH, before.switch)


def leftovers(board: Board, modules: ModuleSet) -> list[str]:
    """The old sets, which nothing names any more, that of a board filled by hand too."""
    return [
        name for name in board.names() if name != modules.name and (name.startswith(PREFIX) or name in _BY_HAND)
    ]


def expect_restart(board: Board, modules: ModuleSet) -> None:
    """Leave word of the reset to come, for boot event and log; it is none of those that lead to safe mode."""
    board.replace("reason", f"soft {word_of(modules)}".encode())
    if "resets" in board.names():
        board.remove("resets")


def word_of(modules: ModuleSet) -> str:
    """Why a logger says that it started, after ``expect_restart``."""
    return f"outfitted with {modules.name}"
