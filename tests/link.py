"""What lies between two programs that speak TCP to each other."""

import socket
import threading
import time


class Link:
    """Listens at ``port`` and lets bytes through to a port of 127.0.0.1 and back; holds them up while ``held``."""

    def __init__(self, to: int) -> None:
        self._to = to
        self.held = False
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self._to), 2)
            except OSError:
                near.close()
                continue
            for one in (near, far):
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                one.settimeout(None)
            self._pairs.append((near, far))
            for a, b in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(a, b), daemon=True).start()

    def _carry(self, a: socket.socket, b: socket.socket) -> None:
        try:
            while data := a.recv(4096):
                while self.held:
                    time.sleep(0.02)
                b.sendall(data)
        except OSError:
            pass
        for one in (a, b):
            one.close()

    def close(self) -> None:
        """End it and every connection."""
        self.held = False
        self._listener.close()
        for pair in self._pairs:
            for one in pair:
                one.close()
