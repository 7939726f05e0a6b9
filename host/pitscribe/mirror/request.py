"""An HTTP request that ends: to a server that sends a byte now and then, a socket's own timeout never comes."""

import contextlib
import socket
import threading
import weakref
from collections.abc import Iterator, Mapping
from datetime import UTC
from email.utils import parsedate_to_datetime
from typing import NamedTuple

import urllib3
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from pitscribe.errors import MirrorError

PATIENCE = 3.0  # times the timeout of a socket: so long a request takes at most (our allowance, no source)
LONGEST_ANSWER = 64 << 20  # bytes: an hour of a series read back is under 1 MB
LONGEST_WAIT_S = 3600.0  # that a server may ask for


class AwayError(MirrorError):
    """Nothing can be written at present; all is kept and tried again, not before ``retry_s`` seconds have passed."""

    def __init__(self, words: str, retry_s: float = 0.0) -> None:
        super().__init__(words)
        self.retry_s = retry_s


class Answer(NamedTuple):
    """What a server answered."""

    status: int
    headers: Mapping[str, str]
    data: bytes


class _Mine(threading.local):
    """The sockets that this thread has made. (A connection lets go of its own while the answer is still being read.)"""

    def __init__(self) -> None:
        self.sockets: weakref.WeakSet[socket.socket] = weakref.WeakSet()

    def note(self, made: socket.socket | None) -> None:
        """Keep one in sight as long as it is open."""
        if made is not None:
            self.sockets.add(made)


_mine = _Mine()


class _Plain(HTTPConnection):
    def connect(self) -> None:
        super().connect()
        _mine.note(self.sock)


class _Sealed(HTTPSConnection):
    def connect(self) -> None:
        super().connect()
        _mine.note(self.sock)


class _PlainPool(HTTPConnectionPool):
    ConnectionCls = _Plain


class _SealedPool(HTTPSConnectionPool):
    ConnectionCls = _Sealed


def pool(timeout_s: float) -> urllib3.PoolManager:
    """Connections that ``ended_after`` can cut; a socket waits ``timeout_s``, and nothing is tried twice."""
    made = urllib3.PoolManager(timeout=timeout_s, retries=False)
    made.pool_classes_by_scheme = {"http": _PlainPool, "https": _SealedPool}
    return made


@contextlib.contextmanager
def ended_after(seconds: float, url: str) -> Iterator[None]:
    """Cut this thread's connections if the block takes longer. AwayError for whatever the network does in it."""
    sockets, cut = _mine.sockets, threading.Event()

    def end() -> None:
        cut.set()
        for one in list(sockets):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(seconds, end)
    timer.daemon = True
    timer.start()
    try:
        yield
    except (urllib3.exceptions.HTTPError, OSError) as error:
        refused = isinstance(error, urllib3.exceptions.NewConnectionError)  # which calls itself a timeout as well
        slow = cut.is_set() or (isinstance(error, urllib3.exceptions.TimeoutError) and not refused)
        raise _away(url, slow, isinstance(error, urllib3.exceptions.ProtocolError)) from error
    finally:
        timer.cancel()
    if cut.is_set():  # what looks like a whole answer was cut off by us
        raise _away(url, True, False)


def read(answer: urllib3.BaseHTTPResponse, url: str) -> Answer:
    """The whole of an answer, or AwayError if it has no end."""
    data = answer.read(LONGEST_ANSWER)
    if len(data) == LONGEST_ANSWER:
        answer.close()
        raise AwayError(f"{url} answers with more than {LONGEST_ANSWER >> 20} MB; it is tried again")
    answer.release_conn()
    return Answer(answer.status, answer.headers, data)


def retry_after(headers: Mapping[str, str] | None) -> float:
    """In how many seconds a server says it may be asked again: seconds or a date (RFC 9110, 10.2.3). 0: no word."""
    said = (headers or {}).get("Retry-After", "").strip()
    if said.isascii() and said.isdecimal():
        return min(float(said), LONGEST_WAIT_S)
    try:
        at = parsedate_to_datetime(said)
        here = parsedate_to_datetime((headers or {}).get("Date", ""))
    except ValueError:
        return 0.0
    # By the server's own clock; -0000 in a date makes it naive, and means UTC (RFC 5322, section 3.3).
    apart = (at.replace(tzinfo=at.tzinfo or UTC) - here.replace(tzinfo=here.tzinfo or UTC)).total_seconds()
    return min(max(apart, 0.0), LONGEST_WAIT_S)


def _away(url: str, slow: bool, broken: bool) -> AwayError:
    """A server that does not answer, in words."""
    why = "is too slow to answer" if slow else "broke off in its answer" if broken else "cannot be reached"
    return AwayError(f"{url} {why}; what is to be copied is kept, and tried again")
