"""What a service manager is told while the host runs: that it is ready, how it is, that it is alive, that it ends.

The protocol is systemd's (sd_notify(3)): lines ``NAME=value`` in one datagram to the socket that NOTIFY_SOCKET names. A
host that nobody started that way has no such socket and tells nobody. A manager that cannot be told is no reason to
end: it will miss the sign of life, and start us again.
"""

import contextlib
import os
import socket
from collections.abc import Mapping

PATIENCE_S = 5.0  # for what is said once; a sign of life that finds no room is followed by the next one
LONGEST_STATUS = 400  # characters: it is one line of `systemctl status`


class Manager:
    """Whoever started this process and wants to be told; ``Manager.of(os.environ)``."""

    def __init__(self, address: str | None = None, watchdog_s: float | None = None) -> None:
        """``address``: of the socket, None for nobody;  ``watchdog_s``: how long it waits for a sign of life."""
        self._address, self.watchdog_s = address, watchdog_s
        self._status: str | None = None

    @classmethod
    def of(cls, environment: Mapping[str, str], pid: int | None = None) -> "Manager":
        """The manager that the environment names. ``pid``: ours, for a watchdog may be meant for another process."""
        address = environment.get("NOTIFY_SOCKET")
        if not address or address[0] not in "/@":
            return cls()
        return cls("\0" + address[1:] if address[0] == "@" else address, _watchdog_s(environment, pid or os.getpid()))

    def ready(self, status: str) -> None:
        """Everything listens now."""
        self._status = _line(status)
        self._tell("READY=1", f"STATUS={self._status}", wait_s=PATIENCE_S)

    def alive(self, status: str) -> None:
        """A sign of life; ``status`` goes with it when it is another one than before."""
        lines = [] if self.watchdog_s is None else ["WATCHDOG=1"]
        if (line := _line(status)) != self._status:
            lines.append(f"STATUS={line}")
            self._status = line
        if lines:
            self._tell(*lines)

    def stopping(self) -> None:
        """From now on what was begun is ended."""
        self._tell("STOPPING=1", wait_s=PATIENCE_S)

    def _tell(self, *lines: str, wait_s: float = 0.0) -> None:
        if self._address is None:
            return
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as way:
            way.settimeout(wait_s)  # a manager that does not read must not stop the host
            way.sendto("\n".join(lines).encode("utf-8", "replace"), self._address)


def _watchdog_s(environment: Mapping[str, str], pid: int) -> float | None:
    meant = environment.get("WATCHDOG_PID")
    wait = environment.get("WATCHDOG_USEC", "")
    if meant is not None and meant != str(pid):
        return None
    return int(wait) / 1e6 if wait.isdecimal() and int(wait) > 0 else None


def _line(status: str) -> str:
    """One line: what comes from outside (a logger's name, an error's text) must not add a variable of its own."""
    return " ".join(status.split())[:LONGEST_STATUS]
