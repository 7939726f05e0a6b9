"""The cooks that are being looked at: of each its reader, and what was made of it last.

A memo and no more: leaving it out would only cost time.
"""

from collections import OrderedDict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from pitscribe.cook.analysis import analyse
from pitscribe.cook.answers import Analysis
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook, Placement
from pitscribe.series import CookRecord, Reader
from pitscribe.watch import facts

PAST_COOKS_KEPT = 2  # an 18-hour cook of six channels is some 11 MB in memory


@dataclass
class Desk:
    """One cook that is being looked at."""

    reader: Reader
    record: CookRecord | None = None
    print_of: Any = None
    analysis: Analysis | None = None


class Desks:
    """The desks of the cooks that were asked for last. Not to be used by two threads at a time."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._desks: OrderedDict[int, Desk] = OrderedDict()

    def __len__(self) -> int:
        """How many cooks are kept in memory."""
        return len(self._desks)

    def record_as_read(self, cook_id: int) -> CookRecord | None:
        """The record as it was read last; None if it is not on a desk."""
        desk = self._desks.get(cook_id)
        return None if desk is None else desk.record

    def read(self, cook: Cook) -> CookRecord:
        """The record as the ledger has it now."""
        return self._desk(cook)[1]

    def _desk(self, cook: Cook) -> tuple[Desk, CookRecord]:
        desk = self._desks.get(cook.id)
        if desk is None:
            desk = self._desks[cook.id] = Desk(Reader(self._ledger, cook.id))
        self._desks.move_to_end(cook.id)
        while len(self._desks) > PAST_COOKS_KEPT + 1:
            self._desks.popitem(last=False)
        desk.record = desk.reader.read()
        return desk, desk.record

    def look_at(
        self, cook: Cook, placements: Sequence[Placement], over: Collection[str]
    ) -> tuple[CookRecord, Analysis, int]:
        """The record, its analysis, made anew only if something has changed, and the number of its readings.

        over : places whose probe was taken out
        """
        desk, record = self._desk(cook)
        readings = facts.readings_number(record, placements)
        print_of = facts.fingerprint(record, readings), over
        if desk.analysis is None or desk.print_of != print_of:
            desk.analysis = analyse(record, over=over)
            desk.print_of = print_of
        return record, desk.analysis, readings
