"""A name server that answers every name with our own address, so that a phone on the hotspot finds the page by itself.

Phones ask for some page of their maker's to see whether there is a way to the internet: by this answer they come to
us, are sent on to the page (web.py), and offer it. Source: RFC 1035 sections 4.1 and 3.2.
"""

import asyncio
import gc
import socket

from micropython import const

from pitlogger.waiting import readable

_MOST = const(512)  # a longer message does not come over UDP
_HEAD = const(12)
_TURN_MS = const(5)  # between two questions: a flood must not have all the turns
_SHORT_MS = const(500)  # where memory is short: what was asked lies there until it can be read
_TTL_S = const(30)  # short: what is said here is not true elsewhere
_A, _ANY, _IN = const(1), const(255), const(1)


def reply(query, address):
    """Return the answer to a DNS query: ``address`` (4 bytes) for a host address, nothing for other kinds of record.

    None for what is no query with one question.
    """
    if not _HEAD < len(query) <= _MOST or query[2] & 0xF8 or query[4] or query[5] != 1:
        return None
    at = _HEAD
    while at < len(query) and query[at]:
        if query[at] > 63:
            return None  # a pointer, or nonsense
        at += 1 + query[at]
    end = at + 5
    if end > len(query):
        return None
    known = query[at + 1] == 0 and query[at + 2] in (_A, _ANY) and query[at + 3] == 0 and query[at + 4] == _IN
    made = bytearray(query[:end])  # what a newer client adds behind the question is left out
    made[2] = 0x84 | query[2] & 0x01  # an answer, with authority; recursion desired as it was asked
    made[3] = 0
    made[6:_HEAD] = bytes((0, 1 if known else 0, 0, 0, 0, 0))
    if known:
        made += bytes((0xC0, _HEAD, 0, _A, 0, _IN, 0, 0, 0, _TTL_S, 0, 4)) + address
    return bytes(made)


async def serve(host, port):
    """Answer at ``host`` (numeric) until cancelled. OSError if the port cannot be had."""
    address = bytes(int(part) for part in host.split("."))
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        sock.setblocking(False)
        sock.bind(socket.getaddrinfo(host, port)[0][-1])
        while True:
            pause = _TURN_MS
            try:
                await readable(sock)
                query, asker = sock.recvfrom(_MOST)
                made = reply(query, address)
                if made:
                    sock.sendto(made, asker)
            except OSError:
                pass  # a lost answer is asked for again
            except MemoryError:
                gc.collect()
                pause = _SHORT_MS
            await asyncio.sleep_ms(pause)
    finally:
        sock.close()
