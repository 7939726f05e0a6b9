"""The cook that goes on: how far the meat is, when it will be done, the air, and what happened."""

from dataclasses import replace

from boards.asks import (
    AIR,
    BAND_HIGH,
    BAND_LOW,
    EVENTS,
    FIRE_EVENTS,
    FRESH,
    MEAT,
    NOTES,
    SPREAD,
    STALLS,
    TARGET,
    Course,
    Figure,
    Held,
    Of,
    Scale,
    Spots,
)
from boards.pictures import (
    AIR_ROLE,
    BAND_ROLE,
    CLOCK,
    IN,
    LIKELY,
    MEAT_ROLE,
    ORANGE,
    PERHAPS,
    PURPLE,
    SECONDS,
    SHARE,
    SKY,
    TARGET_ROLE,
    Board,
    Kind,
    Line,
    Marks,
    Picture,
)

T, K = Scale.TEMPERATURE, Scale.DIFFERENCE
_NAMES = (("p10", "one in ten is sooner", PERHAPS), ("p50", "as likely sooner as later", LIKELY),
          ("p90", "one in ten is later", PERHAPS))
_COLDEST = (("place", "coldest"),)


def _forecast(field: str) -> Of:
    return Of("pitscribe_forecast", field, where=_COLDEST)


NOTE_MARKS = Marks("Notes", NOTES, "text", SKY)
FIRE_MARKS = Marks("Fire", FIRE_EVENTS, "why", ORANGE)
STALL_MARKS = Marks("Stalls", STALLS, "why", PURPLE)

MEAT_CURVES = Picture(
    Kind.CURVES, f"Meat, {IN}", "Each place in the meat, and the target.",
    (Line(Course(MEAT, scale=T), "{place}", MEAT_ROLE), Line(Held(TARGET), "target", TARGET_ROLE)), (24, 10),
    decimals=1,
)
AIR_CURVES = Picture(
    Kind.CURVES, f"Air, {IN}", "Each place in the air, and the band in which the fire is to be kept.",
    (Line(Course(AIR, scale=T), "{place}", AIR_ROLE), Line(Held(BAND_LOW), "band, low", BAND_ROLE),
     Line(Held(BAND_HIGH), "band, high", BAND_ROLE)), (24, 8), decimals=1,
)
NOTE_TABLE = Picture(
    Kind.TABLE, "Notes", "What somebody did or saw. VictoriaMetrics keeps no texts: there, kind and time alone.",
    (Line(Spots(NOTES, ("id",), ("text",)), "number"),), (10, 8),
)
EVENT_TABLE = Picture(
    Kind.TABLE, "Stalls, and what the fire did",
    "When it began, how sure it is, how long it lasted (empty: it goes on), and why it was said, where texts are kept.",
    (Line(Spots(EVENTS, ("probability", "lasted_s"), ("why",)), ""),), (14, 8),
    units={"probability": SHARE, "lasted_s": SECONDS},
)

BOARD = Board(
    "cook", "Pitscribe: the cook", "How far the meat is, when it will be done, the air, and what happened.", ("cook",),
    (
        ("Now", (
            Picture(Kind.NUMBERS, f"Coldest place in the meat, {IN}", "The lowest of all places' last readings.",
                    (Line(Figure(MEAT, scale=T, coldest=True), "coldest", MEAT_ROLE),), (5, 5), decimals=1),
            Picture(Kind.NUMBERS, "When the last place is done",
                    "When the last place in the meat is at the target, as forecast within the last 25 minutes. Empty: "
                    "no forecast, or later than in 48 h.",
                    tuple(Line(Figure(_forecast(name), scale=Scale.INSTANT, over=FRESH), words, role)
                          for name, words, role in _NAMES), (10, 5), unit=CLOCK, decimals=None),
            Picture(Kind.NUMBERS, f"Air now, {IN}", "The last reading of each place in the air.",
                    (Line(Figure(AIR, scale=T), "{place}", AIR_ROLE),), (6, 5)),
            Picture(Kind.NUMBERS, f"Spread now, {IN}", "Hottest less coldest place in the meat.",
                    (Line(Figure(SPREAD, scale=K), "spread"),), (3, 5), decimals=1),
        )),
        ("So far", (
            MEAT_CURVES,
            AIR_CURVES,
            Picture(Kind.CURVES, "Forecasts of when the last place is done",
                    "Up: the time of day at which it is done, as it was forecast at the time across. A level line: the "
                    "forecasts agree.",
                    tuple(Line(Course(_forecast(name), "last", Scale.INSTANT), words, role)
                          for name, words, role in _NAMES), (12, 8), unit=CLOCK, decimals=None, interval="10m"),
            Picture(Kind.CURVES, f"How sure a reading is, ± {IN}",
                    "Half the width of the interval that holds 95 %, for each place.",
                    tuple(Line(Course(replace(of, field="u95_k"), scale=K), "{place}", role) for of, role in
                          ((MEAT, MEAT_ROLE), (AIR, AIR_ROLE))), (12, 8), decimals=1),
            NOTE_TABLE,
            EVENT_TABLE,
        )),
    ),
    (NOTE_MARKS, FIRE_MARKS, STALL_MARKS),
)
