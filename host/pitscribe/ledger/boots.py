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
