"""A kitchen for the tests of ``probe``: a logger whose frames come in while somebody waits, and a clock that is set.

The probes' wires are out by what each test says; chips are ideal but for their steps and, on the MAX31855, 0.1 K of
noise (so that its steps of 0.25 K are seen). Bath temperatures are functions of UTC seconds.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from pitscribe.cli import parser
from pitscribe.clock import SetClock
from pitscribe.commands import ledgers, probe_calibrate
from pitscribe.config import Config
from pitscribe.ledger.ledger import Ledger
from pitscribe.metrology import chips, its90
from pitscribe.wire.frames import Channel, FrameKey, check, encode_event, encode_ticks

T0 = 1_700_000_000.0
LOGGER = 0x1A2B3C4D
TICKS_A_FRAME = 32
TABLE = (Channel("max31856", "K"), Channel("max31855", "K"), Channel("max31856", "T"))
BOX_C = 24.0

Bath = Callable[[np.ndarray], np.ndarray]


def constant(celsius: float) -> Bath:
    """A bath that stays as it is."""
    return lambda t: np.full(t.shape, celsius)


@dataclass
class Kitchen:
    """``baths``: what is at the tip on each channel;  ``box``: at the chips, degC
    ``errors``: (offset K, gain K/K) of each channel's wire
    """

    home: Path
    baths: list[Bath]
    errors: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)] * 3)
    silent: bool = False
    box: Bath = field(default_factory=lambda: constant(BOX_C))

    def __post_init__(self) -> None:
        self.clock = SetClock(T0)
        self.config = Config(self.home, units="C")
        self.ledger = Ledger(self.config.folder() / ledgers.LEDGER_NAME, self.clock)
        self.sequence, self.until, self.asked = 0, T0, []
        self.noise = np.random.default_rng(4)
        fields = {"utc_ms": round(T0 * 1000), "err_ms": 20, "from": "host"}
        self._store(encode_event(self._key(), 0, "anchor", fields))

    def _key(self) -> FrameKey:
        self.sequence += 1
        return FrameKey(LOGGER, 1, self.sequence - 1)

    def _store(self, frame: bytes) -> None:
        self.ledger.store_frames([(check(frame), frame)], "test")

    def wait(self, seconds: float) -> None:
        """Let time pass: every frame that is full by then has come in."""
        self.clock.at += seconds
        while not self.silent and self.until + TICKS_A_FRAME <= self.clock.at:
            self._frame()

    def _frame(self) -> None:
        t = self.until + np.arange(TICKS_A_FRAME)
        self.until += TICKS_A_FRAME
        hot, cold = np.zeros((2, t.size, len(TABLE)), np.int32)
        box = self.box(t)
        for c, (chip, tc) in enumerate(TABLE):
            true = self.baths[c](t)
            offset, gain = self.errors[c]
            noise = self.noise.normal(0, 0.1 if chip == "max31855" else 0.01, t.size)
            mv = its90.emf(tc, true + offset + gain * true + noise) - its90.emf(tc, box)
            hot[:, c], cold[:, c] = chips.code_from_emf(chip, tc, mv, box)
        uptime = round((t[0] - T0) * 1000)
        self._store(encode_ticks(self._key(), uptime, 1000, TABLE, hot, cold, np.zeros_like(hot)))

    def probe(self, *arguments: str) -> None:
        """Run ``pitscribe probe ...`` in this process, with this kitchen's clock."""
        asked = parser().parse_args(["--home", str(self.home), "probe", *arguments])
        probe_calibrate.run(self.config, asked, clock=self.clock, wait=self.wait, ask=self.answer)

    def answer(self, question: str) -> str:
        """What the person does when asked: see ``moves``."""
        self.asked.append(question)
        return ""
