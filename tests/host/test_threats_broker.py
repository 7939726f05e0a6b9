"""What docs/THREATS.md promises of the broker inside: each logger its own password and topics, and room for all."""

import io
import itertools
import json
import re
import socket
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from hypothesis import given
from hypothesis import strategies as st
from intake_rig import RawClient, publish_packet
from paho.mqtt.enums import CallbackAPIVersion
from servers import wait_until

from pitscribe import listening
from pitscribe.cli import main
from pitscribe.commands.outfit_settings import whole_settings
from pitscribe.intake import tamed
from pitscribe.intake.access import Access, logger_password
from pitscribe.intake.broker import Broker, Credentials
from pitscribe.intake.keyring import Keyring
from pitscribe.knocks import TOLD_FROM
from pitscribe.watch.troubles import _intake

HOST = Credentials("pitscribe", "a password")
ONE, OTHER = 0x1A2B3C4D, 0xFFFF0001
ACL = Path(__file__).parents[2] / "host/mosquitto/pitscribe.acl"


@pytest.fixture(autouse=True)
def refused_at_once(monkeypatch):
    monkeypatch.setattr(tamed, "WRONG_S", 0.0)


@pytest.fixture
def home(tmp_path):
    keyring = Keyring(tmp_path)
    for logger in (ONE, OTHER):
        keyring.set(logger)
    return tmp_path


@pytest.fixture
def broker(home):
    made = Broker(HOST, "127.0.0.1", 0, secret_of=Keyring(home).secret_of)
    made.start()
    yield made
    made.stop()


@pytest.fixture
def connect(broker):
    made = []

    def client(user, password, name="", **more):
        made.append(RawClient(broker.port, name, user, password, **more))
        return made[-1]

    yield client
    for one in made:
        one.close()


@pytest.fixture
def as_logger(connect, home):
    def client(logger, **more):
        made = connect(f"{logger:08x}", logger_password(Keyring(home).secret_of(logger), logger), **more)
        assert made.refused == 0
        return made

    return client


@pytest.fixture
def heard(broker):
    """What the host hears, as it comes."""
    got, ready = [], threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(*HOST)
    client.on_message = lambda _c, _d, message: got.append((message.topic, message.payload))
    client.on_subscribe = lambda *_: ready.set()
    client.on_connect = lambda *_: client.subscribe("pitscribe/#", 1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    assert ready.wait(20)
    yield got
    client.disconnect()
    client.loop_stop()


def test_a_logger_comes_in_by_its_own_password_and_by_no_other(connect, as_logger, home):
    as_logger(ONE)
    others = logger_password(Keyring(home).secret_of(OTHER), OTHER)
    for password in (others, HOST.password, Keyring(home).secret_of(ONE), "", others.upper()):
        assert connect(f"{ONE:08x}", password).refused == 4  # MQTT 3.1.1, 3.2.2.3: bad user name or password
    own = logger_password(Keyring(home).secret_of(ONE), ONE)
    for user in (f"{ONE:08X}", "pitscribe", f"{ONE:08x}/", "00000000", "", "1A2b3c4d\0"):
        assert connect(user, own).refused == 4


def test_a_new_secret_shuts_out_a_stolen_logger_while_the_broker_runs(as_logger, connect, home):
    as_logger(ONE)
    old = logger_password(Keyring(home).secret_of(ONE), ONE)
    Keyring(home).set(ONE)
    assert connect(f"{ONE:08x}", old).refused == 4
    as_logger(ONE)


def test_no_logger_comes_in_while_the_secrets_cannot_be_read_and_the_host_does(connect, home):
    password = logger_password(Keyring(home).secret_of(ONE), ONE)
    (home / "loggers.json").chmod(0o644)
    assert connect(f"{ONE:08x}", password).refused == 4
    assert connect(*HOST).refused == 0


def test_a_logger_says_what_is_its_own_and_nothing_in_anothers_or_the_hosts_name(as_logger, heard):
    logger = as_logger(ONE)
    ways = itertools.product((ONE, OTHER), ("frame", "now", "state", "stored", "order", "temp/1", ""))
    for number, word in ways:
        logger.socket.sendall(publish_packet(f"pitscribe/1/{number:08x}/{word}", b"x", 0))
    for topic in ("pitscribe/share/pit/frame/a", "homeassistant/sensor/x/config", "pitscribe"):
        logger.socket.sendall(publish_packet(topic, b"x", 0))
    logger.socket.sendall(publish_packet(f"pitscribe/1/{ONE:08x}/state", b"last", 0))
    wait_until("the last one comes", lambda: heard and heard[-1][1] == b"last")
    assert [topic for topic, _ in heard[:-1]] == [f"pitscribe/1/{ONE:08x}/{word}" for word in ("frame", "now", "state")]


def test_a_logger_leaves_no_word_in_anothers_name_when_it_dies(as_logger, heard):
    will = as_logger(ONE, will=(f"pitscribe/1/{OTHER:08x}/state", b"a lie"))
    will.socket.close()
    will = as_logger(ONE, will=(f"pitscribe/1/{ONE:08x}/state", b"its own"))
    will.socket.close()
    wait_until("its own will comes", lambda: heard)
    assert heard == [(f"pitscribe/1/{ONE:08x}/state", b"its own")]


@pytest.mark.parametrize(
    "topic",
    ["#", "pitscribe/#", "pitscribe/1/+/order", f"pitscribe/1/{OTHER:08x}/order", f"pitscribe/1/{ONE:08x}/#",
     f"$share/g/pitscribe/1/{OTHER:08x}/order", f"pitscribe/1/{ONE:08x}/frame"],
)
def test_a_logger_hears_nothing_but_what_the_host_says_to_it(as_logger, topic):
    logger = as_logger(ONE)
    body = topic.encode()
    logger.send(0x82, b"\x00\x01" + len(body).to_bytes(2, "big") + body + b"\x01")
    assert logger.read() == (0x90, b"\x00\x01\x80")  # MQTT 3.1.1, 3.9.3: failure


def test_a_logger_hears_its_own_orders(as_logger, connect):
    logger = as_logger(ONE)
    logger.subscribe(f"pitscribe/1/{ONE:08x}/order", 0)
    connect(*HOST, name="host").socket.sendall(publish_packet(f"pitscribe/1/{ONE:08x}/order", b"quiet", 0))
    kind, body = logger.read()
    assert kind & 0xF0 == 0x30
    assert body.endswith(b"quiet")


def test_a_logger_that_takes_anothers_client_name_ends_nobodys_connection(as_logger, connect, heard):
    host = connect(*HOST, name="pitscribe-host")
    logger = as_logger(ONE, name=f"pit-{ONE:08x}")
    for name in (f"pit-{ONE:08x}", "pitscribe-host", f"{ONE:08x}/pit-{ONE:08x}"):
        as_logger(OTHER, name=name)
    logger.socket.sendall(publish_packet(f"pitscribe/1/{ONE:08x}/now", b"still here", 0))
    host.socket.sendall(publish_packet("pitscribe/1/x", b"so am I", 0))
    wait_until("both are heard", lambda: {data for _, data in heard} == {b"still here", b"so am I"})


def _list_of(word):
    """What the access list for mosquitto lets a logger do."""
    return {line.split()[2] for line in ACL.read_text().splitlines() if re.match(f"pattern {word} ", line)}


def test_the_broker_inside_allows_what_the_access_list_for_mosquitto_allows():
    access = Access(*HOST, lambda _: None)
    user = f"{ONE:08x}"
    words = ("frame", "now", "state", "stored", "order", "temp", "settings")
    topics = {f"pitscribe/1/%u/{word}" for word in words}
    assert {t for t in topics if access.may_say(user, t.replace("%u", user))} == _list_of("write")
    assert {t for t in topics if access.may_hear(user, t.replace("%u", user))} == _list_of("read")


@given(st.text(max_size=20), st.text(max_size=40))
def test_no_user_whatever_the_name_gets_in_or_further_without_a_secret(user, text):
    access = Access(*HOST, lambda _: None)
    assert not access.lets_in(user, text)
    if user != HOST.user:
        assert not access.may_say(user, text)
        assert not access.may_hear(user, text)


def test_the_password_tells_neither_the_secret_nor_anothers_password():
    secret = "0123456789abcdef"
    assert logger_password(secret, ONE) != logger_password(secret, OTHER)
    assert secret not in logger_password(secret, ONE)
    # printf 'broker 1a2b3c4d\n' | openssl dgst -sha256 -hmac 0123456789abcdef
    assert logger_password(secret, ONE) == "9124984ac024ae250460d9cc98552c80"


def test_a_wrong_password_is_answered_late_counted_and_told_with_whose_it_is(connect, broker, caplog, monkeypatch):
    monkeypatch.setattr(tamed, "WRONG_S", 0.3)
    begun = time.monotonic()
    assert connect(f"{ONE:08x}", "a guess of mine").refused == 4
    assert time.monotonic() - begun >= 0.3
    assert f"broker: a wrong password from 127.0.0.1 as the logger {ONE:08x}" in caplog.text
    assert broker.trouble is None
    monkeypatch.setattr(tamed, "WRONG_S", 0.0)
    for _ in range(TOLD_FROM - 1):
        assert connect("<b>not\nto be shown", "a guess of mine").refused == 4
    assert broker.trouble[0] == f"{TOLD_FROM} wrong passwords or more were tried, at last from 127.0.0.1"
    assert "guess" not in caplog.text


def test_who_tries_to_come_in_is_told_on_the_page_and_what_it_may_be():
    """And nobody else is named than who tried."""
    errors = {"page door": ("5 wrong passwords", 1.0), "broker door": ("20 wrong passwords", 2.0)}
    told = {t.key: t for t in _intake({"connected": True, "errors": errors})}
    assert "(5 wrong passwords)" in told["page-door"].words
    assert "user and password are not the right ones" in told["broker-door"].words
    assert (told["page-door"].since, told["broker-door"].since) == (1.0, 2.0)


# what is put on the board


def test_a_logger_of_the_broker_inside_is_given_its_own_password_and_of_another_broker_nothing(tmp_path):
    keyring = Keyring(tmp_path)
    given_ = {"broker": {"host": "192.168.1.10"}}
    settings, _ = whole_settings(given_, {}, ONE, keyring, own_broker=True)
    own = {"user": f"{ONE:08x}", "password": logger_password(keyring.secret_of(ONE), ONE)}
    assert settings["broker"] == {"host": "192.168.1.10"} | own
    assert whole_settings(given_, {}, ONE, keyring, own_broker=False)[0]["broker"] == given_["broker"]
    named = {"broker": {"host": "192.168.1.10", "user": "mine", "password": "too"}}
    assert whole_settings(named, {}, ONE, keyring, own_broker=True)[0]["broker"] == named["broker"]
    assert whole_settings({}, {}, ONE, keyring, own_broker=True)[0].get("broker") is None


def test_the_command_tells_a_loggers_own_user_and_password_where_the_broker_is_ours(tmp_path, capsys):
    assert main(["--home", str(tmp_path), "logger", "secret", f"{ONE:08x}"]) == 0
    said = capsys.readouterr().out
    password = logger_password(Keyring(tmp_path).secret_of(ONE), ONE)
    assert f'"user": "{ONE:08x}", "password": "{password}"' in said
    (tmp_path / "pitscribe.toml").write_text('[broker]\nhost = "localhost"\n')
    assert main(["--home", str(tmp_path), "logger", "secret", f"{ONE:08x}"]) == 0
    assert '"user"' not in capsys.readouterr().out


def test_a_secret_can_be_given_where_no_process_list_shows_it(tmp_path, monkeypatch, capsys):
    secret = "a secret that nobody else sees"
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{secret}\n"))
    assert main(["--home", str(tmp_path), "logger", "secret", f"{ONE:08x}", "--set", "-"]) == 0
    assert json.loads((tmp_path / "loggers.json").read_text()) == {f"{ONE:08x}": secret}
    assert secret not in capsys.readouterr().out


# room


def test_one_address_that_takes_all_connections_leaves_room_for_the_loggers(broker, monkeypatch):
    monkeypatch.setattr(listening, "is_loopback", lambda _: False)  # here everybody comes from loopback
    silent = [socket.create_connection(("127.0.0.1", broker.port), 20) for _ in range(listening.MOST_OF_ONE + 20)]
    try:
        with socket.create_connection(("127.0.0.1", broker.port), 20, source_address=("127.0.0.3", 0)) as other:
            name, user, password = b"\x00\x01x", HOST.user.encode(), HOST.password.encode()
            body = b"\x00\x04MQTT\x04\xc2\x00\x3c" + name
            body += b"".join(len(part).to_bytes(2, "big") + part for part in (user, password))
            other.sendall(bytes([0x10, len(body)]) + body)
            assert other.recv(4) == b"\x20\x02\x00\x00"  # CONNACK, accepted
    finally:
        for one in silent:
            one.close()
