"""The way in by cable: questions on a logger's USB port, and what it answers (WIRE.md 6).

A pull is a row of questions, each answered by a few frames, which are stored before the next is asked: so it can end
anywhere and begin again. The logger is not asked for what the ledger holds.
"""

import json
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from pitscribe.errors import MessageError, SourceError
from pitscribe.wire import lines, messages
from pitscribe.wire.lines import LineReader

ANSWER_S = 3.0  # without an answer that long, a question is asked again; a board at its busiest takes under 1 s
TRIES = 5
_REPL = ">>> "


class PortError(SourceError):
    """The port cannot be opened, or has gone: unplugged, most likely."""


class Port(Protocol):
    """A serial port, opened raw. Both raise PortError when it is gone."""

    def read(self) -> bytes:
        """What has come, waiting a little for the first byte."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of it."""
        ...


@dataclass(slots=True)
class Answer:
    """What a logger said to a question: the members of its answer, and the lines before it."""

    members: dict[str, Any]
    frames: list[bytes] = field(default_factory=list)
    state: bytes | None = None

    @property
    def refused(self) -> str | None:
        """The word with which it said no."""
        no = self.members.get("no")
        return None if no is None else str(no)

    def whole(self, name: str) -> int:
        """A member that must be a whole number. Raises MessageError."""
        value = self.members.get(name)
        if type(value) is not int or value < 0:
            raise MessageError(f"the logger's answer has no whole number {name!r} but {value!r}")
        return value


class Conversation:
    """Questions and answers with what is at a port, called ``name`` in complaints."""

    def __init__(
        self, port: Port, name: str, *, answer_s: float | None = None, now: Callable[[], float] = time.monotonic
    ) -> None:
        self.name = name
        self._port, self._answer_s, self._now = port, ANSWER_S if answer_s is None else answer_s, now
        self._reader = LineReader()
        self._number = 0
        self._spoken = False  # whether it has ever said a line of ours
        self.asked_again = 0

    def ask(self, what: str, **more: Any) -> Answer:
        """Ask, and again when the answer does not come. Raises SourceError if it never does, PortError if unplugged."""
        for _ in range(TRIES):
            self._number += 1
            self._port.write(lines.question(self._number, what, **more))
            if (answer := self._await(self._number)) is not None:
                return answer
            self.asked_again += 1
        raise SourceError(self._complaint())

    def _await(self, number: int) -> Answer | None:
        came = Answer({})
        deadline = self._now() + self._answer_s
        while self._now() < deadline:
            for line in self._reader.feed(self._port.read()):
                self._spoken = True
                if line.letter == lines.FRAME:
                    came.frames.append(line.payload)
                    deadline = self._now() + self._answer_s
                elif line.letter == lines.STATE:
                    came.state = line.payload
                elif line.letter == lines.ANSWER and (members := _object(line.payload)).get("n") == number:
                    came.members = members
                    return came
        return None

    def tick(self, wait_s: float) -> bytes:
        """The next tick's ``now``, as JSON. Raises SourceError if none comes in so many seconds, PortError if
        unplugged."""
        if (no := self.ask("live", s=math.ceil(wait_s)).refused) is not None:
            raise SourceError(f"{self.name}: the logger does not say its ticks: {no}")
        deadline = self._now() + wait_s
        while self._now() < deadline:
            for line in self._reader.feed(self._port.read()):
                if line.letter == lines.NOW:
                    self.ask("stop")
                    return line.payload
        raise SourceError(f"{self.name}: the logger answers, but took no tick in {wait_s:g} s; see its log")

    def _complaint(self) -> str:
        said = self._reader.said()
        if self._spoken:
            return f"{self.name}: the logger has stopped answering; reset it, or try another cable"
        if not said:
            return (
                f"{self.name}: nothing answers; is it the logger's port, is the logger running, and is `usb` 1 in its "
                "config.json?"
            )
        if _REPL in said + " ":
            return (
                f"{self.name}: MicroPython's prompt answers, the logger's program is not running; "
                "start it with Ctrl-D at the prompt, or unplug the board and plug it in again"
            )
        return f"{self.name}: what answers is no logger of ours; it says {said[-60:]!r}"


@dataclass(frozen=True, slots=True)
class Met:
    """A logger that has said how it is; ``said`` is its state as it came, ``at`` when it did (UTC s)."""

    logger: int
    boot: int
    condition: messages.Condition
    said: dict[str, Any]
    at: float


def meet(talk: Conversation, now: Callable[[], float]) -> Met:
    """Ask who is there and how it is. Raises SourceError, MessageError, PortError."""
    for _ in range(TRIES):
        answer = talk.ask("state")
        at = now()
        if answer.state is None:  # that line was mangled, its answer was not
            continue
        state = messages.parse_state(answer.state)
        logger = _number_of(answer.members.get("logger"))
        if state.condition is None:
            raise MessageError(f"{talk.name}: the logger says that it is not online, which cannot be")
        return Met(logger, state.boot, state.condition, _object(answer.state), at)
    raise SourceError(f"{talk.name}: the line is too noisy for the logger's state; try another cable")


def tell_time(talk: Conversation, met: Met, err_ms: int) -> bool:
    """Tell the logger what the time was when it said its state. Returns whether it took it. Raises SourceError."""
    answer = talk.ask(
        "time", boot=met.boot, re_up=met.condition.up_ms, utc_ms=round(met.at * 1000), err_ms=err_ms
    )
    return answer.refused is None


def save(talk: Conversation) -> bool:
    """Have the logger put every tick so far into its journal. Returns whether it did: one with older firmware, or
    whose flash cannot be written, does not. Raises SourceError."""
    return talk.ask("save").refused is None


def _number_of(text: object) -> int:
    if isinstance(text, str) and len(text) == 8 and set(text) <= set("0123456789abcdef"):
        return int(text, 16)
    raise MessageError(f"the logger's answer says {text!r} for its number, not 8 hex digits")


def _object(payload: bytes) -> dict[str, Any]:
    try:
        found = json.loads(payload)
    except ValueError as error:
        raise MessageError(f"a line with a sound CRC is no JSON: {error}") from None
    if not isinstance(found, dict):
        raise MessageError("a line with a sound CRC is no JSON object")
    return found
