"""Messages between logger and host, and the topics they travel on (WIRE.md 5).

What comes in is checked to the last member before it is believed; MessageError names the member. Members that are not
known are left alone; a ``v`` that is not known is refused.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from ..errors import MessageError
from .layout import MOST_CHANNELS, PERIODS, channel
from .members import Members, integer, sequence
from .values import Channel, FrameKey

VERSION = 1
WORDS = ("frame", "now", "state", "stored", "order")
SOUNDS = ("low", "high", "target", "lost", "journal")  # patterns of a logger's own buzzer
LONGEST_SOUND_S = 60
_ROOT = f"pitscribe/{VERSION}"
_MOST = {"boot": 2**16 - 1, "up": 2**48 - 1, "sequence": 2**32, "utc_ms": 253402300799999}  # year 9999
_LONGEST_TEXT = 100
_MOST_RANGES = 1024

Range = tuple[int, int, int]  # boot, first sequence, last sequence
Codes = tuple[int, int, int]  # hot, cold, fault


@dataclass(frozen=True, slots=True)
class Now:
    """The last tick: codes as [hot, cold, fault] by channel, None where there is no chip."""

    boot: int
    up_ms: int
    table: tuple[Channel, ...]
    codes: tuple[Codes | None, ...]


@dataclass(frozen=True, slots=True)
class Journal:
    """Where a logger's journal stands, in sequence numbers: see WIRE.md 5."""

    first: int
    next: int
    cursor: int
    lost: int
    ok: bool


@dataclass(frozen=True, slots=True)
class AnchorSaid:
    """The best anchor of a boot, as the logger has it."""

    up_ms: int
    utc_ms: int
    err_ms: int
    source: str


@dataclass(frozen=True, slots=True)
class Condition:
    """How a logger that is online is."""

    up_ms: int
    name: str
    firmware: str
    period_ms: int
    table: tuple[Channel, ...]
    missed: int
    journal: Journal
    anchor: AnchorSaid | None
    auth: bool = False  # whether it believes only what is authenticated (WIRE.md 5.1)
    denied: int = 0  # how many messages it did not believe, if it says so


@dataclass(frozen=True, slots=True)
class State:
    """Whether a logger is there, and how it is; ``condition`` is None in the last will."""

    online: bool
    boot: int
    condition: Condition | None


def topic(logger: int, word: str) -> str:
    """Return the topic of a logger's ``word``. Raises MessageError for a number or a word that there is not."""
    if not 0 <= logger < 1 << 32 or word not in WORDS:
        raise MessageError(f"no topic for logger {logger} and {word!r}")
    return f"{_ROOT}/{logger:08x}/{word}"


def frame_topic(logger: int) -> str:
    """Return the topic on which the logger sends frames."""
    return topic(logger, "frame")


def now_topic(logger: int) -> str:
    """Return the topic on which the logger says its last tick."""
    return topic(logger, "now")


def state_topic(logger: int) -> str:
    """Return the topic on which the logger says how it is."""
    return topic(logger, "state")


def stored_topic(logger: int) -> str:
    """Return the topic on which the host tells the logger what is stored."""
    return topic(logger, "stored")


def order_topic(logger: int) -> str:
    """Return the topic on which the host asks something of the logger."""
    return topic(logger, "order")


def temp_topic(logger: int, channel: int) -> str:
    """Return the topic at which the host shows the corrected temperature of a channel to anyone else."""
    return f"{_ROOT}/{logger:08x}/temp/{channel}"


def host_topic(host: int, word: str) -> str:
    """Return a topic at which a host shows something of its own; ``host``: its number among those on the broker."""
    return f"{_ROOT}/host/{host:08x}/{word}"


def every_logger(word: str) -> str:
    """Return the subscription to ``word`` of all loggers."""
    return topic(0, word).replace("00000000", "+")


def parse_topic(text: str) -> tuple[int, str]:
    """Return the logger's number and the word. Raises MessageError if it is not a topic of ours."""
    parts = text.split("/")
    if len(parts) == 4 and "/".join(parts[:2]) == _ROOT and parts[3] in WORDS:
        number = parts[2]
        if len(number) == 8 and set(number) <= set("0123456789abcdef"):
            return int(number, 16), parts[3]
    raise MessageError(f"topic {text[:80]!r} is not {_ROOT}/<logger, 8 hex digits>/<{'|'.join(WORDS)}>")


def parse_now(payload: bytes) -> Now:
    """Return the last tick that a ``now`` says. Raises MessageError."""
    now = Members.of_message(payload, "now", VERSION)
    table = _table(now)
    said = now.sequence("codes", len(table), len(table))
    codes = tuple(_codes(one, f"now.codes[{place}]", table[place]) for place, one in enumerate(said))
    return Now(now.integer("boot", 0, _MOST["boot"]), now.integer("up", 0, _MOST["up"]), table, codes)


def _table(members: Members) -> tuple[Channel, ...]:
    path = members.path("table")
    entries = []
    for place, code in enumerate(members.sequence("table", 1, MOST_CHANNELS)):
        try:
            entries.append(channel(integer(code, f"{path}[{place}]", 0, 255)))
        except ValueError as error:
            raise MessageError(f"{path}[{place}]: {error}") from None
    return tuple(entries)


def _codes(value: Any, path: str, entry: Channel) -> Codes | None:
    if entry.chip == "none":
        if value is not None:
            raise MessageError(f"{path}: codes for a channel without a chip")
        return None
    codes = sequence(value, path, 3, 3)
    hot, cold, fault = (
        integer(code, f"{path}[{place}]", -(1 << bits - 1), (1 << bits - 1) - 1)
        for place, (code, bits) in enumerate(zip(codes, (24, 16, 16), strict=True))
    )
    return hot, cold, fault


def parse_state(payload: bytes) -> State:
    """Return what a ``state`` says. Raises MessageError."""
    state = Members.of_message(payload, "state", VERSION)
    online, boot = state.flag("online"), state.integer("boot", 0, _MOST["boot"])
    return State(online, boot, _condition(state) if online else None)


def _condition(state: Members) -> Condition:
    journal = state.inner("journal")
    most = _MOST["sequence"]
    return Condition(
        state.integer("up", 0, _MOST["up"]),
        state.text("name", _LONGEST_TEXT),
        state.text("firmware", _LONGEST_TEXT),
        state.integer("period_ms", *PERIODS),
        _table(state),
        state.integer("missed", 0, _MOST["up"]),
        Journal(
            journal.integer("first", 0, most),
            journal.integer("next", 0, most),
            journal.integer("cursor", 0, most),
            journal.integer("lost", 0, most),
            journal.flag("ok"),
        ),
        None if state.is_null("anchor") else anchor_said(state.inner("anchor")),
        state.flag("auth") if "auth" in state else False,
        state.integer("denied", 0, _MOST["up"]) if "denied" in state else 0,
    )


def anchor_said(members: Members, up_ms: int | None = None) -> AnchorSaid:
    """Return an anchor; its uptime is ``up_ms`` or else the member ``up``. Raises MessageError."""
    return AnchorSaid(
        members.integer("up", 0, _MOST["up"]) if up_ms is None else up_ms,
        members.integer("utc_ms", 0, _MOST["utc_ms"]),
        members.integer("err_ms", 0, _MOST["up"]),
        members.text("from", _LONGEST_TEXT),
    )


def ranges_of(keys: Iterable[FrameKey]) -> list[Range]:
    """Return the fewest [boot, first, last] that name the frames of these keys, all of one logger."""
    ranges: list[Range] = []
    for boot, sequence_number in sorted({(key.boot, key.sequence) for key in keys}):
        if ranges and ranges[-1][0] == boot and ranges[-1][2] == sequence_number - 1:
            ranges[-1] = (boot, ranges[-1][1], sequence_number)
        else:
            ranges.append((boot, sequence_number, sequence_number))
    return ranges


def stored(ranges: Iterable[Range]) -> bytes:
    """Return a ``stored`` message for (boot, first, last) sequences. A small logger reads it: keep it to some tens."""
    return _written({"v": VERSION, "stored": _ranges([list(one) for one in ranges])})


def parse_stored(payload: bytes) -> list[Range]:
    """Return the (boot, first, last) of a ``stored`` message. Raises MessageError."""
    return _ranges(Members.of_message(payload, "stored", VERSION).sequence("stored", 0, _MOST_RANGES))


def _ranges(said: list[Any]) -> list[Range]:
    ranges = []
    for place, one in enumerate(said):
        path = f"stored.stored[{place}]"
        boot, first, last = sequence(one, path, 3, 3)
        integer(boot, f"{path}[0]", 0, _MOST["boot"])
        integer(last, f"{path}[2]", integer(first, f"{path}[1]", 0, _MOST["sequence"]), _MOST["sequence"])
        ranges.append((boot, first, last))
    return ranges


def time_order(boot: int, re_up_ms: int, utc_ms: int, err_ms: int) -> bytes:
    """Return an ``order`` that tells a logger the time: UTC ``utc_ms``, give or take ``err_ms``, on getting the message
    of that boot that said ``up`` = ``re_up_ms``."""
    fields = {"boot": boot, "re_up": re_up_ms, "utc_ms": utc_ms, "err_ms": err_ms}
    _time_order(Members(fields, "order"))
    return _written({"v": VERSION, "order": "time"} | fields)


def sound_order(pattern: str, seconds: int) -> bytes:
    """Return an ``order`` that has a logger's buzzer sound one of ``SOUNDS`` for so long. Raises MessageError."""
    if pattern not in SOUNDS or not 1 <= seconds <= LONGEST_SOUND_S:
        raise MessageError(f"order: no sound {pattern!r} for {seconds} s")
    return _written({"v": VERSION, "order": "sound", "pattern": pattern, "s": seconds})


def parse_order(payload: bytes) -> tuple[str, dict[str, int]]:
    """Return an order's name and, for ``time``, its fields (none for another). Raises MessageError."""
    order = Members.of_message(payload, "order", VERSION)
    name = order.text("order", _LONGEST_TEXT)
    return name, _time_order(order) if name == "time" else {}


def _time_order(order: Members) -> dict[str, int]:
    most = {"boot": _MOST["boot"], "re_up": _MOST["up"], "utc_ms": _MOST["utc_ms"], "err_ms": _MOST["up"]}
    return {name: order.integer(name, 0, limit) for name, limit in most.items()}


def _written(message: dict[str, Any]) -> bytes:
    return json.dumps(message, separators=(",", ":")).encode()
