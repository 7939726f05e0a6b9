"""Baths played to the end: firmware on MicroPython, and its journal copied into a ledger as a person does it."""

from pathlib import Path

from servers import wait_until

from pitscribe.clock import SetClock
from pitscribe.intake.folder import import_folder
from pitscribe.ledger.ledger import Ledger
from pitscribe.simulate.bath import BATHS, SCENES
from pitscribe.simulate.rig import Bench, Board, write_settings

JUMP = 0  # no pacing: the board waits for nobody, so there is no network either


def journal_of(folder: Path, scenario: str, seed: int, hours: float) -> Path:
    """Let a logger read what the bench plays from the first second on; return the folder of its journal."""
    end_ms = round(hours * 3_600_000)
    flash = folder / "flash"
    write_settings(flash, SCENES[scenario], JUMP, "", 1883, None, None)
    bench = Bench(folder / "bench", scenario, seed, hours)
    try:
        board = Board(flash, bench, speed=JUMP, world_end_ms=end_ms, heap="180k")
        try:
            wait_until("the hours are over", lambda: bench.clock.world_ms() >= end_ms or board.check(), 60)
        finally:
            board.cut_power()
    finally:
        bench.stop()
    return flash / "journal"


def ledger_of(folder: Path, scenario: str, seed: int) -> tuple[Ledger, int, int]:
    """The same, and what it journalled in a ledger: (ledger, logger, cook); each probe is a place in the meat."""
    baths = BATHS[scenario]
    journal = journal_of(folder, scenario, seed, baths.hours)
    ledger = Ledger(folder / "ledger.sqlite", SetClock(baths.utc0_ms / 1000 + 86_400))
    (logger,) = import_folder(ledger, journal, started_at=baths.utc0_ms / 1000).loggers
    cook = ledger.start_cook(baths.title, at=baths.utc0_ms)
    for dip in baths.placements:
        probe = ledger.add_probe(dip.place, dip.tc, dip.grade)
        ledger.place(cook.id, probe, logger, dip.channel, dip.place, "meat")
    ledger.end_cook(cook.id, baths.utc0_ms + round(baths.hours * 3_600_000))
    return ledger, logger, cook.id
