"""Reading HTTP requests in bounded memory. Source: RFC 9110 and 9112."""

import asyncio
import json

from micropython import const

_HEAD_MOST, _BODY_MOST = const(2048), const(512)
_DISCARD = const(32)  # pieces of 512 bytes
_BRIEF_MS = const(200)


class Refused(Exception):
    """A request that is answered with a status and a line of text."""

    def __init__(self, status, text):
        super().__init__(text)
        self.status, self.text = status, text


async def _head(reader, piece):
    """Return (head, what came behind it) as bytes; ``piece`` is what was read of it already."""
    got = bytearray()
    while True:
        if not piece:
            raise EOFError
        got += piece
        end = got.find(b"\r\n\r\n")
        if 0 <= end <= _HEAD_MOST:
            return bytes(got[:end]), bytes(got[end + 4 :])
        if len(got) > _HEAD_MOST:
            raise Refused(431, "the request is too long")
        piece = await reader.read(256)


async def request(reader, first):
    """Return (method, path, query, headers, the beginning of the body); of the headers those that we go by."""
    head, rest = await _head(reader, first)
    try:
        method, target, version = head[: _end(head, 0)].decode().split(" ")
        lower = head.lower()
        headers = {name: _field(lower, name) for name in ("host", "content-type", "content-length")}
    except ValueError:
        raise Refused(400, "this is no HTTP request")
    if not version.startswith("HTTP/1.") or not target.startswith("/"):
        raise Refused(400, "this is no HTTP request")
    path, _, query = target.partition("?")
    return method, path, query, headers, rest


def _field(head, name):
    """Return the value of a header, "" if it is not there. Not by taking all apart: 500 lines fit in a head."""
    at = head.find(b"\r\n%s:" % name.encode())
    if at < 0:
        return ""
    at += len(name) + 3
    return head[at : _end(head, at)].decode().strip()


def _end(head, at):
    end = head.find(b"\r\n", at)
    return len(head) if end < 0 else end


async def read_body(reader, headers, got):
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
        made = json.loads(got[:length])
    except ValueError:
        raise Refused(400, "the body is not JSON")
    if not isinstance(made, dict):
        raise Refused(400, "the body is not an object")
    return made


async def discard(reader):
    """Read on for a moment: a connection closed with something unread is reset, and the answer lost with it."""
    try:
        for _ in range(_DISCARD):
            if not await asyncio.wait_for_ms(reader.read(512), _BRIEF_MS):
                return
    except asyncio.TimeoutError:
        pass


async def drain(reader, first):
    """Read what was asked, so that the answer is not lost with a connection that is reset."""
    try:
        await _head(reader, first)
    except (Refused, EOFError):
        pass
