"""What a logger and its host know each other by: the secrets' file, the command, and what goes over a real broker."""

import json
import stat

import pytest
from authority import Authority
from intake_rig import LOGGER, PlayedLogger, ticks
from servers import Mosquitto, wait_until

from pitscribe.cli import main
from pitscribe.clock import SetClock
from pitscribe.errors import BrokerError, ConfigError
from pitscribe.intake.keyring import FILE_NAME, Keyring
from pitscribe.intake.mqtt import Intake
from pitscribe.ledger.ledger import Ledger
from pitscribe.watch.troubles import _intake
from pitscribe.wire import mac, messages

SECRET = "a secret of the two of us"


def test_secrets_are_kept_for_the_owner_alone_and_read_again_when_they_change(tmp_path):
    served, command = Keyring(tmp_path), Keyring(tmp_path)
    assert served.secret_of(1) is None
    made = command.set(1)
    assert (len(made), served.secret_of(1), served.secret_of(2)) == (32, made, None)
    assert stat.S_IMODE((tmp_path / FILE_NAME).stat().st_mode) == 0o600
    command.set(2, "ein Geheimnis für zwei")
    assert (served.secret_of(1), served.secret_of(2)) == (made, "ein Geheimnis für zwei")
    assert command.set(1) != made
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME], "nothing half-written is left"


@pytest.mark.parametrize("secret", ["", "fifteen letters", "x" * 65, "sixteen letters\n", "\ud800" * 20])
def test_secret_that_cannot_be_used_is_refused(tmp_path, secret):
    with pytest.raises(ConfigError, match="16 to 64"):
        Keyring(tmp_path).set(1, secret)
    assert not (tmp_path / FILE_NAME).exists()


@pytest.mark.parametrize("text", ["", "[]", '{"xyz": "0123456789abcdef"}', '{"00000001": "short"}', '{"1": 5}', "\xff"])
def test_file_that_is_none_of_ours_is_told_and_left_alone(tmp_path, text):
    path = tmp_path / FILE_NAME
    path.write_text(text, encoding="latin-1")
    path.chmod(0o600)
    with pytest.raises(ConfigError, match=FILE_NAME):
        Keyring(tmp_path).set(1)
    assert path.read_text(encoding="latin-1") == text


def test_file_that_others_can_read_is_refused(tmp_path):
    Keyring(tmp_path).set(1)
    (tmp_path / FILE_NAME).chmod(0o640)
    with pytest.raises(ConfigError, match="chmod 600"):
        Keyring(tmp_path).secret_of(1)


def test_command_makes_a_secret_and_shows_it_once_or_takes_one(tmp_path, capsys):
    assert main(["--home", str(tmp_path), "logger", "secret", "aabb0001"]) == 0
    made = Keyring(tmp_path).secret_of(LOGGER)
    assert f'"secret": "{made}"' in capsys.readouterr().out
    assert main(["--home", str(tmp_path), "logger", "secret", "aabb0001", "--set", SECRET]) == 0
    out = capsys.readouterr().out
    assert SECRET not in out
    assert Keyring(tmp_path).secret_of(LOGGER) == SECRET
    for wrong in (["nothex"], ["aabb00011"], ["aabb0001", "--set", "short"]):
        assert main(["--home", str(tmp_path), "logger", "secret", *wrong]) == 1


@pytest.fixture
def begin(broker, tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite", SetClock(1_780_000_000.0))
    running = []

    def intake(**options):
        made = Intake(ledger, SetClock(1_780_000_000.0), "127.0.0.1", options.pop("port", broker.port), **options)
        made.start()
        running.append(made)
        return made

    yield intake
    for one in running:
        one.stop()
    ledger.close()


def state(**more):
    journal = {"first": 0, "next": 9, "cursor": 0, "lost": 0, "ok": True}
    body = {"v": 1, "online": True, "boot": 1, "up": 5000, "name": "pit", "firmware": "0.1", "period_ms": 1000}
    return json.dumps(body | {"table": [0x13], "missed": 0, "journal": journal, "anchor": None} | more).encode()


class Doubter(PlayedLogger):
    """A logger that has a secret: it counts what was not made with it, and does not listen to that."""

    denied = 0

    def _came(self, client, data, message):
        if mac.is_authentic(SECRET, message.topic, json.loads(message.payload)):
            super()._came(client, data, message)
        else:
            self.denied += 1


def test_host_with_the_secret_is_believed(begin, broker, tmp_path):
    keyring = Keyring(tmp_path / "home")
    (tmp_path / "home").mkdir()
    keyring.set(LOGGER, SECRET)
    intake = begin(secret_of=keyring.secret_of)
    logger = Doubter(broker, [ticks(n) for n in range(50)]).start()
    try:
        logger.publish("state", state(auth=True, denied=0))
        wait_until("all stored, and the time told", lambda: logger.done() and logger.orders)
        assert logger.denied == 0
        assert messages.parse_order(logger.orders[0])[0] == "time"
        assert intake.status().errors == {}
    finally:
        logger.close()


def words(intake):
    status = intake.status()
    told = [trouble.words for trouble in _intake({"errors": status.errors}) if trouble.key == f"secret-{LOGGER:08x}"]
    return told[0] if told else ""


def test_host_without_the_secret_keeps_the_frames_and_says_what_is_wrong_until_it_has_it(begin, broker, tmp_path):
    intake = begin(secret_of=Keyring(tmp_path).secret_of)
    logger = Doubter(broker, [ticks(n) for n in range(50)]).start()
    try:
        logger.publish("state", state(auth=True, denied=0), retain=True)
        wait_until("it is told", lambda: f"pitscribe logger secret {LOGGER:08x} --set TEXT" in words(intake))
        wait_until("the frames are here all the same", lambda: intake.status().stored >= 40)
        assert not logger.said
        Keyring(tmp_path).set(LOGGER, SECRET)
        wait_until("all are believed to be stored", logger.done)
        logger.publish("state", state(auth=True, denied=99))
        logger.publish("state", state(auth=True, denied=99))
        wait_until("nothing is wrong any more", lambda: not words(intake))
    finally:
        logger.close()


def test_wrong_secret_and_a_logger_that_asks_for_none_are_told(begin, broker, tmp_path):
    Keyring(tmp_path).set(LOGGER, SECRET + "!")
    intake = begin(secret_of=Keyring(tmp_path).secret_of)
    logger = Doubter(broker, [])
    try:
        logger.publish("state", state(auth=True, denied=3))
        logger.publish("state", state(auth=True, denied=5))
        wait_until("a secret that is not its own", lambda: "another secret than its config.json" in words(intake))
        logger.publish("state", state(auth=False, denied=5))
        wait_until("no secret at all", lambda: "asks for no secret" in words(intake))
    finally:
        logger.close()


def test_secrets_that_cannot_be_read_stop_no_intake(begin, broker, tmp_path):
    Keyring(tmp_path).set(LOGGER, SECRET)
    (tmp_path / FILE_NAME).write_text("nonsense")
    intake = begin(secret_of=Keyring(tmp_path).secret_of)
    logger = PlayedLogger(broker, [ticks(n) for n in range(20)]).start()
    try:
        wait_until("a logger without a secret is served", logger.done)
        assert FILE_NAME in intake.status().errors["secrets"].text
    finally:
        logger.close()


def test_host_speaks_tls_to_a_broker_whose_certificate_is_good_and_to_no_other(begin, tmp_path):
    authority = Authority(tmp_path / "authority")
    good = Mosquitto(tmp_path, tls=authority.server("IP:127.0.0.1"))
    good.start()
    try:
        intake = begin(port=good.port, tls=True, ca=authority.ca)
        assert intake.status().connected
        with pytest.raises(BrokerError, match="certificate verify failed"):
            begin(port=good.port, tls=True)
        with pytest.raises(ConfigError, match=r"broker\.ca"):
            begin(port=good.port, tls=True, ca=tmp_path / "missing.pem")
    finally:
        good.stop()


def test_a_certificate_that_is_not_good_yet_is_waited_for_as_the_clock_may_not_be_set(begin, tmp_path):
    authority = Authority(tmp_path / "authority")
    early = Mosquitto(tmp_path, tls=authority.server("IP:127.0.0.1", begin=3))
    early.start()
    try:
        intake = begin(port=early.port, tls=True, ca=authority.ca)
        assert "not yet valid" in intake.status().errors["broker"].text
        assert intake.alive
    finally:
        early.stop()
