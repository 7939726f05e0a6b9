"""What a service manager is told, at a real datagram socket as systemd's is (sd_notify(3), its variables and forms)."""

import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from servers import answers, free_port
from test_serve import DEATHS, signals  # noqa: F401 - the command takes the signals for itself

from pitscribe.cli import main
from pitscribe.commands import alive, serve
from pitscribe.commands.alive import LONGEST_STATUS, Manager
from pitscribe.commands.host import Host
from pitscribe.intake.broker import Broker


class Listening:
    """A manager's socket. ``abstract``: its name is in no file system."""

    def __init__(self, folder: Path, abstract: bool) -> None:
        self.name = f"@pitscribe-{secrets.token_hex(6)}" if abstract else str(folder / "notify")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + self.name[1:] if abstract else self.name)
        self._socket.settimeout(60)

    def next(self) -> list[str]:
        """The lines of the next datagram."""
        return self._socket.recv(4096).decode().split("\n")

    def rest(self) -> list[str]:
        """The lines of all that have come and were not looked at."""
        self._socket.setblocking(False)
        lines = []
        try:
            while True:
                lines += self.next()
        except BlockingIOError:
            return lines

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["a file", "abstract"])
def listening(request, tmp_path: Path) -> Iterator[Listening]:
    made = Listening(tmp_path, request.param == "abstract")
    yield made
    made.close()


@pytest.fixture
def at_a_file(tmp_path: Path, monkeypatch) -> Iterator[Listening]:
    made = Listening(tmp_path, False)
    monkeypatch.setenv("NOTIFY_SOCKET", made.name)
    monkeypatch.setenv("WATCHDOG_USEC", "60000000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    yield made
    made.close()


def test_ready_alive_and_stopping_come_as_the_manual_has_them(listening):
    manager = Manager.of({"NOTIFY_SOCKET": listening.name, "WATCHDOG_USEC": "60000000"})
    manager.ready("loggers online: 0 of 0")
    manager.alive("loggers online: 0 of 0")
    manager.alive("loggers online: 1 of 1")
    manager.stopping()
    assert listening.rest() == [
        "READY=1", "STATUS=loggers online: 0 of 0", "WATCHDOG=1", "WATCHDOG=1", "STATUS=loggers online: 1 of 1",
        "STOPPING=1",
    ]


def test_a_status_is_one_line_whatever_stands_in_an_error(at_a_file):
    manager = Manager.of(os.environ)
    manager.ready("broker: gone\nMAINPID=1\nREADY=0" + "x" * 1000)
    ready, status = at_a_file.rest()
    assert ready == "READY=1"
    assert status.startswith("STATUS=broker: gone MAINPID=1 READY=0xxx")
    assert len(status) == len("STATUS=") + LONGEST_STATUS


@pytest.mark.parametrize(
    ("named", "watchdog_s"),
    [({}, None), ({"WATCHDOG_PID": "17"}, 60.0), ({"WATCHDOG_PID": "18"}, None), ({"WATCHDOG_USEC": "0"}, None),
     ({"WATCHDOG_USEC": "soon"}, None), ({"WATCHDOG_USEC": "500000"}, 0.5)],
)
def test_a_sign_of_life_is_given_only_to_whoever_waits_for_ours(at_a_file, named, watchdog_s):
    """sd_watchdog_enabled(3): WATCHDOG_PID, where it is set, must be ours."""
    environment = {"NOTIFY_SOCKET": at_a_file.name, **({"WATCHDOG_USEC": "60000000"} if named else {}), **named}
    manager = Manager.of(environment, pid=17)
    manager.alive("well")
    assert manager.watchdog_s == watchdog_s
    assert ("WATCHDOG=1" in at_a_file.rest()) is (watchdog_s is not None)


@pytest.mark.parametrize("address", [None, "", "vsock:2:9999", "relative/path", "/nobody/listens/here", "@nobody"])
def test_without_a_manager_that_listens_nothing_happens(address):
    manager = Manager.of({} if address is None else {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000000"})
    manager.ready("well")
    manager.alive("well")
    manager.stopping()


def test_a_manager_that_does_not_read_does_not_stop_the_host(at_a_file, monkeypatch):
    monkeypatch.setattr(alive, "PATIENCE_S", 0.05)
    manager = Manager.of(os.environ)
    for _ in range(5000):  # far more than a socket holds (net.unix.max_dgram_qlen is 10 to 512)
        manager.alive("well")
    manager.stopping()
    assert "WATCHDOG=1" in at_a_file.rest()


def test_what_is_said_once_waits_for_room(at_a_file):
    manager = Manager.of(os.environ)
    for _ in range(5000):
        manager.alive("well")
    stopping = threading.Thread(target=manager.stopping)
    stopping.start()
    while at_a_file.next() != ["STOPPING=1"]:
        pass
    stopping.join()


def test_serve_is_ready_when_page_and_broker_listen_and_says_so_until_it_stops(at_a_file, tmp_path):
    page, broker = free_port(), free_port()
    command = [sys.executable, "-m", "pitscribe.cli", "--home", str(tmp_path / "home"), "serve"]
    environment = {**os.environ, "WATCHDOG_USEC": "300000"}
    environment.pop("WATCHDOG_PID", None)
    host = subprocess.Popen(
        [*command, "--page-port", str(page), "--broker-port", str(broker)], env=environment, stdout=subprocess.DEVNULL
    )
    try:
        assert at_a_file.next() == ["READY=1", "STATUS=loggers online: 0 of 0; frames stored since the start: 0"]
        assert answers(page)
        assert answers(broker)
        signs = [at_a_file.next()[0] for _ in range(3)]
        host.send_signal(signal.SIGTERM)
        while (said := at_a_file.next()) != ["STOPPING=1"]:
            assert said[0] == "WATCHDOG=1"
        assert host.wait(60) == 0
    finally:
        host.kill()
        host.wait()
    assert signs == ["WATCHDOG=1"] * 3
    assert at_a_file.rest() == []


@pytest.mark.parametrize("taken", ["page", "broker"])
def test_ready_is_not_said_when_a_port_is_taken(at_a_file, tmp_path, taken, capsys):
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = {"page": "0", "broker": "0", taken: str(other.getsockname()[1])}
        arguments = ["serve", "--page-port", port["page"], "--broker-port", port["broker"]]
        assert main(["--home", str(tmp_path / "home"), *arguments]) == 1
    assert "in use" in capsys.readouterr().err
    assert at_a_file.rest() == []


@pytest.mark.parametrize("part", DEATHS)
def test_a_host_whose_part_has_died_gives_no_sign_of_life(at_a_file, tmp_path, part, monkeypatch):
    found, dead = [], Host.dead
    monkeypatch.setattr(Host, "dead", lambda host: found.append(dead(host)) or found[-1])
    monkeypatch.setattr(serve, "LOOK_EVERY_S", 0.05)
    monkeypatch.setattr(Broker, "_broker_dies", lambda b: b._broker._broadcast_task.cancel(), raising=False)
    DEATHS[part](monkeypatch)
    arguments = ["serve", "--page-port", "0", "--broker-port", str(free_port())]
    assert main(["--home", str(tmp_path / "home"), *arguments]) == 1
    said = at_a_file.rest()
    assert said[0] == "READY=1"
    assert said[-1] == "STOPPING=1"
    assert found[-1] == part
    assert said.count("WATCHDOG=1") == found.count(None)  # one for each look that found all alive, none after that
