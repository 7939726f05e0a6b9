"""A host that is killed: what was said to be stored is in the file, nothing is lost, nothing is there twice."""

import random
import signal
import subprocess
import sys
import time

import pytest
from intake_rig import LOGGER, PlayedLogger, ticks
from servers import wait_until

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger

FRAMES = [ticks(n) for n in range(1500)]

# A host of its own process. Its third argument says where in the life of the fifth batch it kills itself.
HOST = """
import os, signal, sys, time
from pathlib import Path
from pitscribe.clock import SystemClock
from pitscribe.intake.mqtt import Intake
from pitscribe.ledger.ledger import Ledger

def die():
    os.kill(os.getpid(), signal.SIGKILL)

batches = 0
def dying(function, before):
    def call(*arguments, **named):
        global batches
        batches += 1
        if batches > 5 and before:
            die()
        result = function(*arguments, **named)
        if batches > 5:
            die()
        return result
    return call

point = sys.argv[3]
if point == "before the commit":
    Ledger.store_frames = dying(Ledger.store_frames, before=False)  # written, but not committed yet
elif point == "after the commit":
    Intake._tell_stored = dying(Intake._tell_stored, before=True)
elif point == "after the word":
    Intake._tell_stored = dying(Intake._tell_stored, before=False)
intake = Intake(Ledger(Path(sys.argv[1]), SystemClock()), SystemClock(), "127.0.0.1", int(sys.argv[2]))
intake.start()
print("ready", flush=True)
time.sleep(600)
"""


def start_host(ledger_path, broker, point="never"):
    command = [sys.executable, "-c", HOST, ledger_path, str(broker.port), point]
    host = subprocess.Popen(command, stdout=subprocess.PIPE)
    assert host.stdout.readline() == b"ready\n"
    return host


def held(path):
    """What the file holds, read by a new process's eyes: after the kill nobody else has it open."""
    ledger = Ledger(path, SetClock(0.0))
    try:
        return [(stored.key.sequence, stored.frame) for stored in ledger.frames(LOGGER)]
    finally:
        ledger.close()


def assert_what_was_said_is_held(path, logger):
    found = {sequence for sequence, _ in held(path)}
    time.sleep(0.1)  # a `stored` that was under way may still come in; it must be true as well
    assert logger.said <= found


def test_killed_again_and_again_at_any_moment(tmp_path, broker):
    path, dice = tmp_path / "ledger.sqlite", random.Random(11)
    logger = PlayedLogger(broker, FRAMES, window=50).start()
    try:
        for _ in range(4):
            host = start_host(path, broker)
            goal = min(logger.cursor + dice.randrange(50, 300), len(FRAMES))
            wait_until("some are stored", lambda goal=goal: logger.cursor >= goal)
            host.send_signal(signal.SIGKILL)
            host.wait()
            assert_what_was_said_is_held(path, logger)
        host = start_host(path, broker)
        wait_until("all are stored", logger.done, 30)
        host.kill()
        host.wait()
    finally:
        logger.close()
    assert sorted(held(path)) == list(enumerate(FRAMES))


@pytest.mark.parametrize("point", ["before the commit", "after the commit", "after the word"])
def test_killed_at_the_worst_moments(tmp_path, broker, point):
    path = tmp_path / "ledger.sqlite"
    frames = FRAMES[:400]
    logger = PlayedLogger(broker, frames, window=20).start()
    try:
        host = start_host(path, broker, point)
        assert host.wait(30) == -signal.SIGKILL
        assert_what_was_said_is_held(path, logger)
        unsaid = {sequence for sequence, _ in held(path)} - logger.said
        if point == "after the commit":
            assert unsaid  # held, but nobody was told: they are sent again, and must not be there twice
        host = start_host(path, broker)
        wait_until("all are stored", logger.done, 30)
        host.kill()
        host.wait()
    finally:
        logger.close()
    assert sorted(held(path)) == list(enumerate(frames))
