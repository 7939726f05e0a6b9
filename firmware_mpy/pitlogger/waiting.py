"""Waiting in asyncio for a socket or a console, with nothing read or written yet."""

from asyncio import core  # type: ignore[attr-defined]  # MicroPython's own part of asyncio; the stubs leave it out


def readable(stream):
    """Wait until there is something to read. To be awaited."""
    yield core._io_queue.queue_read(stream)


def writable(stream):
    """Wait until something can be written, or never will. To be awaited."""
    yield core._io_queue.queue_write(stream)
