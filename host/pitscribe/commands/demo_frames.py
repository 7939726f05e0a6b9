"""What of a demo's journal has arrived in the ledger."""

from collections.abc import Iterator
from pathlib import Path

from pitscribe.ledger.ledger import Ledger
from pitscribe.wire.density import Density, density
from pitscribe.wire.frames import TICKS, FrameKey, read_head
from pitscribe.wire.segments import scan_segment


def journal_frames(journal: Path) -> list[bytes]:
    """Every frame that lies in a journal's folder, as it lies there now."""
    return [f for path in sorted(journal.glob("*.seg")) for f in scan_segment(path.read_bytes())[0]]


def count_journal(journal: Path) -> int:
    """How many frames lie in a journal's folder now."""
    return len(journal_frames(journal))


class Arrived:
    """The journal's frames beside the ledger's. ``whole``: every one is there, once, and nothing else is."""

    def __init__(self, ledger: Ledger, journal: Path) -> None:
        self.journalled = [read_head(f).key for f in journal_frames(journal)]
        stored = [f for info in ledger.loggers() for f in ledger.frames(info.logger)]
        self.stored = [f.key for f in stored]
        self.asides = ledger.asides()
        self.density: Density = density([f.frame for f in stored if f.kind == TICKS])

    @property
    def whole(self) -> bool:
        """Whether every frame that was journalled is in the ledger, none twice, and nothing else is."""
        distinct: set[FrameKey] = set(self.stored)
        return len(distinct) == len(self.stored) and distinct == set(self.journalled)

    def lines(self) -> Iterator[str]:
        """Both counts, and how small the frames are."""
        twice = len(self.stored) - len(set(self.stored))
        kept = f", {sum(self.asides.values())} kept aside" if self.asides else ""
        verdict = ("equal" if self.whole else "NOT EQUAL") + kept
        yield f"frames   {len(self.journalled)} journalled, {len(self.stored)} in the ledger, {twice} twice: {verdict}"
        yield (
            f"density  {self.density.bytes_per_channel_tick:.3f} byte a channel and tick, header and CRC included; "
            f"entropy of the same deltas {self.density.entropy_bytes_per_channel_tick:.3f}"
        )
