"""Messages as they came, and the last words of each logger until they are written down."""

import json
import time
from collections.abc import Iterable
from typing import NamedTuple

from pitscribe.errors import MessageError
from pitscribe.intake.status import MOST_LOGGERS
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire import messages

KEEP_NOW_EVERY_S = 10.0  # a `now` a second is not worth a write to the disk each


class Message(NamedTuple):
    """A message; of a ``now`` or a ``state`` what it says, or why it is none of ours."""

    topic: str
    logger: int
    word: str
    data: bytes
    said: messages.Now | messages.State | None = None
    wrong: str = ""


def heard(topic: str, logger: int, word: str, data: bytes) -> Message:
    """The message with what it says, looked at once for all who want to know."""
    if word not in ("now", "state"):
        return Message(topic, logger, word, data)
    try:
        said = messages.parse_now(data) if word == "now" else messages.parse_state(data)
    except MessageError as error:
        return Message(topic, logger, word, data, wrong=str(error))
    return Message(topic, logger, word, data, said)


class LastWords:
    """The last ``state`` and ``now`` of each logger that are not in the ledger yet. No frame hangs on them."""

    def __init__(self) -> None:
        self._words: dict[tuple[int, str], Message] = {}
        self._kept_at = time.monotonic()

    def __len__(self) -> int:
        return len(self._words)

    def take(self, batch: Iterable[Message]) -> None:
        """Remember what is newest, of as many loggers as ``Status`` does."""
        for message in batch:
            name = message.logger, message.word
            if message.said is not None and (name in self._words or len(self._words) < 2 * MOST_LOGGERS):
                self._words[name] = message

    def keep(self, ledger: Ledger) -> bool:
        """Write down each ``state``, and if it is time for them each ``now``. False if nothing was due.

        Raises StoreError; then they are kept for the next time.
        """
        all_due = time.monotonic() - self._kept_at >= KEEP_NOW_EVERY_S
        due = [name for name in self._words if all_due or name[1] == "state"]
        if not due:
            return False
        with ledger.together():
            for name in due:
                message = self._words[name]
                keep = ledger.saw_state if message.word == "state" else ledger.saw_now
                keep(message.logger, json.loads(message.data))
        for name in due:
            del self._words[name]
        if all_due:
            self._kept_at = time.monotonic()
        return True
