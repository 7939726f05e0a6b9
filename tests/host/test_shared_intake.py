"""Several processes take in together, through a real mosquitto: dealt out, passed on, once in the keeper's ledger."""

import itertools
import os

import paho.mqtt.client as paho
import pytest
from intake_rig import PlayedLogger, ticks
from paho.mqtt.enums import CallbackAPIVersion
from servers import false_broker, wait_until

from pitscribe.clock import SetClock
from pitscribe.errors import BrokerError, StoreError
from pitscribe.intake import mqtt, passing
from pitscribe.intake.shared import SharedIntake
from pitscribe.intake.sharelink import ShareLink
from pitscribe.intake.status import Status
from pitscribe.ledger.ledger import Ledger
from pitscribe.watch.live import Watch
from pitscribe.wire.share import Layout

NOW = 1_780_000_000.0
MEMBERS = ("north", "south", "west")
NORTHS, SOUTHS = 0xAABB0001, 0xAABB0002
KEEPERS = {NORTHS: "north", SOUTHS: "south"}


class Group:
    """Processes of a group in one: each with a ledger of its own."""

    def __init__(self, folder, broker):
        self.folder, self.broker = folder, broker
        self.ledgers, self.intakes, self.loggers = {}, {}, []

    def start(self, *names, members=MEMBERS, keepers=KEEPERS, **options):
        for name in names:
            if name not in self.ledgers:
                self.ledgers[name] = Ledger(self.folder / f"{name}.sqlite", SetClock(NOW))
            layout = Layout("pit", name, members, keepers)
            self.intakes[name] = SharedIntake(
                self.ledgers[name], SetClock(NOW), "127.0.0.1", self.broker.port, layout=layout, reconnect_s=(1, 1),
                **options,
            )
            self.intakes[name].start()
        return self

    def stop(self, *names):
        for name in names:
            self.intakes.pop(name).stop()

    def logger(self, number, count, **options):
        frames = [ticks(n, logger=number) for n in range(count)]
        made = PlayedLogger(self.broker, frames, number=number, **options)
        self.loggers.append(made)
        return made.start()

    def held(self, name, number):
        return [one.key.sequence for one in self.ledgers[name].frames(number)]

    def waiting(self, name):
        return sum(count.frames for count in self.ledgers[name].waiting_counts().values())

    def errors(self, name):
        return {kind: wrong.text for kind, wrong in self.intakes[name].status().errors.items() if kind != "clock"}


@pytest.fixture
def group(tmp_path, broker, monkeypatch):
    monkeypatch.setattr(passing, "LOOK_S", 0.2)
    monkeypatch.setattr(passing, "RESEND_S", 2.0)  # a slow machine may lose a word; nobody waits 10 s for it
    made = Group(tmp_path, broker)
    yield made
    for logger in made.loggers:
        logger.close()
    made.stop(*list(made.intakes))
    for ledger in made.ledgers.values():
        ledger.close()


def test_each_frame_is_dealt_to_one_of_them_and_comes_to_the_ledger_of_its_keeper_once(group):
    group.start(*MEMBERS)
    loggers = [group.logger(number, 300, ack_s=20) for number in (NORTHS, SOUTHS)]
    wait_until("all are said to be stored", lambda: all(one.done() for one in loggers))
    wait_until("nothing waits any more", lambda: not any(map(group.waiting, MEMBERS)))
    for name, number in itertools.product(MEMBERS, (NORTHS, SOUTHS)):
        expected = list(range(300)) if KEEPERS[number] == name else []
        assert sorted(group.held(name, number)) == expected, (name, number)
    assert [one.sent for one in loggers] == [300, 300], "each was sent once: each process says what it stored"
    assert [one.logger for one in group.ledgers["west"].loggers()] == []
    assert [group.errors(name) for name in MEMBERS] == [{}, {}, {}]


def test_while_a_keeper_is_away_the_others_hold_its_frames_and_tell_of_it(group):
    group.start("south", "west")
    logger = group.logger(NORTHS, 120)
    wait_until("all are said to be stored", logger.done)
    assert group.waiting("south") + group.waiting("west") == 120
    wait_until("it is told", lambda: "share" in group.errors("south"))
    assert "frames wait here for north, which is away" in group.errors("south")["share"]
    told = Watch(group.ledgers["south"], SetClock(NOW), intake_status=group.intakes["south"].status).now()
    assert "which is away" in next(one["words"] for one in told.body["troubles"] if one["key"] == "share")
    group.start("north")
    wait_until("north has all", lambda: len(group.held("north", NORTHS)) == 120)
    wait_until("nothing waits any more", lambda: not group.waiting("south") + group.waiting("west"))
    wait_until("all is right", lambda: group.errors("south") == {})


def test_one_that_cannot_store_is_dealt_nothing_until_it_can(group, monkeypatch):
    group.start("north", "south")
    full = StoreError("the disk is full")
    real = Ledger.store_frames
    ledger = group.ledgers["south"]
    disk = {"full": True}

    def store_frames(self, frames, road):
        if self is ledger and disk["full"]:
            raise full
        return real(self, frames, road)

    monkeypatch.setattr(Ledger, "store_frames", store_frames)
    monkeypatch.setattr(mqtt, "RETRY_S", (0.1, 0.1))
    logger = group.logger(SOUTHS, 20, window=1, ack_s=0.2)
    wait_until("all are stored by north", logger.done)
    assert group.waiting("north") > 10
    disk["full"] = False
    wait_until("south has all", lambda: len(group.held("south", SOUTHS)) == 20)
    wait_until("nothing waits any more", lambda: not group.waiting("north"))


def test_frames_wait_while_two_processes_do_not_agree_on_who_keeps_what(group):
    group.start("south")
    group.start("north", members=("north", "south"))
    logger = group.logger(NORTHS, 40)
    wait_until("all are said to be stored", logger.done)
    held = len(group.held("north", NORTHS))
    assert group.waiting("south") == 40 - held > 0
    wait_until("it is told", lambda: "share" in group.errors("south"))
    assert "another [share]" in group.errors("south")["share"]
    group.stop("north")
    group.start("north")
    wait_until("north has all", lambda: len(group.held("north", NORTHS)) == 40)


def test_a_keeper_without_the_loggers_secret_frees_nothing(group):
    secret = "a secret of sixteen and more"
    group.start("south", secret_of=lambda logger: secret)
    group.start("north")
    logger = group.logger(NORTHS, 40)
    wait_until("all are said to be stored", logger.done)
    wait_until("it is told", lambda: "share secret" in group.errors("south"))
    assert group.waiting("south") > 0
    assert f"{NORTHS:08x}" in group.errors("south")["share secret"]
    group.stop("north")
    group.start("north", secret_of=lambda logger: secret)
    wait_until("nothing waits any more", lambda: not group.waiting("south"))
    assert sorted(group.held("north", NORTHS)) == list(range(40))
    wait_until("all is right", lambda: group.errors("south") == {})


def test_processes_whose_broker_is_away_at_the_start_take_in_when_it_comes(group):
    group.broker.stop()
    group.start("north", "south", "west")
    assert group.intakes["north"].alive
    assert "trying again" in group.errors("north")["share link"]
    group.broker.start()
    wait_until("all take part", lambda: all(not group.errors(name) for name in MEMBERS))
    wait_until("all are said to be stored", group.logger(NORTHS, 60).done)
    wait_until("the keeper has all", lambda: sorted(group.held("north", NORTHS)) == list(range(60)))


def test_a_second_process_of_a_name_is_told_to_both(group, tmp_path):
    group.start("north")
    other = Group(tmp_path / "other", group.broker)
    try:
        other.start("north")
        wait_until("it is told", lambda: "calls itself 'north' too" in group.errors("north").get("share name", ""))
    finally:
        other.stop(*list(other.intakes))
        other.ledgers["north"].close()


def test_rubbish_between_processes_stops_nothing(group):
    group.start("north", "south")
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", group.broker.port)
    client.loop_start()
    base = "pitscribe/1/share/pit/"
    for topic in ("north/here", "south/here", "north/south/aabb0001/frame", "north/south/aabb0001/stored",
                  "north/nobody/aabb0001/frame", "north/south/zz/frame", "north/south/aabb0002/frame"):
        for payload in (b"", b"{}", b"\xff" * 50, b'{"v":1,"online":3,"layout":""}', os.urandom(300)):
            client.publish(base + topic, payload, qos=1).wait_for_publish(5)
    logger = group.logger(NORTHS, 60)
    wait_until("all are said to be stored", logger.done)
    client.loop_stop()
    group.stop("south")
    group.start("south")
    wait_until("north has all", lambda: len(group.held("north", NORTHS)) == 60)


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("2003 0084 00", "MQTT 5"),  # MQTT 5, section 3.2.2.2: 84h unsupported protocol version
        ("2005 0000 02 2a00", "no shared subscriptions"),  # 3.2.2.3.14: shared subscription available, 0
    ],
)
def test_a_broker_that_cannot_deal_frames_out_is_told(answer, words):
    with false_broker(lambda _: bytes.fromhex(answer)) as (port, _):
        layout = Layout("pit", "north", ("north",))
        link = ShareLink(("127.0.0.1", port), (None, None), layout, Status(SetClock(NOW)), print, print)
        with pytest.raises(BrokerError, match=words):
            link.start()
