"""``pitscribe probe``: probes, their history, and how sure one is at a temperature."""

import argparse
import importlib
from pathlib import Path
from typing import NamedTuple

from pitscribe.commands.channels import OnChannel, meant_channel, placed_now
from pitscribe.commands.ledgers import begun_ledger, read_ledger
from pitscribe.commands.probe_measure import counted
from pitscribe.commands.probe_text import budget_lines, fit_lines, history_lines, point_lines
from pitscribe.commands.when import local, parse_temperature
from pitscribe.config import Config
from pitscribe.cook.plain import degrees
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.probebook import TC_LETTERS
from pitscribe.ledger.values import Probe, ProbeRecord
from pitscribe.metrology import its90
from pitscribe.metrology.bothunits import both_units
from pitscribe.metrology.calibration import fit_of, points_of, through_of
from pitscribe.metrology.chips import chip_of
from pitscribe.metrology.flags import COLD_USABLE_C
from pitscribe.metrology.uncertainty import Setup, budget
from pitscribe.report.certificate import DUE_MS, certificate
from pitscribe.report.figures import correction, exact, expanded, signed, size
from pitscribe.series.known import latest

_ELSEWHERE = {"calibrate": "probe_calibrate", "check": "probe_calibrate", "withdraw": "probe_history",
              "restore": "probe_history"}

_LISTED_C = (0.0, 95.0)  # where a list tells a correction: in ice, and where meat is done (32 and 203 F)


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Do what was asked of the probes in the ledger."""
    if module := _ELSEWHERE.get(arguments.action):
        importlib.import_module(f"pitscribe.commands.{module}").run(config, arguments)
        return
    actions = {"add": _add, "list": _list, "show": _show, "budget": _budget}
    with (begun_ledger if arguments.action == "add" else read_ledger)(config) as ledger:
        actions[arguments.action](config, ledger, arguments)


def _add(_config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    tc = arguments.type.upper()
    if tc in tuple(TC_LETTERS) and tc not in its90.KINDS:
        raise ConfigError(
            f"type {tc}: pitscribe has no reference function for it, so it cannot tell its temperature; a channel that "
            f"is set for it is kept as it comes. It takes {', '.join(its90.KINDS)}"
        )
    probe = ledger.add_probe(arguments.name, tc, arguments.tolerance.lower())
    print(f"{probe.name}: type {probe.tc}, class {probe.tolerance}; calibrate it with: "
          f"pitscribe probe calibrate {probe.name!r} --ice")


def _list(config: Config, ledger: Ledger, _arguments: argparse.Namespace) -> None:
    probes = ledger.probes()
    if not probes:
        print("no probe yet; write one down with: pitscribe probe add NAME --type K --tolerance iec-1")
    now = ledger.now_ms()
    for probe in probes:
        placed = placed_now(ledger, probe, now)
        where = "" if placed is None else f"  at {placed.place}, {OnChannel(placed.logger, placed.channel)}"
        print(f"{probe.name:<24}{probe.tc:<3}{probe.tolerance:<15}{_state(ledger, probe, now, config.units)}{where}")


def _state(ledger: Ledger, probe: Probe, now: int, units: str) -> str:
    record = latest(ledger, probe, "calibration")
    if record is None:
        return "not calibrated"
    found = fit_of(record.body, probe.tc, probe.tolerance)
    due = "  calibrate it again: it is over a year" if now > record.made_ms + DUE_MS else ""
    sure = (
        f"{signed(correction(found, at), units)} +/-{size(expanded(found, at), units)} at {degrees(at, units)}"
        for at in _LISTED_C
    )
    return f"{local(record.made_ms / 1000)[:10]}  {', '.join(sure)}{due}"


def _show(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    probe = ledger.probe(arguments.name)
    records = ledger.probe_records(probe.id, withdrawn=True)
    now = latest(ledger, probe, "calibration")
    if arguments.certificate is not None:
        _write_certificate(ledger, probe, now, arguments.certificate, config.units)
        return
    print(f"{probe.name}: type {probe.tc}, class {probe.tolerance}")
    if not records:
        print(f"nothing measured of it yet; begin with: pitscribe probe calibrate {probe.name!r} --ice")
    for line in history_lines(records):
        print(line)
    if now is not None:
        found = fit_of(now.body, probe.tc, probe.tolerance)
        print()
        for line in (*point_lines(points_of(now.body), found, config.units), *fit_lines(found, config.units)):
            print(line)


def _write_certificate(
    ledger: Ledger, probe: Probe, record: ProbeRecord | None, path: Path, units: str
) -> None:
    if record is None:
        raise ConfigError(f"{probe.name!r} has no calibration to certify; make one with: pitscribe probe calibrate")
    text = certificate(probe, record, units=units, now_ms=ledger.now_ms(), when=local)
    path.write_text(text, encoding="utf-8")
    print(f"{path}: certificate of {probe.name!r}, calibration of {local(record.made_ms / 1000)}")


class _Hung(NamedTuple):
    """What a probe hangs on: chip, the type it is set for, the channel."""

    chip: str
    tc: str
    where: OnChannel


def _budget(config: Config, ledger: Ledger, arguments: argparse.Namespace) -> None:
    probe, celsius = ledger.probe(arguments.name), parse_temperature(arguments.temp, config.units)
    cold_c = parse_temperature(arguments.cold, config.units)
    record = latest(ledger, probe, "calibration")
    hung = _hung(ledger, probe, record, arguments)
    known = counted(probe, record, hung.where, ledger.now_ms())
    setup = Setup(hung.chip, hung.tc, probe.tc, probe.tolerance, "air" if arguments.air else "meat", known)
    _check_range(f"{arguments.temp}: type {probe.tc} is known", celsius, its90.limits(probe.tc))
    chip_of(hung.chip)  # or it is none that is known here
    usable = COLD_USABLE_C[hung.chip.partition("-")[0]]
    _check_range(f"--cold {arguments.cold}: a {hung.chip} in the logger's box works", cold_c, usable)
    lines = list(budget_lines(budget(setup, celsius, cold_c=cold_c), config.units))
    state = "not calibrated" if record is None else f"calibrated {local(record.made_ms / 1000)}"
    at = exact(celsius, config.units, 1)
    print(f"{probe.name} at {at}: {hung.where}, {hung.chip} for type {hung.tc}; {state}", *lines, sep="\n")


def _check_range(what: str, celsius: float, ends: tuple[float, float]) -> None:
    low, high = ends
    if not low <= celsius <= high:
        raise ConfigError(f"{what} from {both_units(low)} to {both_units(high)}")


def _hung(ledger: Ledger, probe: Probe, record: ProbeRecord | None, arguments: argparse.Namespace) -> _Hung:
    """By --channel, else where a cook has it now, else what it was calibrated through."""
    now = ledger.now_ms()
    if arguments.channel is None and placed_now(ledger, probe, now) is None and record is not None:
        through = through_of(record.body)
        if through is not None and record.logger is not None and record.channel is not None:
            return _Hung(through.chip, through.tc, OnChannel(record.logger, record.channel))
    where = meant_channel(ledger, probe, arguments.channel, arguments.logger, now)
    found = ledger.channel_table(where.logger).get(where.channel)
    if found is None:
        raise ConfigError(f"{where}: the logger has not said what chip is there; name another with --channel")
    return _Hung(found.chip, found.tc, where)
