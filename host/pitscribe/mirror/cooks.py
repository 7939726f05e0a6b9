"""Which cook is mirrored next: the one that goes on at each pass, and one that is over whenever it has changed."""

import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from pitscribe.cook.analysis import analyse
from pitscribe.cook.answers import Analysis
from pitscribe.errors import MirrorError, NotFoundError, PitscribeError, StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.mirror.ahead import Ahead
from pitscribe.mirror.copier import Brought, Copier
from pitscribe.mirror.marks import Marks, Times, marks_of
from pitscribe.mirror.server import RefusedError
from pitscribe.mirror.streams import FORECASTS, forecast_streams, streams_of
from pitscribe.series import CookRecord, Reader, Stretch
from pitscribe.series.times import FOREVER_MS, STEADY

ASIDE_S = 3600.0  # how long a cook that is not taken is left alone
LOOK_S = 60.0  # how often cooks that are over are looked at
log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Live:
    """The cook that goes on."""

    reader: Reader
    ahead: Ahead = field(default_factory=Ahead)
    seen: object = None  # what the analysis was made of
    analysis: Analysis | None = None


@dataclass(slots=True)
class _Past:
    """A cook that is over, while it is being brought."""

    cook: Cook
    marks: Marks
    record: CookRecord
    ahead: Ahead
    sure: bool


class Cooks:
    """``step(copier)`` does the next piece of work."""

    def __init__(self, ledger: Ledger, name: str, real: Callable[[], float] = time.monotonic) -> None:
        """name : of the ledger, in the tags"""
        self._ledger, self._name, self._real = ledger, name, real
        self._live: tuple[int, _Live] | None = None
        self._past: _Past | None = None
        self._marks: dict[int, Marks] = {}  # of cooks that are in the server as they are
        self._made: dict[int, Ahead] = {}  # their forecasts, until they are sure
        self._later: dict[int, float] = {}  # cooks that want to be looked at again: when
        self._aside: dict[int, tuple[str, float]] = {}  # cooks that are not taken: why, and until when
        self._due: list[Cook] = []
        self._look_at = float("-inf")

    @property
    def trouble(self) -> str | None:
        """Why a cook is not mirrored, if one is not."""
        return next((words for words, _ in self._aside.values()), None)

    @property
    def done(self) -> bool:
        """Whether all cooks that are over were in the server, and sure, when they were looked at last."""
        return self._past is None and not (self._due or self._later or self._aside) and self._look_at > float("-inf")

    def look_at_all(self) -> None:
        """Take nothing for known any more."""
        self._marks.clear()
        self._aside.clear()
        self._later.clear()
        self._look_at = float("-inf")

    def step(self, copier: Copier) -> tuple[int, bool]:
        """Bring the cook that goes on, and some of one that is over. Returns (points written, is there more to do)."""
        cooks = self._ledger.cooks()
        live = next((cook for cook in cooks if cook.ended_ms is None), None)
        written = self._drop_gone(copier, {cook.id for cook in cooks})
        if live is not None:
            written += self._guarded(live.id, lambda: self._bring_live(copier, live))
        written += self._bring_past(copier, [cook for cook in cooks if cook != live])
        return written, self._past is not None or bool(self._due)

    def _guarded(self, cook_id: int, work: Callable[[], int]) -> int:
        """Do it; what is wrong with this cook alone keeps no other from being mirrored."""
        if cook_id in self._aside and self._real() < self._aside[cook_id][1]:
            return 0
        try:
            written = work()
        except (MirrorError, StoreError) as error:
            if not isinstance(error, RefusedError):
                raise
            words = str(error)
        except NotFoundError:
            return 0  # it was taken away meanwhile
        except Exception as error:
            words = str(error)
            if not isinstance(error, PitscribeError):
                words = f"a fault in pitscribe itself: {type(error).__name__}: {error}"
                log.exception("mirror: cook %s", cook_id)
        else:
            self._aside.pop(cook_id, None)
            return written
        self._aside[cook_id] = f"cook {cook_id} is left out for an hour: {words}", self._real() + ASIDE_S
        self._past = None
        return 0

    def _drop_gone(self, copier: Copier, there: set[int]) -> int:
        """Delete cooks that were taken away."""
        gone = self._ledger.mirrored_cooks(copier.mirror_id).keys() - there
        return sum(copier.bring(cook_id, [], self._ledger.now_ms()).written for cook_id in sorted(gone))

    # the cook that goes on

    def _bring_live(self, copier: Copier, cook: Cook) -> int:
        if self._live is None or self._live[0] != cook.id:
            self._live = cook.id, _Live(Reader(self._ledger, cook.id, fit=STEADY))
        live = self._live[1]
        record = live.reader.read()
        newest = max((float(s.t[-1]) for s in record.places if s.t.size), default=0.0)
        seen = newest // 60, record.cook, record.notes
        if seen != live.seen:
            live.analysis, live.seen = analyse(record), seen
        waits = live.ahead.advance(record)
        streams = streams_of(record, live.analysis, live.reader.stretches(), self._name)
        if waits:
            return copier.bring(cook.id, streams, self._ledger.now_ms(), _but_forecasts).written
        streams += forecast_streams(record.cook, live.ahead.made, self._name)
        return copier.bring(cook.id, streams, self._ledger.now_ms()).written

    # those that are over

    def _bring_past(self, copier: Copier, cooks: Sequence[Cook]) -> int:
        if self._past is not None:
            past = self._past
            return self._guarded(past.cook.id, lambda: self._go_on(copier, past))
        if not self._due and self._real() >= self._look_at:
            self._look(cooks)
        if not self._due:
            return 0
        cook = self._due[0]
        written = self._guarded(cook.id, lambda: self._begin(copier, self._ledger.cook(cook.id)))
        self._due.pop(0)  # if the server is away, it is the first one when it is there again
        return written

    def _look(self, cooks: Sequence[Cook]) -> None:
        """See which have changed, or are not sure yet."""
        now, times = self._real(), Times(self._ledger)
        self._look_at = now + LOOK_S
        for cook in cooks:
            if cook.id in self._aside and now < self._aside[cook.id][1]:
                continue
            if cook.id not in self._later and self._marks.get(cook.id) == marks_of(self._ledger, cook, times):
                continue
            if now >= self._later.get(cook.id, now):
                self._later.pop(cook.id, None)
                self._due.append(cook)
        if self._later:
            self._look_at = min(self._look_at, *self._later.values())

    def _begin(self, copier: Copier, cook: Cook) -> int:
        marks = marks_of(self._ledger, cook, Times(self._ledger))
        reader = Reader(self._ledger, cook.id, fit=STEADY)
        record = reader.read()
        stretches: list[Stretch] = reader.stretches()
        streams = streams_of(record, analyse(record), stretches, self._name)
        brought = copier.bring(cook.id, streams, FOREVER_MS, _but_forecasts)
        made = self._made.pop(cook.id, None) or Ahead()
        past = _Past(record.cook, marks, record, made, brought.sure)
        if self._has_forecasts(copier, brought, cook.id):
            self._end(copier, past)
        else:
            self._past = past
        return brought.written

    def _has_forecasts(self, copier: Copier, brought: Brought, cook_id: int) -> bool:
        """Whether those that are there are right: they are of what was there before too, and sure."""
        held = self._ledger.mirror_blocks(copier.mirror_id, cook_id)
        sure = [block.sure for name, block in held.items() if name.series.startswith(f"{FORECASTS},")]
        return not brought.written and not brought.deleted and bool(sure) and all(sure)

    def _go_on(self, copier: Copier, past: _Past) -> int:
        if past.ahead.advance(past.record):
            return 0
        streams = forecast_streams(past.cook, past.ahead.made, self._name)
        brought = copier.bring(past.cook.id, streams, FOREVER_MS, _forecasts)
        past.sure = past.sure and brought.sure
        if not brought.sure:
            self._made[past.cook.id] = past.ahead
        self._end(copier, past)
        return brought.written

    def _end(self, copier: Copier, past: _Past) -> None:
        self._past = None
        self._marks[past.cook.id] = past.marks
        if not past.sure:
            self._later[past.cook.id] = self._real() + copier.confirm_s
            self._look_at = min(self._look_at, self._later[past.cook.id])


def _forecasts(measurement: str) -> bool:
    return measurement == FORECASTS


def _but_forecasts(measurement: str) -> bool:
    return measurement != FORECASTS
