"""The rules of RFC 8428 (SenML, August 2018) for packs in JSON, as a reader that believes nothing.

Written from the RFC's text, not from our writer; section numbers are the RFC's. Units: those of its registry, section
12.1, from memory.
"""

import json
import re
from dataclasses import dataclass
from typing import Any

VERSION = 10  # section 4.4
RELATIVE_BELOW = 2**28  # section 4.5.3
BASE = {"bn": str, "bt": float, "bu": str, "bv": float, "bs": float, "bver": int}  # section 5, table 4
REGULAR = {
    "n": str, "u": str, "v": float, "vs": str, "vb": bool, "vd": str, "s": float, "t": float, "ut": float,
}
VALUES = ("v", "vs", "vb", "vd")
_UNITS = """
    m kg g s A K cd mol Hz rad sr N Pa J W C V F Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 l m/s m/s2 m3/s l/s W/m2
    cd/m2 bit bit/s lat lon pH dB dBW Bspl count / % %RH %EL EL 1/s 1/min beat/min beats S/m
"""
UNITS = set(_UNITS.split())
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")  # section 4.5.1


class BadPackError(Exception):
    """A pack that the RFC does not allow, with the section that says so."""


@dataclass(frozen=True)
class Resolved:
    """A record without base fields and relative times (section 4.6)."""

    name: str
    time: float
    unit: str | None
    value: Any
    update_s: float | None


def resolve(payload: bytes, now: float) -> list[Resolved]:
    """The resolved records of a pack that came at ``now`` (UTC s). Raises BadPackError."""
    try:
        records = json.loads(payload.decode("utf-8"), parse_constant=_no_number)
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise BadPackError(f"5: not JSON in UTF-8: {error}") from error
    if not isinstance(records, list) or not records or not all(isinstance(r, dict) for r in records):
        raise BadPackError("5: the root is an array of objects; 3: a pack is one or more records")
    base: dict[str, Any] = {}
    found = []
    for record in records:
        _check_fields(record)
        # Section 4.1: a base field holds for its own record and those behind it, up to the next of its kind.
        base |= {label: value for label, value in record.items() if label in BASE}
        if base.get("bver", VERSION) > VERSION:
            raise BadPackError("4.4: a version that this reader does not know")
        found.append(_resolved(record, base, now))
    if len({r.get("bver", records[0].get("bver")) for r in records}) > 1:
        raise BadPackError("4.4: all records of a pack have the same version")
    if [r.time for r in found] != sorted(r.time for r in found):
        raise BadPackError("4.6: resolved records are in chronological order")
    return found


def _no_number(text: str) -> None:
    raise BadPackError(f"5: {text} is no JSON number")


def _check_fields(record: dict[str, Any]) -> None:
    for label, value in record.items():
        kind = (BASE | REGULAR).get(label)
        if kind is None:
            if label.endswith("_"):
                raise BadPackError(f"4.4: {label} must be understood")
            if label.startswith("b"):
                raise BadPackError(f"4.4, 12.2: {label} is a base field that nobody registered")
            continue
        numeric = kind in (float, int)
        right = isinstance(value, int | float) and not isinstance(value, bool) if numeric else isinstance(value, kind)
        if not right:
            raise BadPackError(f"5, table 4: {label} is of the wrong type: {value!r}")


def _resolved(record: dict[str, Any], base: dict[str, Any], now: float) -> Resolved:
    name = base.get("bn", "") + record.get("n", "")
    if not NAME.fullmatch(name):
        raise BadPackError(f"4.5.1: the name {name!r}")
    values = [label for label in VALUES if label in record]
    if len(values) > 1 or (not values and "s" not in record and "bs" not in base and "bv" not in base):
        raise BadPackError(f"4.2: exactly one value, or a sum; here: {values}")
    unit = record.get("u", base.get("bu"))
    if unit is not None and unit not in UNITS:
        raise BadPackError(f"12.1: {unit!r} is no registered unit")
    if "ut" in record and record["ut"] < 0:
        raise BadPackError("4.2: an update time is a span")
    time = base.get("bt", 0.0) + record.get("t", 0.0)
    time = now + time if time < RELATIVE_BELOW else time  # section 4.5.3
    value = record[values[0]] if values else None
    if values and values[0] == "v":
        value += base.get("bv", 0.0)  # section 4.5.4
    return Resolved(name, time, unit, value, record.get("ut"))
