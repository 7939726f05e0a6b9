"""mosquitto as the install guide sets it up, by the guide's own commands and files: TLS, passwords, and who may what.

Paths and port are put into a folder of the test and a free one; `sudo`, owners and groups are left out (whether the
service's users can read their files, `tests/install/follow.py` tries on a clean Debian).
"""

import json
import os
import socket
import ssl
import subprocess
import sys
import threading
import zlib
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from authority import Authority
from paho.mqtt.enums import CallbackAPIVersion
from servers import Mosquitto, wait_until

from pitscribe.clock import SystemClock
from pitscribe.config import read_config
from pitscribe.ledger.ledger import Ledger
from pitscribe.simulate.rig import Bench, Board, write_settings
from pitscribe.simulate.scenario import SCENARIOS

sys.path.insert(0, str(Path(__file__).parents[1] / "install"))
from guide import GUIDE, ROOT, steps_of

UNIQUE = "70697473"
LOGGER = f"{zlib.crc32(bytes.fromhex(UNIQUE)):08x}"
OTHER, OTHERS_PASSWORD = "ffffffff", "another logger's"
SPEED, HOURS, SCENARIO = 60, 0.5, "bare"
NEEDED = (
    "sudo openssl", "sudo install", "sudo tee", "HOST_PASSWORD=", "sudo mosquitto_passwd", "sudo -u pitscribe tee",
)


class House:
    """A folder with what section 8 of the guide makes, a mosquitto on it, and the passwords that were made."""

    def __init__(self, folder: Path) -> None:
        self.home = folder / "home"
        self.broker = Mosquitto(folder)
        self._moves = {
            "/opt/pitscribe/": f"{ROOT}/", "/var/lib/pitscribe": str(self.home), "/etc/": f"{folder}/etc/",
            "8883": str(self.broker.port), "1a2b3c4d": LOGGER, "-o mosquitto -g mosquitto ": "", "-o pitscribe ": "",
        }
        for made in ("etc/mosquitto/certs", "etc/mosquitto/conf.d", "etc/mosquitto/ca_certificates", "home"):
            (folder / made).mkdir(parents=True, mode=0o700)
        section = GUIDE.read_text().split("\n## 8.")[1].split("\n## 9.")[0]
        script = "\n".join(s.command for s in steps_of(section) if s.command.startswith(NEEDED))
        script = self._moved(script.replace("sudo -u pitscribe ", "").replace("sudo ", ""))
        script += f"\nmosquitto_passwd -b {folder}/etc/mosquitto/pitscribe.passwords {OTHER} \"{OTHERS_PASSWORD}\""
        said = subprocess.run(
            ["bash", "-euc", f"{script}\necho; echo $LOGGER_PASSWORD"], capture_output=True, text=True, check=True
        )
        self.passwords = {LOGGER: said.stdout.split()[-1], OTHER: OTHERS_PASSWORD}
        self.ca = folder / "etc/mosquitto/ca_certificates/pit.pem"
        file = folder / "etc/mosquitto/conf.d/pitscribe.conf"
        as_root = "user root\n" if os.geteuid() == 0 else ""  # or it could not look into the test's folder
        self.broker._config.write_text(as_root + self._moved(file.read_text()))
        config = read_config(self.home).broker
        self.passwords[config.user or ""] = config.password or ""

    def _moved(self, text: str) -> str:
        for old, new in self._moves.items():
            text = text.replace(old, new)
        return text


class Client:
    """A client of MQTT 5, which is told what it may not do."""

    def __init__(self, house: House, user: str | None, *, ca: Path | None = None) -> None:
        self.heard: list[paho.MQTTMessage] = []
        self._codes: dict[int, int] = {}
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.username_pw_set(user, house.passwords.get(user or ""))
        self._client.tls_set(str(ca or house.ca), cert_reqs=ssl.CERT_REQUIRED)
        self._answer: list[bool] = []
        self._subscribed = threading.Event()
        self._client.on_connect = lambda _c, _d, _f, code, _p: self._answer.append(not code.is_failure)
        self._client.on_message = lambda _c, _d, message: self.heard.append(message)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_publish = lambda _c, _d, mid, code, _p: self._codes.__setitem__(mid, code.value)
        self._client.connect("127.0.0.1", house.broker.port)
        self._client.loop_start()

    def is_let_in(self) -> bool:
        wait_until("the broker answers", lambda: self._answer)
        return self._answer[0]

    def hear(self, topic: str) -> None:
        assert self.is_let_in()
        self._client.subscribe(topic, qos=1)
        wait_until("it is subscribed", self._subscribed.is_set)

    def may_say(self, topic: str) -> bool:
        assert self.is_let_in()
        number = self._client.publish(topic, b"{}", qos=1).mid
        wait_until("the broker answers", lambda: number in self._codes)
        return self._codes[number] < 0x80  # MQTT 5.0, 3.4.2.1: from there on it was refused; 87h: not authorized

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture(scope="module")
def house(tmp_path_factory) -> Iterator[House]:
    made = House(tmp_path_factory.mktemp("house"))
    made.broker.start()
    yield made
    made.broker.stop()


@pytest.fixture
def client(house):
    made: list[Client] = []

    def make(user, **ways) -> Client:
        made.append(Client(house, user, **ways))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture(scope="module")
def served(house) -> Iterator[House]:
    command = [sys.executable, "-m", "pitscribe.cli", "--home", str(house.home), "serve", "--page-port", "0"]
    host = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert host.stdout is not None
        lines = []
        for line in host.stdout:
            lines.append(line)
            if line.startswith("ledger"):
                break
        assert f"broker  localhost:{house.broker.port}\n" in lines
        yield house
    finally:
        host.kill()
        host.wait()


def cursor_in(state: bytes) -> int:
    """How many frames a logger's state says are stored, 0 in its last will."""
    return int(json.loads(state).get("journal", {}).get("cursor", 0))


def test_a_loggers_frames_are_stored_and_it_is_told_so_through_the_guides_broker(served, client, tmp_path):
    """The firmware over TLS, as its number; `serve` as the guide's settings have it."""
    listener = client("pitscribe")
    listener.hear(f"pitscribe/1/{LOGGER}/state")
    bench = Bench(tmp_path / "bench", SCENARIO, 7, HOURS)
    flash = tmp_path / "flash"
    broker = ("127.0.0.1", served.broker.port, LOGGER, served.passwords[LOGGER])
    write_settings(flash, SCENARIOS[SCENARIO], SPEED, *broker)
    settings = json.loads((flash / "config.json").read_text())
    settings["frame_ticks"] = 8
    settings["broker"] |= {"tls": 1, "ca": "ca.der"}
    (flash / "config.json").write_text(json.dumps(settings))
    (flash / "ca.der").write_bytes(served.ca.read_bytes())
    board = Board(flash, bench, speed=SPEED, unique_id=UNIQUE)
    ledger = Ledger(served.home / "ledger.sqlite", SystemClock())
    try:
        wait_until("frames are stored", lambda: ledger.frame_count() >= 3, 120)
        wait_until("the logger knows", lambda: any(cursor_in(m.payload) >= 3 for m in list(listener.heard)), 60)
        assert [f"{info.logger:08x}" for info in ledger.loggers()] == [LOGGER]
    finally:
        ledger.close()
        board.cut_power()
        bench.stop()


@pytest.mark.parametrize("word", ["frame", "now", "state"])
def test_a_logger_says_what_is_its_own_and_nothing_in_anothers_name(client, word):
    logger = client(LOGGER)
    assert logger.may_say(f"pitscribe/1/{LOGGER}/{word}")
    assert not logger.may_say(f"pitscribe/1/{OTHER}/{word}")


@pytest.mark.parametrize("word", ["stored", "order", "temp/1"])
def test_what_the_host_says_no_logger_says(client, word):
    for logger in (LOGGER, OTHER):
        assert not client(logger).may_say(f"pitscribe/1/{LOGGER}/{word}")
    assert client("pitscribe").may_say(f"pitscribe/1/{LOGGER}/{word}")


def test_a_logger_hears_what_it_is_told_and_nothing_of_another(client):
    host, logger, other = client("pitscribe"), client(LOGGER), client(OTHER)
    other.hear("#")
    for word in ("frame", "now", "state"):
        assert logger.may_say(f"pitscribe/1/{LOGGER}/{word}")
    for word in ("stored", "order"):
        assert host.may_say(f"pitscribe/1/{LOGGER}/{word}")
    assert host.may_say(f"pitscribe/1/{OTHER}/order")  # what came before would be there before it
    wait_until("its own order comes", lambda: other.heard)
    assert [message.topic for message in other.heard] == [f"pitscribe/1/{OTHER}/order"]


def test_nobody_comes_in_without_a_password_or_without_tls(house, client, tmp_path):
    assert client(LOGGER).is_let_in()
    assert not client(None).is_let_in()
    house.passwords["guest"] = "a guess"
    assert not client("guest").is_let_in()
    another = Authority(tmp_path / "another").ca
    with pytest.raises(ssl.SSLCertVerificationError):
        client(LOGGER, ca=another)
    with socket.create_connection(("127.0.0.1", house.broker.port), 20) as plain:
        plain.sendall(bytes.fromhex("100c00044d5154540402003c0000"))  # CONNECT of MQTT 3.1.1 (section 3.1), no TLS
        try:
            answer = plain.recv(4)
        except ConnectionResetError:
            answer = b""
    assert answer[:1] != b"\x20"  # CONNACK


def test_the_guides_certificate_stands_before_pythons_strict_check(house):
    """RFC 5280 as Python 3.13 has it by default (VERIFY_X509_STRICT), which looks closer than OpenSSL's own habit."""
    context = ssl.create_default_context(cafile=str(house.ca))
    context.verify_flags |= ssl.VERIFY_X509_STRICT
    for name in ("pit.local", "localhost", "192.168.1.10"):
        with socket.create_connection(("127.0.0.1", house.broker.port)) as plain:
            context.wrap_socket(plain, server_hostname=name).close()
