"""The fire: whether it is in its band, how much it swings, how often it is fed, and what was found of it."""

from typing import Literal

from boards.asks import AIR, FIRE_EVENTS, Course, Figure, InBand, Of, Scale, Spots, Swing
from boards.cook import AIR_CURVES, FIRE_MARKS, NOTE_MARKS
from boards.pictures import (
    AIR_ROLE,
    GREEN,
    HOURS,
    IN,
    NUMBER,
    SECONDS,
    SHARE,
    SKY,
    VERMILION,
    Board,
    Kind,
    Line,
    Picture,
    Role,
)

_SIDES: tuple[tuple[Literal["below", "within", "above"], Role], ...] = (
    ("below", Role(SKY)), ("within", Role(GREEN)), ("above", Role(VERMILION)))
SPLITS = Of("pitscribe_note", "id", where=(("kind", "fuel"),))

BOARD = Board(
    "fire", "Pitscribe: the fire", "Whether the fire is in its band, how much it swings, how it is fed.",
    ("cook", "band"),
    (
        ("In the time shown", (
            Picture(Kind.BARS, "Hours below, in and above the band",
                    "By the mean of each minute, for each place in the air. Empty: the cook has no band.",
                    tuple(Line(InBand(AIR, side), f"{{place}}, {side}", role) for side, role in _SIDES), (9, 8),
                    unit=HOURS, decimals=1),
            Picture(Kind.NUMBERS, "Splits laid", "Notes that say that fuel was laid on.",
                    (Line(Figure(SPLITS, "count"), "splits"),), (4, 8), unit=NUMBER,
                    nothing="0"),
            Picture(Kind.BARS, "What was found of the fire",
                    "How often. fuel: it was fed; opened: a lid or a door; spike: too hot at once; fading: it goes "
                    "down; out; back.",
                    (Line(Figure(FIRE_EVENTS, "count"), "{kind}", AIR_ROLE),), (11, 8), unit=NUMBER),
        )),
        ("So far", (
            AIR_CURVES,
            Picture(Kind.CURVES, f"Swing within an hour, {IN}", "Highest less lowest reading of each hour.",
                    (Line(Swing(AIR, "1h"), "{place}", AIR_ROLE),), (12, 8), interval="1h"),
            Picture(Kind.CURVES, f"From the hottest place to the coldest, {IN}",
                    "How far places in the air are apart at one time.",
                    (Line(Course(AIR, scale=Scale.DIFFERENCE, apart=True), "apart", AIR_ROLE),), (12, 8)),
            Picture(Kind.TABLE, "What the fire did",
                    "When it began, how sure it is, how long it lasted, and why it was said, where texts are kept.",
                    (Line(Spots(FIRE_EVENTS, ("probability", "lasted_s"), ("why",)), ""),), (24, 8),
                    units={"probability": SHARE, "lasted_s": SECONDS}),
        )),
    ),
    (NOTE_MARKS, FIRE_MARKS),
)
