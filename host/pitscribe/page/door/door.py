"""The door put together: house, lock, sessions and entrance."""

import socket
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from starlette.routing import Route

from pitscribe.page.door.entrance import Entrance
from pitscribe.page.door.guard import FIRST, LOOPBACK_NAMES, House
from pitscribe.page.door.lock import Lock
from pitscribe.page.door.patience import Patience
from pitscribe.page.door.sessions import Sessions


@dataclass(frozen=True, slots=True)
class Door:
    """What stands before the page's routes. Without ``lock`` nobody from elsewhere is heard at all."""

    house: House
    lock: Lock | None = None
    sessions: Sessions | None = None
    entrance: Entrance | None = None

    @classmethod
    def shut(cls) -> "Door":
        """For a page on loopback: open to who sits at this machine, and to nobody else."""
        return cls(House())

    @classmethod
    def with_password(
        cls,
        home: Path,
        *,
        names: Iterable[str] = (),
        anywhere: bool = True,
        ask_at_home: bool = False,
        now: Callable[[], float] = time.time,
        real: Callable[[], float] = time.monotonic,
    ) -> "Door":
        """For a page that others on the network may open; the password's hash is in ``home``.

        names : further host names that the page answers to;  ask_at_home : ask for it on this machine too
        now : this machine's time [s], by which links and sessions run out;  real : seconds that never jump
        Raises ConfigError if the lock's file cannot be read, or others can read it.
        """
        lock = Lock(home)
        lock.signing()  # a lock that cannot be read is told now
        sessions = Sessions(lock, now)
        house = House(frozenset((*LOOPBACK_NAMES, *own_names(), *(n.lower() for n in names))), anywhere, ask_at_home)
        return cls(house, lock, sessions, Entrance(lock, sessions, Patience(real), now))

    def routes(self) -> list[Route]:
        """The routes that the door adds."""
        return self.entrance.routes() if self.entrance else []

    @property
    def trouble(self) -> tuple[str, float] | None:
        """What whoever lives here is to be told of who tried to come in, and since when [UTC s]."""
        return self.entrance.knocks.trouble if self.entrance else None


def own_names() -> tuple[str, ...]:
    """The names of this machine on its network: bare, and as multicast DNS (RFC 6762) has it."""
    bare = socket.gethostname().lower().partition(".")[0]
    return (bare, f"{bare}.local") if bare else ()


def link_of(base: str, word: str) -> str:
    """The one-time link. The word stands behind ``#``, which a browser sends to nobody and no log ever has."""
    return f"{base.rstrip('/')}{FIRST}#{word}"
