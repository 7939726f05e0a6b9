"""Placements as a person writes them: ``flat=2``, ``flat=2:green`` for the probe of that name, or ``flat=2:K``.

A type alone is for a probe without a name and history, before the logger was ever seen.
"""

import re
import sys
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.probebook import TC_LETTERS
from pitscribe.ledger.values import Cook

_PLACING = re.compile(r"(?P<place>[^=]+)=(?P<channel>[0-7])(:(?P<what>.+))?$")


class Placing(NamedTuple):
    """One placement that was asked for.

    tc : None: as the logger's channel table says;  probe : name of one that was written down, None: a nameless one
    """

    place: str
    kind: str
    channel: int
    tc: str | None
    probe: str | None = None


def parse_placings(air: Sequence[str], meat: Sequence[str]) -> list[Placing]:
    """``--air`` and ``--meat`` arguments -> placements. Raises ConfigError naming the one that cannot be read."""
    placings = []
    for kind, texts in (("air", air), ("meat", meat)):
        for text in texts:
            match = _PLACING.match(text.strip())
            if not match:
                how = "write PLACE=CHANNEL, as in flat=2 (channels are 0 to 7), or flat=2:PROBE"
                raise ConfigError(f"--{kind} {text}: {how}")
            what = (match["what"] or "").strip()
            tc, probe = (what, None) if what in tuple(TC_LETTERS) else (None, what or None)
            placings.append(Placing(match["place"].strip(), kind, int(match["channel"]), tc, probe))
    for field in ("place", "channel", "probe"):
        values = [value for p in placings if (value := getattr(p, field)) is not None]
        if doubled := {v for v in values if values.count(v) > 1}:
            raise ConfigError(f"{field} {min(doubled)} is given twice")
    return placings


def warn(text: str) -> None:
    """Tell a person something beside what was asked for."""
    print("pitscribe:", text, file=sys.stderr)


def warn_of_type(set_for: Mapping[int, str], channel: int, tc: str, what: str) -> None:
    """Warn where a logger's chip is set for another type than that of the wire on it.

    It may be meant: a wire of one type on a chip made for another is put right by the chain.
    """
    if tc != set_for.get(channel, tc):
        warn(
            f"channel {channel}: the logger's chip is set for type {set_for[channel]}, and you say {tc}; if the wire "
            f"is not really {tc}, {what} will be wrong"
        )


def place_all(ledger: Ledger, cook: Cook, logger: int, placings: Sequence[Placing], since_ms: int | None) -> None:
    """Write the placements down; with ``since_ms``, what was on the channel or at the place before ends then."""
    types = ledger.channels(logger)
    for placing in placings:
        probe = None if placing.probe is None else ledger.probe(placing.probe)
        tc = placing.tc or (probe.tc if probe else types.get(placing.channel))
        if tc is None:
            raise ConfigError(
                f"channel {placing.channel}: the logger has not said its thermocouple type; "
                f"write {placing.place}={placing.channel}:K"
            )
        warn_of_type(types, placing.channel, tc, placing.place)
        if since_ms is not None:
            for old in ledger.placements(cook.id):
                same = old.place == placing.place or (old.logger, old.channel) == (logger, placing.channel)
                same = same or old.probe == probe
                if same and (old.until_ms is None or old.until_ms > since_ms):
                    # One that was to begin later is taken back: it has no time at all.
                    ledger.end_placement(old.id, max(since_ms, old.since_ms or since_ms))
        ledger.place(cook.id, probe or tc, logger, placing.channel, placing.place, placing.kind, since=since_ms)
