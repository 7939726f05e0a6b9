"""A bounded queue between the network's thread and the writer's: a full one makes the network wait."""

import threading
from collections import deque
from typing import Generic, TypeVar

T = TypeVar("T")


class Inbox(Generic[T]):
    """First in, first out, bounded in items and in bytes, taken out many at a time."""

    def __init__(self, most_items: int, most_bytes: int) -> None:
        self.most_items, self.most_bytes = most_items, most_bytes
        self._items: deque[tuple[T, int]] = deque()
        self._bytes = 0
        self._closed = False
        self._waiting = 0  # putters that wait for room
        self._changed = threading.Condition()

    def __len__(self) -> int:
        return len(self._items)

    def put(self, item: T, size: int, *, wait: bool = True) -> bool:
        """Put an item in, waiting for room. False if it was let go: no room and not ``wait``, or closed."""
        with self._changed:
            while not self._closed and self._full(size):
                if not wait:
                    return False
                self._waiting += 1
                self._changed.wait()
                self._waiting -= 1
            if self._closed:
                return False
            self._items.append((item, size))
            self._bytes += size
            if len(self._items) == 1:
                self._changed.notify_all()
            return True

    def _full(self, size: int) -> bool:
        # One item always fits into an empty box, however large it is.
        return bool(self._items) and (len(self._items) >= self.most_items or self._bytes + size > self.most_bytes)

    def take(self, most: int) -> list[T]:
        """Up to ``most`` items, waiting for the first; an empty list once the box is closed and empty."""
        with self._changed:
            while not self._items and not self._closed:
                self._changed.wait()
            out = []
            for _ in range(min(most, len(self._items))):
                item, size = self._items.popleft()
                self._bytes -= size
                out.append(item)
            if self._waiting:
                self._changed.notify_all()
            return out

    def close(self) -> None:
        """Let nothing more in; what is in can still be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
