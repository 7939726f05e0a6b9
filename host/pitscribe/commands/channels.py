"""Which channel a probe is on, and what was read there: for who measures the probe itself, apart from any cook."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitscribe.commands.ledgers import meant_logger
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Placement, Probe, ProbeRecord
from pitscribe.metrology.calibration import Through
from pitscribe.metrology.chain import Context, has_reference, read_piece
from pitscribe.metrology.correction import Calibrated
from pitscribe.metrology.coverage import combine
from pitscribe.metrology.flags import usable
from pitscribe.metrology.steady import Steadiness, judge
from pitscribe.metrology.stuck import lively_by_sheet
from pitscribe.metrology.uncertainty import Setup, components
from pitscribe.series import timebases
from pitscribe.wire.frames import TICKS, TickRun, decode_ticks

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int32]


class OnChannel(NamedTuple):
    """A channel of a logger."""

    logger: int
    channel: int

    def __str__(self) -> str:
        return f"channel {self.channel} of logger {self.logger:08x}"


class Readings(NamedTuple):
    """Usable samples of one probe on one channel, in order of time.

    t : float64 (n,), UTC s;  raw_c : before the probe's calibration, float64 (n,) [degC];  celsius : after it
    u : standard uncertainty of each, float64 (n,) [K], without its step and noise;  u_step : of the step alone [K]
    cold_c : terminal block, float64 (n,) [degC];  hot : the chip's codes, int32 (n,)
    lively : whether the chip's noise is so much larger than its step that a live one never rests on a code
    chip, tc : the amplifier and the type it is made or set for
    """

    t: FloatArray
    raw_c: FloatArray
    celsius: FloatArray
    u: FloatArray
    u_step: float
    cold_c: FloatArray
    hot: CodeArray
    lively: bool
    chip: str
    tc: str

    def cut(self, first: int, end: int) -> "Readings":
        """Samples ``first`` to before ``end``."""
        columns = {name: getattr(self, name)[first:end] for name in ("t", "raw_c", "celsius", "u", "cold_c", "hot")}
        return self._replace(**columns)

    def judged(self, drift_k: float) -> Steadiness | None:
        """Whether they are those of a steady bath: ``steady.judge``."""
        return judge(self.t, self.celsius, self.u_step, drift_k, self.hot if self.lively else None)

    def through(self) -> Through:
        """The channel, as a calibration keeps it."""
        return Through(self.chip, self.tc, round(float(self.cold_c.mean()), 3))


class _Piece(NamedTuple):
    """Ticks of one boot and table, their times, and which of them are meant."""

    run: TickRun
    t: FloatArray
    keep: NDArray[np.intp]


def meant_channel(
    ledger: Ledger, probe: Probe, channel: int | None, logger: str | None, at_ms: int | None,
    record: ProbeRecord | None = None,
) -> OnChannel:
    """The channel that was named, or else where a cook has the probe at a time (None: now), or else that of a record.

    Raises ConfigError if there is none of them.
    """
    if channel is not None:
        if not 0 <= channel <= 7:
            raise ConfigError(f"--channel {channel}: channels are 0 to 7")
        return OnChannel(meant_logger(ledger, logger), channel)
    placed = placed_now(ledger, probe, ledger.now_ms() if at_ms is None else at_ms)
    if placed is None and record is not None and record.logger is not None and record.channel is not None:
        return OnChannel(record.logger, record.channel)
    if placed is None:
        raise ConfigError(f"which channel is {probe.name!r} on? no cook has it in a place then; name it: --channel N")
    return OnChannel(placed.logger, placed.channel)


def placed_now(ledger: Ledger, probe: Probe, at_ms: int) -> Placement | None:
    """Where a cook has a probe at a time, UTC ms: the newest cook that says so; None if none does."""
    for cook in ledger.cooks():
        if cook.started_ms > at_ms or (cook.ended_ms is not None and cook.ended_ms < at_ms):
            continue
        for one in reversed(ledger.placements(cook.id)):
            begun = one.since_ms is None or one.since_ms <= at_ms
            if one.probe.id == probe.id and begun and (one.until_ms is None or one.until_ms > at_ms):
                return one
    return None


def read_channel(
    ledger: Ledger, where: OnChannel, probe: Probe, first_s: float, last_s: float, calibrated: Calibrated | None = None
) -> Readings | None:
    """What a probe on a channel read from ``first_s`` to ``last_s`` (UTC s); None if there is nothing usable.

    There is no rule of rate here: a probe that is put from ice into boiling water does what no meat does. Where the
    channel's chip was changed in that time, what the last one read counts.

    Raises ConfigError for a channel without a chip, or a type without a reference function.
    """
    pieces: list[_Piece] = []
    for boot, base in timebases(ledger, where.logger).items():
        for run in _runs(ledger, where.logger, boot, base.uptime(np.array([first_s, last_s]))):
            t = base.utc(run.uptime_ms)
            keep = np.flatnonzero((t >= first_s) & (t <= last_s))
            if keep.size:
                pieces.append(_Piece(run, t, keep))
    if not pieces:
        return None
    pieces.sort(key=lambda piece: float(piece.t[piece.keep[0]]))
    chip, tc = _chip(pieces[-1].run, where)
    alike = [p for p in pieces if where.channel < len(p.run.table) and p.run.table[where.channel] == (chip, tc)]
    # In a bath neither meat nor air does anything to the probe, so nothing is left to allow for.
    setup = Setup(chip, tc, probe.tc, probe.tolerance, "meat", calibrated, air_learned=True)
    if not has_reference(setup):
        raise ConfigError(f"{where}: pitscribe cannot turn type {probe.tc} on a chip for type {tc} into degC")
    return _corrected(setup, where.channel, alike)


def _runs(ledger: Ledger, logger: int, boot: int, uptimes: NDArray[np.float64]) -> Sequence[TickRun]:
    first, last = (int(x) for x in np.nan_to_num(uptimes).tolist())
    frames = ledger.frames(logger, kind=TICKS, boots=[boot], uptime_range=(first - 1000, last + 1000))
    return decode_ticks([frame.frame for frame in frames])


def _chip(run: TickRun, where: OnChannel) -> tuple[str, str]:
    if where.channel >= len(run.table) or run.table[where.channel].chip == "none":
        raise ConfigError(f"{where} has no chip; name another with --channel")
    return run.table[where.channel]


def _corrected(setup: Setup, channel: int, pieces: Sequence[_Piece]) -> Readings | None:
    t = np.concatenate([p.t[p.keep] for p in pieces])
    order = np.unique(t, return_index=True)[1]
    hot, cold, fault = (
        np.concatenate([getattr(p.run, name)[p.keep, channel] for p in pieces])[order]
        for name in ("hot", "cold", "fault")
    )
    reading, marks, _ = read_piece(setup, hot, cold, fault, None, 0.0, Context())
    good = usable(marks) & np.isfinite(reading.celsius)
    if not good.any():
        return None
    parts = components(reading)
    u_step = float(np.median(next(p.u for p in parts if p.name == "quantisation")[good]))
    u = combine([p for p in parts if p.name not in ("quantisation", "chip noise")]).u
    return Readings(t[order][good], reading.raw_c[good], reading.celsius[good], u[good], u_step,
                    reading.cold_c[good], hot[good], lively_by_sheet(setup), setup.chip, setup.tc)
