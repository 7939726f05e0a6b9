"""The time zone of this machine, as it is told beside times."""

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

_LINK = Path("/etc/localtime")  # to the zone's file, by the custom of Linux systems: localtime(5)


class Zone(NamedTuple):
    """``name``: "Europe/Berlin", or "CET" where only that is known;  ``offset``: from UTC then, "+02:00"."""

    name: str
    offset: str


def zone_at(utc: float, link: Path = _LINK) -> Zone:
    """The zone of this machine, and its offset at UTC seconds ``utc``."""
    here = datetime.fromtimestamp(utc, UTC).astimezone()
    named = os.environ.get("TZ", "").lstrip(":")
    if not named and link.is_symlink():
        named = str(link.readlink()).partition("zoneinfo/")[2]
    offset = here.strftime("%z")
    return Zone(named or here.tzname() or "UTC", f"{offset[:3]}:{offset[3:5]}")
