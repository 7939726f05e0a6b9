"""A small HTTP server for the hotspot's page: short turns, bounded memory, and a deadline for everything.

Each request has a connection of its own. Up to three guests (by address) are served; a guest who has been silent for
a while gives up the seat. What a request asks for is answered by ``views``: this module knows HTTP alone.
Source: RFC 9110 and 9112.
"""

import asyncio
import gc
import json
import socket

from micropython import const

from pitlogger.request import Refused, discard, drain, read_body, request
from pitlogger.waiting import readable

_SEATS = const(3)
_SEAT_MS = const(20000)  # the page asks every two seconds
_CONNECTIONS = const(6)  # at once; a browser opens one or two more than it needs
_ROOM_MS = const(20)  # between looks for room
_SHORT_MS = const(500)  # between tries where memory is short: who connects waits as long
_READ_MS = const(5000)  # for a whole request
_SEND_MS = const(30000)  # for a whole answer

_REASONS = {
    200: "OK", 302: "Found", 400: "Bad Request", 403: "Forbidden", 404: "Not Found", 405: "Method Not Allowed",
    408: "Request Timeout", 413: "Content Too Large", 429: "Too Many Requests",
    431: "Request Header Fields Too Large", 500: "Internal Server Error", 503: "Service Unavailable",
}  # fmt: off
_HEAD = (
    "HTTP/1.1 %d %s\r\nContent-Type: %s\r\nConnection: close\r\nCache-Control: no-store\r\n"
    "X-Content-Type-Options: nosniff\r\nReferrer-Policy: no-referrer\r\nContent-Security-Policy: default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; connect-src 'self'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'\r\n%s\r\n"
)
_FULL = (
    "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content='width=device-width'>"
    "<title>All seats are taken</title><h1>All seats are taken</h1><p>Three others are looking at this logger, and it "
    "has room for no more. Close the page on one of them and load this one again after 20 seconds. "
    "Sampling and journal go on, whoever looks."
)


class Web:
    """``views`` has ``get(path, query)``, which returns (content type, pieces) or None, and ``post(path, body)``,
    which returns an object for JSON, or what is to be awaited for it; both may raise Refused. ``address`` is our own as
    text, ``clock`` has ticks."""

    def __init__(self, views, address, clock):
        self._views = views
        self._address = address
        self._clock = clock
        self._seats = []  # [guest, ticks of the last request]
        self._connections = 0
        self._silent = []  # tasks of those connections that have said nothing yet
        self.refused = 0  # requests that were not answered with what they asked for

    def listen(self, port):
        """Return a socket that listens at our address. OSError if the port cannot be had."""
        sock = socket.socket()
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.bind(socket.getaddrinfo(self._address, port)[0][-1])
            sock.listen(_CONNECTIONS)
            sock.setblocking(False)
        except OSError:
            sock.close()
            raise
        return sock

    async def accept(self, sock):
        """Answer who connects to a listening socket, until cancelled. Who finds no room waits for one, but goes before
        one that has said nothing yet: browsers open connections on the off chance.

        Not by asyncio.start_server: that ends for ever where memory is short while it accepts.
        """
        try:
            while True:
                pause = _ROOM_MS
                try:
                    await readable(sock)
                    if self._connections < _CONNECTIONS:
                        self._begin(*sock.accept())
                        continue
                    if self._silent:
                        self._silent.pop(0).cancel()
                except OSError:
                    pass
                except MemoryError:
                    gc.collect()
                    pause = _SHORT_MS
                await asyncio.sleep_ms(pause)
        finally:
            sock.close()

    def _begin(self, sock, peer):
        """Answer a new connection in a task of its own."""
        try:
            sock.setblocking(False)
            stream = asyncio.StreamReader(sock)
            asyncio.create_task(self._serve(stream, peer[0] if isinstance(peer, tuple) else bytes(peer[4:8])))
            self._connections += 1
        except (OSError, MemoryError):
            sock.close()
            raise

    async def _serve(self, stream, guest):
        """Answer one connection. Whatever it does, it ends, and raises nothing but a cancellation.

        ``guest`` is the address, in whatever shape this port of MicroPython has it.
        """
        try:
            first = await self._first(stream)
            if self._seat(guest):
                await self._answer(stream, stream, first)
            else:
                self.refused += 1
                await asyncio.wait_for_ms(drain(stream, first), _READ_MS)
                await self._send(stream, 503, "text/html", (_FULL,), "Retry-After: 20\r\n")
        except (OSError, EOFError, asyncio.TimeoutError):
            pass  # the guest is gone, or too slow
        except MemoryError:
            self.refused += 1
            gc.collect()
        finally:
            self._connections -= 1
            stream.s.close()  # nothing may be awaited here: wait_for cancels a second time, and this would be left out

    async def _first(self, stream):
        """Return the first bytes of a request, b"" when the time is up."""
        task = asyncio.current_task()
        self._silent.append(task)
        try:
            return await asyncio.wait_for_ms(stream.read(256), _READ_MS)
        except asyncio.TimeoutError:
            await self._tell(stream, 408, "the request took too long")
            raise EOFError
        finally:
            if task in self._silent:
                self._silent.remove(task)

    async def _answer(self, reader, writer, first):
        try:
            method, path, query, headers, rest = await asyncio.wait_for_ms(request(reader, first), _READ_MS)
            if headers.get("host", "").split(":")[0] != self._address:
                # A phone that looks for the internet, or someone who typed a name: here is the page.
                where = "Location: http://%s%s/\r\n" % (self._address, _port(headers))
                await self._send(writer, 302, "text/plain", (), where)
            elif method == "GET":
                found = self._views.get(path, query)
                if found is None:
                    raise Refused(404, "there is no such page here")
                await self._send(writer, 200, found[0], found[1])
            elif method == "POST":
                body = await asyncio.wait_for_ms(read_body(reader, headers, rest), _READ_MS)
                told = self._views.post(path, body)
                if not isinstance(told, dict):
                    told = await told
                await self._send(writer, 200, "application/json", (json.dumps(told),))
            else:
                raise Refused(405, "GET and POST are all there is")
        except Refused as no:
            await self._tell(writer, no.status, no.text)
            if no.status in (413, 431):
                await discard(reader)
        except asyncio.TimeoutError:
            await self._tell(writer, 408, "the request took too long")

    async def _tell(self, writer, status, text):
        self.refused += 1
        await self._send(writer, status, "application/json", (json.dumps({"error": text}),))

    async def _send(self, writer, status, kind, pieces, more=""):
        await asyncio.wait_for_ms(_write(writer, _HEAD % (status, _REASONS[status], kind, more), pieces), _SEND_MS)

    def _seat(self, guest):
        """Return whether this guest has, or gets, a seat."""
        now, diff = self._clock.ticks_ms(), self._clock.ticks_diff
        self._seats = [s for s in self._seats if s[0] == guest or diff(now, s[1]) < _SEAT_MS]
        for seat in self._seats:
            if seat[0] == guest:
                seat[1] = now
                return True
        if len(self._seats) < _SEATS:
            self._seats.append([guest, now])
            return True
        return False


async def _write(writer, head, pieces):
    writer.write(head.encode())
    await writer.drain()
    for piece in pieces:
        writer.write(piece if isinstance(piece, (bytes, memoryview)) else piece.encode())
        await writer.drain()  # gives the others their turn, even where nothing has to wait


def _port(headers):
    _, colon, port = headers.get("host", "").partition(":")
    return ":" + port if colon and port.isdigit() else ""
