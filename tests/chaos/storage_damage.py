"""A ledger and its log lose pages, sectors, bits, their end, header or first page, or the log itself."""

import random
import shutil
from pathlib import Path

from chaos.harm import KINDS, harm
from chaos.storage_kit import CLOCK, FRAMES, Figures, checked, held, run
from intake_rig import LOGGER
from web_rig import segment

from pitscribe.ledger.ledger import Ledger


def _lived(folder: Path) -> Path:
    """A ledger that a host left when it was killed: most in its file, the newest in its log."""
    ledger = Ledger(folder / "one.sqlite", CLOCK)
    for at in range(0, 500, 50):
        ledger.store_frames(checked(FRAMES[at : at + 50]), "mqtt")
    cook = ledger.start_cook("one")
    for n in range(20):
        ledger.add_note(cook.id, None, "text", f"note {n}")
    journal = {"first": 0, "next": len(FRAMES), "cursor": len(FRAMES), "lost": 0, "ok": True}
    ledger.saw_state(LOGGER, {"v": 1, "online": True, "boot": 1, "up": 1, "journal": journal})
    ledger._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    ledger.store_frames(checked(FRAMES[500:]), "mqtt")
    killed = folder / "killed"
    killed.mkdir()
    for end in ("", "-wal"):
        shutil.copy(f"{ledger.path}{end}", killed / f"ledger.sqlite{end}")
    ledger.close()
    return killed


def damage(folder: Path, seed: int, times: int) -> Figures:
    """Harm, check, recover, take in the journal: all frames are there again, and none that never was."""
    dice, killed, journal = random.Random(seed), _lived(folder), folder / "journal"
    journal.mkdir()
    for first in range(0, len(FRAMES), 100):
        (journal / f"{first:08x}.seg").write_bytes(segment(first, FRAMES[first : first + 100], LOGGER))
    counts = {"harmed": 0, "told": 0, "frames lost and refilled": 0, "notes lost": 0}
    for n in range(times):
        home = folder / f"home {n}"
        shutil.copytree(killed, home)
        harm(home / "ledger.sqlite", KINDS[n % len(KINDS)], dice)
        left = b"".join(part.read_bytes() for part in sorted(home.glob("ledger.sqlite*")))
        said = run(home, "check", "--all")[1]
        told = "pitscribe recover" in said or "are not in this ledger" in said
        status, said = run(home, "recover", "--anyway")
        assert status == 0, said
        kept = held(home / "ledger.sqlite")
        assert kept <= set(FRAMES), "a frame that never was"
        assert kept >= {frame for frame in FRAMES if frame in left}, "a frame whose bytes were there is not held"
        assert told or len(kept) == len(FRAMES), "frames were lost, and check does not tell"
        ledger = Ledger(home / "ledger.sqlite", CLOCK)
        counts["notes lost"] += 20 - int(ledger._read("SELECT count(*) FROM notes")[0][0])
        ledger.close()
        status, said = run(home, "import", journal)
        assert status == 0, said
        assert held(home / "ledger.sqlite") == set(FRAMES), "the journal does not fill it up"
        counts["harmed"] += 1
        counts["told"] += told
        counts["frames lost and refilled"] += len(FRAMES) - len(kept)
        shutil.rmtree(home)
    return counts
