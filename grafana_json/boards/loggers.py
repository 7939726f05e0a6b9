"""The loggers: whether they are there, what waits in their journals, how warm their box is, which readings are bad."""

from boards.asks import Course, Figure, Of, Scale, Scope, Usable
from boards.pictures import (
    BOX_ROLE,
    GREEN,
    IN,
    NUMBER,
    ORANGE,
    SHARE,
    SKY,
    VERMILION,
    Board,
    Kind,
    Line,
    Picture,
    Steps,
)

# the bits of metrology/flags.py; docs/MIRROR.md lists them
FLAGS = {
    0: ("good", GREEN), 1: ("open", VERMILION), 2: ("short to ground", VERMILION), 4: ("short to supply", VERMILION),
    8: ("chip fault", VERMILION), 16: ("no answer", VERMILION), 32: ("bad word", VERMILION),
    64: ("out of range", ORANGE), 128: ("impossible rate", ORANGE), 256: ("cold junction", ORANGE),
    512: ("no reference function", ORANGE), 1024: ("reversed", ORANGE), 2048: ("stuck", ORANGE),
    4096: ("swapped", ORANGE), 8192: ("box warms too fast", ORANGE), 16384: ("noisy", ORANGE),
    32768: ("no contact", ORANGE),
}
_PLACES = ("cook", "place")


def _now(field: str) -> Of:
    return Of("pitscribe_logger_now", field, Scope.LOGGER)


def _said(
    title: str, words: str, field: str, steps: Steps, states: dict[int, tuple[str, str]] | None = None
) -> Picture:
    return Picture(Kind.NUMBERS, title, words, (Line(Figure(_now(field)), title.lower()),), (4, 5), unit=NUMBER,
                   steps=steps, states=states or {})


# Thresholds: our allowances, no source. A journal that lasts for six hours may be full before somebody wakes.
BOARD = Board(
    "loggers", "Pitscribe: the loggers",
    "Whether loggers are there, what waits in their journals, which readings are bad.", ("logger",),
    (
        ("As the logger last said", (
            _said("State", "Whether it is connected.", "online", Steps((VERMILION, GREEN), (1,)),
                  states={0: ("away", VERMILION), 1: ("here", GREEN)}),
            _said("Journal lasts, h", "For so many hours there is room, if nobody takes what is in it.", "hours",
                  Steps((VERMILION, ORANGE, GREEN), (6, 24))),
            _said("Frames that wait", "In its journal, not stored by the host yet.", "waiting",
                  Steps((GREEN, ORANGE), (100,))),
            _said("Frames lost", "Its journal was full: these readings are gone.", "lost",
                  Steps((GREEN, VERMILION), (1,))),
            _said("Ticks missed", "Instants at which it did not come to read, since it was switched on.", "missed",
                  Steps((GREEN, ORANGE), (1,))),
        )),
        ("So far", (
            Picture(Kind.CURVES, f"Temperature in the box, {IN}",
                    "Mean of the cold junctions. What warms it unevenly makes readings wrong.",
                    (Line(Course(Of("pitscribe_logger", "box_celsius", Scope.LOGGER), scale=Scale.TEMPERATURE), "box",
                          BOX_ROLE),), (12, 8), decimals=1),
            Picture(Kind.CURVES, "Readings a minute", "That came of this logger, over all its channels.",
                    (Line(Course(Of("pitscribe_logger", "samples", Scope.LOGGER)), "readings", BOX_ROLE),), (12, 8),
                    unit=NUMBER),
        )),
        ("Places, of all loggers of the ledger", (
            Picture(Kind.BARS, "Readings that may be used", "Share of the readings in the time shown.",
                    (Line(Usable(Of("pitscribe_temp", "celsius", Scope.LEDGER, by=_PLACES)), "{place} ({cook})"),),
                    (8, 10), unit=SHARE, decimals=None, steps=Steps((VERMILION, ORANGE, GREEN), (0.9, 0.99))),
            Picture(Kind.STATES, "What is wrong with readings",
                    "The greatest sum of flags in each step; a number is the sum of several.",
                    (Line(Course(Of("pitscribe_temp", "flags", Scope.LEDGER, by=_PLACES), "max"), "{place} ({cook})"),),
                    (16, 10), unit=NUMBER, steps=Steps((SKY, ORANGE), (1,)), states=FLAGS),
        )),
    ),
)
