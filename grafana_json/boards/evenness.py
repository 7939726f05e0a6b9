"""Evenness: how far the places in the meat are apart, for how long, and how fast each of them goes."""

from boards.asks import MEAT, SPREAD, Course, Figure, Of, Pace, Scale
from boards.cook import MEAT_CURVES, NOTE_MARKS, STALL_MARKS
from boards.pictures import IN, MEAT_ROLE, PERHAPS, SPREAD_ROLE, Board, Kind, Line, Picture

K = Scale.DIFFERENCE


def _number(title: str, words: str, how: Figure) -> Picture:
    return Picture(Kind.NUMBERS, title, words, (Line(how, "spread", SPREAD_ROLE),), (4, 6), decimals=1)


BOARD = Board(
    "evenness", "Pitscribe: evenness", "How far the places in the meat are apart, and how fast each of them goes.",
    ("cook",),
    (
        ("In the time shown", (
            _number(f"Spread, {IN}", "Hottest less coldest place in the meat, last.", Figure(SPREAD, scale=K)),
            _number(f"Spread, mean, {IN}", "Over all minutes that have one.", Figure(SPREAD, "mean", K)),
            _number(f"Spread, largest, {IN}", "Of all minutes.", Figure(SPREAD, "max", K)),
            _number(f"Spread, summed up, {IN} h", "What has come together: 10 degrees for an hour are 10.",
                    Figure(SPREAD, "sum", Scale.DEGREE_HOURS)),
            Picture(Kind.BARS, f"Places in the meat, {IN}", "The last reading of each.",
                    (Line(Figure(MEAT, scale=Scale.TEMPERATURE), "{place}", MEAT_ROLE),), (8, 6), decimals=1),
        )),
        ("So far", (
            Picture(Kind.CURVES, f"Spread so far, {IN}",
                    "Hottest less coldest place in the meat, and its standard uncertainty.",
                    (Line(Course(SPREAD, scale=K), "spread", SPREAD_ROLE),
                     Line(Course(Of("pitscribe_spread", "u_k"), scale=K), "standard uncertainty", PERHAPS)), (24, 8),
                    decimals=1),
            MEAT_CURVES,
            Picture(Kind.CURVES, f"Pace, {IN} an hour",
                    "By how much the means of ten minutes and the ten before differ, an hour. A stall: near nothing.",
                    (Line(Pace(MEAT, "10m", 6), "{place}", MEAT_ROLE),), (24, 8), decimals=1, interval="10m"),
        )),
    ),
    (NOTE_MARKS, STALL_MARKS),
)
