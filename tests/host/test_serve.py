"""``pitscribe serve``: it does not go on half dead, and lets go of what it took."""

import json
import signal
import socket
import urllib.request

import pytest
from servers import answers, free_port, wait_until

from pitscribe.cli import main
from pitscribe.clock import SystemClock
from pitscribe.commands import serve
from pitscribe.commands.host import Host
from pitscribe.config import BrokerConfig, PageConfig
from pitscribe.errors import BrokerError
from pitscribe.intake.broker import Broker, Credentials
from pitscribe.intake.mqtt import Intake
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch


@pytest.fixture(autouse=True)
def signals():
    """The command takes the signals for itself; afterwards they are the tests' again."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def after(monkeypatch, kind, name, then):
    """Let something happen to a part right after a method of it."""
    real = getattr(kind, name)

    def both(self, *arguments):
        real(self, *arguments)
        then(self)

    monkeypatch.setattr(kind, name, both)


DEATHS = {
    "intake": lambda patch: patch.setattr(Intake, "_write", lambda _self: None),
    "watch": lambda patch: patch.setattr(Watch, "_run", lambda _self: None),
    "page": lambda patch: after(patch, PageServer, "start", lambda page: setattr(page._server, "should_exit", True)),
    "broker": lambda patch: after(patch, Broker, "start", lambda b: b._loop.call_soon_threadsafe(b._broker_dies)),
}


@pytest.mark.parametrize("part", DEATHS)
def test_when_a_part_dies_serve_ends_with_one_line_and_status_1(tmp_path, part, monkeypatch, capsys):
    """So that whatever started it (systemd, with Restart=on-failure) starts it again."""
    monkeypatch.setattr(serve, "LOOK_EVERY_S", 0.05)
    monkeypatch.setattr(Broker, "_broker_dies", lambda b: b._broker._broadcast_task.cancel(), raising=False)
    DEATHS[part](monkeypatch)
    assert main(["--home", str(tmp_path), "serve", "--page-port", "0", "--broker-port", str(free_port())]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert line == f"pitscribe: the {part} has stopped by itself, so pitscribe ends; start it again"


def test_all_parts_are_alive_until_it_ends(tmp_path):
    with Host(tmp_path, SystemClock(), BrokerConfig(port=0, listen="127.0.0.1"), page=PageConfig(port=0)) as host:
        assert set(host._parts) == {"broker", "intake", "watch", "neighbours", "page"}
        assert host.dead() is None
    assert host.dead() is not None


def test_the_page_and_the_record_are_there_while_a_broker_elsewhere_is_away(tmp_path):
    away = BrokerConfig(host="127.0.0.1", port=free_port())
    with Host(tmp_path, SystemClock(), away, page=PageConfig(port=0)) as host:
        with urllib.request.urlopen(f"{host.page.url}api/snapshot", timeout=20) as answer:
            (trouble,) = [one for one in json.load(answer)["troubles"] if one["key"] == "intake-away"]
        assert f"no broker answers at 127.0.0.1:{away.port}" in trouble["words"]
        assert host.dead() is None


def test_a_broker_whose_loop_stopped_is_not_alive_and_gives_its_port_back():
    broker = Broker(Credentials("pitscribe", "a password"), "127.0.0.1", 0)
    assert not broker.alive
    broker.start()
    assert broker.alive
    broker._loop.call_soon_threadsafe(broker._loop.stop)
    wait_until("it is seen", lambda: not broker.alive)
    broker.stop()
    assert not answers(broker.port)
    assert not broker.alive


def test_a_host_that_cannot_start_gives_the_pages_port_back(tmp_path, broker):
    port = free_port()
    taken = BrokerConfig(port=broker.port, listen="127.0.0.1")
    host = Host(tmp_path / "home", SystemClock(), taken, page=PageConfig(port=port))
    with pytest.raises(BrokerError, match="in use"):
        host.__enter__()
    with socket.socket() as other:
        other.bind(("127.0.0.1", port))
        other.listen(1)
    assert host.page.port == port


@pytest.mark.parametrize(("trusted", "err_ms", "told"), [(False, None, True), (False, 50, False), (True, None, False)])
def test_a_clock_that_is_not_set_is_told_at_the_start(tmp_path, monkeypatch, capsys, trusted, err_ms, told):
    (tmp_path / "pitscribe.toml").write_text(f"[host]\ntrust_clock = {str(trusted).lower()}\n")
    monkeypatch.setattr(serve, "system_clock_err_ms", lambda: err_ms)
    monkeypatch.setattr(Host, "dead", lambda self: f"intake ({self.intake.status().clock_ok})")
    monkeypatch.setattr(serve, "LOOK_EVERY_S", 0.01)
    assert main(["--home", str(tmp_path), "serve", "--page-port", "0", "--broker-port", str(free_port())]) == 1
    said = capsys.readouterr()
    assert ("clock   not set yet" in said.out) is told
    assert f"intake ({not told})" in said.err
