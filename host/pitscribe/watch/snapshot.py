"""What the page shows, as one immutable value: the facts of a cook at one time, degraded states among them."""

import json
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that wants a person: the numbers cannot be trusted as they stand, or the cook asks for a hand.

    key : one word that stays the same while the trouble lasts
    grade : "bad" (numbers are not to be trusted or not fresh; somebody must act now), "warn", or "note" (good to know)
    words : what it is and what to do; it holds no age and no temperature, so that it reads the same until something
        changes, in any unit: the figures are in the part of the body that ``about`` names
    since : UTC s, None if that is not known
    about : "record" (the numbers and how they come here), or the part of the body: "fire", "safety", "forecasts",
        "hint", "stalls"
    """

    key: str
    grade: str
    words: str
    since: float | None = None
    about: str = "record"


@dataclass(frozen=True, slots=True)
class PlaceNow:
    """The last good reading of one place. ``celsius``, ``u`` and ``t`` are None where there never was one.

    t : UTC s of that reading;  fresh : it is the present one;  rate : K/h, None where the data carry none
    u, u95 : standard uncertainty, and half width of the interval that holds 95 %, K
    quality : "good", "old", "fault", "none" or "over";  words : what is wrong, or why there is no rate
    stale_after_s : age from which its reading is not the present one
    doubt : what is to be known of a good reading: it is of another place, or less certain
    flags : words of the newest sample's flags, a comma between them
    logger, channel, placed : where the probe is that is there now, the logger as 8 hex digits, and since when (UTC s);
        None where none is
    """

    place: str
    kind: str
    celsius: float | None
    u: float | None
    u95: float | None
    t: float | None
    fresh: bool
    rate: float | None
    rate_u: float | None
    quality: str
    words: str
    stale_after_s: float
    doubt: str = ""
    flags: str = ""
    logger: str | None = None
    channel: int | None = None
    placed: float | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """``body`` as JSON-able values, ``text`` the same as JSON. ``number`` grows with each snapshot of a process."""

    number: int
    now: float
    body: dict[str, Any]
    text: str

    @classmethod
    def of(cls, number: int, now: float, body: dict[str, Any]) -> "Snapshot":
        """Seal a body; NaN in it is a fault of ours and raises ValueError."""
        return cls(number, now, body, _text(number, now, body))

    def since(self, earlier: "Snapshot") -> str:
        """The same JSON with only those parts of the body that are not as an earlier snapshot had them."""
        old = earlier.body
        return _text(self.number, self.now, {k: v for k, v in self.body.items() if k not in old or old[k] != v})


def _text(number: int, now: float, body: dict[str, Any]) -> str:
    return json.dumps({"v": 1, "number": number, "now": now, **body}, allow_nan=False, separators=(",", ":"))
