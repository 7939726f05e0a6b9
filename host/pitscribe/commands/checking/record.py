"""The ledger, and the photos that lie beside it."""

import sqlite3
from collections.abc import Iterator

from pitscribe.commands.checking.finding import Finding, look, not_looked, ok, wrong
from pitscribe.commands.checking.scene import Scene, peeked
from pitscribe.errors import FrameError, PitscribeError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photobook import Photo
from pitscribe.ledger.store import MIGRATIONS
from pitscribe.wire.frames import check

_RESCUE = "end serve, then take what is good of it into a new one: pitscribe recover"


def ledger(scene: Scene) -> Iterator[Finding]:
    """Whether it is there, of this version, and its pages are sound; the whole of it if everything is asked for."""
    path, newest = scene.ledger_path, len(MIGRATIONS)
    if scene.version is not None and scene.version > newest:
        yield wrong("ledger", f"{path} is of ledger version {scene.version}; this Pitscribe knows {newest}", "update "
                    "Pitscribe; the file is as it was")
    elif scene.version is not None and scene.version < newest:
        yield look("ledger", f"{path} is of ledger version {scene.version}, this Pitscribe has {newest}", "copy it, "
                   "then start serve: that brings it up to date")
    elif not path.exists():
        yield look("ledger", f"there is none in {scene.home} yet", "it is made by: pitscribe serve")
    elif scene.ledger is None:
        yield wrong("ledger", scene.no_ledger or "it cannot be read", _RESCUE)
    elif (fault := _fault(scene)) is not None:
        yield wrong("ledger", f"{path} is damaged: {fault}", _RESCUE)
    else:
        size, how = path.stat().st_size / (1 << 20), "pages, indexes and rows" if scene.whole else "pages"
        held = f"{scene.ledger.frame_count()} frames, {len(scene.ledger.cooks())} cooks"
        yield ok("ledger", f"{path}: version {scene.version}, {size:.1f} MB, {held}; its {how} are sound")


def _fault(scene: Scene) -> str | None:
    """The first fault that SQLite finds, on a connection of its own that changes nothing."""
    try:
        with peeked(scene.ledger_path, scene.served) as db:
            found = db.execute("PRAGMA integrity_check(1)" if scene.whole else "PRAGMA quick_check(1)").fetchone()[0]
            if found == "ok" and scene.whole and (lost := db.execute("PRAGMA foreign_key_check").fetchone()):
                found = f"a row of {lost[0]} belongs to one of {lost[2]} that is not there"
    except (sqlite3.Error, UnicodeDecodeError) as error:  # SQLite's own words may quote what is damaged
        return str(error)
    return None if found == "ok" else str(found).splitlines()[-1]


def frames(scene: Scene) -> Iterator[Finding]:
    """With everything: the CRC of each frame."""
    if not scene.whole:
        yield not_looked("frames", "each frame's CRC takes long; --all looks at it")
        return
    held, bad, first = 0, 0, ""
    store = scene.the_ledger()
    for info in store.loggers():
        for span in store.boots(info.logger):
            for one in store.frames(info.logger, boots=[span.boot]):
                held += 1
                try:
                    sound = check(one.frame).key == one.key
                except FrameError:
                    sound = False
                if not sound:
                    bad, first = bad + 1, first or f"{one.key.logger:08x}, boot {one.key.boot}, {one.key.sequence}"
    if bad:
        yield wrong("frames", f"{bad} of {held} are not what came in, the first: logger {first}", f"{_RESCUE} --anyway")
    else:
        yield ok("frames", f"{held}, each with its CRC")


def photos(scene: Scene) -> Iterator[Finding]:
    """Whether each photo's file is there, and the one that was kept."""
    store = scene.the_ledger()
    every = [photo for cook in store.cooks() for photo in store.photos(cook.id)]
    lost = [photo.id for photo in every if _lost(store, photo)]
    if lost:
        some = ", ".join(map(str, lost[:8]))
        yield wrong("photos", f"of {len(every)}, {len(lost)} cannot be read: {some}", f"put the files back into "
                    f"{store.photo_folder}, from where you copied the ledger")
    else:
        yield ok("photos", f"{len(every)} in {store.photo_folder}" if every else "none")


def _lost(store: Ledger, photo: Photo) -> bool:
    try:
        store.photo_jpeg(photo)
    except (PitscribeError, OSError):
        return True
    return False


def aside(scene: Scene) -> Iterator[Finding]:
    """What came in and could not be used."""
    counts = scene.the_ledger().asides()
    if not counts:
        yield ok("kept aside", "nothing")
        return
    said = ", ".join(f"{count} for {reason}" for reason, count in sorted(counts.items()))
    yield look("kept aside", said, "nothing of it is lost; what another version sends is read after an update")
    if clashes := scene.the_ledger().aside_items("clash", 1):
        last = clashes[0]
        yield look(f"numbers of logger {last.source[:8]}", f"{counts['clash']} frames came under a number that another "
                   f"frame has ({last.detail})", "are two loggers under one number, or was its flash wiped? Switch one "
                   "off, and look which board it is; both frames are kept")
