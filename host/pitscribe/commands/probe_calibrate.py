"""``pitscribe probe calibrate`` and ``check``: ice, boiling water, another probe beside it, or figures of one's own."""

import argparse
import sys
import time
from collections.abc import Callable

import numpy as np

from pitscribe.clock import Clock
from pitscribe.commands.baths import Live
from pitscribe.commands.ledgers import open_ledger
from pitscribe.commands.probe_history import superseded
from pitscribe.commands.probe_measure import Measured, Measuring, counted
from pitscribe.commands.probe_text import check_lines, fit_lines, point_lines
from pitscribe.commands.probe_told import check_unused, told_ms, told_points
from pitscribe.commands.when import local
from pitscribe.config import Config
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Probe
from pitscribe.metrology.calibration import Point, body_of, fit
from pitscribe.metrology.fixpoints import ice_point
from pitscribe.series.known import latest


def run(
    config: Config,
    arguments: argparse.Namespace,
    *,
    clock: Clock | None = None,
    wait: Callable[[float], None] = time.sleep,
    ask: Callable[[str], str] | None = None,
) -> None:
    """Calibrate a probe, or check it against ice. ``wait`` lets time pass [s], ``ask`` waits for the person."""
    with open_ledger(config, clock) as ledger:
        live = Live(lambda: ledger.now_ms() / 1000, wait, lambda text: print(text, flush=True), config.units)
        probe = ledger.probe(arguments.name)
        action = _check if arguments.action == "check" else _calibrate
        action(ledger, arguments, probe, live, ask or _ask)


def _ask(question: str) -> str:
    if not sys.stdin.isatty():
        return ""
    try:
        return input(question)
    except EOFError:
        return ""


def _calibrate(
    ledger: Ledger, a: argparse.Namespace, probe: Probe, live: Live, ask: Callable[[str], str]
) -> None:
    if not (a.ice or a.boil or a.against or a.point):
        raise ConfigError("say what to calibrate with: --ice, --boil, --against OTHER or --point TRUE=READ")
    if not a.point:
        check_unused(a)
    if a.since is None and ask is _ask and not sys.stdin.isatty() and _points_asked(a) > 1:
        raise ConfigError(
            "several points one after the other need somebody at the keyboard; without, leave the probe in each bath "
            "while `pitscribe serve` runs, then calibrate with --from and --to"
        )
    measured = None if a.point else Measuring(ledger, a, probe, live, ask).calibration()
    points = told_points(a, live.units) if measured is None else measured.points
    through = None if measured is None else measured.through
    gain = True if a.gain else False if a.offset else None
    found = fit(points, probe.tc, probe.tolerance, gain=gain, through=through)
    for line in (*point_lines(points, found, live.units), *fit_lines(found, live.units)):
        print(line)
    if a.dry_run:
        print("nothing was written down (--dry-run)")
    else:
        _keep(ledger, a, probe, points, measured, gain)


def _points_asked(a: argparse.Namespace) -> int:
    return int(a.ice) + int(a.boil) + (a.levels if a.against else 0)


def _keep(
    ledger: Ledger, a: argparse.Namespace, probe: Probe, points: list[Point], measured: Measured | None,
    gain: bool | None,
) -> None:
    ends = [point.to_ms for point in points if point.to_ms is not None]
    made = max(ends) if ends else told_ms(a, ledger.now_ms())
    through, conditions = (None, {}) if measured is None else (measured.through, measured.conditions)
    record = ledger.add_probe_record(
        probe.id, "calibration", made, body_of(points, through, conditions, gain),
        channel=None if measured is None else measured.where, remark=a.remark or "",
    )
    written = f"written down as record {record.id} of {probe.name!r}, measured {local(made / 1000)}"
    print(superseded(ledger, probe, record) or written)


def _check(ledger: Ledger, a: argparse.Namespace, probe: Probe, live: Live, ask: Callable[[str], str]) -> None:
    """A quick ice check against what is known of the probe."""
    record, ice = latest(ledger, probe, "calibration"), ice_point()
    work = Measuring(ledger, a, probe, live, ask, record)
    live.say(f"{probe.name}: {work.where}")
    window = work.fixed(ice, counted(probe, record, work.where, work.at_ms))
    sure, readings = window.steadiness, window.readings
    # Nonsense is refused here with its reason, as it is in a calibration.
    raw = Point("ice", float(readings.raw_c.mean()), sure.u, sure.dof, ice.celsius, ice.u)
    fit([raw], probe.tc, probe.tolerance)  # by its class alone: it may well have drifted beyond what a channel explains
    u = float(np.hypot(readings.u.mean(), sure.u))
    for line in check_lines(probe, sure.mean, u, ice.u, record, live.units):
        print(line)
