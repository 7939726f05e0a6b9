"""``pitscribe probe withdraw`` and ``restore``: which records of a probe count, and saying that one does not."""

import argparse
import shlex
from collections.abc import Iterator

from pitscribe.commands.ledgers import open_ledger
from pitscribe.commands.when import local
from pitscribe.config import Config
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Probe, ProbeRecord
from pitscribe.series.known import latest


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Withdraw a record, or take that back, and say what counts now."""
    with open_ledger(config) as ledger:
        probe = ledger.probe(arguments.name)
        if arguments.action == "withdraw":
            record = ledger.withdraw_probe_record(probe.id, arguments.record)
            back = f"pitscribe probe restore {shlex.quote(probe.name)} {record.id}"
            print(f"{_named(record)} of {probe.name!r} is withdrawn; it is kept, and to take that back: {back}")
        else:
            record = ledger.restore_probe_record(probe.id, arguments.record)
            print(f"{_named(record)} of {probe.name!r} is restored")
        print(_now(ledger, probe, record.kind))
        for line in _resting_on(ledger, record):
            print(line)


def superseded(ledger: Ledger, probe: Probe, record: ProbeRecord) -> str | None:
    """What to say of a record that was just written down and does not count, because a later measurement does."""
    counts = latest(ledger, probe, record.kind)
    if counts is None or counts.id == record.id:
        return None
    return (
        f"record {record.id} of {probe.name!r}, measured {local(record.made_ms / 1000)}, is written down, but record "
        f"{counts.id}, measured later ({local(counts.made_ms / 1000)}), still counts; if that one is wrong: "
        f"pitscribe probe withdraw {shlex.quote(probe.name)} {counts.id}"
    )


def _named(record: ProbeRecord) -> str:
    return f"record {record.id} ({record.kind}, measured {local(record.made_ms / 1000)})"


def _now(ledger: Ledger, probe: Probe, kind: str) -> str:
    counts = latest(ledger, probe, kind)
    if counts is None:
        return f"{probe.name!r} has no other {kind} record: none counts now"
    return f"{_named(counts)} counts now"


def _resting_on(ledger: Ledger, record: ProbeRecord) -> Iterator[str]:
    """Comparisons with a probe keep what that probe read by a record of then: what is withdrawn is still in them."""
    if record.kind != "calibration" or record.withdrawn_ms is None:
        return
    for probe in ledger.probes():
        for other in ledger.probe_records(probe.id, "calibration"):
            if (other.body.get("conditions") or {}).get("against_record") == record.id:
                yield f"record {other.id} of {probe.name!r} was compared by it: if that is wrong too, withdraw it also"
