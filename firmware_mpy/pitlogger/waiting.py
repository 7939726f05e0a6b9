"""Waiting in asyncio for a socket or a console to have something, with nothing read yet."""

from asyncio import core  # type: ignore[attr-defined]  # MicroPython's own part of asyncio; the stubs leave it out


def readable(stream):
    """Wait until there is something to read. To be awaited."""
    yield core._io_queue.queue_read(stream)
