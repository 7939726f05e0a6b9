"""A listening socket with bounds: nobody on the network takes all the connections that this process can have.

A process has so many file descriptors (1024 as systemd gives them), and its ledger wants some of them. Without bounds a
guest on the Wi-Fi takes them all by opening connections and saying nothing.
"""

import ipaddress
import socket
import weakref
from typing import Any

MOST_OPEN = 400  # connections from elsewhere at a time
MOST_OF_ONE = 40  # of them from one address: a laptop with some pages open has 6 for each browser


class BoundedSocket(socket.socket):
    """Hangs up on an address that has too many connections. This machine itself has as many as it likes."""

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self._open: weakref.WeakKeyDictionary[socket.socket, str] = weakref.WeakKeyDictionary()
        self.turned_away = 0

    def accept(self) -> tuple[socket.socket, Any]:
        """As of any socket. Raises ConnectionAbortedError for one that was hung up on, as asyncio takes it."""
        connection, address = super().accept()
        if is_loopback(address[0]):
            return connection, address
        taken = [whose for one, whose in self._open.items() if one.fileno() != -1]
        if len(taken) >= MOST_OPEN or taken.count(address[0]) >= MOST_OF_ONE:
            connection.close()
            self.turned_away += 1
            raise ConnectionAbortedError(f"{address[0]} has too many connections")
        self._open[connection] = address[0]
        return connection, address


def is_loopback(address: str) -> bool:
    """Whether an address (IPv6 in brackets too, IPv4 in IPv6 too), or the name ``localhost``, is this machine's own."""
    if address == "localhost":
        return True
    try:
        known = ipaddress.ip_address(address.strip("[]").partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(known, "ipv4_mapped", None)
    return bool((mapped or known).is_loopback)
