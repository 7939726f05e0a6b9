"""One question and its answer over UDP, without ever blocking."""

import asyncio
import socket

from pitlogger.waiting import readable

_MOST_IN = 512  # bytes: the most that DNS sends unasked, and ten times what NTP does


async def ask(address, port, packet, timeout_ms, clock, accept):
    """Send ``packet`` to a numeric ``address``; return ``accept(reply)`` of the first reply for which it is not None.

    Returns None when the time is up. Only datagrams of that address and port are looked at. OSError if the network
    refuses.
    """
    where = socket.getaddrinfo(address, port, 0, socket.SOCK_DGRAM)[0][-1]  # of a number: nothing is looked up
    s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        s.setblocking(False)
        s.connect(where)
        s.send(packet)
        due = clock.ticks_add(clock.ticks_ms(), timeout_ms)
        while True:
            left = clock.ticks_diff(due, clock.ticks_ms())
            if left <= 0:
                return None
            try:
                await asyncio.wait_for_ms(readable(s), left)
            except asyncio.TimeoutError:
                return None
            found = accept(s.recv(_MOST_IN))  # not StreamReader.read, which puts two datagrams into one
            if found is not None:
                return found
    finally:
        s.close()
