"""Cooks beside each other: a row of figures for each, and the curves of two of them from their start on."""

from dataclasses import replace

from boards.asks import AIR, MEAT, SPREAD, Cooks, Course, Of, Scale, Scope, Whole
from boards.pictures import AIR_ROLE, CLOCK, IN, MEAT_ROLE, SECONDS, SPREAD_ROLE, Board, Kind, Line, Picture, Role

T, K = Scale.TEMPERATURE, Scale.DIFFERENCE
ABOUT = Of("pitscribe_cook", "started", Scope.COOKS)


def _of(of: Of) -> Of:
    return replace(of, scope=Scope.COOKS, by=())


COLUMNS = (
    Whole("begun", ABOUT, "last", Scale.INSTANT),
    Whole("ended", replace(ABOUT, field="ended"), "last", Scale.INSTANT),
    Whole("took", replace(ABOUT, field="ended"), "last", less="started"),
    Whole("target", replace(ABOUT, field="target_c"), "last", T),
    Whole("air, mean", _of(AIR), "mean", T),
    Whole("spread, mean", _of(SPREAD), "mean", K),
    Whole("spread, largest", _of(SPREAD), "max", K),
    Whole("spread, summed up, h", _of(SPREAD), "sum", Scale.DEGREE_HOURS),
    Whole("longest stall", Of("pitscribe_event", "lasted_s", Scope.COOKS, (("kind", "stall"),)), "max"),
    Whole("splits", Of("pitscribe_note", "id", Scope.COOKS, (("kind", "fuel"),)), "count"),
)


def _pair(title: str, words: str, of: Of, role: Role, scale: Scale, name: str) -> tuple[Picture, Picture]:
    """The same curves of both cooks, one beneath the other."""
    made = [Picture(Kind.CURVES, f"{title} of ${{{scope.value}}}, {IN}", words,
                    (Line(Course(replace(of, scope=scope), scale=scale), name, role),), (24, 8), decimals=1,
                    moved=scope is Scope.EARLIER) for scope in (Scope.COOK, Scope.EARLIER)]
    return made[0], made[1]


BOARD = Board(
    "beside", "Pitscribe: cooks beside each other",
    "A row of figures for each chosen cook, and the curves of two of them beneath each other, moved to one start.",
    ("cook", "earlier", "cooks", "apart"),
    (
        ("All of each cook, whatever the time shown", (
            Picture(Kind.TABLE, f"Cooks, {IN}", "A click on a cook's name shows it at its time.",
                    (Line(Cooks(COLUMNS), ""),), (24, 7), decimals=1, to_cook=True,
                    units={"begun": "dateTimeAsLocal", "ended": CLOCK, "took": SECONDS, "longest stall": SECONDS}),
        )),
        ("From the start on: the time shown is that of the cook; the earlier one is moved to it", (
            *_pair("Meat", "Each place in the meat.", MEAT, MEAT_ROLE, T, "{place}"),
            *_pair("Air", "Each place in the air.", AIR, AIR_ROLE, T, "{place}"),
            *_pair("Spread", "Hottest less coldest place in the meat.", SPREAD, SPREAD_ROLE, K, "spread"),
        )),
    ),
    refresh="",
)
