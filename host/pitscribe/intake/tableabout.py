"""What stands beside a CSV that was exported: which columns are places, and the cook's name, aims and notes.

The file is the one that the W3C's Metadata Vocabulary for Tabular Data puts beside a table; one that somebody else
wrote is left alone.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from pitscribe.errors import TableError
from pitscribe.ledger.cooks import CookSettings
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook

MOST_BYTES = 32 << 20
_MEND = "export the cook again, or move that file away and name the places with --air and --meat"


@dataclass(frozen=True, slots=True)
class Beside:
    """What is said beside a table. ``notes``: (UTC ms, kind, text)."""

    air: tuple[str, ...] = ()
    meat: tuple[str, ...] = ()
    name: str | None = None
    settings: CookSettings = field(default_factory=CookSettings)
    notes: tuple[tuple[int, str, str], ...] = ()


def metadata_path(table: Path) -> Path:
    """Where the file beside a table is."""
    return table.with_name(table.name + "-metadata.json")


def beside(table: Path) -> Beside:
    """What the file beside a table says; empty if there is none of ours. TableError if it is damaged."""
    path = metadata_path(table)
    try:
        if not path.is_file():
            return Beside()
        if path.stat().st_size > MOST_BYTES:
            raise ValueError(f"larger than {MOST_BYTES >> 20} MB")
        said = json.loads(path.read_text(encoding="utf-8"))
        ours = _ours(said)
        return Beside() if ours is None else _said(ours)
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}; {_MEND}") from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise TableError(f"{path}: not what an export wrote ({type(error).__name__}: {error}); {_MEND}") from error


def _ours(said: Any) -> Mapping[str, Any] | None:
    notes = said.get("notes") if isinstance(said, dict) else None
    some = notes if isinstance(notes, list) else []
    return next((one for one in some if isinstance(one, dict) and "pitscribe" in one), None)


def _said(ours: Mapping[str, Any]) -> Beside:
    places = [
        (_text(c["title"]).removesuffix(f" [{c['unit']}]"), c["kind"])
        for c in ours["columns"] if c["quantity"] == "temperature"
    ]
    cook = ours["cook"]
    settings: CookSettings = {"meats": tuple(_text(meat) for meat in cook["meats"])}
    if (target := cook["target_c"]) is not None:
        settings["target_c"] = float(target)
    if (band := cook["band_c"]) is not None:
        settings["band_c"] = (float(band[0]), float(band[1]))
    if (kind := cook["meat_kind"]) is not None:
        settings["meat_kind"] = _text(kind)
    return Beside(
        tuple(place for place, kind in places if kind == "air"),
        tuple(place for place, kind in places if kind == "meat"),
        _text(cook["name"]),
        settings,
        tuple((_ms(note["at"]), _text(note["kind"]), _text(note["text"])) for note in ours["notes"]),
    )


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} must be a text")
    return value


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def keep_beside(ledger: Ledger, cook: Cook, said: Beside, *, named: bool) -> Cook:
    """Give a cook that was just made of the table what is said beside it, but its name if it was ``named`` otherwise.

    ConfigError for what cannot be.
    """
    for at_ms, kind, text in said.notes:
        ledger.add_note(cook.id, at_ms, kind, text)
    return ledger.set_cook(cook.id, name=None if named else said.name, **said.settings)
