"""Scores, weights and trials as the ledger holds them: plain values. Times are integer milliseconds UTC."""

from dataclasses import dataclass
from typing import Any

ASPECTS = ("tenderness", "moisture", "bark", "flavour", "overall")
MOST_POINTS = 10.0
# What 0, 5 and 10 mean: our own words. Ten is as good as it gets, so too much of a thing scores low as well.
ANCHORS = {
    "tenderness": ("fights the teeth, or is mush", "wants some chewing", "parts at a gentle pull"),
    "moisture": ("dry: wants a drink", "moist while it is warm", "juice at every bite"),
    "bark": ("pale, soaked or bitter", "dark, with soft spots", "dark and firm all round"),
    "flavour": ("off, or of soot", "pleasant, a little flat", "meat, salt and smoke in balance"),
    "overall": ("left on the plate", "would eat it again", "would go a long way for it"),
}
# What a trial may be about: scores, and what the record or the scales say.
OUTCOMES = (*ASPECTS, "evenness", "duration", "yield")
TASTINGS = ("triangle", "paired", "rating")


@dataclass(frozen=True, slots=True)
class Score:
    """What somebody thought of one aspect of one place of a cook, 0 to 10.

    place : "" for the cook as a whole;  taster : "" for the cook's own hand
    blind : given without knowing what had been done to it
    """

    id: int
    cook_id: int
    place: str
    aspect: str  # one of ASPECTS
    value: float
    taster: str
    blind: bool
    remark: str
    made_ms: int

    def as_json(self) -> dict[str, Any]:
        """As page and command give it out."""
        return {
            "place": self.place, "aspect": self.aspect, "value": self.value, "taster": self.taster,
            "blind": self.blind, "remark": self.remark, "at": self.made_ms / 1000,
        }


@dataclass(frozen=True, slots=True)
class Weights:
    """What a cut weighed [kg]: as bought, as it went on, as it came off. None: not weighed."""

    cook_id: int
    place: str  # "" for the cook as a whole
    raw_kg: float | None
    trimmed_kg: float | None
    cooked_kg: float | None

    @property
    def cooked_share(self) -> float | None:
        """What came off of what went on: the yield of cooking."""
        return None if self.cooked_kg is None or self.trimmed_kg is None else self.cooked_kg / self.trimmed_kg

    @property
    def trimmed_share(self) -> float | None:
        """What went on of what was bought."""
        return None if self.trimmed_kg is None or self.raw_kg is None else self.trimmed_kg / self.raw_kg

    def as_json(self) -> dict[str, Any]:
        """As page and command give it out."""
        return {
            "place": self.place, "raw_kg": self.raw_kg, "trimmed_kg": self.trimmed_kg, "cooked_kg": self.cooked_kg,
            "cooked_share": self.cooked_share, "trimmed_share": self.trimmed_share,
        }


@dataclass(frozen=True, slots=True)
class Trial:
    """A question put to several cooks. What is here was said before the first of them, and stays.

    levels : of the factor, the first one is the usual way
    main : the outcome that decides, one of OUTCOMES;  matters : the smallest difference in it that would matter to
        the cook, in its unit (points, K, hours, per cent)
    planned, block : how many pieces in all, and in blocks of how many each level comes equally often
    seed : what the levels are drawn from;  seed_told : a person gave it, instead of the system's randomness
    """

    id: int
    name: str
    question: str
    factor: str
    levels: tuple[str, ...]
    main: str
    matters: float
    planned: int
    block: int
    seed: str
    seed_told: bool
    made_ms: int
    closed_ms: int | None = None
    closed_why: str = ""

    @property
    def plan(self) -> tuple[str, ...]:
        """What was laid down, as texts: what a seal is made of."""
        return (self.name, self.question, self.factor, *self.levels, self.main, repr(self.matters), str(self.planned),
                str(self.block))


@dataclass(frozen=True, slots=True)
class Piece:
    """What one level was done to: a cook, or one place of it where several cuts were treated differently.

    slot : its number in the draw, from 0; None: a person chose the level
    dropped_ms, why : it was taken out, and why; it stays in the log
    """

    id: int
    trial_id: int
    cook_id: int
    place: str  # "" for the whole cook
    level: str
    slot: int | None
    made_ms: int
    dropped_ms: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Tasting:
    """A blind tasting of two pieces. Sample A is ``first``, sample B ``second`` (numbers of pieces).

    asks : which aspect a pair is compared in, "" for a triangle
    expects : the piece that should have more of it, said beforehand; None: two-sided
    closed_ms : since when no answer comes in and none is taken back; None: it is open
    """

    id: int
    trial_id: int
    kind: str  # one of TASTINGS
    first: int
    second: int
    asks: str
    expects: int | None
    tasters: int
    seed: str
    made_ms: int
    closed_ms: int | None = None

    def taster(self, number: int) -> str:
        """Under which name a taster's scores are kept; from 1."""
        return f"taster {number} of tasting {self.id}"


@dataclass(frozen=True, slots=True)
class Answer:
    """The code that a taster named."""

    taster: int  # from 1
    code: str
    made_ms: int


@dataclass(frozen=True, slots=True)
class Rated:
    """One score that a taster gave one of the two pieces of a rating."""

    taster: int  # from 1
    piece: int  # its number
    aspect: str
    value: float


@dataclass(frozen=True, slots=True)
class Undone:
    """What a taster had said and what counts no more: "417", or "moisture 7" of a rating."""

    taster: int  # from 1
    said: str
    made_ms: int
    withdrawn_ms: int
