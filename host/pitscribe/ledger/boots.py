"""Which boot of a logger came before which, as far as it is certain.

Sequence numbers go on from boot to boot, and boot numbers rise by one, as long as the journal is left in place: boots
in a row by both are of one *numbering*, and their order is certain. A journal that was wiped or copied off begins a
new numbering: sequence 0 and a random boot. Over MQTT a logger sends from the journal that it has, in order, so of two
boots that came so, the one that was heard of when all of the other had come is the later. What came as a file may be
of any age.
"""

from collections.abc import Sequence

from pitscribe.ledger.values import BootSpan

_BOOTS = 1 << 16


def numberings(boots: Sequence[BootSpan]) -> list[list[BootSpan]]:
    """The boots of a logger by numbering; within one, the earlier first."""
    known = {one.boot: one for one in boots}
    rows: list[list[BootSpan]] = []
    for one in boots:
        before = known.get((one.boot - 1) % _BOOTS)
        if before is not None and before.first_sequence < one.first_sequence:
            continue
        row = [one]
        while (after := known.get((row[-1].boot + 1) % _BOOTS)) and after.first_sequence > row[-1].first_sequence:
            row.append(after)
        rows.append(row)
    return rows


def neighbours(rows: Sequence[Sequence[BootSpan]], one: BootSpan) -> tuple[list[int], list[int]]:
    """The numbers of the boots that are certainly before, and certainly after, one of them; rows from ``numberings``"""
    before, after = [], []
    for row in rows:
        at = next((i for i, other in enumerate(row) if other.boot == one.boot), None)
        if at is not None:
            before += [other.boot for other in row[:at]]
            after += [other.boot for other in row[at + 1 :]]
        elif not one.as_file:
            before += [b.boot for b in row if not b.as_file and b.last_received_ms < one.first_received_ms]
    return before, after
