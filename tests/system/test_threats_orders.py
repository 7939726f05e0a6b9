"""What the host says to a logger, said by somebody else or said again: the real firmware believes none of it.

The broker lets anybody in, so that everything hangs on the code of WIRE.md 5.1 alone.
"""

import json
import zlib

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from servers import wait_until

from pitscribe.intake.access import logger_password
from pitscribe.intake.broker import Broker, Credentials
from pitscribe.simulate.rig import Bench, Board, write_settings
from pitscribe.simulate.scenario import SCENARIOS
from pitscribe.wire import mac

UNIQUE = "70697473"
LOGGER = f"{zlib.crc32(bytes.fromhex(UNIQUE)):08x}"
SECRET, OTHER_SECRET = "the logger's own secret", "another logger's secret"
SPEED, SCENARIO = 60, "bare"
UTC_MS = 1_780_000_000_000
LIE_MS = UTC_MS + 365 * 86_400_000


class Anybody:
    """Whoever is on the broker: hears all, keeps it, and says what it likes."""

    def __init__(self, port: int, who: Credentials | None = None) -> None:
        self.states: list[dict] = []
        self.frames = 0
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe("pitscribe/1/+/+", 1)
        self._client.on_message = self._came
        if who is not None:
            self._client.username_pw_set(*who)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _came(self, _client, _data, message):
        self.frames += message.topic.endswith("/frame")
        if message.topic.endswith("/state") and not message.retain:
            self.states.append(json.loads(message.payload))

    def state(self) -> dict:
        """The next whole state that the logger tells."""
        before = len(self.states)
        wait_until("the logger tells how it is", lambda: any("journal" in one for one in self.states[before:]), 60)
        return next(one for one in reversed(self.states) if "journal" in one)

    def say(self, word: str, body: dict, *, secret: str = "", of: str = LOGGER) -> bytes:
        """Say it to the logger; signed with a secret as a message to ``of``. Returns what was said."""
        text = json.dumps({"v": 1, **body}).encode()
        if secret:
            text = mac.authenticated(secret, f"pitscribe/1/{of}/{word}", text)
        self.again(word, text)
        return text

    def again(self, word: str, text: bytes) -> None:
        """Say what was said."""
        self._client.publish(f"pitscribe/1/{LOGGER}/{word}", text, 1).wait_for_publish(20)

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def anybody(broker):
    made = Anybody(broker.port)
    yield made
    made.close()


def test_the_firmware_drops_nothing_and_believes_no_time_for_a_stranger_or_for_what_was_said_before(
    broker, anybody, tmp_path
):
    bench = Bench(tmp_path / "bench", SCENARIO, 7, 2.0)
    flash = tmp_path / "flash"
    write_settings(flash, SCENARIOS[SCENARIO], SPEED, "127.0.0.1", broker.port, None, None, SECRET)
    settings = json.loads((flash / "config.json").read_text())
    (flash / "config.json").write_text(json.dumps(settings | {"frame_ticks": 8, "state_s": 15}))
    board = Board(flash, bench, speed=SPEED, unique_id=UNIQUE)
    try:
        wait_until("it has sent frames", lambda: anybody.frames >= 6 and anybody.states, 60)
        first = anybody.state()
        assert first["auth"]
        boot = first["boot"]
        everything = {"stored": [[boot, 0, 100_000]]}
        lie = {"order": "time", "boot": boot, "re_up": first["up"], "utc_ms": LIE_MS, "err_ms": 1}

        # Forged: unsigned, by another's secret, as said to another logger, and with a code that is of other content.
        for body, word in ((everything, "stored"), (lie, "order")):
            anybody.say(word, body)
            anybody.say(word, body, secret=OTHER_SECRET)
            anybody.say(word, body, secret=SECRET, of="ffffffff")
        anybody.say("stored", {**everything, "mac": mac.mac_of(
            SECRET, f"pitscribe/1/{LOGGER}/stored", {"stored": [[boot, 0, 0]]})})
        anybody.say("order", {**lie, "mac": mac.mac_of(
            SECRET, f"pitscribe/1/{LOGGER}/order", {**lie, "utc_ms": UTC_MS})})
        wait_until("it has denied them all", lambda: anybody.state()["denied"] >= 8, 60)
        said = anybody.state()
        assert said["denied"] == 8
        assert (said["journal"]["cursor"], said["anchor"]) == (0, None)

        # Genuine, so that there is something to say again.
        stored = anybody.say("stored", {"stored": [[boot, 0, 0]]}, secret=SECRET)
        times: list[bytes] = []

        def believed():
            """Whether it has the time; on a slow machine an order may be a minute old, and void, when it comes."""
            asked = anybody.state()
            utc = {"re_up": asked["up"], "utc_ms": UTC_MS + asked["up"], "err_ms": 20}
            times.append(anybody.say("order", {"order": "time", "boot": boot, **utc}, secret=SECRET))
            return anybody.state()["anchor"] is not None

        wait_until("it believes its host", believed, 60)
        anybody.state()
        known = anybody.state()
        assert known["journal"]["cursor"] == 1
        assert abs(known["anchor"]["utc_ms"] - known["anchor"]["up"] - UTC_MS) < 120_000

        # Said again: at once, when a minute has passed, and to the next boot.
        wait_until("a minute has passed", lambda: anybody.state()["up"] > known["up"] + 70_000, 60)
        for _ in range(5):
            anybody.again("stored", stored)
            anybody.again("order", times[-1])
        later = anybody.state()
        later = anybody.state()
        assert later["journal"]["cursor"] == 1
        assert later["anchor"] == known["anchor"]
        board.cut_power()
        board = Board(flash, bench, speed=SPEED, unique_id=UNIQUE)
        wait_until("it is on again", lambda: anybody.state()["boot"] == boot + 1, 60)
        anybody.again("stored", stored)
        anybody.again("order", times[-1])
        anybody.state()
        fresh = anybody.state()
        assert fresh["anchor"] is None
        assert fresh["journal"]["cursor"] <= 1
        assert fresh["journal"]["lost"] == 0
    finally:
        board.cut_power()
        bench.stop()


def test_the_firmware_comes_in_by_its_own_password_and_says_and_hears_what_it_must(tmp_path):
    """On the broker inside; the host there has a password of its own."""
    whose = Credentials("pitscribe", "the host's password")
    broker = Broker(whose, "127.0.0.1", 0, secret_of=lambda number: SECRET if f"{number:08x}" == LOGGER else None)
    broker.start()
    host = Anybody(broker.port, whose)
    bench = Bench(tmp_path / "bench", SCENARIO, 7, 2.0)
    flash = tmp_path / "flash"
    own = LOGGER, logger_password(SECRET, int(LOGGER, 16))
    write_settings(flash, SCENARIOS[SCENARIO], SPEED, "127.0.0.1", broker.port, *own, SECRET)
    settings = json.loads((flash / "config.json").read_text())
    (flash / "config.json").write_text(json.dumps(settings | {"frame_ticks": 8, "state_s": 15}))
    board = Board(flash, bench, speed=SPEED, unique_id=UNIQUE)
    try:
        wait_until("it has sent frames", lambda: host.frames >= 2 and host.states, 60)
        boot = host.state()["boot"]
        host.say("stored", {"stored": [[boot, 0, 1]]}, secret=SECRET)
        wait_until("it has heard that they are stored", lambda: host.state()["journal"]["cursor"] == 2, 60)
        board.cut_power()
        wait_until("its last will is told", lambda: not host.states[-1]["online"], 60)
    finally:
        board.cut_power()
        bench.stop()
        host.close()
        broker.stop()
    assert broker.trouble is None
