"""Frames out of the bytes of a damaged ledger, whether or not SQLite can still find its way in it.

Every frame proves itself by its CRC, so none is taken for one that is not; what the row said beside it (its number,
when the frame came, by which road) is believed if it can be. The format is that of sqlite.org/fileformat2.html: table
leaf pages (section 1.6), records (2.1), overflow pages (1.7) and the write-ahead log (4.1).
"""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from pitscribe.errors import FrameError
from pitscribe.ledger.values import TIMES_MS
from pitscribe.wire.frames import Head, check, read_head
from pitscribe.wire.layout import LONGEST, SHORTEST
from pitscribe.wire.segments import scan_segment

PAGE = 4096  # SQLite's own choice, which the ledger has never changed
_LEAF = 13  # first byte of a page: leaf of a table
_LOCAL = PAGE - 35  # so much of a record lies on the leaf itself (section 1.6)
_LEAST_LOCAL = (PAGE - 12) * 32 // 255 - 23
_WAL_HEADER, _WAL_FRAME = 32, 24
_COLUMNS = 10  # of `frames`
_INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}  # serial type -> bytes
_ZERO, _ONE = 8, 9


@dataclass(frozen=True, slots=True)
class Carved:
    """A frame that was found. ``row``, ``received_ms`` and ``road`` are None where its row was not whole."""

    head: Head
    frame: bytes
    row: int | None = None
    received_ms: int | None = None
    road: str | None = None


def carved(path: Path) -> Iterator[Carved]:
    """Every sound frame in a ledger's file and in the log beside it; one may come more than once. OSError."""
    with path.open("rb") as file:
        for page in _pages(file, 0, 0):
            yield from _of_page(page, file)
        log = path.with_name(path.name + "-wal")
        if log.exists():
            with log.open("rb") as wal:
                for page in _pages(wal, _WAL_HEADER, _WAL_FRAME):
                    yield from _of_page(page, file)


def _pages(file: BinaryIO, start: int, gap: int) -> Iterator[bytes]:
    file.seek(start)
    at = start
    while True:
        file.seek(at + gap)  # whoever got the last page may have read elsewhere
        page = file.read(PAGE)
        if not page:
            return
        yield page
        at += gap + PAGE


def _of_page(page: bytes, file: BinaryIO) -> Iterator[Carved]:
    seen: set[bytes] = set()
    if page[0] == _LEAF and len(page) == PAGE:
        count = int.from_bytes(page[3:5], "big")
        for n in range(min(count, PAGE // 2 - 4)):
            at = int.from_bytes(page[8 + 2 * n : 10 + 2 * n], "big")
            try:
                found = _cell(page, at, file)
            except (IndexError, ValueError, OSError):
                continue
            if found is not None:
                seen.add(found.frame)
                yield found
    for frame in scan_segment(page)[0]:  # also where one bit makes a page or a row look like something else
        if frame not in seen:
            with contextlib.suppress(FrameError):
                yield Carved(check(frame), frame)  # looked through in full: it may be of what was kept aside


def _cell(page: bytes, at: int, file: BinaryIO) -> Carved | None:
    """The frame of a cell; None if it is another table's row. ValueError, IndexError: it cannot be read."""
    size, at = _varint(page, at)
    row, at = _varint(page, at)
    if not SHORTEST <= size <= 2 * LONGEST:
        return None
    payload = _payload(page, at, size, file)
    width, head = _varint(payload, 0)
    types = []
    while head < width:
        kind, head = _varint(payload, head)
        types.append(kind)
    if len(types) != _COLUMNS or types[0] != 0 or types[-1] < 12 or types[-1] % 2:
        return None  # another table's: a row of `frames` begins with its number, which is kept as NULL, and ends so
    values = [_value(payload, at, kind) for at, kind in _places(types, width)]
    frame = values[-1]
    if not isinstance(frame, bytes) or not SHORTEST <= len(frame) <= LONGEST:
        return None
    try:
        sound = read_head(frame)  # its CRC is enough: what is in a row was looked through when it came
    except FrameError as error:
        raise ValueError("a row of frames whose frame is damaged") from error
    received, road = values[7], values[8]
    if tuple(values[1:4]) != sound.key or not isinstance(received, int) or not isinstance(road, str):
        return Carved(sound, frame)
    if not TIMES_MS[0] <= received < TIMES_MS[1] or not road.isprintable() or row < 1:
        return Carved(sound, frame)
    return Carved(sound, frame, row, received, road)


def _payload(page: bytes, at: int, size: int, file: BinaryIO) -> bytes:
    if size <= _LOCAL:
        return page[at : at + size]
    local = _LEAST_LOCAL + (size - _LEAST_LOCAL) % (PAGE - 4)
    if local > _LOCAL:
        local = _LEAST_LOCAL
    parts, left = [page[at : at + local]], size - local
    number = int.from_bytes(page[at + local : at + local + 4], "big")
    while left > 0 and number:
        file.seek((number - 1) * PAGE)
        more = file.read(PAGE)
        parts.append(more[4 : 4 + left])
        number, left = int.from_bytes(more[:4], "big"), left - (PAGE - 4)
    return b"".join(parts)


def _places(types: list[int], at: int) -> Iterator[tuple[int, int]]:
    for kind in types:
        yield at, kind
        at += _INTEGERS.get(kind, (kind - 12) // 2 if kind >= 12 else 0)


def _value(payload: bytes, at: int, kind: int) -> int | str | bytes | None:
    if kind in (_ZERO, _ONE):
        return kind - _ZERO
    if kind in _INTEGERS:
        return int.from_bytes(payload[at : at + _INTEGERS[kind]], "big", signed=True)
    if kind < 12:
        return None
    data = payload[at : at + (kind - 12) // 2]
    return data if kind % 2 == 0 else data.decode("utf-8")


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for n in range(9):
        byte = data[at + n]
        if n == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + n + 1
    raise ValueError("no number")

