"""What can fail in a night: each fault begins something, and returns how it is ended."""

import random
import signal
import time
from collections.abc import Callable

import paho.mqtt.client as paho
from chaos.nights_stage import LOGGER, Stage
from paho.mqtt.enums import CallbackAPIVersion

from pitscribe.intake.broker import read_credentials
from pitscribe.wire import messages

HOUR, YEAR = 3600.0, 31_536_000.0
Undo = Callable[[], None]


def nothing() -> None:
    """What is over at once wants no undoing."""


class Faults:
    """What can be done to a stage: each begins something, and returns how it is ended."""

    def __init__(self, stage: Stage, dice: random.Random) -> None:
        self.stage, self.dice = stage, dice

    def host_killed(self) -> Undo:
        self.stage.host.kill()
        return self.stage.host.start

    def host_stopped(self) -> Undo:
        self.stage.host.signal(signal.SIGSTOP)
        return lambda: self.stage.host.signal(signal.SIGCONT)

    def broker_killed(self) -> Undo:
        broker = self.stage.broker
        broker.stop(kill=True)
        return broker.start

    def broker_wiped(self) -> Undo:
        broker = self.stage.broker
        broker.stop(kill=True)
        broker.wipe()
        return broker.start

    def broker_stopped(self) -> Undo:
        process = self.stage.broker.process
        process.send_signal(signal.SIGSTOP)
        return lambda: process.send_signal(signal.SIGCONT)

    def store_killed(self) -> Undo:
        self.stage.store.stop(kill=True)
        return self.stage.store.start

    def line_half_open(self) -> Undo:
        self.stage.line.half_open()
        return nothing

    def line_rough(self) -> Undo:
        return self._line("rough", self.stage.line)

    def line_held(self) -> Undo:
        return self._line("held", self.stage.line)

    def host_line_rough(self) -> Undo:
        return self._line("rough", self.stage.host_line)

    def host_line_held(self) -> Undo:
        return self._line("held", self.stage.host_line)

    def host_line_half_open(self) -> Undo:
        self.stage.host_line.half_open()
        return nothing

    def _line(self, how: str, line: object) -> Undo:
        setattr(line, how, True)
        return lambda: setattr(line, how, False)

    def power_cut(self) -> Undo:
        self.stage.switch_off()
        return self.stage.switch_on

    def ten_boots(self) -> Undo:
        for _ in range(10):
            self.stage.switch_off()
            self.stage.switch_on()
            time.sleep(self.dice.uniform(0.05, 1.0))
        return nothing

    def frames_again(self) -> Undo:
        """Forty of its frames, twice and in any order, as from the logger."""
        stage = self.stage
        frames = list(stage.journalled().values())
        chosen = 2 * self.dice.sample(frames, min(40, len(frames)))
        self.dice.shuffle(chosen)
        client = paho.Client(CallbackAPIVersion.VERSION2)
        if stage.broker is None:
            client.username_pw_set(*read_credentials(stage.host.home))
        try:
            client.connect("127.0.0.1", stage.broker.port if stage.broker else stage.host.port, 10)
        except OSError:  # killed or stopped just now: then nobody can repeat anything
            return nothing
        client.loop_start()
        said = [client.publish(messages.frame_topic(LOGGER), frame, qos=1) for frame in chosen]
        deadline = time.monotonic() + 3
        while not all(one.is_published() for one in said) and time.monotonic() < deadline:
            time.sleep(0.02)
        client.disconnect()
        client.loop_stop()
        return nothing

    def second_host(self) -> Undo:
        self.stage.begin_second()
        return self.stage.second.kill

    def twin(self) -> Undo:
        self.stage.switch_on("twin")
        return lambda: self.stage.switch_off("twin")

    def clock_hours(self) -> Undo:
        return self._clock(self.dice.choice((-1, 1)) * self.dice.uniform(1, 20) * HOUR)

    def clock_year(self) -> Undo:
        return self._clock(self.dice.choice((-1, 1)) * YEAR)

    def _clock(self, seconds: float) -> Undo:
        self.stage.host.set_wrong(seconds)
        return lambda: self.stage.host.set_wrong(0.0)


# kind: (what it is done to, weight, seconds that it lasts, from and to, whether only with mosquitto)
KINDS: dict[str, tuple[str, int, float, float, bool]] = {
    "host_killed": ("host", 6, 0.0, 3.0, False), "host_stopped": ("host", 3, 0.5, 4.0, False),
    "broker_killed": ("broker", 4, 0.0, 3.0, True), "broker_wiped": ("broker", 4, 0.0, 2.0, True),
    "broker_stopped": ("broker", 4, 0.5, 5.0, True), "store_killed": ("store", 4, 0.0, 4.0, False),
    "line_half_open": ("line", 5, 0.0, 0.0, False), "line_rough": ("line", 5, 1.0, 5.0, False),
    "line_held": ("line", 4, 0.5, 4.0, False), "host_line_rough": ("host line", 4, 1.0, 5.0, True),
    "host_line_held": ("host line", 3, 0.5, 3.0, True), "host_line_half_open": ("host line", 1, 0.0, 0.0, True),
    "power_cut": ("logger", 3, 0.0, 2.0, False), "ten_boots": ("logger", 1, 0.0, 0.0, False),
    "frames_again": ("frames", 6, 0.0, 0.0, False), "second_host": ("second", 2, 4.0, 8.0, True),
    "twin": ("twin", 1, 8.0, 12.0, False), "clock_hours": ("clock", 3, 0.5, 3.0, False),
    "clock_year": ("clock", 2, 0.5, 3.0, False),
}
