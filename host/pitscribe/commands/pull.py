"""``pitscribe pull``: a logger's journal over its USB cable."""

import argparse
import shutil
import sys
import time
from contextlib import closing
from typing import TextIO

from pitscribe.clock import SystemClock, set_well, system_clock_err_ms
from pitscribe.commands.ledgers import begun_ledger
from pitscribe.commands.sharing import refuse_others
from pitscribe.commands.tables import counted, tell_readings, tell_timeless
from pitscribe.config import Config
from pitscribe.errors import SourceError
from pitscribe.intake.folder import timeless
from pitscribe.intake.keyring import Keyring
from pitscribe.intake.pull import Pulled, pull, tell_stored
from pitscribe.intake.serialport import SerialPort
from pitscribe.intake.usb import Conversation, Met, PortError, meet, save, tell_time
from pitscribe.ledger.ledger import Ledger

UNPLUGGED_S = 60.0  # so long a logger that was unplugged is waited for
_LOOK_S = 0.3
_BAR = 30  # characters


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Pull, and go on where it stopped when the cable was out for a while."""
    with begun_ledger(config) as ledger:
        _Pull(config, ledger, arguments).run()


class _Pull:
    """One pull, over as many plug-ins as it takes."""

    def __init__(self, config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
        self._ledger, self._name, self._all, self._time = ledger, arguments.port, arguments.all, arguments.time
        self._config, self._keyring = config, Keyring(config.folder())
        self._clock = SystemClock()
        self._err_ms = (set_well if config.trust_clock else system_clock_err_ms)()
        self._out = Pulled()
        self._met: Met | None = None
        self._bar = ProgressBar(sys.stderr)

    def run(self) -> None:
        port = SerialPort(self._name)
        while True:
            try:
                with closing(port):
                    self._talk(Conversation(port, self._name))
                break
            except PortError as error:
                if self._met is None:
                    raise
                self._bar.end()
                print(f"{error}; plug it in again: it goes on where it stopped", file=sys.stderr)
                port = self._wait_for_port(error)
        self._tell()

    def _talk(self, talk: Conversation) -> None:
        met = meet(talk, self._clock.now)
        refuse_others(self._config, met.logger)
        if self._met is not None and met.logger != self._met.logger:
            raise SourceError(f"{self._name}: this is another logger, {met.logger:08x}; pull it by itself")
        if self._time or met.condition.anchor is None:
            self._tell_time(talk, met)
        if not save(talk):
            print("the logger did not save its newest ticks, which are in its memory alone; they are not in this pull")
        met = meet(talk, self._clock.now)  # what its journal has more is an anchor, and a frame that was open
        if self._met is None:
            print(f"logger {met.logger:08x} ({met.condition.name}), boot {met.boot}: {_journal(met)}")
        self._ledger.saw_state(met.logger, met.said)
        self._met = met
        pull(self._ledger, talk, met, self._out, all_=self._all, told=self._bar.show)
        self._bar.end()
        if not tell_stored(talk, met, self._out.held, self._keyring.secret_of(met.logger)):
            print(
                "the logger does not believe that its record is kept here, so it keeps it too; give this host the "
                f"secret in its config.json with: pitscribe logger secret {met.logger:08x} --set TEXT"
            )

    def _tell_time(self, talk: Conversation, met: Met) -> None:
        if self._err_ms is None:
            print("this machine's clock is not set, so the logger is not told the time (see [host] trust_clock)")
        elif tell_time(talk, met, self._err_ms):
            print("the logger was told the time")
        else:
            print("the logger did not take the time")

    def _wait_for_port(self, error: PortError) -> SerialPort:
        deadline = time.monotonic() + UNPLUGGED_S
        while time.monotonic() < deadline:
            time.sleep(_LOOK_S)
            try:
                return SerialPort(self._name)
            except PortError as again:
                error = again
        raise SourceError(f"{error}; what had come is stored, and a new pull goes on from there")

    def _tell(self) -> None:
        out, met = self._out, self._met
        if met is None:
            return
        skipped = f"; {out.skipped} more were in the ledger and not asked for" if out.skipped else ""
        print(f"{counted(out.frames, 'frame')} pulled: {out.new} new, {out.known} known already{skipped}")
        if out.asides or out.clashes:
            print(
                f"kept aside: {counted(out.asides, 'frame')} that cannot be used, "
                f"{out.clashes} that differ from a known frame of the same key"
            )
        if out.unread:
            print(f"the logger's flash could not be read at {counted(out.unread, 'place')}; pull again later")
        tell_readings(self._ledger, met.logger)
        tell_timeless(self._ledger, timeless(self._ledger, out.boots))


class ProgressBar:
    """A bar on a terminal; on anything else nothing."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._shown = False
        self._terminal = out.isatty()

    def show(self, done: int, whole: int) -> None:
        """Show how far it is."""
        if not self._terminal:
            return
        full = _BAR * done // max(whole, 1)
        line = f"[{'#' * full}{'.' * (_BAR - full)}] {done} of {whole} frames"
        print("\r" + line[: shutil.get_terminal_size().columns - 1], end="", flush=True, file=self._out)
        self._shown = True

    def end(self) -> None:
        """Go to the next line."""
        if self._shown:
            print(file=self._out)
        self._shown = False


def _journal(met: Met) -> str:
    journal = met.condition.journal
    if journal.first == journal.next:
        return "its journal is empty"
    return f"its journal has frames {journal.first} to {journal.next - 1}"
