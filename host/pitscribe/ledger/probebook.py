"""Probes in the ledger, and each one's history: what was measured of it, never what was computed from that."""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.checks import checked_text, checked_time, name_of
from pitscribe.ledger.store import Store, plain_text
from pitscribe.ledger.values import PROBE_RECORD_KINDS, Probe, ProbeRecord

TC_LETTERS = "BEJKNRST"
MEASURED_TC = "EJKNRST"  # those that metrology has a reference function of
TOLERANCES = ("iec-1", "iec-2", "astm-special", "astm-standard")
PLAIN_TOLERANCE = "iec-2"  # the widest class of the standard: what one may assume of a probe that nobody described

_PROBE = "SELECT id, name, tc, tolerance FROM probes "
_RECORD = (
    "SELECT id, probe_id, kind, made_ms, entered_ms, logger, channel, remark, body, withdrawn_ms FROM probe_records "
)


class Probebook(Store):
    """The part of the ledger that knows probes. Every ``made`` is whole ms UTC."""

    def add_probe(self, name: str, tc: str, tolerance: str = PLAIN_TOLERANCE) -> Probe:
        """Write down a probe; its name must be new, and no mere type letter."""
        name = checked_text(name_of(name), "the probe's name", 200)
        if len(name) == 1 and name in TC_LETTERS:
            raise ConfigError(f"a probe cannot be called {name}: that is a type; give it a name of its own")
        if tc not in TC_LETTERS or len(tc) != 1:
            raise ConfigError(f"probe {name!r}: type {tc!r} is not one of {', '.join(TC_LETTERS)}")
        if tolerance not in TOLERANCES:
            raise ConfigError(f"probe {name!r}: tolerance {tolerance!r} is not one of {', '.join(TOLERANCES)}")
        with self._write() as db:
            if db.execute("SELECT 1 FROM probes WHERE name = ?", (name,)).fetchone():
                raise ConfigError(f"there is a probe {name!r} already; give another name")
            made = db.execute("INSERT INTO probes (name, tc, tolerance) VALUES (?, ?, ?)", (name, tc, tolerance))
            return Probe(int(made.lastrowid or 0), name, tc, tolerance)

    def probes(self) -> list[Probe]:
        """Every probe, in the order in which they were written down."""
        return [Probe(*row) for row in self._read(_PROBE + "ORDER BY id")]

    def probe(self, name: str) -> Probe:
        """The probe of a name. NotFoundError if there is none."""
        rows = self._read(_PROBE + "WHERE name = ?", (name_of(name),))
        if not rows:
            raise NotFoundError(f"there is no probe {name!r}; see: pitscribe probe list")
        return Probe(*rows[0])

    def channel_probe(self, tc: str, logger: int, channel: int) -> Probe:
        """The nameless probe of a type on a channel, written down under the channel's name if it is not yet."""
        if len(tc) == 1 and tc in TC_LETTERS and tc not in MEASURED_TC:
            known = ", ".join(MEASURED_TC)
            raise ConfigError(
                f"channel {channel} of {logger:08x}: pitscribe cannot turn type {tc} into degC yet, only {known}; "
                "its readings are kept all the same"
            )
        name = f"{tc} on {logger:08x}/{channel}"
        rows = self._read(_PROBE + "WHERE name = ?", (name,))
        return Probe(*rows[0]) if rows else self.add_probe(name, tc)

    def add_probe_record(
        self,
        probe_id: int,
        kind: str,
        made: int,
        body: Mapping[str, Any],
        *,
        channel: tuple[int, int] | None = None,
        remark: str = "",
    ) -> ProbeRecord:
        """Add to a probe's history what was measured of it at ``made``; ``channel``: (logger, channel), if through one.

        Raises NotFoundError for an unknown probe, ConfigError for what cannot be kept.
        """
        if kind not in PROBE_RECORD_KINDS:
            raise ConfigError(f"record kind {kind!r} is not one of {', '.join(PROBE_RECORD_KINDS)}")
        if channel is not None and not 0 <= channel[1] <= 7:
            raise ConfigError(f"channel {channel[1]} is not one of 0 to 7")
        checked_time("the time of a record", made)
        remark = plain_text(remark).strip()
        if len(remark) > 4000 or not "".join(remark.split()).isprintable():
            raise ConfigError("a remark may have up to 4000 letters, signs and line ends, and no control characters")
        text = json.dumps(dict(body), allow_nan=False, separators=(",", ":"))
        with self._write() as db:
            if not db.execute("SELECT 1 FROM probes WHERE id = ?", (probe_id,)).fetchone():
                raise NotFoundError(f"there is no probe of number {probe_id}")
            if channel is not None:
                db.execute("INSERT INTO loggers (logger) VALUES (?) ON CONFLICT DO NOTHING", (channel[0],))
            row = db.execute(
                "INSERT INTO probe_records (probe_id, kind, made_ms, entered_ms, logger, channel, remark, body) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (probe_id, kind, made, self.now_ms(), *(channel or (None, None)), remark, text),
            )
            return _record(self._read(_RECORD + "WHERE id = ?", (int(row.lastrowid or 0),))[0])

    def probe_records(self, probe_id: int, kind: str | None = None, *, withdrawn: bool = False) -> list[ProbeRecord]:
        """A probe's history, or one kind of it, the oldest measurement first; ``withdrawn``: those as well."""
        rows = self._read(_RECORD + "WHERE probe_id = ? ORDER BY made_ms, id", (probe_id,))
        records = [_record(row) for row in rows if kind is None or row[2] == kind]
        return [record for record in records if withdrawn or record.withdrawn_ms is None]

    def withdraw_probe_record(self, probe_id: int, record_id: int) -> ProbeRecord:
        """Say that a record of a probe was wrong: it no longer counts, and it is kept.

        Raises NotFoundError if the probe has no such record, ConfigError if it is withdrawn already.
        """
        return self._set_withdrawn(probe_id, record_id, self.now_ms())

    def restore_probe_record(self, probe_id: int, record_id: int) -> ProbeRecord:
        """Take a withdrawal back: the record counts as it did. Errors as for ``withdraw_probe_record``."""
        return self._set_withdrawn(probe_id, record_id, None)

    def _set_withdrawn(self, probe_id: int, record_id: int, at_ms: int | None) -> ProbeRecord:
        with self._write() as db:
            known = {record.id: record for record in self.probe_records(probe_id, withdrawn=True)}
            if record_id not in known:
                has = ", ".join(str(number) for number in sorted(known)) or "none"
                raise NotFoundError(f"there is no record {record_id} of this probe; it has {has}")
            old = known[record_id]
            if (old.withdrawn_ms is None) == (at_ms is None):
                raise ConfigError(f"record {record_id} is {'not withdrawn' if at_ms is None else 'withdrawn already'}")
            db.execute("UPDATE probe_records SET withdrawn_ms = ? WHERE id = ?", (at_ms, record_id))
            return replace(old, withdrawn_ms=at_ms)


def _record(row: Any) -> ProbeRecord:
    *known, body, withdrawn_ms = row
    return ProbeRecord(*[*known, json.loads(body), withdrawn_ms])
