"""Looking up a name without stopping the sampler, as ``getaddrinfo`` would: one question for an A record (RFC 1035)."""

import json
import os
import struct

from micropython import const

from pitlogger import files, udp
from pitlogger.addresses import numeric

_PORT = const(53)
_TIMEOUT_MS = const(2000)
_TRIES = const(2)
_A, _IN = const(1), const(1)


class Resolver:
    """Addresses of names. ``server()`` gives the name server's address, with ``:port`` where it is not 53, or None.

    The last answer to a name that is to be kept is in the file ``path``, for when the name server is away.
    """

    def __init__(self, server, clock, path):
        self._server = server
        self._clock = clock
        self._path = path
        self._known = {}
        try:
            with open(path, "rb") as f:
                kept = json.load(f)
            self._known = {str(n): a for n, a in kept.items() if isinstance(a, str) and numeric(a)}
        except (OSError, ValueError, AttributeError):
            pass

    async def address(self, name, keep=False):
        """Return the address of ``name``. OSError if nobody knows and nobody ever did."""
        found, known = None, self._known.get(name)
        for _ in range(_TRIES if known is None else 1):
            try:
                found = await self._ask(name)
            except OSError:
                pass
            if found is not None:
                break
        if not found and known is None:
            raise OSError("no address for " + name)
        # Of several the one that served before: else each answer, in another order, would be a write to the flash.
        if found and known not in found:
            known = self._known[name] = found[0]
            if keep:
                self._keep()
        return known

    def _keep(self):
        try:
            files.replace(self._path, json.dumps(self._known).encode())
        except OSError:
            pass  # it is known as long as we run

    async def _ask(self, name):
        """Return the addresses, an empty list if the server says that there are none, None if it does not answer."""
        server = self._server()
        if not server:
            return None
        address, _, port = server.partition(":")
        query = _query(name)
        return await udp.ask(
            address, int(port) if port else _PORT, query, _TIMEOUT_MS, self._clock, lambda reply: _answers(query, reply)
        )


def _query(name):
    packet = bytearray(os.urandom(2))
    packet.extend(b"\x01\x00\x00\x01\x00\x00\x00\x00\x00\x00")  # recursion desired; one question
    for label in name.split("."):
        packet.append(len(label))
        packet.extend(label.encode())
    packet.extend(struct.pack(">BHH", 0, _A, _IN))
    return bytes(packet)


def _answers(query, reply):
    """Return the addresses that ``reply`` gives to ``query``, None if it is no answer to it."""
    try:
        if reply[:2] != query[:2] or not reply[2] & 0x80 or reply[4:6] != b"\x00\x01":
            return None
        if reply[12 : len(query)].lower() != query[12:].lower():
            return None
        at, found = len(query), []
        for _ in range(struct.unpack_from(">H", reply, 6)[0]):
            at = _past_name(reply, at)
            kind, net, _, length = struct.unpack_from(">HHIH", reply, at)
            at += 10
            if at + length > len(reply):
                return None
            if (kind, net, length) == (_A, _IN, 4):
                found.append("%d.%d.%d.%d" % tuple(reply[at : at + 4]))
            at += length
        return found
    except (IndexError, ValueError):  # cut off, or nonsense
        return None


def _past_name(reply, at):
    while True:
        length = reply[at]
        if length >= 0xC0:  # the rest stands elsewhere
            return at + 2
        at += 1 + length
        if not length:
            return at
