"""A line between two programs that is rough, held up or half open: what a network does to a TCP connection.

TCP repeats what is lost and puts in order what overtook: a program sees of it delays, bytes in odd pieces, silence, and
connections that end. A half-open one is gone for one end, which has heard nothing of it and goes on sending.
"""

import contextlib
import random
import socket
import time

from link import Link


class Line(Link):
    """A link that can also be ``rough``, or half open."""

    def __init__(self, to: int, seed: int) -> None:
        self.rough = False
        self._dice = random.Random(seed)
        self._lost: set[socket.socket] = set()  # ends that nobody reads any more, and that have heard nothing of it
        super().__init__(to)

    def _carry(self, a: socket.socket, b: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := a.recv(4096):
                if a in self._lost:
                    continue
                for piece in self._pieces(data):
                    while self.held:
                        time.sleep(0.02)
                    b.sendall(piece)
        for one in (a, b):
            if one not in self._lost:
                with contextlib.suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)
                one.close()

    def _pieces(self, data: bytes) -> list[bytes]:
        """The bytes, on a rough line late and cut anywhere; one time in fifty the connection ends among them."""
        if not self.rough:
            return [data]
        time.sleep(self._dice.choice((0.0, 0.02, 0.2)) * self._dice.random())
        if self._dice.random() < 0.02:
            raise ConnectionResetError
        cut = self._dice.randrange(len(data) + 1)
        return [piece for piece in (data[:cut], data[cut:]) if piece]

    def half_open(self) -> None:
        """Lose all connections of now for the far end alone: the near one goes on sending, and gets no answer."""
        pairs, self._pairs = self._pairs, []
        for near, far in pairs:
            self._lost.add(near)
            with contextlib.suppress(OSError):
                far.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """End it and every connection."""
        self.held = False
        self._listener.close()
        for one in [*(one for pair in self._pairs for one in pair), *self._lost]:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
