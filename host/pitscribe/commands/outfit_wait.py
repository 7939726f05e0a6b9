"""After the restart: waiting until a logger answers, and until the set that it was given has shown that it stays."""

import time
from contextlib import closing

from pitscribe.clock import SystemClock
from pitscribe.commands.outfit_copy import word_of
from pitscribe.commands.outfit_set import ModuleSet
from pitscribe.errors import PitscribeError, SourceError
from pitscribe.intake.serialport import SerialPort
from pitscribe.intake.usb import Conversation, Met, meet

BACK_S = 30.0  # so long a board may take to start and answer: its port goes and comes back meanwhile
PATIENCE_S = 30.0  # so long a set that is new may be silent before it is taken back
TRIAL_S = 100.0  # so long a set may take to its first tick: ten seconds more than main.py on the board allows
_ANSWER_S = 1.0
_LOOK_S = 0.3
_REASON = "reason: "  # as the firmware logs it


class NotBegunError(SourceError):
    """What answers was not started by the restart that was expected."""


def met_at(name: str) -> Met:
    """Wait until the port is back and a logger answers on it. Raises SourceError after ``BACK_S``."""
    return _answered(name, BACK_S)[0]


def wait_for(name: str, modules: ModuleSet, *, on_trial: bool) -> None:
    """Wait until the set has started or, where it is on trial, has said that it stays.

    Raises NotBegunError where another answers, by which the board has gone back, and SourceError where nothing does, or
    no tick is taken.
    """
    deadline = time.monotonic() + TRIAL_S
    begun = _REASON + word_of(modules)
    while True:
        log = _answered(name, PATIENCE_S)[1]
        if f"{modules.name} stays" in log or (begun in log and not on_trial):
            return
        if begun not in log:
            why = next((line for line in reversed(log) if line.startswith(_REASON)), _REASON + "not known")
            raise NotBegunError(f"the board started them and ended with {why}")
        if time.monotonic() > deadline:
            raise SourceError(f"they answer, and took no tick in {TRIAL_S:.0f} s")
        time.sleep(_LOOK_S)


def _answered(name: str, patience_s: float) -> tuple[Met, list[str]]:
    """Who answers, and the lines of its log."""
    deadline = time.monotonic() + patience_s
    while True:
        try:
            with closing(SerialPort(name)) as port:
                talk = Conversation(port, name, answer_s=_ANSWER_S)
                met = meet(talk, SystemClock().now)
                return met, [str(text) for _, text in talk.ask("log").members.get("log", [])]
        except PitscribeError as error:
            if time.monotonic() > deadline:
                raise SourceError(str(error)) from error
            time.sleep(_LOOK_S)
