"""JSON from outside: an object and its members, taken out one by one and looked at."""

import json
import math
from typing import Any

from ..errors import MessageError

MOST_BYTES = 8192
_SHOWN = 40


def load_object(data: bytes) -> dict[str, Any]:
    """Return the JSON object in UTF-8 that ``data`` is.

    Raises ValueError, in plain words, for anything else: NaN and infinities, numbers too large, half surrogate pairs
    and nesting without end are not let through, since what reads them later (SQLite, a browser) would choke on them.
    """
    if len(data) > MOST_BYTES:
        raise ValueError(f"{len(data)} bytes; {MOST_BYTES} at most")
    try:
        found = json.loads(data.decode(), parse_constant=_no_number, parse_float=_finite)
        if b"\\" in data:
            json.dumps(found, ensure_ascii=False).encode()
    except RecursionError:
        raise ValueError("nested too deep") from None
    except ValueError as error:
        raise ValueError(f"not JSON in UTF-8: {error}") from None
    if not isinstance(found, dict):
        raise ValueError("not a JSON object")
    return found


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is not a number in JSON")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:_SHOWN]} is too large")
    return number


class Members:
    """The members of one object; every method raises MessageError that names the member by its path."""

    def __init__(self, values: dict[str, Any], path: str) -> None:
        self._values = values
        self._path = path

    @classmethod
    def of_message(cls, payload: bytes, what: str, version: int = 1) -> "Members":
        """Open a message: an object whose ``v`` is known."""
        try:
            members = cls(load_object(payload), what)
        except ValueError as error:
            raise MessageError(f"{what}: {error}") from None
        members.integer("v", version, version)
        return members

    def __contains__(self, name: str) -> bool:
        """Say whether there is such a member."""
        return name in self._values

    def is_null(self, name: str) -> bool:
        """Say whether the member, which must be there, is null."""
        return self._take(name) is None

    def path(self, name: str) -> str:
        """Return the member's name with those of the objects around it."""
        return f"{self._path}.{name}"

    def integer(self, name: str, low: int, high: int) -> int:
        """Return a whole number from ``low`` to ``high``."""
        return integer(self._take(name), self.path(name), low, high)

    def text(self, name: str, longest: int) -> str:
        """Return a text of at most ``longest`` characters."""
        value = self._take(name)
        if not isinstance(value, str) or len(value) > longest:
            raise MessageError(f"{self.path(name)}: {_shown(value)} is not a text of at most {longest} characters")
        return value

    def flag(self, name: str) -> bool:
        """Return true or false."""
        value = self._take(name)
        if not isinstance(value, bool):
            raise MessageError(f"{self.path(name)}: {_shown(value)} is not true or false")
        return value

    def sequence(self, name: str, shortest: int, longest: int) -> list[Any]:
        """Return a list of so many members."""
        return sequence(self._take(name), self.path(name), shortest, longest)

    def inner(self, name: str) -> "Members":
        """Return the members of an object inside this one."""
        value = self._take(name)
        if not isinstance(value, dict):
            raise MessageError(f"{self.path(name)}: {_shown(value)} is not an object")
        return Members(value, self.path(name))

    def _take(self, name: str) -> Any:
        if name not in self._values:
            raise MessageError(f"{self.path(name)} is missing")
        return self._values[name]


def integer(value: Any, path: str, low: int, high: int) -> int:
    """Return ``value`` if it is a whole number from ``low`` to ``high``; MessageError otherwise."""
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise MessageError(f"{path}: {_shown(value)} is not a whole number from {low} to {high}")
    return value


def sequence(value: Any, path: str, shortest: int, longest: int) -> list[Any]:
    """Return ``value`` if it is a list of so many members; MessageError otherwise."""
    if not isinstance(value, list) or not shortest <= len(value) <= longest:
        raise MessageError(f"{path}: {_shown(value)} is not a list of {shortest} to {longest}")
    return value


def _shown(value: Any) -> str:
    try:
        text = json.dumps(value, ensure_ascii=False)
    except RecursionError:
        text = "something nested very deep"
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "..."
