"""Many loggers in one light process: sockets and bytes, by WIRE.md section 5. ``crowd.py`` starts some of these.

    crowd_senders.py PORT USER PASSWORD FIRST COUNT FRAMES

Each logger says its ``state`` as it comes and every minute, ``now`` each second (QoS 0), and each 32 s a frame (QoS 1);
the loggers' seconds are spread evenly, and so are the 32 s. A line on standard input is answered with what was counted
since the last one, as JSON. FRAMES is a file of frames with equal headers, each a hex line, that are given keys.
"""

import collections
import contextlib
import json
import select
import socket
import struct
import sys
import time
import zlib
from pathlib import Path

HOST = "127.0.0.1"
TICKS, STATE_EVERY_S, BOOT = 32, 60, 1
BEGAN_UP_S = 6  # uptime at the first ``now``
TABLE = [0x13] * 6  # a MAX31855 with a wire of type K at each of six channels (WIRE.md section 2)
NOTHING_WAITS = {"first": 0, "next": 0, "cursor": 0, "lost": 0, "ok": True}


def packet(kind: int, *parts: bytes) -> bytes:
    """An MQTT packet; its length by MQTT 3.1.1, 2.2.3."""
    body, length = b"".join(parts), b""
    left = len(body)
    while True:
        length += bytes([(left & 0x7F) | (0x80 if left > 0x7F else 0)])
        left >>= 7
        if not left:
            return bytes([kind]) + length + body


def with_key(frame: bytes, key: tuple[int, int, int], up_ms: int) -> bytes:
    """A frame with another key and uptime, which stand at offset 4 (WIRE.md section 1), and with its CRC."""
    whole = frame[:4] + struct.pack("<IHI", *key) + up_ms.to_bytes(6, "little") + frame[20:-4]
    return whole + struct.pack("<I", zlib.crc32(whole))


def text(value: str) -> bytes:
    """A text as MQTT writes it."""
    return len(value.encode()).to_bytes(2, "big") + value.encode()


class Logger:
    """One connection. What it sent and nobody called stored yet is in ``sent_at`` by its sequence."""

    def __init__(self, number: int) -> None:
        self.number, self.topic = number, f"pitscribe/1/{number:08x}/"
        self.socket = socket.socket()
        self.held, self.out = b"", b""
        self.sent_at: dict[int, float] = {}
        self.sequence = self.second = 0

    def come(self, port: int, user: str, password: str) -> None:
        """Connect, and ask for what is said to it; who answers is heard later."""
        self.socket.connect((HOST, port))
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        hello = text("MQTT") + bytes([4, 0xC2]) + (300).to_bytes(2, "big") + text(f"crowd-{self.number:08x}")
        self.write(packet(0x10, hello, text(user), text(password)))
        wanted = b"".join(text(self.topic + word) + b"\x01" for word in ("stored", "order"))
        self.write(packet(0x82, b"\x00\x01", wanted))
        self.socket.setblocking(False)

    def write(self, data: bytes) -> None:
        """Send what the other side takes; the rest goes first the next time."""
        self.out += data
        with contextlib.suppress(BlockingIOError):
            self.out = self.out[self.socket.send(self.out) :]

    def say(self, word: str, data: bytes, qos: int = 0, retain: bool = False) -> None:
        """Publish."""
        number = (self.second % 65535 + 1).to_bytes(2, "big") if qos else b""
        self.write(packet(0x30 | qos << 1 | retain, text(self.topic + word), number, data))

    def state(self, boot: int, up_ms: int, period_ms: int = 1000) -> None:
        """Say how it is; nothing waits in its journal."""
        self.say("state", json.dumps({
            "v": 1, "online": True, "boot": boot, "up": up_ms, "name": f"pit {self.number & 0xFFFF}",
            "firmware": "0.1", "period_ms": period_ms, "table": TABLE, "missed": 0, "anchor": None,
            "journal": NOTHING_WAITS | {"next": self.sequence, "cursor": self.sequence},
        }).encode(), 1, True)

    def now(self, boot: int, up_ms: int, codes: list[list[int]]) -> None:
        """Say what its last tick was."""
        self.say("now", json.dumps({"v": 1, "boot": boot, "up": up_ms, "table": TABLE, "codes": codes}).encode())

    def packets(self) -> list[tuple[int, bytes]]:
        """What came whole: (first byte, body)."""
        self.held += self.socket.recv(65536)
        out = []
        while len(self.held) > 1:
            length = at = 0
            while at + 1 < len(self.held):
                byte = self.held[at + 1]
                length |= (byte & 0x7F) << 7 * at
                at += 1
                if byte < 0x80:
                    break
            else:
                return out
            if len(self.held) < 1 + at + length:
                return out
            out.append((self.held[0], self.held[1 + at : 1 + at + length]))
            self.held = self.held[1 + at + length :]
        return out


class Crowd:
    """The loggers of this process and their seconds."""

    def __init__(self, bodies: list[bytes]) -> None:
        self.bodies = bodies
        self.poll = select.epoll()
        self.by_file: dict[int, Logger] = {}
        self.loggers: list[Logger] = []
        self.counts: collections.Counter[str] = collections.Counter()
        self.waits: list[float] = []  # from a frame's sending to its ``stored``, s
        self.late = 0.0  # how much later than it was due something was sent, s: a slow sender is no slow host

    def come(self, logger: Logger) -> None:
        """One more."""
        self.loggers.append(logger)
        self.by_file[logger.socket.fileno()] = logger
        self.poll.register(logger.socket.fileno(), select.EPOLLIN)

    def second(self, logger: Logger, due: float) -> None:
        """What a logger does each second."""
        n, up = logger.second, (logger.second + BEGAN_UP_S) * 1000
        self.late = max(self.late, time.monotonic() - due)
        if n % STATE_EVERY_S == 0:
            logger.state(BOOT, up)
        codes = [[400 + (n + c) % 7, 300, 0] for c in range(len(TABLE))]
        self.counts["nows"] += 1
        logger.now(BOOT, up, codes)
        logger.second += 1
        if n % TICKS == logger.number % TICKS:
            self.frame(logger, up)

    def frame(self, logger: Logger, up: int) -> None:
        """The ticks of the last 32 s."""
        body = self.bodies[logger.sequence % len(self.bodies)]
        logger.sent_at[logger.sequence] = time.monotonic()
        logger.say("frame", with_key(body, (logger.number, BOOT, logger.sequence), up), 1)
        logger.sequence += 1
        self.counts["frames"] += 1

    def hear(self, seconds: float) -> None:
        """Take what comes, for so long."""
        for file, _ in self.poll.poll(max(seconds, 0), 256):
            logger = self.by_file[file]
            try:
                for kind, body in logger.packets():
                    self.take(logger, kind, body)
                if logger.out:
                    logger.write(b"")
            except OSError:
                self.counts["dropped"] += 1
                self.poll.unregister(file)
                self.loggers.remove(logger)

    def take(self, logger: Logger, kind: int, body: bytes) -> None:
        """One packet."""
        if kind & 0xF0 == 0x20:
            self.counts["let in" if body[1] == 0 else "refused"] += 1
        if kind & 0xF0 != 0x30:
            return
        size = int.from_bytes(body[:2], "big")
        topic, rest = body[2 : 2 + size], body[2 + size :]
        if kind & 0x06:
            logger.write(packet(0x40, rest[:2]))
            rest = rest[2:]
        if topic.endswith(b"order"):
            self.counts["orders"] += 1
            return
        for _, first, last in json.loads(rest)["stored"]:
            for sequence in range(first, last + 1):
                if sequence in logger.sent_at:
                    self.waits.append(time.monotonic() - logger.sent_at.pop(sequence))

    def told(self) -> str:
        """What was counted since the last time, and what is still waited for."""
        now, loggers = time.monotonic(), self.loggers
        waiting = [now - at for one in loggers for at in one.sent_at.values()]
        out = {"counts": dict(self.counts), "waits": self.waits, "late": self.late, "waiting": waiting,
               "unsent": sum(bool(one.out) for one in loggers)}
        self.counts, self.waits, self.late = collections.Counter(), [], 0.0
        return json.dumps(out)


def main() -> None:
    """Go on until standard input ends."""
    port, user, password, first, count, file = sys.argv[1:]
    crowd = Crowd([bytes.fromhex(line) for line in Path(file).read_text().split()])
    for n in range(int(count)):
        crowd.come(Logger(int(first) + n))
        crowd.loggers[-1].come(int(port), user, password)
        crowd.hear(0.001)
    print("here", flush=True)
    began, done = time.monotonic() + 0.5, 0
    crowd.poll.register(sys.stdin.fileno(), select.EPOLLIN)
    crowd.by_file[sys.stdin.fileno()] = asked = Asked(crowd)  # type: ignore[assignment]
    while not asked.over:
        total = len(crowd.loggers)
        while total and (due := began + done / int(count)) <= time.monotonic():
            if done % int(count) < total:
                crowd.second(crowd.loggers[done % int(count)], due)
            done += 1
            if done % 50 == 0:
                crowd.hear(0)
        crowd.hear(min(began + done / int(count) - time.monotonic(), 0.02))


class Asked:
    """Standard input beside the sockets: each line is a question."""

    out = b""

    def __init__(self, crowd: Crowd) -> None:
        self._crowd, self.over = crowd, False

    def packets(self) -> list[tuple[int, bytes]]:
        """Answer a line; no packets."""
        if sys.stdin.buffer.readline():
            print(self._crowd.told(), flush=True)
        else:
            self.over = True
        return []


if __name__ == "__main__":
    main()
