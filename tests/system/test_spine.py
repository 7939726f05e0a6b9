"""The spine under stress: firmware on MicroPython, a broker, the host as a process of its own. Every frame, once."""

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from servers import Mosquitto, free_port, wait_until

from pitscribe.clock import SystemClock
from pitscribe.commands.demo_frames import count_journal, journal_frames
from pitscribe.intake.broker import read_credentials
from pitscribe.ledger.ledger import Ledger
from pitscribe.simulate.rig import Bench, Board, write_settings
from pitscribe.simulate.scenario import SCENARIOS
from pitscribe.wire.frames import read_head

HOURS = 3.0  # 337 frames: a host that starts on a loaded machine misses a hundred
SPEED = 1000
SCENARIO = "backyard"


class HostProcess:
    """``pitscribe serve`` as a process that can be killed."""

    def __init__(self, home: Path, port: int) -> None:
        self.home = home
        self._arguments = ["--home", str(home), "serve", "--page-port", "0", "--broker-port", str(port)]
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        command = [sys.executable, "-m", "pitscribe.cli", *self._arguments]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.startswith("ledger"):
                return
        raise AssertionError(f"the host ended with {self.process.wait()} before it was ready")

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self) -> int:
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(30)

    def stored(self) -> int:
        """Frames in its ledger, counted by another reader."""
        ledger = Ledger(self.home / "ledger.sqlite", SystemClock())
        try:
            return ledger.frame_count()
        finally:
            ledger.close()


class Stage:
    """Bench, board and host of one test."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.home = folder / "home"
        self.home.mkdir(mode=0o700)
        self.flash = folder / "flash"
        self.bench = Bench(folder / "bench", SCENARIO, 7, HOURS)
        self.boards: list[Board] = []
        self.hosts: list[HostProcess] = []

    def host(self, port: int) -> HostProcess:
        self.hosts.append(HostProcess(self.home, port))
        self.hosts[-1].start()
        return self.hosts[-1]

    def settings(self, host: str, port: int, user: str, password: str) -> None:
        """Frames as short as they are at home: at this speed a host is minutes of the logger's time behind."""
        write_settings(self.flash, SCENARIOS[SCENARIO], SPEED, host, port, user, password)
        file = self.flash / "config.json"
        file.write_text(json.dumps({**json.loads(file.read_text()), "frame_ticks": 64}))

    def board(self) -> Board:
        end_ms = round(HOURS * 3_600_000)
        self.boards.append(Board(self.flash, self.bench, speed=SPEED, world_end_ms=end_ms, heap="180k"))
        return self.boards[-1]

    def journalled(self) -> int:
        return count_journal(self.flash / "journal") if (self.flash / "journal").exists() else 0

    def over(self) -> bool:
        return self.bench.clock.world_ms() >= HOURS * 3_600_000

    def wait_for_more(self, count: int) -> None:
        """Wait until the logger has journalled ``count`` frames more than it has now."""
        wanted = self.journalled() + count
        wait_until(f"{wanted} frames are journalled", lambda: self.journalled() >= wanted)

    def check_every_frame_is_there_once(self, host: HostProcess) -> None:
        wait_until("the cook is over", self.over, 60)
        wait_until("every frame has come", lambda: host.stored() >= self.journalled(), 60)
        for board in self.boards:
            assert board.alive
            board.cut_power()
        ledger = Ledger(self.home / "ledger.sqlite", SystemClock())
        stored = [f for info in ledger.loggers() for f in ledger.frames(info.logger)]
        aside = ledger.asides()
        ledger.close()
        journal = journal_frames(self.flash / "journal")
        assert len({f.key for f in stored}) == len(stored)
        assert {f.key: f.frame for f in stored} == {read_head(f).key: f for f in journal}
        assert len(journal) >= HOURS * 3600 // 64
        assert aside == {}

    def close(self) -> None:
        for board in self.boards:
            if board.alive:
                board.cut_power()
        for host in self.hosts:
            if host.process is not None and host.process.poll() is None:
                host.kill()
        self.bench.stop()


def run_command(*arguments: object) -> "subprocess.CompletedProcess[str]":
    """``pitscribe ...`` as a person runs it."""
    command = [sys.executable, "-m", "pitscribe.cli", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    made = Stage(tmp_path)
    yield made
    made.close()


def test_through_mosquitto_with_the_host_killed_and_the_broker_away_every_frame_arrives_once(stage, tmp_path):
    broker = Mosquitto(tmp_path, "pit", "a password")
    broker.start()
    try:
        (stage.home / "pitscribe.toml").write_text(
            f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "pit"\npassword = "a password"\n'
        )
        stage.settings("127.0.0.1", broker.port, "pit", "a password")
        host = stage.host(broker.port)
        stage.board()
        stage.wait_for_more(20)
        host.kill()
        stage.wait_for_more(30)
        host = stage.host(broker.port)
        wait_until("the new host has taken in what waited", lambda: host.stored() >= 40)
        broker.stop(kill=True)
        stage.wait_for_more(30)
        broker.start()
        stage.check_every_frame_is_there_once(host)
        assert host.stop() == 0
    finally:
        broker.stop()


def test_through_the_embedded_broker_with_the_host_killed_twice_every_frame_arrives_once(stage):
    port = free_port()
    user, password = read_credentials(stage.home)
    stage.settings("127.0.0.1", port, user, password)
    host = stage.host(port)
    stage.board()
    for _ in range(2):
        stage.wait_for_more(20)
        host.kill()
        stage.wait_for_more(20)
        host = stage.host(port)
    stage.check_every_frame_is_there_once(host)
    assert host.stop() == 0


def test_a_logger_that_loses_power_goes_on_in_a_new_boot_and_nothing_journalled_is_lost(stage):
    port = free_port()
    user, password = read_credentials(stage.home)
    stage.settings("127.0.0.1", port, user, password)
    board = stage.board()  # and no host yet
    stage.wait_for_more(40)
    board.cut_power()
    stage.boards.remove(board)
    before = stage.journalled()
    host = stage.host(port)
    stage.board()
    stage.wait_for_more(20)
    stage.check_every_frame_is_there_once(host)
    assert before >= 40
    boots = {read_head(f).key.boot for f in journal_frames(stage.flash / "journal")}
    assert len(boots) == 2


def test_the_host_says_what_to_do_when_its_port_is_taken(stage, broker):
    told = run_command("--home", stage.home, "serve", "--page-port", 0, "--broker-port", broker.port)
    assert told.returncode == 1
    assert len(told.stderr.splitlines()) == 1
    assert str(broker.port) in told.stderr
    assert "in use" in told.stderr
