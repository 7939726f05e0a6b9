"""Backups of a home whose `serve` takes in from a logger over a real broker, and is killed; each is put back."""

import random
import shutil
import subprocess
import sys
from pathlib import Path

from chaos.storage_kit import FRAMES, Figures, held, run
from intake_rig import LOGGER, PlayedLogger
from servers import Mosquitto, free_port, wait_until
from web_rig import segment

_PITSCRIBE = Path(sys.executable).parent / "pitscribe"


def _serving(home: Path) -> subprocess.Popen[bytes]:
    """`pitscribe serve` as a process of its own, once it says that it is there."""
    command = [_PITSCRIBE, "--home", home, "serve", "--page-port", str(free_port())]
    process = subprocess.Popen(command, stdout=subprocess.PIPE)
    assert process.stdout is not None
    while (line := process.stdout.readline()) and not line.startswith(b"ledger"):
        pass
    assert line, "serve did not start"
    return process


def backup(folder: Path, seed: int, times: int) -> Figures:
    """What was acknowledged before a backup began is in it, all of one moment; the journal brings what came after."""
    frames = FRAMES[: 60 * times]
    dice, home = random.Random(seed), folder / "home"
    home.mkdir(mode=0o700)
    journal = folder / "journal"
    journal.mkdir()
    (journal / "00000000.seg").write_bytes(segment(0, frames, LOGGER))
    broker = Mosquitto(folder)
    broker.start()
    (home / "pitscribe.toml").write_text(f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n')
    (home / "pitscribe.toml").chmod(0o600)
    serve, logger = _serving(home), PlayedLogger(broker, frames, window=3).start()
    counts = {"backups": 0, "frames in them": 0, "frames refilled": 0, "kills of serve": 0}
    try:
        for n in range(times):
            goal = len(frames) * (n + 1) // (times + 1)
            wait_until("some more are stored", lambda goal=goal: logger.cursor >= goal, 120)
            said = set(logger.said)
            if dice.random() < 0.3:
                serve.kill()
                serve.wait()
                counts["kills of serve"] += 1
            status, told = run(home, "backup", folder / "pit.tar")
            assert status == 0, told
            if serve.poll() is not None:
                serve = _serving(home)
            fresh = folder / "fresh"
            status, told = run(fresh, "restore", folder / "pit.tar")
            assert status == 0, told
            there = held(fresh / "ledger.sqlite")
            assert there == set(frames[: len(there)]), "not of one moment"
            assert {frames[number] for number in said} <= there, "acknowledged before, and not in it"
            status, told = run(fresh, "import", journal)
            assert status == 0, told
            assert held(fresh / "ledger.sqlite") == set(frames)
            assert (fresh / "pitscribe.toml").read_bytes() == (home / "pitscribe.toml").read_bytes()
            shutil.rmtree(fresh)
            counts["backups"] += 1
            counts["frames in them"] += len(there)
            counts["frames refilled"] += len(frames) - len(there)
        wait_until("all are stored", logger.done, 120)
    finally:
        logger.close()
        serve.kill()
        serve.wait()
        broker.stop()
    assert held(home / "ledger.sqlite") == set(frames)
    return counts
