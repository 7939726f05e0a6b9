"""``pitscribe check`` on what is reached over the network: real brokers, certificates, databases, and a real serve."""

import json
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import closing

import paho.mqtt.client as paho
import pytest
from authority import Authority
from checked_home import Home
from intake_rig import ticks
from paho.mqtt.enums import CallbackAPIVersion
from servers import InfluxDB, Mosquitto, VictoriaMetrics, false_broker, free_port, wait_until
from test_home_lock import running

from pitscribe.cli import main
from pitscribe.commands.checking import network
from pitscribe.page.door.lock import Lock
from pitscribe.wire.messages import frame_topic, state_topic

USER, PASSWORD = "pit", "a long password"


@pytest.fixture
def home(tmp_path, capsys):
    return Home(tmp_path, capsys)


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


# brokers


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    """A broker that asks for a password."""
    made = Mosquitto(tmp_path_factory.mktemp("guarded"), USER, PASSWORD)
    made.start()
    yield made
    made.stop()


def named(port, password=PASSWORD, more="", host="127.0.0.1"):
    return f'host = "{host}"\nuser = "{USER}"\npassword = "{password}"\n{more}\n', port


def with_broker(home, words, port):
    home.broker_port = port
    home.settings(words)
    return home.check().of("broker")


def test_the_broker_that_is_named_takes_us(home, guarded):
    verdict, said, _ = with_broker(home, *named(guarded.port))
    assert (verdict, said) == ("ok", f"127.0.0.1:{guarded.port} takes us as {USER}")


def test_a_password_that_goes_to_a_broker_elsewhere_in_the_clear_is_told(home, guarded):
    with_broker(home, *named(guarded.port, host="0.0.0.0"))  # which is this machine, and not by a name of its own
    found = home.check()
    assert (found.of("broker")[0], found.of("broker TLS")[0]) == ("ok", "look")
    with_broker(home, *named(guarded.port))
    assert "broker TLS" not in [one["looked_at"] for one in home.check().all]


def test_a_broker_that_refuses_our_password_is_told(home, guarded):
    verdict, said, _ = with_broker(home, *named(guarded.port, "another one"))
    assert verdict == "wrong"
    assert "refuses: Not authorized" in said


def test_a_broker_that_is_not_there_is_told(home):
    verdict, said, _ = with_broker(home, *named(free_port()))
    assert verdict == "wrong"
    assert "refused" in said


def test_a_broker_that_lets_us_in_and_hear_nothing_is_told(home):
    """CONNACK 0, SUBACK 0x80: MQTT 3.1.1 (OASIS), sections 3.2 and 3.9.3."""
    with false_broker(lambda _: b"\x20\x02\x00\x00\x90\x03\x00\x01\x80") as (port, _):
        verdict, said, _ = with_broker(home, *named(port))
    assert verdict == "wrong"
    assert "may not hear the loggers" in said


def test_something_that_listens_and_never_answers_is_told(home, monkeypatch):
    monkeypatch.setattr(network, "ANSWER_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as dumb:
        verdict, said, _ = with_broker(home, *named(dumb.getsockname()[1]))
    assert verdict == "wrong"
    assert "did not answer" in said


def test_a_broker_whose_certificate_is_not_of_our_authority_is_told(home, authority, tmp_path):
    made = Mosquitto(tmp_path, tls=authority.server("IP:127.0.0.1"))
    made.start()
    try:
        good = with_broker(home, *named(made.port, more=f'tls = true\nca = "{authority.ca}"'))
        bad = with_broker(home, *named(made.port, more="tls = true"))
    finally:
        made.stop()
    assert good[0] == "ok", good
    assert bad[0] == "wrong"
    assert "certificate" in bad[1]


@pytest.mark.parametrize("part", ["broker", "page"])
def test_a_port_that_serve_could_not_have_is_told(home, part):
    with socket.create_server(("0.0.0.0", 0)) as taken:
        setattr(home, f"{part}_port", taken.getsockname()[1])
        home.settings()
        verdict, said, _ = home.check().of(part)
    assert verdict == "wrong"
    assert "already in use" in said


# the page


def test_a_page_that_others_may_open_wants_a_password(home):
    home.settings(page='listen = "0.0.0.0"')
    found = home.check()
    assert found.of("password")[0] == "wrong"
    assert "pitscribe page link" in found.of("password")[2]
    assert not (home.path / "door.json").exists(), "looking makes nothing"
    lock = Lock(home.path)
    lock.set_password("low and slow, always", lock.new_link(time.time()), time.time())
    found = home.check()
    assert found.of("password")[0] == "ok"
    assert found.of("page TLS")[0] == "look"


CERTIFICATES = {
    "good": (("DNS:pit.home",), 60, "ok", "pit.home"),
    "soon": (("DNS:pit.home",), 10, "look", "runs out"),
    "over": (("DNS:pit.home",), -1, "wrong", "has run out"),
    "of another": (("DNS:oven.home",), 60, "wrong", "is for none of pit.home"),
}


@pytest.mark.parametrize("which", CERTIFICATES)
def test_a_certificate_is_judged_by_its_dates_and_names(home, authority, which):
    names, days, verdict, words = CERTIFICATES[which]
    certificate, key = authority.server(*names, days=days)
    key.chmod(0o600)
    home.settings(page=f'listen = "127.0.0.1"\nnames = ["pit.home"]\ncertificate = "{certificate}"\nkey = "{key}"')
    found = home.check().of("certificate")
    assert found[0] == verdict, found
    assert words in found[1]


def test_a_certificate_with_anothers_key_or_none_is_told(home, authority):
    certificate, _ = authority.server("DNS:pit.home")
    _, key = authority.server("DNS:pit.home")
    for other in (key, key.with_name("none.key")):
        home.settings(page=f'certificate = "{certificate}"\nkey = "{other}"')
        assert home.check().of("certificate")[0] == "wrong"


def test_a_key_under_a_password_is_told_and_nobody_is_asked_for_it(home, authority):
    """OpenSSL would ask on the terminal, and wait; serve has nobody to ask."""
    certificate, key = authority.server("DNS:pit.home")
    sealed = key.with_name("sealed.key")
    words = ["openssl", "pkey", "-in", str(key), "-aes256", "-passout", "pass:pit-pit-pit", "-out", str(sealed)]
    subprocess.run(words, check=True, capture_output=True)
    home.settings(page=f'certificate = "{certificate}"\nkey = "{sealed}"')
    look = [sys.executable, "-c", "from pitscribe.cli import main; raise SystemExit(main())", "--home", str(home.path)]
    done = subprocess.run(
        [*look, "check"], stdin=subprocess.DEVNULL, capture_output=True, text=True, start_new_session=True
    )
    assert done.returncode == 1, done.stderr
    assert "wrong   certificate: " in done.stdout
    assert "password" in done.stdout
    assert done.stderr == ""


# the mirror


def mirror_words(url, more=""):
    return f'[mirror]\nurl = "{url}"\nbucket = "pit"\n{more}'


def test_a_mirror_says_how_far_it_is_and_one_that_is_away_is_told(home, tmp_path):
    home.cook().ledger.close()
    server = VictoriaMetrics(tmp_path)
    home.settings(more=mirror_words(server.url))
    assert home.check().of("mirror")[0] == "wrong"
    server.start()
    try:
        found = home.check()
    finally:
        server.stop()
    assert found.of("mirror") == ("ok", f"{server.url}, bucket pit: VictoriaMetrics answers", "")


def test_a_mirror_that_does_not_take_the_token_is_told(home, tmp_path):
    server = InfluxDB(tmp_path, user=(USER, PASSWORD))
    server.start()
    token = home.path / "mirror.token"
    try:
        verdicts = []
        for word in (f"{USER}:{PASSWORD}", f"{USER}:another one"):
            token.write_text(word)
            token.chmod(0o600)
            home.settings(more=mirror_words(server.url, 'token = "mirror.token"\n'))
            verdicts.append(home.check().of("mirror")[0])
    finally:
        server.stop()
    assert verdicts == ["ok", "wrong"]


# beside a serve


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A home that is served: the home, and its process."""
    made = Home(tmp_path_factory.mktemp("served"), None)
    made.settings('listen = "127.0.0.1"')
    with running("--home", made.path, "serve", until="ledger  ") as process:
        yield made, process


def beside(served, capsys):
    home, process = served
    home._capsys = capsys
    return home, process


def test_beside_a_serve_all_is_looked_at_and_it_goes_on(served, capsys):
    home, process = beside(served, capsys)
    found = home.check("--all")
    assert found.verdicts("wrong") == []
    assert found.of("serve") == ("ok", f"running as process {process.pid}", "")
    assert found.of("broker")[1] == f"127.0.0.1:{home.broker_port} takes us as pitscribe"
    assert found.of("page")[1] == f"answers at 127.0.0.1:{home.page_port}"
    assert "; serve takes " in found.of("memory")[1]
    assert process.poll() is None


def test_a_serve_that_another_password_was_given_behind_its_back_is_told(served, capsys):
    home, _ = beside(served, capsys)
    file = home.path / "broker.json"
    before = file.read_text()
    try:
        file.write_text(json.dumps(json.loads(before) | {"password": "another one"}))
        assert home.check().of("broker")[0] == "wrong"
    finally:
        file.write_text(before)


def test_a_serve_at_another_port_than_the_settings_say_is_told(served, capsys):
    home, _ = beside(served, capsys)
    before = (home.path / "pitscribe.toml").read_text()
    try:
        home_text = before.replace(str(home.page_port), str(free_port()))
        (home.path / "pitscribe.toml").write_text(home_text)
        assert home.check().of("page")[0] == "look"
    finally:
        (home.path / "pitscribe.toml").write_text(before)


def test_a_logger_that_speaks_another_version_is_told(served, capsys):
    """What it sends comes through a real broker and the intake, and is kept aside."""
    home, _ = beside(served, capsys)
    said = json.loads((home.path / "broker.json").read_text())
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(said["user"], said["password"])
    client.connect("127.0.0.1", home.broker_port)
    client.loop_start()
    later = bytearray(ticks(1))
    later[0] += 1
    client.publish(state_topic(0x0A), b'{"v": 2, "online": true}', qos=1).wait_for_publish(20)
    client.publish(frame_topic(0x0B), bytes(later), qos=1).wait_for_publish(20)
    client.disconnect()
    client.loop_stop()

    def kept():
        with closing(sqlite3.connect(home.path / "ledger.sqlite")) as db:
            return db.execute("SELECT count(*) FROM asides").fetchone()[0]

    wait_until("both are kept aside", lambda: kept() == 2)
    verdict, text, remedy = home.check().of("wire version")
    assert verdict == "wrong"
    assert "came of 0000000a (1), 0000000b (1)" in text
    assert "pitscribe outfit" in remedy
    assert home.check().of("kept aside")[0] == "look"


def test_where_nobody_serves_that_is_told_and_is_no_fault(home, capsys):
    home.cook().ledger.close()
    found = home.check()
    assert (found.status, found.of("serve")[0]) == (0, "look")
    assert main(["--home", str(home.path), "check"]) == 0
    assert "look    serve: not running" in capsys.readouterr().out
