"""``pitscribe outfit PORT``: the firmware onto a board, or a newer one onto a logger.

    compile -> who is there? -> save, stop -> copy beside, read back -> load -> settings -> switch -> restart -> look

Up to the switch the logger starts as it was whatever happens; from there on with the new modules. Where those do not
answer, the switch is taken back.
"""

import argparse
import contextlib
import json
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from typing import Any

from pitscribe.clock import SystemClock
from pitscribe.commands import look, outfit_copy
from pitscribe.commands.outfit_board import Board, Facts
from pitscribe.commands.outfit_copy import Before
from pitscribe.commands.outfit_set import ModuleSet, check_board, check_fits, compiled_set
from pitscribe.commands.outfit_settings import ask_settings, read_settings, whole_settings
from pitscribe.config import Config
from pitscribe.errors import ConfigError, PitscribeError, SourceError
from pitscribe.intake.keyring import Keyring
from pitscribe.intake.serialport import SerialPort
from pitscribe.intake.usb import Conversation, Met, PortError, meet, save
from pitscribe.simulate.rig import firmware

SETTINGS = "config.json"
BACK_S = 30.0  # so long a board may take to start and answer: its port goes and comes back meanwhile
_ANSWER_S = 1.0  # so long a first answer is waited for: what runs is asked before it is stopped
_LOOK_S = 0.3


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Do it, and tell each step."""
    _Outfit(config, arguments, compiled_set(firmware())).run()


@dataclass(slots=True)
class _Wanted:
    """What a board is to have: settings (None: those that it has), and passwords to be told once."""

    settings: dict[str, Any] | None
    answers: bool  # whether it will answer on the cable
    made: dict[str, str]


class _Outfit:
    """One run."""

    def __init__(self, config: Config, arguments: argparse.Namespace, modules: ModuleSet) -> None:
        self._config, self._port, self._modules = config, arguments.port, modules
        self._room, self._dry = arguments.room, arguments.dry
        self._given = None if arguments.settings is None else read_settings(arguments.settings)

    def run(self) -> None:
        met = self._who()
        if self._dry:
            return self._tell_plan(met)
        before, wanted, made_room = self._put()
        for name, text in wanted.made.items():
            print(f"{name}: {text}   (made now; it is in the board's config.json, and not shown again)")
        if not wanted.answers:
            print(f"restarted; `usb` is 0 in its {SETTINGS}, so it does not answer here and its readings are not shown")
            return None
        self._wait_or_go_back(before)
        if made_room:
            self._remove_old()
        return look.run(self._config, argparse.Namespace(port=self._port))

    def _who(self) -> Met | None:
        """Ask what runs; have it save what is in its memory alone."""
        with closing(SerialPort(self._port)) as port:
            talk = Conversation(port, self._port, answer_s=_ANSWER_S)
            try:
                met = meet(talk, SystemClock().now)
            except PortError:
                raise
            except SourceError:
                print(f"{self._port}: no logger answers; MicroPython's prompt is tried")
                return None
            print(f"logger {met.logger:08x} ({met.condition.name}) runs firmware {met.condition.firmware}")
            if not self._dry and not save(talk):
                print("it did not save its newest ticks: those in its memory alone are lost by the restart")
            return met

    def _tell_plan(self, met: Met | None) -> None:
        new = self._modules
        print(f"would put firmware {new.version} on it as {new.name}: {len(new.files)} files, {new.size / 1000:.0f} KB")
        print("would stop what runs, check board and MicroPython, look what it has, and copy what differs beside it")
        if self._given is not None:
            print(f"would put the settings of the file in place of its {SETTINGS}, once the board finds nothing wrong")
        elif met is None:
            print(f"would keep its {SETTINGS} if it has one, and else ask for the settings and make its passwords")
        else:
            print(f"would keep its {SETTINGS} and its journal")
        print("would restart it and show the first readings; nothing was done")

    def _put(self) -> tuple[Before, _Wanted, bool]:
        """All that is done at the prompt; however it ends, the board starts again."""
        with self._stopped() as board:
            facts = board.facts()
            self._check(facts)
            before = outfit_copy.look(board)
            journal, wanted = self._wanted(board, facts)
            for name in outfit_copy.clear_stale(board, self._modules, before.running):
                print(f"removed {name}, which an earlier run left unfinished or unused")
            done = outfit_copy.copy(board, self._modules, before.running, print, journal if self._room else None)
            if done.segments:
                print(f"gave up {done.segments} segments of its journal, all stored on the host")
            print(f"{done.written} files copied and read back, {done.kept} were there already")
            outfit_copy.try_set(board, self._modules)
            if wanted.settings is not None:
                self._write_settings(board, wanted.settings)
            outfit_copy.switch(board, self._modules, before)
            outfit_copy.expect_restart(board, self._modules)
            return before, wanted, bool(outfit_copy.leftovers(board, self._modules))

    @contextlib.contextmanager
    def _stopped(self) -> Iterator[Board]:
        board = Board(self._port)
        try:
            board.stop_program()
            yield board
        finally:
            board.restart()

    def _check(self, facts: Facts) -> None:
        check_board(facts.platform, facts.version, facts.mpy)
        check_fits(self._modules, facts.mpy)
        version = ".".join(map(str, facts.version))
        print(f"{facts.machine or facts.platform}, MicroPython {version}; {facts.free // 1024} KB of flash free")

    def _wanted(self, board: Board, facts: Facts) -> tuple[str, _Wanted]:
        """The journal's folder, and what the settings are to be."""
        had = _object(board.read(SETTINGS)) if SETTINGS in board.names() else None
        if had is not None and self._given is None:
            return str(had.get("journal", "journal")), _Wanted(None, had.get("usb", 1) != 0, {})
        given = ask_settings(self._config) if self._given is None else self._given
        settings, made = whole_settings(given, had or {}, facts.logger, Keyring(self._config.folder()))
        print(f"the secret that logger {facts.logger:08x} and this host share is in its settings and kept here")
        return str((had or settings).get("journal", "journal")), _Wanted(settings, settings.get("usb", 1) != 0, made)

    def _write_settings(self, board: Board, settings: dict[str, Any]) -> None:
        """Have the board's own rules judge the settings before they are in place."""
        beside = SETTINGS + ".new"
        board.write(beside, json.dumps(settings, ensure_ascii=False).encode())
        wrong = board.run(f"from pitlogger import settings\nprint(settings.read({beside!r})[1])", "its settings")
        if wrong:
            board.remove(beside)
            raise ConfigError("the board refuses the settings, and nothing was changed: " + "; ".join(map(str, wrong)))
        board.run(f"_o.rename({beside!r}, {SETTINGS!r})", SETTINGS)
        print("settings written")

    def _wait_or_go_back(self, before: Before) -> None:
        try:
            self._wait_for_logger()
        except SourceError as error:
            if before.switch is None and before.running is None:
                raise SourceError(f"{error}; the modules are on the board, whole: see what its console says") from error
            with self._stopped() as board:
                outfit_copy.switch_back(board, before)
            raise SourceError(f"the new modules do not answer ({error}); the board starts with those before") from error

    def _wait_for_logger(self) -> Met:
        """Wait until the port is back and the logger answers on it."""
        deadline = time.monotonic() + BACK_S
        while True:
            try:
                with closing(SerialPort(self._port)) as port:
                    return meet(Conversation(port, self._port, answer_s=_ANSWER_S), SystemClock().now)
            except PitscribeError as error:
                if time.monotonic() > deadline:
                    raise SourceError(str(error)) from error
                time.sleep(_LOOK_S)

    def _remove_old(self) -> None:
        """The new modules answer, so the old ones may go: their room is the journal's."""
        with closing(SerialPort(self._port)) as port:
            save(Conversation(port, self._port))
        with self._stopped() as board:
            for name in outfit_copy.leftovers(board, self._modules):
                board.remove_tree(name)
                print(f"removed the old modules ({name})")
            outfit_copy.expect_restart(board, self._modules)
        self._wait_for_logger()


def _object(data: bytes) -> dict[str, Any]:
    """Settings as they lie on the board; damaged ones are as none (the logger runs with its defaults then)."""
    try:
        found = json.loads(data)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
