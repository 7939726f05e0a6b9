"""What comes in from a browser, checked: every value is typed and bounded, and a refusal says which and why."""

import asyncio
import json
import math
import re
from http import HTTPStatus
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request

from pitscribe.errors import ConfigError, FieldError, NotFoundError
from pitscribe.ledger.checks import refuse_far
from pitscribe.ledger.cooks import MOST_MEATS, CookSettings
from pitscribe.ledger.values import MEAT_KINDS, NOTE_KINDS, PLACE_KINDS, TARGET_C, Cook

MOST_BYTES = 20_000
LONGEST_S = 20.0  # on its way in
LONGEST_TEXT = 500
# 2000-01-01 to 2100-01-01: outside of it a time is a typing error, or milliseconds in place of seconds.
TIMES_S = (946_684_800.0, 4_102_444_800.0)
BOUNDS = (-1e6, 1e6)  # of a number whose own bounds the ledger knows


class Fields:
    """A JSON object from a request; each value is taken once, and a key that nobody took is refused."""

    def __init__(self, values: dict[str, Any]) -> None:
        self._values = dict(values)

    def finish(self) -> None:
        """Refuse what is left over: it is a typing error."""
        if self._values:
            raise ConfigError(f"unknown member {min(self._values)!r}")

    def text(self, key: str, *, most: int = LONGEST_TEXT, needed: bool = True) -> str:
        """A text without control characters, trimmed."""
        value = self._values.pop(key, "")
        if not isinstance(value, str):
            raise FieldError(key, f"{key} must be a text")
        value = " ".join(value.split())
        if needed and not value:
            raise FieldError(key, f"{key} is missing")
        if len(value) > most:
            raise FieldError(key, f"{key} has {len(value)} characters; {most} are the most")
        if not value.isprintable():
            raise FieldError(key, f"{key} has characters that cannot be printed")
        return value

    def secret(self, key: str, most: int) -> str:
        """A text as it was typed, blanks and all; what it is stands in no refusal."""
        value = self._values.pop(key, None)
        if not isinstance(value, str) or not value:
            raise FieldError(key, f"{key} is missing")
        if len(value) > most:
            raise FieldError(key, f"{key} is longer than {most} characters")
        return value

    def choice(self, key: str, choices: tuple[str, ...]) -> str:
        """One of a few words."""
        value = self._values.pop(key, None)
        if value not in choices:
            raise FieldError(key, f"{key} must be one of {', '.join(choices)}")
        return str(value)

    def number(
        self, key: str, low: float, high: float, *, needed: bool = False, refusal: str | None = None
    ) -> float | None:
        """A finite number within bounds; None if it is not there or null. ``refusal``: what to say of one outside."""
        value = self._values.pop(key, None)
        if value is None and not needed:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            raise FieldError(key, f"{key} must be a number")
        # Compared before it is converted or shown: JSON may hold whole numbers that no float can.
        if not low <= value <= high:
            raise FieldError(key, refusal or f"{key} must be {low:g} to {high:g}")
        return float(value)

    def null(self, key: str) -> bool:
        """Whether null was given; then it is taken."""
        if self._values.get(key, ...) is not None:
            return False
        del self._values[key]
        return True

    def pair(self, key: str) -> tuple[float, float]:
        """A list of two numbers."""
        value = self._values.pop(key, None)
        if not isinstance(value, list) or len(value) != 2:
            raise FieldError(key, f"{key} must be a list of two numbers")
        low, high = (Fields({key: one}).number(key, *BOUNDS, needed=True) or 0.0 for one in value)
        return low, high

    def texts(self, key: str, most: int) -> list[str]:
        """A list of texts, each as ``text`` takes it."""
        value = self._values.pop(key, None)
        if not isinstance(value, list) or len(value) > most:
            raise FieldError(key, f"{key} must be a list of at most {most} texts")
        return [Fields({key: one}).text(key, most=200) for one in value]

    def flag(self, key: str) -> bool:
        """Whether true was given; false if it is not there."""
        value = self._values.pop(key, False)
        if not isinstance(value, bool):
            raise FieldError(key, f"{key} must be true or false")
        return value

    def has(self, key: str) -> bool:
        """Whether the key was given."""
        return key in self._values

    def rows(self, key: str, most: int) -> list["Fields"]:
        """A list of objects; empty if it is not there."""
        value = self._values.pop(key, [])
        if not isinstance(value, list) or len(value) > most or not all(isinstance(v, dict) for v in value):
            raise FieldError(key, f"{key} must be a list of at most {most} objects")
        return [Fields(v) for v in value]


async def fields_of(request: Request) -> Fields:
    """The JSON object in a request's body. Raises ConfigError with what is wrong with it; 408 if it does not come."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise ConfigError("send JSON, with Content-Type: application/json")
    body = b""
    try:
        async with asyncio.timeout(LONGEST_S):
            async for part in request.stream():
                body += part
                if len(body) > MOST_BYTES:
                    raise ConfigError(f"the request is longer than {MOST_BYTES} bytes")
    except ClientDisconnect as error:
        raise ConfigError("the request broke off on its way") from error
    except TimeoutError as error:
        words = f"the request did not come within {LONGEST_S:.0f} s"
        raise HTTPException(HTTPStatus.REQUEST_TIMEOUT, words, {"Connection": "close"}) from error
    try:
        value = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise ConfigError("the request is not JSON") from error
    if not isinstance(value, dict):
        raise ConfigError("the request must be a JSON object")
    return Fields(value)


def whole(fields: Fields, key: str, low: float, high: float) -> int:
    """A whole number within bounds, which must be there."""
    value = fields.number(key, low, high, needed=True)
    if value is None or value != int(value):
        raise FieldError(key, f"{key} must be a whole number")
    return int(value)


def query_number(request: Request, key: str, low: float, high: float) -> float | None:
    """A number from the address, None if it is not there."""
    text = request.query_params.get(key)
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:  # NaN is refused as well
        raise FieldError(key, f"{key} must be a number from {low:g} to {high:g}")
    return value


def query_id(request: Request, key: str) -> int | None:
    """A row number from the address, None if it is not there."""
    text = request.query_params.get(key)
    if text is None:
        return None
    if not re.fullmatch(r"[0-9]{1,15}", text):
        raise FieldError(key, f"{key} must be a number")
    return int(text)


def at_ms(fields: Fields, now: float) -> int | None:
    """When, from ``at`` (UTC s) or ``ago_s``; None if neither is given: now."""
    at = fields.number("at", *TIMES_S)
    ago = fields.number("ago_s", 0, 366 * 86400)
    if at is not None and ago is not None:
        raise ConfigError("give at or ago_s, not both")
    if ago is not None:
        return round((now - ago) * 1000)
    return None if at is None else round(at * 1000)


def note_fields(fields: Fields) -> tuple[str, str]:
    """(kind, text) of a new note; a free text must say something."""
    kind = fields.choice("kind", NOTE_KINDS)
    return kind, note_text(fields, kind)


def note_text(fields: Fields, kind: str | None) -> str:
    """The text of a note of that kind."""
    text = fields.text("text", needed=False)
    if kind == "text" and not text:
        raise ConfigError("write what happened first: a free note without a text says nothing")
    return text


def refuse_far_note(cook: Cook, at: float, now: float) -> None:
    """Refuse a note [UTC s] that cannot be of this cook: its year or day is a typing error."""
    refuse_far("the note's time", cook, round(at * 1000), round(now * 1000))


def target_c(fields: Fields) -> float | None:
    """The target [degC]. Refused in both units: which one was typed is known to the browser alone."""
    low, high = TARGET_C
    both = f"{low:g} to {high:g} degC ({low * 1.8 + 32:g} to {high * 1.8 + 32:g} F)"
    return fields.number("target_c", low, high, refusal=f"the target must be {both}, for the inside of a joint")


def settings(fields: Fields) -> CookSettings:
    """What is wanted of a cook, as far as it is given; null takes a setting away."""
    given: CookSettings = {}
    if fields.has("target_c"):
        given["target_c"] = target_c(fields)
    if fields.has("band_c"):
        given["band_c"] = None if fields.null("band_c") else fields.pair("band_c")
    if fields.has("meats"):
        given["meats"] = fields.texts("meats", MOST_MEATS)
    if fields.has("meat_kind"):
        given["meat_kind"] = None if fields.null("meat_kind") else fields.choice("meat_kind", MEAT_KINDS)
    return given


def path_id(request: Request, what: str) -> int:
    """The row number in the address. Raises NotFoundError for what no row can have."""
    text = str(request.path_params[what])
    if not re.fullmatch(r"[0-9]{1,15}", text):
        raise NotFoundError(f"there is no {what} {text[:40]!r}")
    return int(text)


def note_id(request: Request) -> int:
    """The id of a note in the address, negative where a logger has it. NotFoundError for what no note can have."""
    text = str(request.path_params["note"])
    if not re.fullmatch(r"-?[0-9]{1,15}", text):
        raise NotFoundError(f"there is no note {text[:40]!r}")
    return int(text)


def place_row(row: Fields) -> tuple[int, int, str, str]:
    """(logger, channel, place, kind) of one placement that is asked for."""
    name = row.text("logger", most=8)
    if not re.fullmatch(r"[0-9a-f]{8}", name):
        raise ConfigError("logger must be 8 hex digits")
    channel = row.number("channel", 0, 7, needed=True)
    assert channel is not None
    if channel != int(channel):
        raise ConfigError("channel must be a whole number")
    placing = (int(name, 16), int(channel), row.text("place", most=40), row.choice("kind", PLACE_KINDS))
    row.finish()
    return placing
