"""Harm to a ledger's file, seeded: what a dying card, a cut copy or a lost log leave."""

import random
from pathlib import Path

PAGE = 4096
KINDS = ("pages", "sectors", "bits", "cut", "no header", "no first page", "no log", "torn log")


def harm(path: Path, kind: str, dice: random.Random) -> None:
    """Do one kind of harm to the file, or to the log beside it."""
    log = path.with_name(path.name + "-wal")
    data = bytearray(path.read_bytes())
    pages = len(data) // PAGE
    if kind == "pages":
        for page in dice.sample(range(1, pages), max(1, pages // 20)):
            data[page * PAGE : (page + 1) * PAGE] = dice.choice((bytes(PAGE), dice.randbytes(PAGE)))
    elif kind == "sectors":
        for _ in range(max(1, pages // 10)):
            at = 512 * dice.randrange(8, 8 * pages)
            data[at : at + 512] = dice.randbytes(512)
    elif kind == "bits":
        for _ in range(pages):
            data[dice.randrange(PAGE, len(data))] ^= 1 << dice.randrange(8)
    elif kind == "cut":
        del data[dice.randrange(len(data) // 2, len(data)) :]
    elif kind == "no header":
        data[:100] = bytes(100)
    elif kind == "no first page":
        data[:PAGE] = bytes(PAGE)
    elif kind == "no log":
        log.unlink()
    elif kind == "torn log":
        log.write_bytes(log.read_bytes()[: dice.randrange(32, log.stat().st_size)])
    path.write_bytes(data)
