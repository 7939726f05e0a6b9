"""Waiting at a bath until it is steady, or finding in what was recorded where it was: readings -> points.

While ``pitscribe serve`` runs it takes in what the logger sends, a frame every half minute, and here the ledger is
looked at again and again. Of a span that is recorded already every half minute is judged in the same way, looking back
only, so that both give the same points.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pitscribe.commands.channels import Readings
from pitscribe.commands.when import local
from pitscribe.cook.plain import span
from pitscribe.errors import CalibrationError, NotFoundError
from pitscribe.metrology.steady import Steadiness, shortest_window
from pitscribe.report.figures import exact, size

POLL_S = 5.0
SILENT_S = 180.0  # a frame comes every 32 s; some more for a network that is away for a moment
PATIENCE_S = 45 * 60.0
_EVERY_S = 30.0
_SEEN_K = 0.05  # a drift in a minute that is worth a word
_LEVEL_K = 5.0  # two levels of one bath are at least this far apart; our judgement
_MOST_LISTED = 4


class Window(NamedTuple):
    """A steady stretch: its readings, the verdict, and of another probe beside it the same, if there is one."""

    readings: Readings
    steadiness: Steadiness
    beside: tuple[Readings, Steadiness] | None = None


@dataclass(frozen=True, slots=True)
class Live:
    """What waiting needs: the present [UTC s], a way to let time pass [s], a way to tell the person, their units."""

    now: Callable[[], float]
    wait: Callable[[float], None]
    say: Callable[[str], None]
    units: str


Read = Callable[[float, float], Readings | None]  # from, to [UTC s]


def until_steady(live: Live, reads: Sequence[Read], what: str, drift_k: float) -> Window:
    """Wait until what one or two probes read from now on is steady; ``drift_k`` as ``judge`` has it.

    Raises NotFoundError if nothing comes, CalibrationError if it never gets steady.
    """
    began = heard = live.now()
    seen = 0
    while True:
        now = live.now()
        found = [read(began, now) for read in reads]
        first = found[0]
        count = 0 if first is None else first.t.size
        if first is not None and count > seen:
            seen, heard = count, now
            verdicts = [None if one is None else one.judged(drift_k) for one in found]
            if stuck := _stuck(found, verdicts):
                raise stuck
            live.say(progress(first, verdicts, live.units))
            if all(verdict is not None and verdict.steady for verdict in verdicts):
                return _window(found, verdicts)
        elif now - heard > SILENT_S:
            raise NotFoundError(
                f"{what}: nothing usable has come for {span(now - heard)}; is `pitscribe serve` running, the logger "
                "on, and the probe plugged in?"
            )
        if now - began > PATIENCE_S:
            raise CalibrationError(f"{what}: not steady within {span(PATIENCE_S)}, so nothing was written down")
        live.wait(POLL_S)


def _stuck(found: Sequence[Readings | None], verdicts: Sequence[Steadiness | None]) -> CalibrationError | None:
    """What to raise if a chip says the same for ever: then no bath is looked at, be it ever so steady."""
    for one, verdict in zip(found, verdicts, strict=True):
        if one is not None and verdict is not None and verdict.stuck:
            return CalibrationError(
                f"the {one.chip} gave the very same code, {int(one.hot[-1])}, as a live one never does, whose noise is "
                "larger than its step: it is stuck, so nothing was written down; take power off the logger and on again"
            )
    return None


def progress(readings: Readings, verdicts: Sequence[Steadiness | None], units: str) -> str:
    """How it stands, in plain words: "33.48 F, still falling 0.5 F a minute: stir and wait"."""
    value = exact(float(readings.celsius[-1]), units)
    if any(verdict is None for verdict in verdicts):
        return f"{value}; too few readings to say more yet"
    slowest = max((v for v in verdicts if v is not None), key=lambda v: abs(v.drift) + 2 * v.u_drift)
    if all(v is not None and v.steady for v in verdicts):
        return f"{value}, steady over {span(slowest.span_s)}"
    drift, noise = _last_minute(readings)
    if abs(drift) > max(noise, _SEEN_K):
        way = "rising" if drift > 0 else "falling"
        return f"{value}, still {way} {size(abs(drift), units, 1)} a minute: stir and wait"
    if slowest.span_s < 0.95 * shortest_window(readings.u_step):
        return f"{value}, no drift seen in {span(slowest.span_s)}: go on stirring"
    return f"{value}, restless by {size(slowest.s, units)}, so that a drift is not ruled out yet: go on stirring"


def _last_minute(readings: Readings) -> tuple[float, float]:
    """Drift over the last minute [K a minute], and what noise alone may make of it."""
    last = readings.t >= readings.t[-1] - 60.0
    t, celsius = readings.t[last] / 60.0, readings.celsius[last]
    if t.size < 5:
        return 0.0, np.inf
    away = t - t.mean()
    square = float(away @ away)
    drift = float(away @ celsius) / square
    left = celsius - celsius.mean() - drift * away
    return drift, 3.0 * float(np.sqrt(left @ left / (t.size - 2) / square))


def steady_windows(readings: Readings, drift_k: float, beside: Readings | None = None) -> list[Window]:
    """Every steady window in what was recorded, as it would have been told half minute by half minute.

    Raises CalibrationError if there is none and a chip was stuck.
    """
    windows = []
    t, stuck = readings.t, None
    for end in np.arange(t[0] + _EVERY_S, t[-1] + _EVERY_S, _EVERY_S):
        found = [one.cut(0, int(np.searchsorted(one.t, end))) for one in (readings, beside) if one is not None]
        verdicts = [one.judged(drift_k) for one in found]
        if all(verdict is not None and verdict.steady for verdict in verdicts):
            windows.append(_window(found, verdicts))
        stuck = stuck or _stuck(found, verdicts)
    if stuck is not None and not windows:
        raise stuck
    return windows


class Bath(NamedTuple):
    """What a fixed point asks of a bath: its temperature [degC], how far off a probe may be there [K], the drift that
    ``judge`` allows [K], and the words for it."""

    celsius: float
    limit_k: float
    drift_k: float
    what: str


def only_one(windows: Sequence[Window], bath: Bath, units: str) -> Window | None:
    """The last steady window that may be of a bath, or else the last of all; None if there is none.

    Raises CalibrationError if those that may be of it are at more than one temperature. Which of them is the bath is
    not for the program to say: to take the one nearest to the fixed point would flatter every probe.
    """
    near = [w for w in windows if abs(w.steadiness.mean - bath.celsius) <= bath.limit_k]
    stretches: list[list[Window]] = []
    for window in near:
        if not stretches or not _alike(stretches[-1][0], window, bath.drift_k):
            stretches.append([])
        stretches[-1].append(window)
    if len(stretches) > 1:
        listed = "; ".join(_stretch(some, units) for some in stretches[:_MOST_LISTED])
        more = f"; and {len(stretches) - _MOST_LISTED} more" if len(stretches) > _MOST_LISTED else ""
        raise CalibrationError(
            f"the probe was steady at more than one temperature that may be {bath.what}: {listed}{more}; say by --from "
            "and --to which of them is"
        )
    return near[-1] if near else windows[-1] if windows else None


def _alike(a: Window, b: Window, drift_k: float) -> bool:
    """Whether two windows may be of one bath: by three of their uncertainties, and a bath may drift a little."""
    one, other = a.steadiness, b.steadiness
    return abs(one.mean - other.mean) <= 3.0 * float(np.hypot(one.u, other.u)) + drift_k


def _stretch(windows: Sequence[Window], units: str) -> str:
    first, last = float(windows[0].readings.t[0]), float(windows[-1].readings.t[-1])
    # To the minute, and none of it cut off: what is typed again finds the same stretch.
    return f"{exact(windows[-1].steadiness.mean, units)} from {local(first)} to {local(last + 59)}"


def levels(windows: Sequence[Window]) -> list[Window]:
    """The last steady stretch of each level that a bath was brought to, in order of time."""
    ends = [
        a for a, b in pairwise(windows)
        if abs(a.steadiness.mean - b.steadiness.mean) > _LEVEL_K
    ]
    return [*ends, windows[-1]] if windows else []


def _window(found: Sequence[Readings | None], verdicts: Sequence[Steadiness | None]) -> Window:
    kept = [
        (one.cut(verdict.first, one.t.size), verdict)
        for one, verdict in zip(found, verdicts, strict=True)
        if one is not None and verdict is not None
    ]
    return Window(*kept[0], kept[1] if len(kept) > 1 else None)
