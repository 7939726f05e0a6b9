"""The way in over MQTT, through a real mosquitto and through the embedded broker."""

import json
import random
import re
import threading

import pytest
from intake_rig import LOGGER, PlayedLogger, anchor, ticks
from servers import Mosquitto, free_port, wait_until

from pitscribe.clock import SetClock, set_well
from pitscribe.errors import BrokerError, StoreError
from pitscribe.intake import mqtt
from pitscribe.intake.broker import Broker, Credentials
from pitscribe.intake.lastwords import LastWords, heard
from pitscribe.intake.mqtt import Intake
from pitscribe.intake.status import MOST_LOGGERS
from pitscribe.intake.timeteller import TimeTeller
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire import messages

NOW = 1_780_000_000.0
TABLE = [0x13]


class Embedded:
    """The embedded broker with the face of the rig's Mosquitto."""

    def __init__(self) -> None:
        self.user, self.password = "pitscribe", "a password"
        self._broker = Broker(Credentials(self.user, self.password), "127.0.0.1", 0)

    def start(self) -> None:
        self._broker.start()
        self.port = self._broker.port

    def stop(self) -> None:
        self._broker.stop()
        self._broker = Broker(Credentials(self.user, self.password), "127.0.0.1", self.port)


@pytest.fixture(params=["mosquitto", "embedded"])
def broker(request, tmp_path):
    made = Mosquitto(tmp_path, "pit", "secret") if request.param == "mosquitto" else Embedded()
    made.start()
    yield made
    made.stop()


@pytest.fixture
def clock():
    return SetClock(NOW)


@pytest.fixture
def ledger(tmp_path, clock):
    made = Ledger(tmp_path / "ledger.sqlite", clock)
    yield made
    made.close()


@pytest.fixture
def begin(broker, ledger, clock):
    """Start what a test needs; everything is stopped at its end."""
    running = []

    def intake(**options):
        options |= {"reconnect_s": (1, 1)}
        made = Intake(ledger, clock, "127.0.0.1", broker.port, broker.user, broker.password, **options)
        made.start()
        running.append(made.stop)
        return made

    def logger(frames, **options):
        made = PlayedLogger(broker, frames, **options)
        running.append(made.close)
        return made

    intake.logger = logger
    yield intake
    for stop in running[::-1]:
        stop()


def held(ledger, logger=LOGGER):
    return sorted(stored.key.sequence for stored in ledger.frames(logger))


def state(up=5000, boot=1, **more):
    journal = {"first": 0, "next": 9, "cursor": 0, "lost": 0, "ok": True}
    body = {"v": 1, "online": True, "boot": boot, "up": up, "name": "pit", "firmware": "0.1", "period_ms": 1000}
    return json.dumps(body | {"table": TABLE, "missed": 0, "journal": journal, "anchor": None} | more).encode()


def now(up=6000, boot=1):
    return json.dumps({"v": 1, "boot": boot, "up": up, "table": TABLE, "codes": [[400, 300, 0]]}).encode()


def test_every_frame_is_stored_once_and_then_said_to_be_stored(begin, ledger):
    frames = [ticks(n) if n % 10 else anchor(n, 1_780_000_000_000) for n in range(400)]
    intake = begin()
    logger = begin.logger(frames).start()
    wait_until("all frames are said to be stored", logger.done)
    assert [stored.frame for stored in ledger.frames(LOGGER)] == frames
    status = intake.status()
    assert (status.connected, status.stored, status.clashes, status.asides) == (True, 400, 0, {})


def test_frames_that_are_known_already_are_said_again(begin, ledger):
    frames = [ticks(n) for n in range(50)]
    begin()
    wait_until("once", begin.logger(frames).start().done)
    wait_until("twice", begin.logger(frames).start().done)
    assert held(ledger) == list(range(50))


def test_two_loggers_are_told_each_of_its_own(begin, ledger):
    begin()
    first = begin.logger([ticks(n) for n in range(60)]).start()
    second = begin.logger([ticks(n, logger=7, boot=3) for n in range(40, 90)], number=7, boot=3, first=40).start()
    wait_until("both are done", lambda: first.done() and second.done())
    assert first.said == set(range(60))
    assert second.said == set(range(40, 90))


def test_a_clash_is_kept_aside_and_acknowledged(begin, ledger):
    begin()
    wait_until("the first", begin.logger([ticks(0)]).start().done)
    wait_until("the clash", begin.logger([ticks(0, salt=5)]).start().done)
    assert ledger.asides() == {"clash": 1}
    assert [stored.frame for stored in ledger.frames(LOGGER)] == [ticks(0)]


def test_a_bad_copy_is_not_acknowledged_until_a_good_one_came(begin, ledger):
    intake = begin()
    logger = begin.logger([ticks(0), ticks(1)])
    bad = bytearray(ticks(0))
    bad[40] ^= 1
    logger.publish("frame", bytes(bad))
    logger.publish("frame", ticks(1))
    wait_until("the good one is stored", lambda: logger.said)
    assert logger.said == {1}
    assert intake.status().asides == {"crc": 1}
    logger.start()
    wait_until("the good copy is stored", logger.done)


def test_rubbish_on_every_topic_never_stops_the_intake(begin, ledger):
    dice = random.Random(7)
    intake = begin()
    rubbish = [
        b"", b"\x00", b"\xff" * 70_000, b"null", b"[]", b'{"v":1}', b'{"v":99}', b"{" * 3000, b"[" * 60_000,
        b'{"v":1,"boot":NaN}', state(name="\ud800"), state(extra=float("nan")), state(table=[255]), state(up=-1),
        state(more=10**400), b'{"v":1,"online":false,"boot":1,"x":1e999}', b"\xef\xbb\xbf{}", now(up=1 << 60),
        *(dice.randbytes(dice.randrange(200)) for _ in range(60)),
    ]
    logger = begin.logger([ticks(n) for n in range(100)])
    for data in rubbish:
        for word in ("frame", "state", "now"):
            logger.publish(word, data)
    for name in ("aabb000/frame", "AABB0001/frame", "zz/state", "/now"):
        logger.client.publish(f"pitscribe/1/{name}", ticks(3), qos=1)
    logger.client.publish("pitscribe/1/00000001/stored", b"none of your business", qos=1)
    foreign = ticks(3, logger=99)
    logger.publish("frame", foreign)
    logger.start()
    wait_until("the good frames are stored", logger.done)
    assert held(ledger) == list(range(100))
    wait_until("all rubbish is seen", lambda: {"foreign": 1, "topic": 4}.items() <= ledger.asides().items())
    assert ledger.asides()["message"] >= 30
    assert ledger.frame_count(99) == 0
    assert intake.status().connected
    assert ledger.loggers()[-1].frames == 100


def test_while_the_disk_is_full_nothing_is_acknowledged_and_then_all_is_stored(begin, ledger):
    intake = begin()
    (pages,) = ledger._writer.execute("PRAGMA page_count").fetchone()
    ledger._writer.execute(f"PRAGMA max_page_count = {pages}")
    logger = begin.logger([ticks(n, n=255) for n in range(300)], window=300, ack_s=60).start()
    wait_until("the trouble is told", lambda: not intake.status().store_ok)
    assert "disk is full" in intake.status().errors["store"].text
    assert logger.said <= set(held(ledger))
    with ledger._lock:
        ledger._writer.execute("PRAGMA max_page_count = 1000000")
    wait_until("all are stored", logger.done)
    assert logger.sent == 300  # nothing was lost on the way, so nothing had to be sent again
    assert held(ledger) == list(range(300))
    assert intake.status().store_ok
    assert intake.status().errors == {}


def test_last_words_that_cannot_be_written_are_told_as_the_disks_trouble_and_kept(begin, ledger, monkeypatch):
    def full(*_):
        raise StoreError("ledger.sqlite: the disk is full; free some space, nothing was half-written")

    intake = begin()
    logger = begin.logger([])
    with monkeypatch.context() as patch:
        patch.setattr(ledger, "saw_state", full)
        logger.publish("state", state())
        wait_until("the trouble is told", lambda: not intake.status().store_ok)
        errors = intake.status().errors
        assert set(errors) == {"store"}
        assert "disk is full" in errors["store"].text
        assert intake.status().faults == 0
        assert ledger.loggers() == []
    logger.publish("now", now())  # anything that comes
    wait_until("they are written", lambda: ledger.loggers() and ledger.loggers()[0].state)
    assert ledger.loggers()[0].name == "pit"
    wait_until("that is told", lambda: intake.status().errors == {})


def test_a_state_that_the_ledger_cannot_hold_does_not_keep_out_the_others(begin, ledger):
    """JSON may be nested deeper than SQLite reads it."""
    begin()
    logger = begin.logger([ticks(0)])
    deep = state(extra="deep").replace(b'"deep"', b"[" * 2000 + b"]" * 2000)
    logger.client.publish(messages.topic(7, "state"), deep, qos=1)
    logger.publish("state", state())
    wait_until("the other is kept", lambda: any(i.logger == LOGGER and i.state for i in ledger.loggers()))


def test_a_fault_of_ours_is_told_counted_and_over_with_the_next_success(begin, ledger, monkeypatch):
    def broken(_):
        raise ZeroDivisionError("a fault")

    intake = begin()
    logger = begin.logger([ticks(0)], ack_s=0.1)
    with monkeypatch.context() as patch:
        patch.setattr(mqtt, "sift", broken)
        logger.start()
        wait_until("the fault is told", lambda: "fault" in intake.status().errors)
        assert "ZeroDivisionError: a fault" in intake.status().errors["fault"].text
    wait_until("the frame is stored", logger.done)
    wait_until("it is over", lambda: intake.status().errors == {})
    assert intake.status().faults >= 1


def test_a_message_is_parsed_once(begin, ledger, monkeypatch):
    parsed = []
    for word in ("now", "state"):
        real = getattr(messages, f"parse_{word}")
        monkeypatch.setattr(messages, f"parse_{word}", lambda data, real=real: parsed.append(data) or real(data))
    begin()
    logger = begin.logger([ticks(0)])
    sent = [state(), now(), now(up=7000), b"{}"]
    for data in sent:
        logger.publish("state" if b"online" in data else "now", data)
    logger.start()
    wait_until("all is worked off", lambda: logger.done() and ledger.loggers()[0].state and ledger.asides())
    assert sorted(parsed) == sorted(sent)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.parametrize("part", ["writer", "network"])
def test_an_intake_that_lost_a_thread_is_not_alive(begin, part, monkeypatch):
    def broken(*_):
        raise SystemError("out of memory, say")

    intake = begin()
    assert intake.alive
    where, what = {"writer": (intake, "_sift"), "network": (intake._client, "on_message")}[part]
    if part == "writer":
        monkeypatch.setattr(intake._status, "wrong", broken)
    monkeypatch.setattr(where, what, broken)
    begin.logger([ticks(0)]).start()
    wait_until("it is seen", lambda: not intake.alive)


def test_a_full_inbox_makes_the_network_wait_and_drops_no_frame(begin, ledger):
    intake = begin(most_items=4)
    logger = begin.logger([ticks(n) for n in range(250)], window=250, ack_s=60)
    with ledger.together():  # the writer's thread waits for this
        logger.start()
        wait_until("the inbox is full", lambda: intake.status().queue == 4)
    wait_until("all are stored", logger.done)
    assert logger.sent == 250


def test_a_broker_that_goes_away_and_comes_back_costs_nothing(begin, broker, ledger):
    intake = begin()
    logger = begin.logger([ticks(n) for n in range(600)], window=20).start()
    wait_until("some are stored", lambda: logger.cursor > 50)
    broker.stop()
    wait_until("the loss is told", lambda: not intake.status().connected)
    lost = intake.status().errors["broker"]
    assert "lost the broker" in lost.text
    assert lost.since == NOW
    assert not logger.done()
    broker.start()
    wait_until("all are stored", logger.done, 30)
    assert held(ledger) == list(range(600))
    assert intake.status().connected
    assert intake.status().errors == {}  # what is over is not given as the reason of something else


# time


def orders(logger):
    return [messages.parse_order(order)[1] for order in logger.orders]


def test_a_boot_is_told_the_time_at_once_and_then_at_most_every_hour(begin, clock, ledger):
    begin()
    logger = begin.logger([])
    logger.publish("state", state(up=5000))
    wait_until("the first order", lambda: len(logger.orders) == 1)
    said = orders(logger)[0]
    assert (said["boot"], said["re_up"], said["utc_ms"]) == (1, 5000, 1_780_000_000_000)
    assert 0 < said["err_ms"] <= 1000
    clock.at = NOW + 3599
    logger.publish("now", now(up=6000))
    logger.publish("state", state(up=7000))
    clock_passed = ticks(0)
    logger.publish("frame", clock_passed)
    wait_until("what came before is worked off", lambda: ledger.frame_count() == 1)
    assert len(logger.orders) == 1
    clock.at = NOW + 3600
    logger.publish("now", now(up=8000))
    wait_until("an hour later", lambda: len(logger.orders) == 2)
    logger.publish("state", state(up=100, boot=2))
    wait_until("a new boot", lambda: len(logger.orders) == 3)
    assert [(o["boot"], o["re_up"]) for o in orders(logger)] == [(1, 5000), (1, 8000), (2, 100)]


def test_while_the_hosts_clock_is_not_set_no_logger_is_told_the_time(begin, clock, ledger):
    """A Pi without a battery clock, switched on together with its logger, and the network comes later."""
    err_ms = [None]
    intake = begin(clock_err_ms=lambda: err_ms[0])
    assert intake.status().errors["clock"].text.startswith("this machine's clock is not set yet")
    assert not intake.status().clock_ok
    logger = begin.logger([ticks(n) for n in range(3)])
    logger.publish("state", state(up=5000))
    logger.publish("now", now(up=6000))
    logger.start()
    wait_until("all is worked off", logger.done)
    assert logger.orders == []
    err_ms[0], clock.at = 60_000, NOW + 2400
    logger.publish("now", now(up=8000))
    wait_until("it is told once the clock is set", lambda: len(logger.orders) == 1)
    assert intake.status().clock_ok
    assert intake.status().errors == {}
    err_ms[0] = 50
    logger.publish("now", now(up=9000))
    wait_until("and again when it is known much better", lambda: len(logger.orders) == 2)
    assert [(o["re_up"], o["utc_ms"], o["err_ms"]) for o in orders(logger)] == [
        (8000, round((NOW + 2400) * 1000), 60_000),
        (9000, round((NOW + 2400) * 1000), 50),
    ]


def test_made_up_logger_numbers_fill_no_memory_and_keep_no_real_one_from_its_time(clock):
    teller = TimeTeller(clock, set_well)
    assert teller.order(LOGGER, 1, 5000)
    for number in range(20_000):
        assert teller.order(number, 1, 5000)
        assert teller.order(LOGGER, 1, 6000) is None  # heard of all the time: it was told already
    assert len(teller) == MOST_LOGGERS
    words = LastWords()
    words.take(heard(f"t/{n}", n, "now", now()) for n in range(20_000))
    assert len(words) <= 2 * MOST_LOGGERS


def test_thousands_of_loggers_are_each_told_the_time_once_and_not_with_each_word(clock):
    teller = TimeTeller(clock, set_well)
    loggers = range(5000)
    assert all(teller.order(number, 1, 5000) for number in loggers)
    clock.at += 1
    assert not any(teller.order(number, 1, 6000) for number in loggers)


def test_each_of_many_loggers_hears_that_its_frame_is_stored_however_many_are_stored_at_once(begin, ledger):
    intake, everybody = begin(), begin.logger([]).client
    told = set()
    everybody.on_message = lambda _client, _data, message: told.add(messages.parse_topic(message.topic)[0])
    everybody.subscribe(messages.every_logger("stored"), 1)
    with ledger.together():  # the writer waits
        for number in range(1, 1501):
            everybody.publish(messages.frame_topic(number), anchor(0, 0, logger=number), qos=1)
        wait_until("most wait for the writer", lambda: intake.status().queue >= 1400, 60)
    wait_until("each was told", lambda: len(told) == 1500, 60)


def test_a_state_is_written_down_at_once_and_the_now_of_others_wait_for_their_time(ledger):
    words = LastWords()
    words.take([heard("t", 1, "now", now()), heard("t", 2, "state", state()), heard("t", 3, "now", now())])
    assert words.keep(ledger)
    assert [(info.logger, info.state is None, info.now) for info in ledger.loggers()] == [(2, False, None)]
    assert len(words) == 2
    assert not words.keep(ledger)


def test_a_retained_state_gets_no_time_but_the_word_that_the_host_listens(begin, ledger):
    logger = begin.logger([])
    logger.publish("state", state(up=5000), retain=True)
    watcher = begin.logger([], number=9)
    del watcher
    intake = begin()
    wait_until("the old state is seen", lambda: LOGGER in intake.status().heard)
    heard = intake.status().heard[LOGGER]
    assert heard.state.online
    assert not heard.state_live
    wait_until("the logger is greeted", lambda: logger.greetings == 1)
    logger.publish("now", now(up=9000))
    wait_until("the live one is answered", lambda: logger.orders)
    assert [o["re_up"] for o in orders(logger)] == [9000]
    wait_until("the state is in the ledger", lambda: ledger.loggers()[0].state)
    assert ledger.loggers()[0].name == "pit"


def test_a_last_will_is_seen(begin, ledger):
    intake = begin()
    logger = begin.logger([])
    logger.publish("state", json.dumps({"v": 1, "online": False, "boot": 1}).encode(), retain=True)
    wait_until("it is seen", lambda: LOGGER in intake.status().heard)
    assert intake.status().heard[LOGGER].state.online is False
    assert logger.orders == []


# refusals


def test_a_wrong_password_is_told_with_what_to_do(broker, ledger, clock):
    intake = Intake(ledger, clock, "127.0.0.1", broker.port, "pit", "wrong")
    with pytest.raises(BrokerError, match=r"refuses user 'pit'.*correct user and password under \[broker\]"):
        intake.start()


def test_a_broker_that_is_away_at_the_start_is_told_and_served_when_it_comes(begin, broker, ledger):
    broker.stop()
    intake = begin()
    told = intake.status().errors["broker"].text
    assert re.match(rf"no broker answers at 127.0.0.1:{broker.port} \(.*trying again: start it, or correct", told)
    assert not intake.status().connected
    assert intake.alive
    broker.start()
    wait_until("it is connected", lambda: intake.status().connected)
    wait_until("frames are stored", begin.logger([ticks(n) for n in range(20)]).start().done)
    assert held(ledger) == list(range(20))
    assert "broker" not in intake.status().errors


def test_an_intake_whose_broker_never_came_ends_at_once(ledger, clock):
    intake = Intake(ledger, clock, "127.0.0.1", free_port())
    intake.start()
    intake.stop()
    assert not intake.alive


def test_something_that_is_no_broker_is_told(ledger, clock, monkeypatch):
    monkeypatch.setattr(mqtt, "ANSWER_S", 0.3)
    import socket

    with socket.create_server(("127.0.0.1", 0)) as deaf, pytest.raises(BrokerError, match="no MQTT broker"):
        Intake(ledger, clock, "127.0.0.1", deaf.getsockname()[1]).start()


def test_stopping_stores_what_has_come_in(begin, broker, ledger, clock):
    intake = Intake(ledger, clock, "127.0.0.1", broker.port, broker.user, broker.password)
    intake.start()
    # It says them again after a second: the writer may have taken all 30 at once, and then none would wait.
    logger = begin.logger([ticks(n) for n in range(30)], window=30, ack_s=1)
    entered = threading.Event()
    with ledger.together():
        logger.start()
        wait_until("some wait", lambda: intake.status().queue > 5)
        stopper = threading.Thread(target=lambda: (entered.set(), intake.stop()))
        stopper.start()
        entered.wait(5)
    stopper.join(30)
    assert len(held(ledger)) > 5
    wait_until("what is held was said", lambda: logger.said == set(held(ledger)))
