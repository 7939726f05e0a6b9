"""Processes that take in together over a network that is made up: it delays, reorders, doubles and loses, and processes
are killed anywhere in between. Intakes and ledgers are the real ones; only broker and time are not.
"""

import random
from pathlib import Path

from intake_rig import ticks

from pitscribe.clock import SetClock
from pitscribe.intake.passing import RESEND_S
from pitscribe.intake.shared import SharedIntake
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire import messages
from pitscribe.wire.share import Here, Layout, here

NOW = 1_780_000_000.0


class Killed(BaseException):
    """The process has ended here, in the middle of whatever it did."""


class Client:
    """What a process's connection for the loggers does."""

    def __init__(self, net, name):
        self._net, self._name = net, name

    def publish(self, topic, payload, qos=0, retain=False):
        self._net.publish(self._name, topic, payload)

    def is_connected(self):
        return True


class Net:
    """``loggers``: number -> how many frames it has. Everything happens by ``act`` and ``settle``."""

    def __init__(self, folder: Path, members: tuple[str, ...], loggers: dict[int, int]) -> None:
        self.members, self.t = members, 0.0
        self.layout = Layout("pit", members[0], members)
        self.ledgers = {name: Ledger(folder / f"{name}.sqlite", SetClock(NOW)) for name in members}
        self.frames = {number: [ticks(n, logger=number) for n in range(count)] for number, count in loggers.items()}
        self.said = {number: set() for number in loggers}
        self.alive: dict[str, SharedIntake] = {}
        self.under_way: list[tuple[str, str, bytes]] = []  # (to, topic, payload)
        self.fuse: dict[str, int] = {}  # how many more things a process does until it ends
        self.kills = self.doubled = self.dropped = 0
        for name in members:
            self._burns_in(name, "hold")
            self._burns_in(name, "let_go")
            self.start(name)

    def _burns_in(self, name: str, method: str) -> None:
        """A process may end inside a transaction as well, after part of it was written."""
        ledger = self.ledgers[name]
        real = getattr(ledger, method)

        def both(*arguments):
            real(*arguments)
            self.burn(name)

        setattr(ledger, method, both)

    def start(self, name: str) -> None:
        layout = Layout("pit", name, self.members)
        made = SharedIntake(self.ledgers[name], SetClock(NOW), "nowhere", 1, layout=layout)
        made._speaker._client = Client(self, name)
        made._link.publish = made._passing._send = lambda topic, payload: self.publish(name, topic, payload)
        made._link.take_part = lambda yes: None
        made._passing._real = lambda: self.t
        self.alive[name], self.fuse[name] = made, -1
        for other in self.members:  # what lies on the broker; and that this one is here
            self.alive[name]._heard_on_link(layout.here_topic(other), self.word_of(other))
            if other in self.alive:
                self.alive[other]._heard_on_link(layout.here_topic(name), self.word_of(name))

    def word_of(self, name: str) -> bytes:
        return here(Here(name in self.alive, self.layout.digest, ""))

    def kill(self, name: str) -> None:
        del self.alive[name]
        self.kills += 1
        self.under_way = [one for one in self.under_way if one[0] != name]  # clean sessions: the broker keeps nothing
        for other in self.alive.values():
            other._heard_on_link(self.layout.here_topic(name), self.word_of(name))

    def burn(self, name: str) -> None:
        self.fuse[name] -= 1
        if self.fuse[name] == 0:
            raise Killed

    def publish(self, name: str, topic: str, payload: bytes) -> bool:
        self.burn(name)
        meant = self.layout.parse(topic)
        if meant is not None:
            if meant.to in self.alive:
                self.under_way.append((meant.to, topic, payload))
            return True
        number, word = messages.parse_topic(topic)
        assert word == "stored"
        for boot, first, last in messages.parse_stored(payload):
            for sequence in range(first, last + 1):
                assert self.is_held(number, boot, sequence), f"{sequence} was said to be stored, and no ledger has it"
                self.said[number].add(sequence)
        return True

    def is_held(self, number: int, boot: int, sequence: int) -> bool:
        where = "logger = ? AND boot = ? AND sequence = ?"
        return any(
            ledger._reader().execute(f"SELECT 1 FROM {table} WHERE {where}", (number, boot, sequence)).fetchone()
            for ledger in self.ledgers.values() for table in ("frames", "waiting_frames")
        )

    def send(self, number: int, sequence: int, to: str) -> None:
        """The broker deals a frame of a logger to a process, which may be gone."""
        if to in self.alive:
            self.under_way.append((to, messages.frame_topic(number), self.frames[number][sequence]))

    def work(self, name: str, most: int) -> None:
        """A process does something with what has come, and passes on what is due."""
        intake = self.alive[name]
        try:
            if len(intake._inbox):
                intake._take_in(intake._inbox.take(most))
            intake._passing.step()
        except Killed:
            self.kill(name)

    def act(self, dice: random.Random) -> None:
        """One thing happens."""
        what = dice.choices(["send", "deliver", "work", "double", "lose", "kill", "start", "time"],
                            [30, 30, 25, 3, 3, 3, 5, 3])[0]
        name = dice.choice(self.members)
        if what == "send":
            number = dice.choice(list(self.frames))
            for _ in range(dice.randrange(1, 6)):
                self.send(number, dice.randrange(len(self.frames[number])), dice.choice(self.members))
        elif what == "time":
            self.t += RESEND_S
        elif what == "start":
            if name not in self.alive:
                self.start(name)
        elif what == "kill":
            if name in self.alive and len(self.alive) > 1:
                self.fuse[name] = dice.randrange(1, 4)  # it ends at one of the next things that it says
        elif what == "work":
            if name in self.alive:
                self.work(name, dice.randrange(1, 20))
        elif self.under_way:
            at = dice.randrange(len(self.under_way))
            one = self.under_way[at] if what == "double" else self.under_way.pop(at)
            self.doubled += what == "double"
            self.dropped += what == "lose"
            if what != "lose":
                self.alive[one[0]]._heard_on_link(one[1], one[2])

    def settle(self, dice: random.Random) -> None:
        """All processes run, the network does what it should, and loggers send what is not said to be stored."""
        for name in self.members:
            if name not in self.alive:
                self.start(name)
            self.fuse[name] = -1
        for _ in range(200):
            for number, frames in self.frames.items():
                for sequence in set(range(len(frames))) - self.said[number]:
                    self.send(number, sequence, dice.choice(self.members))
            while self.under_way:
                to, topic, payload = self.under_way.pop()
                self.alive[to]._heard_on_link(topic, payload)
            for name in self.members:
                self.work(name, 4096)
            self.t += RESEND_S
            if not self.under_way and not any(map(self.waits, self.members)) and self.all_said():
                return
        raise AssertionError("frames wait, and nothing moves them")

    def all_said(self) -> bool:
        return all(len(self.said[number]) == len(frames) for number, frames in self.frames.items())

    def waits(self, name: str) -> int:
        return sum(count.frames for count in self.ledgers[name].waiting_counts().values())

    def faults(self) -> list[str]:
        """What is not as it should be in the end: every frame once at its keeper, as it was sent, and nowhere else."""
        out = []
        for number, frames in self.frames.items():
            for name, ledger in self.ledgers.items():
                held = sorted((one.key.sequence, one.frame) for one in ledger.frames(number))
                expected = list(enumerate(frames)) if name == self.layout.keeper_of(number) else []
                if held != expected:
                    out.append(f"{name} has {len(held)} frames of {number:08x}, not {len(expected)}")
        out += [f"{name}: {ledger.asides()}" for name, ledger in self.ledgers.items() if ledger.asides()]
        return out

    def close(self) -> None:
        for ledger in self.ledgers.values():
            ledger.close()
