"""Pauses between tries that grow, and differ from logger to logger, so that many do not come back all at once."""

import os


class BackOff:
    """From ``first`` to ``most`` ms, doubling; each up to half as long again."""

    def __init__(self, first, most):
        self._first = self._next = first
        self._most = most

    def reset(self):
        """Begin again with the shortest pause: it went well."""
        self._next = self._first

    def pause(self):
        """Return how long to wait before the next try. [ms]"""
        ms = self._next
        self._next = min(ms * 2, self._most)
        return ms + ms * os.urandom(1)[0] // 512
