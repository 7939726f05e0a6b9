"""Measuring a probe at fixed points and beside another probe: what was asked for -> points, and where they are from."""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from pitscribe.commands.baths import Bath, Live, Read, Window, levels, only_one, steady_windows, until_steady
from pitscribe.commands.channels import OnChannel, Readings, meant_channel, read_channel
from pitscribe.commands.placing import warn, warn_of_type
from pitscribe.commands.quantities import parse_altitude, parse_pressure
from pitscribe.commands.when import local, parse_past
from pitscribe.errors import CalibrationError, ConfigError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Probe, ProbeRecord
from pitscribe.metrology.calibration import CHIP_GAIN_PART, CHIP_LIMIT_K, Point, Through, fit
from pitscribe.metrology.correction import Calibrated
from pitscribe.metrology.fixpoints import (
    CAUTION_BOIL,
    CAUTION_ICE,
    FixedPoint,
    boiling_point,
    ice_point,
    sea_level_suspicion,
)
from pitscribe.metrology.steady import DRIFT_K
from pitscribe.metrology.tolerance import gain_limit, tolerance_limit
from pitscribe.report.figures import exact, size
from pitscribe.series.known import calibrated, latest

BESIDE_LIMIT_K = 0.1  # two tips in one stirred bath or one block, half width; our allowance, no source

HOW = {
    "ice": "Crush ice of clean water, fill a deep cup with it, add just enough cold water to fill the gaps, and put "
    f"the tip in the middle, off the walls and the bottom. Stir, and go on stirring. {CAUTION_ICE}",
    "boil": f"Bring clean water to a hard boil and hold the tip 5 cm (2 in) under, off the bottom. {CAUTION_BOIL}",
    "beside": "Tie both tips together in one stirred bath or one block of metal. Hot water and metal burn: use tongs.",
}
WHAT = {"ice": "the ice bath", "boil": "the boiling water", "beside": "the bath"}


@dataclass(frozen=True, slots=True)
class Measured:
    """Points, the channel and chip that they were read through, and what else was so."""

    points: list[Point]
    where: OnChannel
    through: Through | None
    conditions: dict[str, Any]


@dataclass
class Measuring:
    """One measurement on its way. ``arguments`` are those of ``probe calibrate`` or ``probe check``.

    record : the calibration whose channel is meant where nobody says another
    """

    ledger: Ledger
    arguments: argparse.Namespace
    probe: Probe
    live: Live
    ask: Callable[[str], str]
    record: ProbeRecord | None = None
    conditions: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.span = self._span()
        self.at_ms = self.ledger.now_ms() if self.span is None else round(self.span[1] * 1000)
        a = self.arguments
        self.where = meant_channel(self.ledger, self.probe, a.channel, a.logger, self.at_ms, self.record)
        warn_of_type(self.ledger.channels(self.where.logger), self.where.channel, self.probe.tc, "this")

    def _span(self) -> tuple[float, float] | None:
        """``--from`` and ``--to`` in UTC s; None: measure now."""
        a, now = self.arguments, self.live.now()
        if a.since is None:
            if a.until is not None:
                raise ConfigError("--to goes with --from")
            return None
        first = parse_past(a.since, now)
        last = now if a.until is None else parse_past(a.until, now)
        if not first < last <= first + 86_400:
            span = f"--from {a.since} --to {a.until or 'now'}"
            raise ConfigError(f"{span}: must be a span of up to a day, the earlier time first")
        return first, last

    def calibration(self) -> Measured:
        """All the points that were asked for, one after the other. Raises CalibrationError, NotFoundError."""
        fixed = self._fixed_points()
        other = self._other() if self.arguments.against else None
        points: list[Point] = []
        through = None
        for one in fixed:
            window = self.fixed(one)
            points.append(self._sound(window, one.kind, one.celsius, one.u, 0.0))
            through = window.readings.through()
        if other:
            windows = self._levels(other)
            points += self._beside(windows, other)
            through = windows[-1].readings.through()
        return Measured(points, self.where, through, self.conditions)

    def fixed(self, one: FixedPoint, known: Calibrated | None = None) -> Window:
        """The steady stretch at a fixed point: waited for, or found in what is recorded."""
        read = self._reader(self.probe, self.where, known)
        if self.span is None:
            self._invite(HOW[one.kind], self.where)
            return until_steady(self.live, [read], WHAT[one.kind], _small(one.u))
        readings = read(*self.span)
        if readings is None:
            raise NotFoundError(f"{self.where} has nothing usable {self._when()}")
        bath = Bath(one.celsius, farthest(self.probe, one.celsius), _small(one.u), WHAT[one.kind])
        window = only_one(steady_windows(readings, bath.drift_k), bath, self.live.units)
        if window is None:
            raise CalibrationError(
                f"{self.where} was never steady {self._when()}: stir well, and leave the tip in longer"
            )
        return window

    def _fixed_points(self) -> list[FixedPoint]:
        a = self.arguments
        pressure = None if a.pressure is None else parse_pressure(a.pressure)
        altitude = None if a.altitude is None else parse_altitude(a.altitude)
        if not a.boil and (pressure is not None or altitude is not None):
            raise ConfigError("--pressure and --altitude say at what water boils: they go with --boil")
        points = [ice_point()] if a.ice else []
        if a.boil:
            if pressure is None and altitude is None:
                raise ConfigError(
                    "water boils by the pressure: add --pressure 834hPa (the station's own) or --altitude 1609m"
                )
            points.append(boiling_point(pressure_pa=pressure, altitude_m=altitude))
            if pressure is not None and (doubt := sea_level_suspicion(pressure, altitude)):
                warn(doubt)
            self.conditions |= {"pressure_pa": pressure, "altitude_m": altitude}
            units = self.live.units
            boils, sure = exact(points[-1].celsius, units), size(2 * points[-1].u, units)
            self.live.say(f"at the tip water boils at {boils} there, give or take {sure}")
        return points

    def _other(self) -> "_Other":
        a = self.arguments
        probe = self.ledger.probe(a.against)
        if probe.id == self.probe.id:
            raise ConfigError(f"--against {a.against}: that is the probe that is to be calibrated")
        where = meant_channel(self.ledger, probe, a.against_channel, a.logger, self.at_ms)
        if where == self.where:
            raise ConfigError(f"--against {a.against}: both probes cannot be on {where}; give --against-channel")
        warn_of_type(self.ledger.channels(where.logger), where.channel, probe.tc, "this")
        record = latest(self.ledger, probe, "calibration")
        self.conditions |= {"against": probe.name, "against_record": None if record is None else record.id}
        if record is None:
            warn(f"{probe.name!r} was never calibrated: the comparison is no better than its class, {probe.tolerance}")
        return _Other(probe, where, counted(probe, record, where, self.at_ms))

    def _levels(self, other: "_Other") -> list[Window]:
        mine, beside = self._reader(self.probe, self.where), self._reader(*other)
        if self.span is not None:
            readings, others = mine(*self.span), beside(*self.span)
            if readings is None or others is None:
                where = self.where if readings is None else other.where
                raise NotFoundError(f"{where} has nothing usable {self._when()}")
            found = levels(steady_windows(readings, _small(BESIDE_LIMIT_K), others))
            if not found:
                raise CalibrationError(
                    f"the two probes were never steady together {self._when()}: stir well, and wait longer"
                )
            return found
        count, found = self.arguments.levels, []
        for number in range(count):
            self._invite(HOW["beside"] + (f" (level {number + 1} of {count})" if count > 1 else ""),
                         self.where, other.where)
            found.append(until_steady(self.live, [mine, beside], WHAT["beside"], _small(BESIDE_LIMIT_K)))
        return found

    def _reader(self, probe: Probe, where: OnChannel, known: Calibrated | None = None) -> Read:
        def read(first: float, last: float) -> Readings | None:
            return read_channel(self.ledger, where, probe, first, last, known)

        return read

    def _beside(self, windows: Sequence[Window], other: "_Other") -> list[Point]:
        """The points of a comparison: what the reference is out by is shared by all of them, but for its gain.

        A gain is one error as well, which goes with the temperature. An error of this size in each point by itself
        leaves the fitted gain just as uncertain: u_gain^2 = u^2 / sum (x - mean x)^2 (GUM H.3).
        """
        seen = [window.beside for window in windows if window.beside is not None]
        means = np.array([sure.mean for _, sure in seen])
        tilt = gain_u(other.probe, other.known) * float(np.linalg.norm(means - means.mean()))
        points = []
        for window, (readings, sure) in zip(windows, seen, strict=True):
            own = float(np.linalg.norm((sure.u, BESIDE_LIMIT_K / 3**0.5, tilt)))
            shared = max(float(readings.u.mean()) ** 2 - tilt**2, 0.0) ** 0.5
            points.append(self._sound(window, "beside", sure.mean, own, shared))
        return points

    def _sound(self, window: Window, kind: str, reference: float, u: float, shared: float) -> Point:
        """A point, if it is one that a calibration can be made of: told at once, not after the next bath."""
        one, t = window.steadiness, window.readings.t
        first, last = (round(x * 1000) for x in t[[0, -1]].tolist())
        through = window.readings.through()
        point = Point(kind, one.mean, one.u, one.dof, reference, u, shared, one.n, first, last, through.cold_c)
        fit([point], self.probe.tc, self.probe.tolerance, through=through)
        return point

    def _invite(self, how: str, *channels: OnChannel) -> None:
        self.live.say(how)
        self.ask("Press Enter when the tip is in. ")
        self.live.say(f"waiting for {' and '.join(map(str, channels))}: readings come every half minute or so")

    def _when(self) -> str:
        assert self.span is not None
        return f"from {local(self.span[0])} to {local(self.span[1])}"


def _small(u_k: float) -> float:
    """How much drift is small against a reference that is good to ``u_k``: our judgement."""
    return min(max(DRIFT_K, 1.5 * u_k), 2 * DRIFT_K)


class _Other(NamedTuple):
    """The probe that this one is compared with, and what is known of it."""

    probe: Probe
    where: OnChannel
    known: Calibrated | None


def counted(probe: Probe, record: ProbeRecord | None, where: OnChannel, at_ms: int) -> Calibrated | None:
    """A calibration, if there is one, as it counts on a channel at a time, UTC ms."""
    if record is None:
        return None
    return calibrated(probe, record, (record.logger, record.channel) == where, at_ms)


def gain_u(probe: Probe, known: Calibrated | None) -> float:
    """What a reference's own gain may be, its wire's and its chip's, as a standard uncertainty [K/K]."""
    if known is None:
        wire = gain_limit(probe.tc, probe.tolerance) / 3**0.5
    else:
        wire = float(np.sqrt(known.fit.covariance[2]))
        if known.here and known.fit.borne:  # found through that very chip
            return wire
    return float(np.hypot(wire, CHIP_GAIN_PART / 3**0.5))


def farthest(probe: Probe, celsius: float) -> float:
    """How far a probe on a chip may be off at all [K]."""
    return 2 * float(tolerance_limit(probe.tc, probe.tolerance, np.array([celsius]))[0]) + CHIP_LIMIT_K
