"""The live loop: reads the running cook, analyses it, and hands a snapshot to whoever listens.

It keeps no state that could be lost: each snapshot is made from the ledger as it is. What is kept between passes is a
memo of results, and leaving it out would only cost time.
"""

import contextlib
import dataclasses
import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pitscribe.clock import Clock
from pitscribe.errors import NotFoundError, PitscribeError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook, LoggerInfo, Placement
from pitscribe.series import CookRecord
from pitscribe.watch import facts, fault, freshness
from pitscribe.watch.around import Around, places_over, spots_of
from pitscribe.watch.desks import Desks
from pitscribe.watch.hearing import Hearing
from pitscribe.watch.outlook import Matter, Outlook, Work, in_thread
from pitscribe.watch.snapshot import Snapshot, Trouble

STALE_AFTER_S = freshness.LEAST_S
BUSY_SHARE = 0.33  # of one core: on a slow machine the passes come further apart

Listener = Callable[[Snapshot], None]
IntakeStatus = Callable[[], Any]
log = logging.getLogger(__name__)


class Watch:
    """``start()`` runs the loop in a thread; ``now()`` and ``snapshot_of()`` may be asked from any thread besides."""

    def __init__(
        self,
        ledger: Ledger,
        clock: Clock,
        *,
        intake_status: IntakeStatus | None = None,
        every_s: float = 1.0,
        stale_after_s: float = STALE_AFTER_S,
        real: Callable[[], float] = time.monotonic,
        beside: Callable[[Work], None] | None = None,
    ) -> None:
        """Watch a ledger.

        clock : what time it is; ages are told by it
        intake_status : asked at each pass: how the intake is doing, as a dataclass or a mapping; see ``facts.intake``
        every_s : real seconds between passes, at least
        stale_after_s : age on ``clock`` from which a reading is no longer the present one, at least; a logger whose
            frames are long has longer (see ``freshness``). Where the clock runs n times faster than real time, one
            pass is n seconds of it: add 4 n ``every_s``
        real : real seconds that never jump; a logger's silence is measured by them
        beside : does work that takes long beside the passes: forecasts; None: in threads, between start and stop
        """
        self._ledger = ledger
        self._clock = clock
        self._intake_status = intake_status
        self._every_s = every_s
        self._stale_after_s = stale_after_s
        self._lock = threading.RLock()
        self._desks = Desks(ledger)
        self._paces: dict[int, freshness.Pace] = {}
        self._listeners: list[Listener] = []
        self._latest: Snapshot | None = None
        self._running_id: int | None = None
        # Numbers go on from the real time, so that a page that comes back after a restart is not taken for up to date.
        self._number = int(time.time() * 1000)
        self._hearing = Hearing(real)
        self._told = ""  # the last fault
        self._poked = threading.Event()
        self._outlook = Outlook(self.poke, run=beside, real=real)
        self._beside = beside or in_thread
        self._stopping = False
        self._thread: threading.Thread | None = None

    # running

    def start(self) -> None:
        """Begin to watch, in a thread of its own."""
        self._stopping = False
        self._outlook.run = self._beside
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread."""
        self._stopping = True
        self._outlook.run = None
        self._poked.set()
        if self._thread:
            self._thread.join(30)
            self._thread = None

    def poke(self) -> None:
        """Something was written down: look again soon."""
        self._poked.set()

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Be handed each new snapshot, in the watch's thread. Returns what ends that."""
        self._listeners.append(listener)

        def end() -> None:
            with contextlib.suppress(ValueError):
                self._listeners.remove(listener)

        return end

    def _run(self) -> None:
        while not self._stopping:
            began = time.monotonic()
            self._poked.clear()
            self.step()
            took = time.monotonic() - began
            # A poke ends the wait: a person waits for what he wrote.
            self._poked.wait(max(self._every_s - took, took / BUSY_SHARE - took, 0.05))

    # asking

    def latest(self) -> Snapshot | None:
        """The last snapshot of the running cook; None before the first pass."""
        return self._latest

    def now(self) -> Snapshot:
        """A snapshot of the running cook as of this moment."""
        self.step()
        assert self._latest is not None
        return self._latest

    def step(self) -> Snapshot | None:
        """One pass. Returns the new snapshot if it says anything new; never raises."""
        with self._lock:
            now = self._clock.now()
            body = self._body_or_trouble(now)
            if self._latest is not None and self._latest.body == body:
                return None
            self._number += 1
            snapshot = self._latest = Snapshot.of(self._number, now, body)
        for listener in list(self._listeners):
            try:
                listener(snapshot)
            except Exception as error:
                fault.tell(log, "watch: a fault in a listener", error)
        return snapshot

    def snapshot_of(self, cook_id: int) -> Snapshot:
        """A snapshot of any cook. Raises NotFoundError, StoreError."""
        with self._lock:
            cook = self._ledger.cook(cook_id)
            now = self._clock.now()
            return Snapshot.of(self._number, now, self._body(cook, now))

    def record_of(self, cook_id: int) -> CookRecord:
        """The record of any cook, as of the last pass if it is the running one. Raises NotFoundError, StoreError."""
        with self._lock:
            # The thread keeps the running cook's record fresh; that of another one nobody does.
            fresh = self._desks.record_as_read(cook_id) if self._thread and cook_id == self._running_id else None
            return fresh or self._desks.read(self._ledger.cook(cook_id))

    # making

    def _body_or_trouble(self, now: float) -> dict[str, Any]:
        cook = None
        try:
            cook = self._running()
            self._running_id = None if cook is None else cook.id
            return self._body(cook, now)
        except Exception as error:
            return facts.with_trouble(self._lame_body(cook, now), self._trouble(error))

    def _trouble(self, error: Exception) -> Trouble:
        """The trouble that the analysis failed; a fault of ours is told on standard error too, once while it lasts."""
        plain = isinstance(error, PitscribeError)
        words = str(error) if plain else f"a fault in pitscribe itself: {type(error).__name__}: {error}"
        if not plain and words != self._told:
            fault.tell(log, "watch: a fault in pitscribe itself", error)
        self._told = words
        return Trouble("watch", "bad", f"The analysis stands still: {words}")

    def _lame_body(self, cook: Cook | None, now: float) -> dict[str, Any]:
        """What is known of a cook without its analysis: what it is, its places and notes, and its last values if any.

        The frames are safe, only the view is lame.
        """
        around = Around(now)
        old = self._latest.body if self._latest else facts.empty_body(around)
        if cook is None:
            return old
        if (old["cook"] or {}).get("id") != cook.id:
            old = facts.empty_body(around)
        with contextlib.suppress(Exception):  # the ledger itself may be what fails
            placements, notes = self._ledger.placements(cook.id), self._ledger.notes(cook.id)
            photos = self._ledger.photos(cook.id)
            around = Around(now, self._ledger.loggers(), None, self._ledger.asides(), photos=photos)
            return facts.lame_body(old, cook, placements, notes, around)
        return old | {"cook": cook.as_json()}

    def _running(self) -> Cook | None:
        """The cook that began last of those that nobody has ended."""
        return next((c for c in self._ledger.cooks() if c.ended_ms is None), None)

    def _body(self, cook: Cook | None, now: float) -> dict[str, Any]:
        loggers = self._ledger.loggers()
        asides = self._ledger.asides()
        intake = _as_mapping(self._intake_status() if self._intake_status else None)
        self._hearing.take(intake)
        quiet = {info.logger for info in loggers if self._hearing.quiet(info.logger)}
        heard = {
            info.logger: self._last_heard(info)
            for info in loggers
            if info.logger in quiet or (info.state or {}).get("online") is False
        }
        if cook is None:
            return facts.empty_body(Around(now, loggers, intake, asides, heard=heard))
        placements = self._ledger.placements(cook.id)
        ended = [p for p in placements if p.until_ms is not None and p.until_ms <= now * 1000]
        used = {p.logger for p in placements}
        mine = [info for info in loggers if info.logger in used]
        around = Around(
            now,
            mine,
            intake,
            asides,
            over=places_over(placements, now),
            limits=self._limits(mine, placements, ended),
            heard=heard,
            quiet=quiet,
            photos=self._ledger.photos(cook.id),
            spots=spots_of(cook, placements, now),
        )
        record, analysis, readings = self._desks.look_at(cook, placements, around.over)
        matter = Matter((cook.target_c, tuple(placements)), (cook, record.notes, frozenset(around.over)), readings)
        return facts.body(record, self._outlook.put(analysis, record, matter), around, readings)

    def _last_heard(self, info: LoggerInfo) -> float | None:
        """When a logger last said anything itself, or its last frame came: the broker's last will does not count."""
        said = self._hearing.last(info.logger)
        boots = [b.last_received_ms / 1000 for b in self._ledger.boots(info.logger) if not b.as_file]
        return max(boots, default=None) if said is None else said

    def _limits(
        self, loggers: Sequence[LoggerInfo], placements: Sequence[Placement], ended: Sequence[Placement]
    ) -> freshness.Limits:
        """How old readings may be, by what the loggers say of themselves and by their newest frames."""
        for info in loggers:
            found = freshness.newest_stretch(info)
            if found is not None:
                period, where = found
                uptimes = where.first_ms, where.last_ms
                frames = self._ledger.frames(
                    info.logger, kind=freshness.TICKS, boots=[where.boot], uptime_range=uptimes
                )
                self._paces[info.logger] = freshness.pace_of(period, frames, self._paces.get(info.logger))
        return freshness.limits_of(self._paces, placements, ended, self._stale_after_s)


def _as_mapping(status: Any) -> Mapping[str, Any] | None:
    if status is None:
        return None
    if dataclasses.is_dataclass(status) and not isinstance(status, type):
        return {f.name: getattr(status, f.name) for f in dataclasses.fields(status)}
    if isinstance(status, Mapping):
        return status
    raise NotFoundError(f"the intake's status is neither a mapping nor a dataclass but {type(status).__name__}")
