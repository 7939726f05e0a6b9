"""``pitscribe outfit PORT``: the firmware onto a board, or a newer one onto a logger.

    compile -> who is there? -> save, stop -> copy beside, read back -> load -> settings -> switch -> restart -> look

Up to the switch, one rename, the logger starts as it was whatever happens; from there on the new modules are on trial,
and stay once they have taken a tick. Where they do not, the board goes back to those before, or is put back to them.
"""

import argparse
import contextlib
import json
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from typing import Any

from pitscribe.clock import SystemClock
from pitscribe.commands import look, outfit_copy
from pitscribe.commands.outfit_board import Board, Facts
from pitscribe.commands.outfit_copy import SETTINGS, Before
from pitscribe.commands.outfit_set import ModuleSet, check_board, check_fits, compiled_set
from pitscribe.commands.outfit_settings import ask_settings, read_settings, whole_settings
from pitscribe.commands.outfit_wait import NotBegunError, met_at, wait_for
from pitscribe.config import Config
from pitscribe.errors import ConfigError, SourceError
from pitscribe.intake.keyring import Keyring
from pitscribe.intake.serialport import SerialPort
from pitscribe.intake.usb import Conversation, Met, PortError, meet, save
from pitscribe.simulate.rig import firmware

_ANSWER_S = 1.0  # so long a first answer is waited for: what runs is asked before it is stopped


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Do it, and tell each step."""
    _Outfit(config, arguments, compiled_set(firmware())).run()


@dataclass(slots=True)
class _Wanted:
    """What a board is to have: settings (None: those that it has), and passwords to be told once."""

    journal: str  # its folder, now
    logger: int
    settings: bytes | None
    answers: bool  # whether it will answer on the cable
    made: dict[str, str]


class _Outfit:
    """One run."""

    def __init__(self, config: Config, arguments: argparse.Namespace, modules: ModuleSet) -> None:
        self._config, self._port, self._modules = config, arguments.port, modules
        self._room, self._dry = arguments.room, arguments.dry
        self._given = None if arguments.settings is None else read_settings(arguments.settings)
        self._keyring = Keyring(config.folder())

    def run(self) -> None:
        met = self._who()
        if self._dry:
            return self._tell_plan(met)
        before, wanted, leaves_old = self._put()
        for name, text in wanted.made.items():
            print(f"{name}: {text}   (made now; it is in the board's {SETTINGS}, and not shown again)")
        if not wanted.answers:
            print(f"restarted; `usb` is 0 in its {SETTINGS}, so it does not answer here and its readings are not shown")
            return None
        try:
            wait_for(self._port, self._modules, on_trial=before.way_back not in (None, self._modules.name))
        except SourceError as error:
            self._judge(before, wanted.logger, error)
        if leaves_old:
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
        """All that is done at the prompt; however it ends, the board starts again. Returns what ran before, what is
        to be, and whether old sets are left to be removed."""
        modules = self._modules
        with self._stopped() as board:
            facts = board.facts()
            self._check(facts)
            before = outfit_copy.look(board)
            with self._secret_of(before, facts.logger):
                wanted = self._wanted(before, facts.logger)
                for name in outfit_copy.clear_stale(board, modules, before.running):
                    print(f"removed {name}, which an earlier run left unfinished or unused")
                done = outfit_copy.copy(board, modules, before.running, wanted.journal, self._room, print)
                if done.segments:
                    print(f"gave up {done.segments} segments of its journal, all stored on the host")
                print(f"{done.written} files copied and read back, {done.kept} were there already")
                outfit_copy.try_set(board, modules)
                if wrong := outfit_copy.offer(board, modules, wanted.settings):
                    raise ConfigError(f"the board refuses the settings, and keeps what it has: {'; '.join(wrong)}")
                outfit_copy.expect_restart(board, modules)
            outfit_copy.switch(board, modules, before, wanted.settings is not None)
            return before, wanted, bool(outfit_copy.leftovers(board, modules))

    @contextlib.contextmanager
    def _stopped(self) -> Iterator[Board]:
        board = Board(self._port)
        try:
            board.stop_program()
            yield board
        finally:
            board.restart()

    @contextlib.contextmanager
    def _secret_of(self, before: Before, logger: int) -> Iterator[None]:
        """The host has a new secret before the board does; where the board does not get it, it has the board's."""
        try:
            yield
        except BaseException:
            self._take_secret(before, logger)
            raise

    def _take_secret(self, before: Before, logger: int) -> None:
        """Keep here the secret in the settings that the board had, whoever made it."""
        secret = _object(before.settings).get("secret")
        if secret and secret != self._keyring.secret_of(logger):
            with contextlib.suppress(ConfigError):  # one that the firmware does not take either
                self._keyring.set(logger, str(secret))
                print(f"the secret in its {SETTINGS} was not the one known here; it is now")

    def _check(self, facts: Facts) -> None:
        check_board(facts.platform, facts.version, facts.mpy)
        check_fits(self._modules, facts.mpy)
        version = ".".join(map(str, facts.version))
        print(f"{facts.machine or facts.platform}, MicroPython {version}; {facts.free // 1024} KB of flash free")

    def _wanted(self, before: Before, logger: int) -> _Wanted:
        """What the settings are to be."""
        had = _object(before.settings)
        journal = str(had.get("journal") or "journal")
        if before.settings is not None and self._given is None:
            self._take_secret(before, logger)
            return _Wanted(journal, logger, None, had.get("usb", 1) != 0, {})
        given = ask_settings(self._config) if self._given is None else self._given
        settings, made = whole_settings(
            given, had, logger, self._keyring, own_broker=self._config.broker.host is None
        )
        print(f"the secret that logger {logger:08x} and this host share is in its settings and kept here")
        text = json.dumps(settings, ensure_ascii=False).encode()
        return _Wanted(journal, logger, text, settings.get("usb", 1) != 0, made)

    def _judge(self, before: Before, logger: int, error: SourceError) -> None:
        """The new set did not show that it stays: see which one the board starts with, and go back if there is one to
        go back to. Returns where it is the new one after all. Raises SourceError."""
        new = self._modules.name
        with self._stopped() as board:
            stays = isinstance(error, NotBegunError) and outfit_copy.named(board) == [new]
            if not stays and before.way_back not in (None, new):
                outfit_copy.switch_back(board, before)
                board.remove_tree(new)
        if stays:
            met_at(self._port)
            return
        if before.way_back in (None, new):
            raise SourceError(f"{error}; the modules on the board are whole: see what its console says") from error
        self._take_secret(before, logger)
        told = f"the new modules do not run: {error}; the board is back with those before"
        try:
            met_at(self._port)
        except SourceError as silent:
            raise SourceError(f"{told}, which do not answer either ({silent})") from error
        raise SourceError(f"{told}, which answer") from error

    def _remove_old(self) -> None:
        """The new modules run, so the old ones may go: their room is the journal's."""
        with closing(SerialPort(self._port)) as port:
            save(Conversation(port, self._port))
        with self._stopped() as board:
            for name in outfit_copy.leftovers(board, self._modules):
                board.remove_tree(name)
                print(f"removed the old modules ({name})")
            outfit_copy.expect_restart(board, self._modules)
        met_at(self._port)


def _object(data: bytes | None) -> dict[str, Any]:
    """Settings as they lie on the board; damaged ones are as none (the logger runs with its defaults then)."""
    try:
        found = json.loads(data or b"{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
