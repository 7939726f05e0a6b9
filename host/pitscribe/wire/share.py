"""Several processes that take in together: who keeps which logger, and what they say to each other (WIRE.md 7).

Every process works out the keeper of a logger by itself, from the same few settings: no process has to ask another,
and there is none whose end would stop the others.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field

from .members import Members
from .messages import VERSION, every_logger

_ROOT = f"pitscribe/{VERSION}/share"
_LONGEST = 64


@dataclass(frozen=True, slots=True)
class Here:
    """Whether a process takes in, by which layout (``Layout.digest``), and which run of it says so."""

    online: bool
    layout: str
    run: str


@dataclass(frozen=True, slots=True)
class Passed:
    """What a topic between two processes says: from whom to whom, of which logger, ``frame`` or ``stored``."""

    to: str
    sender: str
    logger: int
    word: str


@dataclass(frozen=True)
class Layout:
    """The processes of a group, and which of them this one is.

    ``keepers`` : the loggers that are kept by another than the rule would say
    """

    group: str
    name: str
    members: tuple[str, ...]
    keepers: Mapping[int, str] = field(default_factory=dict)

    def keeper_of(self, logger: int) -> str:
        """The one process whose ledger has all frames of a logger.

        Rendezvous hashing (Thaler and Ravishankar 1998): the highest of all members' hashes with the logger's number.
        A member that is added or goes moves its own loggers and no others.
        """
        named = self.keepers.get(logger)
        return named if named is not None else max(self.members, key=lambda one: (_weight(one, logger), one))

    def keeps(self, logger: int) -> bool:
        """Whether this process keeps a logger."""
        return self.keeper_of(logger) == self.name

    @property
    def digest(self) -> str:
        """16 hex digits that two processes have in common if they agree on who keeps what."""
        said = [sorted(self.members), sorted(self.keepers.items())]
        return hashlib.blake2b(json.dumps(said).encode(), digest_size=8).hexdigest()

    # topics

    def dealt(self) -> str:
        """The shared subscription (MQTT 5, section 4.8.2) by which the broker deals the loggers' frames out."""
        return f"$share/{self.group}/{every_logger('frame')}"

    def here_topic(self, member: str) -> str:
        """Where a process says that it is here; "+" for all."""
        return f"{_ROOT}/{self.group}/{member}/here"

    def to_me(self, word: str) -> str:
        """The subscription to what others send to this process."""
        return f"{_ROOT}/{self.group}/{self.name}/+/+/{word}"

    def topic(self, to: str, logger: int, word: str) -> str:
        """The topic of this process's ``frame`` or ``stored`` to another."""
        return f"{_ROOT}/{self.group}/{to}/{self.name}/{logger:08x}/{word}"

    def parse(self, topic: str) -> Passed | str | None:
        """What a topic between processes is: ``Passed``, the member who says it is here, or None if it is neither."""
        parts = topic.split("/")
        if "/".join(parts[:3]) != _ROOT or parts[3:4] != [self.group]:
            return None
        if len(parts) == 6 and parts[5] == "here" and parts[4] in self.members:
            return parts[4]
        if len(parts) != 8 or parts[7] not in ("frame", "stored") or not {parts[4], parts[5]} <= set(self.members):
            return None
        if len(parts[6]) != 8 or not set(parts[6]) <= set("0123456789abcdef"):
            return None
        return Passed(parts[4], parts[5], int(parts[6], 16), parts[7])


def here(said: Here) -> bytes:
    """Return what a process says of itself."""
    fields = {"v": VERSION, "online": said.online, "layout": said.layout, "run": said.run}
    return json.dumps(fields, separators=(",", ":")).encode()


def parse_here(payload: bytes) -> Here:
    """Return what another process says of itself. Raises MessageError."""
    members = Members.of_message(payload, "here", VERSION)
    return Here(members.flag("online"), members.text("layout", _LONGEST), members.text("run", _LONGEST))


def _weight(member: str, logger: int) -> bytes:
    return hashlib.blake2b(f"{member} {logger:08x}".encode(), digest_size=8).digest()
