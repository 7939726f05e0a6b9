"""Forecasts of running cooks, made beside the passes of the watch and at a slower pace of their own.

A forecast takes several times what the rest of the analysis does: 0.2 to 0.5 s for six places after 18 hours here, some
five times as long on a Raspberry Pi. So one is made at a time, in a thread of its own, and after each there is a rest
that keeps them to ``SHARE`` of a core; but at once when a person has changed something that matters. What is shown
meanwhile is the last one, a function of the record as it was then, and its own ``made`` says when that was.
"""

import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace

from pitscribe.cook.analysis import forecasts_ahead
from pitscribe.cook.answers import Analysis, CannotSay
from pitscribe.cook.forecast import Forecast
from pitscribe.series import CookRecord
from pitscribe.watch import fault

SHARE = 0.15  # of one core
COOKS_KEPT = 3
WHAT = "when the target is reached"
log = logging.getLogger(__name__)

Work = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Matter:
    """What a forecast is made of. readings : changes with any reading

    subject : what it is about (target, places): one about something else is not shown
    acts : what people did and said besides: one from before is shown until the next is made
    """

    subject: Hashable
    acts: Hashable
    readings: int


@dataclass(slots=True)
class _View:
    """One cook: of what the last forecast was asked for, and the last one that was made, or why it was not."""

    asked: Matter | None = None
    subject: Hashable = None
    forecasts: tuple[Forecast, ...] = ()
    why_not: str | None = None


def in_thread(work: Work) -> None:
    """Do it in a thread that holds nobody up."""
    threading.Thread(target=work, name="outlook", daemon=True).start()


class Outlook:
    """``put(analysis, …)`` gives the analysis with the newest forecasts there are, and has newer ones made if due.

    May be used from any thread.
    """

    def __init__(
        self, done: Work, *, run: Callable[[Work], None] | None = None, real: Callable[[], float] = time.monotonic
    ) -> None:
        """done : called after each forecast;  run : does the work some time later; None: nothing new is made

        real : real seconds that never jump
        """
        self.run = run
        self._done = done
        self._real = real
        self._lock = threading.RLock()  # the work may be done at once, inside ``put``
        self._views: OrderedDict[int, _View] = OrderedDict()
        self._busy = False
        self._rests_until = float("-inf")

    def put(self, analysis: Analysis, record: CookRecord, matter: Matter) -> Analysis:
        """The analysis of a record with forecasts, if the cook goes on and has a target."""
        if record.cook.ended_ms is not None or record.cook.target_c is None or analysis.at is None or not record.meat:
            return analysis
        with self._lock:
            view = self._view(record.cook.id)
            if self._is_due(view, matter):
                self._ask(view, record, matter)
            if view.subject != matter.subject:
                why = "it is being worked out" if self._busy else None
                return _without(analysis, why)
            forecasts, why = view.forecasts, view.why_not
        return _without(analysis, why) if why else replace(analysis, forecasts=forecasts)

    def _view(self, cook_id: int) -> _View:
        view = self._views.setdefault(cook_id, _View())
        self._views.move_to_end(cook_id)
        while len(self._views) > COOKS_KEPT:
            self._views.popitem(last=False)
        return view

    def _is_due(self, view: _View, matter: Matter) -> bool:
        if self.run is None or self._busy or view.asked == matter:
            return False
        told = view.asked is None or (view.asked.subject, view.asked.acts) != (matter.subject, matter.acts)
        return told or self._real() >= self._rests_until

    def _ask(self, view: _View, record: CookRecord, matter: Matter) -> None:
        assert self.run is not None
        self._busy, view.asked = True, matter
        self.run(lambda: self._make(view, record, matter))

    def _make(self, view: _View, record: CookRecord, matter: Matter) -> None:
        began, why = self._real(), None
        forecasts: tuple[Forecast, ...] = ()
        try:
            forecasts = forecasts_ahead(record)
        except Exception as error:
            fault.tell(log, "watch: a fault in pitscribe itself, in a forecast", error)
            why = f"a fault in pitscribe itself: {type(error).__name__}: {error}"
        with self._lock:
            now = self._real()
            self._rests_until = now + (now - began) * (1 / SHARE - 1)
            self._busy = False
            view.subject, view.forecasts, view.why_not = matter.subject, forecasts, why
        self._done()


def _without(analysis: Analysis, why: str | None) -> Analysis:
    if why is None:
        return analysis
    return replace(analysis, cannot_say=(*analysis.cannot_say, CannotSay(WHAT, why, "forecast")))
