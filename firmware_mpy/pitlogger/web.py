"""A small HTTP server for the hotspot's page: short turns, bounded memory, and a deadline for everything.

Each request has a connection of its own. Up to three guests (by address) are served; a guest who has been silent for
a while gives up the seat. What a request asks for is answered by ``views``: this module knows HTTP alone.
Source: RFC 9110 and 9112.
"""

import asyncio
import gc
import json

from micropython import const

_SEATS = const(3)
_SEAT_MS = const(20000)  # the page asks every two seconds
_CONNECTIONS = const(6)  # a browser opens one or two more than it needs
_HEAD_MOST, _BODY_MOST = const(2048), const(512)
_DISCARD = const(32)  # pieces of 512 bytes
_BRIEF_MS = const(200)
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


class Refused(Exception):
    """A request that is answered with a status and a line of text."""

    def __init__(self, status, text):
        super().__init__(text)
        self.status, self.text = status, text


class Web:
    """``views`` has ``get(path, query)``, which returns (content type, pieces) or None, and ``post(path, body)``,
    which returns an object for JSON; both may raise Refused. ``address`` is our own as text, ``clock`` has ticks."""

    def __init__(self, views, address, clock):
        self._views = views
        self._address = address
        self._clock = clock
        self._seats = []  # [guest, ticks of the last request]
        self._connections = 0
        self.refused = 0  # requests that were not answered with what they asked for

    async def serve(self, reader, writer):
        """Answer one connection. Whatever it does, it ends, and raises nothing but a cancellation."""
        self._connections += 1
        try:
            if self._connections > _CONNECTIONS:
                await asyncio.wait_for_ms(_drain_request(reader), _BRIEF_MS)
                await self._tell(writer, 503, "too many connections at once; try again")
            elif not self._seat(_guest(writer)):
                self.refused += 1
                await asyncio.wait_for_ms(_drain_request(reader), _READ_MS)
                await self._send(writer, 503, "text/html", (_FULL,), "Retry-After: 20\r\n")
            else:
                await self._answer(reader, writer)
        except (OSError, EOFError, asyncio.TimeoutError):
            pass  # the guest is gone, or too slow
        except MemoryError:
            self.refused += 1
            gc.collect()
        finally:
            self._connections -= 1
            await _end(writer)

    async def _answer(self, reader, writer):
        try:
            method, path, query, headers, rest = await asyncio.wait_for_ms(_request(reader), _READ_MS)
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
                body = await asyncio.wait_for_ms(_body(reader, headers, rest), _READ_MS)
                await self._send(writer, 200, "application/json", (json.dumps(self._views.post(path, body)),))
            else:
                raise Refused(405, "GET and POST are all there is")
        except Refused as no:
            await self._tell(writer, no.status, no.text)
            if no.status in (413, 431):
                await _discard(reader)
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


async def _end(writer):
    try:
        await writer.wait_closed()
    except OSError:
        pass


def _guest(writer):
    """Return what tells one guest from another: the address, whatever shape this port of MicroPython gives it."""
    peer = writer.get_extra_info("peername")
    return peer[0] if isinstance(peer, tuple) else bytes(peer[4:8])


def _port(headers):
    _, colon, port = headers.get("host", "").partition(":")
    return ":" + port if colon and port.isdigit() else ""


async def _head(reader):
    """Return (head, what came behind it) as bytes."""
    got = bytearray()
    while True:
        piece = await reader.read(256)
        if not piece:
            raise EOFError
        got += piece
        end = got.find(b"\r\n\r\n")
        if 0 <= end <= _HEAD_MOST:
            return bytes(got[:end]), bytes(got[end + 4 :])
        if len(got) > _HEAD_MOST:
            raise Refused(431, "the request is too long")


async def _request(reader):
    """Return (method, path, query, headers, the beginning of the body); header names in lower case."""
    head, rest = await _head(reader)
    try:
        lines = head.decode().split("\r\n")
        method, target, version = lines[0].split(" ")
    except ValueError:
        raise Refused(400, "this is no HTTP request")
    if not version.startswith("HTTP/1.") or not target.startswith("/"):
        raise Refused(400, "this is no HTTP request")
    headers = {}
    for line in lines[1:]:
        name, _, value = line.partition(":")
        headers[name.lower()] = value.strip()
    path, _, query = target.partition("?")
    return method, path, query, headers, rest


async def _body(reader, headers, got):
    """Return the object in the body, which must be JSON: so no other site's form can send it."""
    if headers.get("content-type", "").split(";")[0] != "application/json":
        raise Refused(400, "the body must be application/json")
    try:
        length = int(headers.get("content-length", ""))
    except ValueError:
        raise Refused(400, "Content-Length is missing")
    if not 0 <= length <= _BODY_MOST:
        raise Refused(413, "the body is too long")
    while len(got) < length:
        piece = await reader.read(length - len(got))
        if not piece:
            raise EOFError
        got += piece
    try:
        body = json.loads(got[:length])
    except ValueError:
        raise Refused(400, "the body is not JSON")
    if not isinstance(body, dict):
        raise Refused(400, "the body is not an object")
    return body


async def _discard(reader):
    """Read on for a moment: a connection closed with something unread is reset, and the answer lost with it."""
    try:
        for _ in range(_DISCARD):
            if not await asyncio.wait_for_ms(reader.read(512), _BRIEF_MS):
                return
    except asyncio.TimeoutError:
        pass


async def _drain_request(reader):
    """Read what was asked, so that the answer is not lost with a connection that is reset."""
    try:
        await _head(reader)
    except (Refused, EOFError):
        pass
