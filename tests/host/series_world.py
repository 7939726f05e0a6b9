"""A logger's frames for the tests of ``series``: real frames, a real ledger, a clock that is set."""

import contextlib
from dataclasses import dataclass, field

import numpy as np

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.metrology import chips, its90
from pitscribe.wire.frames import Channel, FrameKey, check, encode_event, encode_ticks

T0_MS = 1_700_000_000_000
LOGGER = 0x1A2B3C4D
TABLE = (Channel("max31856", "K"), Channel("max31855", "T"))
TICKS_A_FRAME = 8


def truth(channel, t_s):
    """What the probe on a channel has at UTC ``t_s``: slow, and different for each channel."""
    return 60.0 + 25.0 * channel + 10.0 * np.sin((t_s - T0_MS / 1000) / 300.0)


@dataclass
class Logger:
    """Writes the frames of one logger, boot after boot, as its firmware would."""

    number: int = LOGGER
    sequence: int = 0
    made: list[bytes] = field(default_factory=list)

    def _key(self, boot):
        self.sequence += 1
        return FrameKey(self.number, boot, self.sequence - 1)

    def boot(self, boot, cause="power"):
        """The event that opens a boot."""
        fields = {"firmware": "0.1", "cause": cause, "name": "pit"}
        return self._keep(encode_event(self._key(boot), 100, "boot", fields))

    def anchor(self, boot, uptime_ms, utc_ms, err_ms=50, source="host"):
        """An anchor, from the host if nothing else is said."""
        fields = {"utc_ms": utc_ms, "err_ms": err_ms, "from": source}
        return self._keep(encode_event(self._key(boot), uptime_ms, "anchor", fields))

    def note(self, boot, uptime_ms, kind, text=""):
        """A note that somebody made at the logger."""
        return self._keep(encode_event(self._key(boot), uptime_ms, "note", {"kind": kind, "text": text}))

    def ticks(self, boot, began_ms, first, count=TICKS_A_FRAME, *, table=TABLE, period_ms=1000, missed=(), fault=()):
        """A frame of ticks ``first``, ``first`` + 1, ... of a boot that began at UTC ``began_ms``.

        ``missed``: places in the frame; ``fault``: (place among those present, channel, code).
        """
        uptime = 1000 + period_ms * first
        present = np.array([i for i in range(count) if i not in missed])
        t = (began_ms + uptime + period_ms * present) / 1000
        hot, cold = np.zeros((2, present.size, len(table)), np.int32)
        for c, (chip, tc) in enumerate(table):
            if chip == "none":
                continue
            box = np.full(present.size, 25.0)
            mv = its90.emf(tc, truth(c, t)) - its90.emf(tc, box)
            hot[:, c], cold[:, c] = chips.code_from_emf(chip, tc, mv, box)
        faults = np.zeros((present.size, len(table)), np.int32)
        for place, channel, code in fault:
            faults[place, channel] = code
        return self._keep(encode_ticks(self._key(boot), uptime, period_ms, table, hot, cold, faults, missed))

    def _keep(self, frame):
        self.made.append(frame)
        return frame


def open_ledger(folder, at_ms=T0_MS, kind=Ledger):
    """A ledger in a folder, with a clock that stands, closed at the end of the ``with``."""
    return contextlib.closing(kind(folder / "ledger.db", SetClock(at_ms / 1000)))


def store(ledger, *frames):
    """Store frames in one commit."""
    return ledger.store_frames([(check(frame), frame) for frame in frames], "test")


def same(one, other):
    """Assert that two cook records are the same, bit for bit."""
    assert (one.cook, one.notes, one.missed, one.unplaced) == (other.cook, other.notes, other.missed, other.unplaced)
    assert [(s.place, s.kind) for s in one.places] == [(s.place, s.kind) for s in other.places]
    for a, b in zip(one.places, other.places, strict=True):
        for name in ("t", "celsius", "u", "flags"):
            x, y = getattr(a, name), getattr(b, name)
            assert x.dtype == y.dtype
            assert x.tobytes() == y.tobytes(), (a.place, name)
