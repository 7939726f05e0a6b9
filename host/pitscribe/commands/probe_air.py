"""``pitscribe probe learn-air`` and ``plunge``: what stem and lag do to an air probe, and how slow a junction is."""

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from pitscribe.commands.channels import meant_channel, read_channel
from pitscribe.commands.ledgers import meant_cook, open_ledger
from pitscribe.commands.placing import warn_of_type
from pitscribe.commands.probe_history import superseded
from pitscribe.commands.when import local, parse_past
from pitscribe.config import Config
from pitscribe.cook.plain import difference, signed, span
from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook, Placement, Probe
from pitscribe.metrology import airprobe, plunge
from pitscribe.metrology.airlearn import Learned, learn
from pitscribe.metrology.airprobe import Track
from pitscribe.metrology.coverage import student_95
from pitscribe.metrology.uncertainty import Setup
from pitscribe.series import CookRecord, Reader, Series, Stretch


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Learn, or rate."""
    with open_ledger(config) as ledger:
        probe = ledger.probe(arguments.name)
        action = {"learn-air": _learn_air, "plunge": _plunge}[arguments.action]
        for line in action(config, ledger, probe, arguments):
            print(line)


class _Stood(NamedTuple):
    """Where a probe stood in a span: its placement, what its channel was, its usable readings, and the correction of
    its calibration that is in them, in the middle of their range [K]."""

    placement: Placement
    setup: Setup
    track: Track
    calibration_k: float


class _Asked(NamedTuple):
    """The cook, and the span of it [UTC s]."""

    cook: Cook
    first: float
    last: float


def _learn_air(config: Config, ledger: Ledger, probe: Probe, a: argparse.Namespace) -> Iterator[str]:
    asked = _asked(ledger, a)
    reader = Reader(ledger, asked.cook.id)
    record, stretches = reader.read(), reader.stretches()
    air = [s for s in stretches if s.placement.kind == "air"]
    thick = _stood(record, air, asked, f"probe {probe.name!r}", lambda one: one.probe.id == probe.id)
    beside = _stood(record, air, asked, f"--beside {a.beside}", lambda one: one.place == a.beside)
    if beside.placement.probe.id == probe.id:
        raise ConfigError(f"--beside {a.beside}: that is {probe.name!r} itself; name the place of the thin junction")
    base = None if a.base is None else _base(record, a.base, asked)
    found = learn(
        thick.track, beside.track, base, base_place=a.base, noise=airprobe.noise_of(thick.setup),
        reference_u=airprobe.constant_u(replace(beside.setup, air_learned=True), float(beside.track.celsius.mean())),
    )
    yield from _told(found, thick, a.beside, asked, config.units)
    if a.dry_run:
        yield "nothing was written down (--dry-run)"
        return
    one = thick.placement
    kept = ledger.add_probe_record(
        probe.id, "air", round(1000 * float(thick.track.t[-1])), _body(found, thick, beside, asked, a),
        channel=(one.logger, one.channel), remark=a.remark or "",
    )
    shown = "where it is in the air, its place now shows the corrected series"
    yield superseded(ledger, probe, kept) or f"kept as record {kept.id} of {probe.name}: {shown}"


def _asked(ledger: Ledger, a: argparse.Namespace) -> _Asked:
    cook, now = meant_cook(ledger, a.cook), ledger.now_ms() / 1000
    about = now if cook.ended_ms is None else min(now, cook.ended_ms / 1000)
    first = cook.started_ms / 1000 if a.since is None else parse_past(a.since, about)
    last = about if a.until is None else parse_past(a.until, about)
    if last <= first:
        raise ConfigError(f"the span ends ({local(last)}) before it begins ({local(first)})")
    return _Asked(cook, first, last)


def _stood(record: CookRecord, stretches: Sequence[Stretch], asked: _Asked, what: str, meant: Any) -> _Stood:
    """The readings of one air placement, as the junction has them. ConfigError if it is none, or more than one."""
    mine = [s for s in stretches if meant(s.placement)]
    if not mine:
        places = ", ".join(dict.fromkeys(f"{s.placement.place} ({s.placement.probe.name})" for s in stretches))
        raise NotFoundError(f"{what} is at no air place of cook {asked.cook.name!r}; it has {places or 'none'}")
    cut = [(s, _cut(record, s, asked)) for s in mine]
    seen = [(s, track) for s, track in cut if track.t.size]
    if not seen:
        raise NotFoundError(f"{what}: there are no usable readings from {local(asked.first)} to {local(asked.last)}")
    if len({(s.placement.logger, s.placement.channel, s.placement.place, s.strand.setup) for s, _ in seen}) > 1:
        raise ConfigError(f"{what} was moved or changed in this span: choose --from and --to so that it stays")
    t, celsius, u = (np.concatenate(columns) for columns in zip(*(track for _, track in seen), strict=True))
    order = np.argsort(t, kind="stable")
    last, calibration_k = seen[-1][0], 0.0
    if (applied := last.strand.setup.calibrated) is not None:
        middle = np.array([(celsius.min() + celsius.max()) / 2])
        calibration_k = float(applied.fit.correction(middle)[0])
    return _Stood(last.placement, last.strand.setup, Track(t[order], celsius[order], u[order]), calibration_k)


def _cut(record: CookRecord, stretch: Stretch, asked: _Asked) -> Track:
    """A stretch's readings in the span, less those that the gate has judged unusable once all places were known."""
    place = stretch.placement.place
    series = next(s for s in (*record.as_read, *record.air) if s.place == place)
    return _within(series.rows(np.flatnonzero(np.isin(series.t, stretch.strand.views()[0]))), asked)


def _within(series: Series, asked: _Asked) -> Track:
    return series.rows(np.flatnonzero((series.t >= asked.first) & (series.t <= asked.last))).track()


def _base(record: CookRecord, place: str, asked: _Asked) -> Track:
    for series in record.meat:
        if series.place == place:
            return _within(series, asked)
    known = ", ".join(s.place for s in record.meat)
    raise NotFoundError(f"--base {place}: cook {asked.cook.name!r} has no such meat place; it has {known or 'none'}")


def _body(found: Learned, thick: _Stood, beside: _Stood, asked: _Asked, a: argparse.Namespace) -> dict[str, Any]:
    """The figures, and the span that they are from, so that they can be learned again by whoever has its frames."""
    seen = {name: getattr(found, name) for name in ("raw_rms", "corrected_rms", "samples", "independent", "swing")}
    return {
        **airprobe.body_of(found.model),
        "calibration_k": thick.calibration_k,
        "span": {
            "cook": asked.cook.id, "cook_name": asked.cook.name, "place": thick.placement.place, "beside": a.beside,
            "reference": beside.placement.probe.name, "base": a.base,
            "from_ms": round(1000 * asked.first), "to_ms": round(1000 * asked.last),
        },
        "seen": seen,
    }


def _told(found: Learned, thick: _Stood, beside: str, asked: _Asked, units: str) -> Iterator[str]:
    model = found.model
    k = float(student_95(np.array([model.dof]))[0])
    u_offset, u_kappa, u_lag = (k * u for u in model.u)
    yield (
        f"{thick.placement.place} beside {beside}, {local(asked.first)} to {local(asked.last)}: "
        f"{found.samples} readings, worth {found.independent:.0f} independent ones; "
        f"the pit swung by {difference(found.swing, units)}"
    )
    if model.base is None:
        yield "stem: none was learned; what it does is in the offset, as long as what it sits in stays as warm"
    else:
        share = model.kappa / (1 + model.kappa)
        yield (
            f"stem: the junction takes {100 * share:.1f} % of {model.base}; add {model.kappa:.3f} +/- {u_kappa:.3f} of "
            f"what it reads above {model.base}"
        )
    yield f"lag: {model.lag:.0f} s +/- {u_lag:.0f} times the slope (the junction's time constant: {model.tau:.0f} s)"
    yield (
        f"offset: {signed(model.offset, units)} +/- {difference(u_offset, units)}; the reference itself may be off by "
        f"{difference(2 * model.reference_u, units)}"
    )
    yield (
        f"RMS difference from {beside} in this span: {difference(found.raw_rms, units)} as read, "
        f"{difference(found.corrected_rms, units)} corrected (+/- is for 95 %)"
    )


def _plunge(config: Config, ledger: Ledger, probe: Probe, a: argparse.Namespace) -> Iterator[str]:
    now = ledger.now_ms() / 1000
    first, last = parse_past(a.since, now), now if a.until is None else parse_past(a.until, now)
    if not 0 < last - first <= 3600:
        raise ConfigError("--from and --to: a plunge lies between them, and they are at most an hour apart")
    where = meant_channel(ledger, probe, a.channel, a.logger, round(1000 * first))
    warn_of_type(ledger.channels(where.logger), where.channel, probe.tc, "this")
    seen = read_channel(ledger, where, probe, first, last)
    if seen is None:
        raise NotFoundError(f"{where}: there are no usable readings from {local(first)} to {local(last)}")
    noise = airprobe.noise_of(Setup(seen.chip, seen.tc, probe.tc, probe.tolerance, "meat"))
    found = plunge.time_constant(seen.t, seen.celsius, noise)
    yield (
        f"{probe.name}: 63.2 % of the step after {found.tau:.2f} s +/- {2 * found.u:.2f} (95 %), from {found.samples} "
        "readings on the way"
    )
    if not found.single:
        yield (
            f"but this is no single exponential: it leaves {100 * found.misfit:.1f} % of the step; was the water "
            "stirred, and the probe in as deep as it is used?"
        )
    low, high = (factor * found.tau for factor in plunge.SLOWER_IN_AIR)
    yield (
        f"that is in stirred water; a smoker's air of 1 m/s makes a junction some 40 to 100 times slower: {span(low)} "
        f"to {span(high)} (makers' figures in water against computed ones in air, SOURCES.md section 5)"
    )
    if a.dry_run:
        yield "nothing was written down (--dry-run)"
        return
    kept = ledger.add_probe_record(
        probe.id, "plunge", round(1000 * float(seen.t[-1])), plunge.body_of(found, seen.t, seen.celsius),
        channel=(where.logger, where.channel), remark=a.remark or "",
    )
    yield superseded(ledger, probe, kept) or f"kept as record {kept.id} of {probe.name}"
