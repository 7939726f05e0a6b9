"""What the cook is doing, from the series so far: one call for a live page and for an old cook alike.

``analyse`` looks at a record as it stands; ``replay.replay`` walks an old one forward and tells what was said when.
Nothing here knows the time: "now" is the newest sample of the record.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from pitscribe.cook.answers import Analysis, CannotSay, PlaceNow
from pitscribe.cook.doneness import doneness_of
from pitscribe.cook.doubt import doubtful, flagged, meat_cells, rest_words
from pitscribe.cook.drive import Drive, drive_of
from pitscribe.cook.evenness import Evenness, evenness
from pitscribe.cook.fire import fire_of
from pitscribe.cook.forecast import Forecast, forecasts_of
from pitscribe.cook.grid import Cells, Grid, cells_of, grid_of
from pitscribe.cook.hints import hint_of
from pitscribe.cook.interventions import interventions_of
from pitscribe.cook.noted import Told, notes_for
from pitscribe.cook.phases import phases_of
from pitscribe.cook.pit import PIT_MIN, AirNow, PitNow, pit_now
from pitscribe.cook.plain import degrees, span
from pitscribe.cook.rates import STALE_MIN, SWINGS, rates_of, why_no_rate
from pitscribe.cook.safety import kind_of, safety_of
from pitscribe.cook.stall import heating_of
from pitscribe.errors import ReadingError
from pitscribe.metrology.flags import Flag
from pitscribe.series import TARGET_C as TARGET_C
from pitscribe.series import CookRecord, Series

PRESENT_S = 15.0  # the present value is the median of the good samples of the last so many seconds


def check_target(target_c: float | None) -> None:
    """Refuse a target that no meat is cooked to. Raises ReadingError naming value and range."""
    low, high = TARGET_C
    if target_c is not None and not low <= target_c <= high:
        hint = f"; {target_c:g} degF would be {(target_c - 32) / 1.8:.0f} degC" if high < target_c <= 212 else ""
        in_f = f"{degrees(target_c, 'F')}): give {low:g} to {high:g} degC ({degrees(low, 'F')} to {degrees(high, 'F')})"
        raise ReadingError(f"target {target_c:g} degC ({in_f} for the inside of a joint{hint}")


def analyse(
    record: CookRecord, *, target_c: float | None = None, over: Collection[str] = (), ahead: bool = False
) -> Analysis:
    """Everything that can be said of a cook from its record so far; a pure function of it.

    What is wanted of the cook (target, band of the fire, kind of meat) is the record's: ``record.cook``.

    target_c : temperature that the coldest place is to reach [degC]; default the cook's own target.
    over : places whose probe was taken out: they have a past and no present
    ahead : forecast too, if there is a target: it takes several times what the rest does
    Raises ReadingError for an absurd ``target_c``. Anything that the data do not carry is None with its reason, never
    an error.
    """
    check_target(target_c)
    target = record.cook.target_c if target_c is None else target_c
    places = record.places  # one series for each place and kind
    grid = grid_of(places)
    counts = meat_cells(places, grid)
    cells = [counts[s.place] if s.kind == "meat" else cells_of(s, grid) for s in places]
    newest = max((float(s.t[-1]) for s in places if s.t.size), default=None)
    view = _View(newest, target, over, record.cook.ended_ms is None)
    now = tuple(_place_now(s, c, view) for s, c in zip(places, cells, strict=True))
    meat = {p.place: c for p, c in zip(now, cells, strict=True) if p.kind == "meat"}
    air = [AirNow(p.place, p.celsius, c) for p, c in zip(now, cells, strict=True) if p.kind == "air"]
    airs = [one.cells for one in air]
    even, notes = evenness(meat, grid), record.notes
    drive = drive_of(airs, grid.n)
    heating = [heating_of(place, c, drive, notes_for(place, meat, notes), grid) for place, c in meat.items()]
    stalls = sorted((s for held, _ in heating for s in held), key=lambda s: (s.begin, s.place))
    doubts = {s.place: flagged(s, grid) for s in places if s.kind == "meat"}
    unsure = {s.place: doubtful(s, grid) for s in places if s.kind == "meat"}
    kind = record.cook.meat_kind or kind_of(record.cook.meats)
    pit = pit_now(air)
    present = [p for p in now if p.kind == "meat" and p.celsius is not None]
    coldest = min(present, key=lambda p: (p.celsius, p.place), default=None)
    return Analysis(
        cook=record.cook.name,
        at=newest,
        places=now,
        coldest=coldest,
        pit=pit,
        evenness=even,
        phases=phases_of(stalls, notes, grid, meat),
        stalls=tuple(stalls),
        slowdowns=tuple(sorted((s for _, slow in heating for s in slow), key=lambda s: (s.begin, s.place))),
        fire=fire_of([(one.place, one.cells) for one in air], notes, grid, record.cook.band_c),
        interventions=interventions_of(notes, meat, airs, grid),
        hint=hint_of(meat, notes, grid, doubts),
        safety=safety_of(meat, notes, grid, kind, air=airs, doubts=unsure),
        doneness=doneness_of(meat, notes, grid, airs, doubts=unsure),
        forecasts=_forecasts(meat, airs, notes, grid, target) if ahead else (),
        flag_counts=flag_counts(places),
        cannot_say=_cannot_say(now, drive, even, pit, target),
        target_c=target,
        missed=record.missed,
        unplaced=record.unplaced,
    )


def forecasts_ahead(record: CookRecord) -> tuple[Forecast, ...]:
    """The forecasts of ``analyse(record, ahead=True)`` and nothing else: for who makes them at a pace of their own."""
    grid = grid_of(record.places)
    meat = meat_cells(record.meat, grid)
    air = [cells_of(s, grid) for s in record.air]
    return _forecasts(meat, air, record.notes, grid, record.cook.target_c)


def _forecasts(
    meat: Mapping[str, Cells], air: Sequence[Cells], notes: Sequence[Told], grid: Grid, target: float | None
) -> tuple[Forecast, ...]:
    return () if target is None or not meat else forecasts_of(meat, air, notes, grid, [target])


class _View(NamedTuple):
    """What is the same for all places: newest sample [UTC s], target [degC], places that are over, the cook goes on."""

    newest: float | None
    target: float | None
    over: Collection[str]
    running: bool


def _place_now(series: Series, cells: Cells, view: _View) -> PlaceNow:
    newest, target = view.newest, view.target
    good = np.flatnonzero(series.good())
    flags = flag_words(int(series.flags[-1])) if series.t.size else ()
    if not good.size or newest is None:
        why = ("no good sample" if series.t.size else "no sample") + (" yet" if view.running else "")
        nothing = None, None, None, None, None
        return PlaceNow(series.place, series.kind, *nothing, flags, None, None, None, why, why, None)
    last = int(good[-1])
    at = float(series.t[last])
    recent = good[np.searchsorted(series.t[good], at - PRESENT_S) :]
    why_not = _why_no_value(series, last, newest, cells.dead_s, over=series.place in view.over)
    why_not = why_not or (rest_words(cells.rests_min) if cells.rests_min else None)
    value = float(np.median(series.celsius[recent])) if why_not is None else None
    u, u95 = (float(series.u[last]), float(series.expanded()[last])) if why_not is None else (None, None)
    meat = series.kind == "meat"
    # Minutes that come late, because samples come by the frame, take no rate away.
    cells = cells.known() if _late_only(cells) else cells
    rates = rates_of(cells, meat=meat)
    has_rate = rates.k_h.size > 0 and bool(np.isfinite(rates.k_h[-1])) and why_not is None
    return PlaceNow(
        series.place, series.kind, value, u, u95, at, newest - at, flags,
        float(rates.k_h[-1]) if has_rate else None, float(rates.u[-1]) if has_rate else None,
        float(rates.window_s[-1]) if has_rate else None, why_not,
        None if has_rate else why_not or why_no_rate(cells, meat=meat, yet=view.running),
        target - value if target is not None and value is not None and meat else None,
    )


def _late_only(cells: Cells) -> bool:
    silent = cells.celsius.size - cells.known().celsius.size
    return not cells.failing and STALE_MIN <= silent <= cells.minutes(STALE_MIN)


def _why_no_value(series: Series, last: int, newest: float, dead_s: float, *, over: bool) -> str | None:
    """Why the last good sample is not the present value; None if it is.

    It is not where the probe was taken out, where ``PRESENT_S`` of bad ones followed, or where nothing did for long.
    """
    age = newest - float(series.t[last])
    failing = last + 1 < series.t.size and float(series.t[-1] - series.t[last + 1]) > PRESENT_S
    if over:
        return "its probe was taken out"
    return f"no good sample for {span(age)}" if failing or age > dead_s else None


def flag_words(flags: int) -> tuple[str, ...]:
    """The flags of one sample in words: "open", "short ground", ..."""
    return tuple(f.name.lower().replace("_", " ") for f in Flag if f.name and flags & f and f.value.bit_count() == 1)


def flag_counts(places: Sequence[Series]) -> dict[str, dict[str, int]]:
    """How many samples of each place carry each flag; "no value" counts the rest that has none."""
    counts: dict[str, dict[str, int]] = {}
    for series in places:
        of = counts.setdefault(series.place, {})
        for flag in Flag:
            if flag.name and flag.value.bit_count() == 1:
                n = int(np.count_nonzero(series.flags & np.uint32(flag)))
                if n:
                    word = flag_words(flag)[0]
                    of[word] = of.get(word, 0) + n
        silent = int(np.count_nonzero(~np.isfinite(series.celsius) & (series.flags == 0)))
        if silent:
            of["no value"] = of.get("no value", 0) + silent
    return counts


def _cannot_say(
    now: Sequence[PlaceNow], drive: Drive, even: Evenness, pit: PitNow | None, target: float | None
) -> tuple[CannotSay, ...]:
    kinds = {p.kind for p in now}
    out = [CannotSay(f"present temperature of {p.place}", p.why_no_value, p.place) for p in now if p.why_no_value]
    # That air swings is no news, and its direction is told with the pit.
    out += [
        CannotSay(f"rate of {p.place}", p.why_no_rate, p.place)
        for p in now if p.why_no_rate and not p.why_no_value and p.why_no_rate != SWINGS
    ]
    if even.why_not:
        out.append(CannotSay("spread", even.why_not, "spread"))
    if "meat" not in kinds:
        out.append(CannotSay("stall", "no meat place", "coldest"))
    if "air" not in kinds:
        why = "no air place: a usual pit is assumed"
        out.append(CannotSay("whether a stall is the meat or the fire", why, "pit"))
    elif drive.seen.size and not drive.seen[-1]:
        why = f"no good air sample for more than {drive.unseen_min} min: the pit is taken as it was"
        out.append(CannotSay("whether a stall is the meat or the fire", why, "pit"))
    if "air" in kinds and pit is None:
        out.append(CannotSay("pit", "no air place has a present value", "pit"))
    if pit is not None and pit.level_c is None:
        why = f"fewer than 3 good minutes in the last {PIT_MIN}"
        out.append(CannotSay(f"pit level at {pit.place}", why, "pit"))
    # Without figures: each reader has a unit, and the figures stand beside it.
    below = target is not None and pit is not None and pit.level_c is not None and pit.level_c < target
    if below and not _all_reached(now):
        why = "the pit itself is below the target; any finish is told for a fire that is brought back"
        out.append(CannotSay("when the target is reached as the fire is", why, "pit"))
    return tuple(out)


def _all_reached(now: Sequence[PlaceNow]) -> bool:
    """Whether every meat place that has a present value has reached the target, and one has."""
    to_go = [p.to_target_k for p in now if p.to_target_k is not None]
    return bool(to_go) and max(to_go) <= 0
