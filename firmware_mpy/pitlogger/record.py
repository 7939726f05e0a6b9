"""The journal for a guest: which segments there are, and one of them as it lies on flash (WIRE.md section 4).

The page asks for one after the other: so no answer is long, and one that was cut short is asked for again.
"""

import os

from micropython import const

from pitlogger.request import Refused

_PIECE = const(512)


def answer(journal, query):
    """Return (content type, pieces): without a query the list, with ``segment=N`` that segment. Raises Refused."""
    if not query:
        return "application/json", _listing(journal)
    try:
        name = int(query[8:]) if query.startswith("segment=") else -1
    except ValueError:
        name = -1
    if name not in journal.segments():
        raise Refused(404, "there is no such segment, or no longer")
    return "application/octet-stream", _segment(journal, name)


def _listing(journal):
    """Give a JSON list of [sequence number of the first frame, bytes]."""
    before = "["
    for name in list(journal.segments()):
        try:
            piece = "%s[%d,%d]" % (before, name, os.stat(journal.path(name))[6])
        except OSError:
            continue  # given up meanwhile
        yield piece
        before = ","
    yield "]" if before == "," else "[]"


def _segment(journal, name):
    buf = bytearray(_PIECE)
    view, at = memoryview(buf), 0
    while True:
        with open(journal.path(name), "rb") as f:  # anew for each piece: meanwhile the journal may have removed it
            f.seek(at)
            count = f.readinto(buf)
        if not count:
            return
        yield view[:count]
        at += count
