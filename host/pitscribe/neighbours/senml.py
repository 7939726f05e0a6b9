"""SenML packs in JSON (RFC 8428): names that its rules allow, and records of one instant. Pure functions."""

import json
from collections.abc import Sequence
from typing import Any, NamedTuple

RELATIVE_BELOW = 2**28  # a smaller time is read as seconds from "now": RFC 8428 section 4.5.3
_PLAIN = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-")


class Record(NamedTuple):
    """One value by its name. ``unit``: of the RFC's registry (section 12.1), for a number; others have none."""

    name: str
    value: float | str | bool
    unit: str | None = None


def name_of(text: str) -> str:
    """A text as part of a name: letters of ASCII, digits and "-" as they are, every other byte of it as "_" and two hex
    digits, so that no two texts give the same name and ":" and "/" stay free for who puts names together."""
    return "".join(chr(byte) if byte in _PLAIN else f"_{byte:02X}" for byte in text.encode())


def pack(base: str, at: float, records: Sequence[Record], update_s: float | None = None) -> bytes:
    """A pack of records of one instant, as JSON in UTF-8.

    base : what stands before each name;  at : UTC s, told to the ms;  update_s : the time after which the first record
    would have been replaced if all were well (RFC 8428 section 4.2, "ut")
    Raises ValueError for a time that would be read as relative to now, and for a number that is none.
    """
    if at < RELATIVE_BELOW:
        raise ValueError(f"a pack of {at:.0f} s since 1970 would be read as relative to now")
    said = [_said(record) for record in records]
    if update_s is not None:
        said[0]["ut"] = round(update_s)
    said[0] = {"bn": base, "bt": round(at, 3), **said[0]}
    return json.dumps(said, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _said(record: Record) -> dict[str, Any]:
    if isinstance(record.value, str):
        return {"n": record.name, "vs": record.value}
    if isinstance(record.value, bool):
        return {"n": record.name, "vb": record.value}
    unit = {} if record.unit is None else {"u": record.unit}
    return {"n": record.name, **unit, "v": record.value}
