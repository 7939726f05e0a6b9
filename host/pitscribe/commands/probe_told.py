"""``--point``: what a person's own instrument showed of a probe, and how far that may be off -> points."""

import argparse

import numpy as np

from pitscribe.commands.quantities import parse_difference
from pitscribe.commands.when import parse_past, parse_temperature
from pitscribe.errors import ConfigError
from pitscribe.metrology.bothunits import both_sizes
from pitscribe.metrology.calibration import Point

# Half width of what a person's own instrument may be off, if they do not say; the least that is taken; and how far
# apart two temperatures are where its errors differ by as much as each of them may be. Our allowances, no source.
TOLD_LIMIT_K, LEAST_LIMIT_K, TILT_SPAN_K = 0.5, 0.01, 100.0

_ELSEWHERE = ("ice", "boil", "against", "pressure", "altitude", "against_channel", "channel", "logger", "until")


def told_points(a: argparse.Namespace, units: str) -> list[Point]:
    """The points of ``--point TRUE=READ``, all of one instrument. Raises ConfigError.

    What it may be off by is one error, common to all of them (GUM 5.2.4, F.1.2.3): the same figures typed again say
    nothing more. But for a part that goes with the temperature, its gain, which enters each point so that the gain that
    is fitted is as uncertain: u_gain^2 = u^2 / sum (x - mean x)^2 (GUM H.3). Each figure is read to a digit (F.2.2.1).
    """
    given = [name for name in _ELSEWHERE if getattr(a, name) is not None and getattr(a, name) is not False]
    if a.levels != 1:
        given.append("levels")
    if given:
        option = "to" if given[0] == "until" else given[0].replace("_", "-")
        raise ConfigError(
            "--point is for an instrument of your own, apart from ice, boil, against and every channel: leave out "
            f"--{option}"
        )
    shared = _limit(a.give_or_take, units) / 3**0.5
    rows = list(dict.fromkeys(_row(text, units) for text in a.point))
    true = np.array([row[0] for row in rows])
    tilt = shared / TILT_SPAN_K * float(np.linalg.norm(true - true.mean()))
    return [
        Point("told", read, digit, float("inf"), reference, float(np.hypot(digit, tilt)), shared)
        for reference, read, digit in rows
    ]


def told_ms(a: argparse.Namespace, now_ms: int) -> int:
    """When that was, UTC ms: ``--from``, or now."""
    return now_ms if a.since is None else round(1000 * parse_past(a.since, now_ms / 1000))


def check_unused(a: argparse.Namespace) -> None:
    """Refuse what would be passed over without a word where nothing was told. Raises ConfigError."""
    if a.give_or_take is not None:
        raise ConfigError("--give-or-take says how far a --point may be off: it goes with --point")
    if not a.against and (a.against_channel is not None or a.levels != 1):
        raise ConfigError(f"{'--levels' if a.levels != 1 else '--against-channel'} goes with --against")
    if a.since is not None and a.levels != 1:
        raise ConfigError("--levels is how often to wait for a bath; with --from every level that was steady is taken")


def _limit(text: str | None, units: str) -> float:
    limit = TOLD_LIMIT_K if text is None else parse_difference(text, units)
    if limit < LEAST_LIMIT_K:
        least = both_sizes(LEAST_LIMIT_K, 3)
        raise ConfigError(f"--give-or-take {text}: must be {least} or more; no thermometer of a kitchen is that good")
    return limit


def _row(text: str, units: str) -> tuple[float, float, float]:
    """``32=33.4``: what is true, what the probe's own instrument showed [degC], and 0.29 of the finer digit [K]."""
    true, mark, read = text.partition("=")
    if not mark:
        raise ConfigError(f"--point {text}: write TRUE=READ, as in 32F=33.4F")
    digit = min(_digit(true, units), _digit(read, units))
    return parse_temperature(true, units), parse_temperature(read, units), digit / 12**0.5


def _digit(text: str, units: str) -> float:
    """The last digit that is written [K]."""
    number = text.strip().rstrip("CcFf° ")
    unit = units if number == text.strip() else text.strip()[-1]
    return 10.0 ** -len(number.partition(".")[2]) / (1.8 if unit.upper() == "F" else 1.0)
