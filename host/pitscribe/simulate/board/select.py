"""``select`` whose waits pass virtual time; see time.py."""

import time

import uselect
from uselect import *  # noqa: F403


class poll:  # noqa: N801
    """A poll object over real sockets that waits in virtual time."""

    def __init__(self):
        self._real = uselect.poll()

    def register(self, stream, *mask):
        return self._real.register(stream, *mask)

    def modify(self, stream, mask):
        return self._real.modify(stream, mask)

    def unregister(self, stream):
        return self._real.unregister(stream)

    def poll(self, ms=-1):
        return time.wait(self._real, ms)

    def ipoll(self, ms=-1, flags=0):
        return time.wait(self._real, ms)
