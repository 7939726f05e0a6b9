"""Whether a logger is heard of: by its own words, in real time, and not by what the broker says in its stead."""

from types import SimpleNamespace

import pytest
from page_world import LOGGER, START, make_world

from pitscribe.intake.status import Status
from pitscribe.watch.live import Watch
from pitscribe.wire.messages import Now


class Speaking:
    """An intake's status as its logger says `now`, and the real time that passes."""

    def __init__(self, world, every_s=1.0, speed=1.0):
        self.world, self.every_s, self.speed = world, every_s, speed
        self.real, self.connected, self.talks = 5000.0, True, True
        self.heard = SimpleNamespace(now_at=None, state=SimpleNamespace(online=True), state_at=world.clock.at)
        self.watch = Watch(
            world.ledger, world.clock, intake_status=self.status, real=lambda: self.real, stale_after_s=120 * speed
        )

    def status(self):
        return {"connected": self.connected, "heard": {LOGGER: self.heard}}

    def pass_by(self, seconds):
        """Real seconds, one pass of the watch in each. Returns the keys of the last pass's troubles."""
        for _ in range(round(seconds)):
            self.real += 1
            self.world.clock.at += self.speed
            if self.talks and self.connected and (self.real - 5000) % self.every_s == 0:
                self.heard.now_at = self.world.clock.at
            self.watch.step()
        return [t["key"] for t in self.watch.latest().body["troubles"]]


@pytest.fixture
def world(tmp_path):
    made = make_world(tmp_path, hours=0.5, period_s=1.0)
    yield made
    made.ledger.close()


SILENT = "logger-00c0ffee-silent"


@pytest.mark.parametrize("speed", [1.0, 4.0])
def test_a_logger_that_said_its_reading_each_second_is_missed_after_fifteen_real_seconds(world, speed):
    speaking = Speaking(world, speed=speed)
    assert speaking.pass_by(30) == []
    speaking.talks = False
    assert speaking.pass_by(15) == []
    assert speaking.pass_by(1) == [SILENT]
    (trouble,) = speaking.watch.latest().body["troubles"]
    assert trouble["since"] == speaking.heard.now_at
    assert "If it has power, it goes on recording" in trouble["words"]
    assert speaking.watch.latest().body["loggers"][0]["last_seen"] == speaking.heard.now_at
    assert speaking.pass_by(20) == [SILENT]
    speaking.talks = True
    assert speaking.pass_by(2) == []


def test_one_that_speaks_seldom_is_given_its_own_time(world):
    speaking = Speaking(world, every_s=10.0)
    assert speaking.pass_by(62) == []
    speaking.talks = False
    assert speaking.pass_by(28) == []
    assert speaking.pass_by(15) == [SILENT]


def test_one_that_never_said_its_readings_is_not_missed_by_them(world):
    speaking = Speaking(world)
    speaking.talks = False
    assert speaking.pass_by(60) == []


def test_any_word_of_its_own_counts(world):
    speaking = Speaking(world)
    speaking.pass_by(30)
    speaking.talks = False
    for _ in range(5):
        speaking.heard.state_at = world.clock.at
        assert speaking.pass_by(10) == []


def test_a_state_that_the_broker_kept_from_before_we_listened_is_no_word_of_now(world):
    speaking = Speaking(world)
    speaking.pass_by(30)
    said = speaking.heard.now_at
    speaking.talks = False
    speaking.heard.state_at, speaking.heard.state_live = world.clock.at + 5, False
    assert speaking.pass_by(16) == [SILENT]
    assert speaking.watch.latest().body["loggers"][0]["last_seen"] == said


def test_without_contact_with_the_broker_no_logger_is_blamed_nor_just_after(world):
    speaking = Speaking(world)
    speaking.pass_by(30)
    speaking.connected = False
    assert speaking.pass_by(60) == ["intake-away"]
    speaking.connected = True
    speaking.talks = False
    assert speaking.pass_by(10) == []
    assert speaking.pass_by(10) == [SILENT]


def test_the_brokers_last_will_is_not_hearing_from_the_logger(world):
    speaking = Speaking(world)
    speaking.pass_by(30)
    said = speaking.heard.now_at
    world.clock.at += 40
    speaking.heard.state, speaking.heard.state_at = SimpleNamespace(online=False), world.clock.at
    world.state(online=False)
    speaking.talks = False
    assert speaking.pass_by(1) == ["logger-00c0ffee-away"]
    (trouble,) = speaking.watch.latest().body["troubles"]
    assert trouble["since"] == said
    assert "If it has power, it goes on recording" in trouble["words"]
    assert speaking.watch.latest().body["loggers"][0]["last_seen"] == said


def test_after_a_restart_an_away_logger_was_last_heard_of_with_its_last_frame(world):
    came = START + 1800
    world.clock.at += 9
    world.state(online=False)  # as retained by the broker
    body = Watch(world.ledger, world.clock).now().body
    assert body["loggers"][0]["last_seen"] == came
    assert [t["since"] for t in body["troubles"]] == [came]


def test_a_logger_whose_frames_came_as_files_is_not_said_to_be_unheard_of(tmp_path):
    world = make_world(tmp_path, hours=0, told=False)
    body = Watch(world.ledger, world.clock).now().body
    assert [t["words"] for t in body["troubles"]] == ["The logger 00c0ffee has never been heard of."]
    world.carry_on(60)
    body = Watch(world.ledger, world.clock).now().body
    (trouble,) = body["troubles"]
    assert trouble["key"] == "logger-00c0ffee-unheard"
    assert trouble["words"].startswith("Frames of the logger 00c0ffee are here, but it has not said how it is")
    world.ledger.close()


def test_the_intakes_own_status_is_understood(world):
    real, status = [5000.0], Status(world.clock)
    status.connected(True)
    watch = Watch(world.ledger, world.clock, intake_status=lambda: status.read(0), real=lambda: real[0])
    for second in range(40):
        real[0] += 1
        world.clock.at += 1
        if second < 20:
            status.saw_now(LOGGER, Now(1, 1000 * second, (), ()))
        watch.step()
        assert [t["key"] for t in watch.latest().body["troubles"]] == ([SILENT] if second >= 35 else [])
