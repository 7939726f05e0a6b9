"""``pitscribe replay``: what the analysis says of a cook or a CSV, walked through forward, never looking ahead."""

import argparse
import dataclasses
import json
import sys
import tempfile
from datetime import datetime
from pathlib import Path
from typing import Any

from pitscribe.clock import SystemClock
from pitscribe.commands.aims import aims_of
from pitscribe.commands.ledgers import LEDGER_NAME, read_ledger
from pitscribe.commands.tables import is_file, take_table
from pitscribe.commands.when import local, parse_span
from pitscribe.config import Config
from pitscribe.cook.answers import CannotSay
from pitscribe.cook.plain import degrees, difference, span
from pitscribe.cook.replay import walk
from pitscribe.cook.text import summary
from pitscribe.errors import ConfigError
from pitscribe.ledger.cooks import CookSettings
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import CookRecord, load

UNIT = "whether these are the temperatures that they seem to be"


SILENT_S = 900.0  # what was read so long ago is not told as if it were so now


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Print the replay as one JSON object, or what was said as text."""
    unit = arguments.unit or config.units
    every_s = parse_span(arguments.every)
    aims = aims_of(arguments, unit)
    record, doubt = _record(config, arguments)
    record = dataclasses.replace(record, cook=dataclasses.replace(record.cook, **_of_cook(aims)))
    said, last = walk(record, every_s, target_c=aims.get("target_c"))
    if doubt is not None:
        said["cannot_say"].insert(0, _doubted(doubt, said))
    if arguments.json:
        print(json.dumps(said, indent=1))
        return
    if doubt is not None:
        print(f"cannot say: {UNIT} ({doubt})\n")
    for look in said["looks"]:
        print(_line(look, unit))
    print()
    print(summary(last, unit=unit, when=local))
    for stall in said["stalls"]:
        first = datetime.fromisoformat(stall["first_said"]).timestamp()
        print(f"looking every {span(every_s)}, the stall at {stall['place']} was first said at {local(first)}")


def _of_cook(aims: CookSettings) -> dict[str, Any]:
    """What was said besides the target, as the cook has it: it stands for what the cook was given."""
    given: dict[str, Any] = {key: aims[key] for key in ("band_c", "meat_kind") if key in aims}
    return given | ({"meats": tuple(aims["meats"])} if "meats" in aims else {})


def _doubted(doubt: str, said: dict[str, Any]) -> dict[str, Any]:
    """The doubt about a table's unit, as what cannot be said from its first to its last look."""
    return CannotSay(UNIT, doubt).as_json() | {"from": said["from"], "to": said["to"]}


def _line(look: dict[str, Any], unit: str) -> str:
    """One look as one line."""
    at = datetime.fromisoformat(look["at"]).timestamp()
    newest = at if look["as_of"] is None else datetime.fromisoformat(look["as_of"]).timestamp()
    parts = [local(at)]
    if at - newest > SILENT_S:
        return f"{parts[0]}  nothing was read for {span(at - newest)}"
    if look["coldest_c"] is not None:
        rate = "" if look["rate_k_h"] is None else f", {difference(look['rate_k_h'], unit)} an hour"
        parts.append(f"coldest {look['coldest']} {degrees(look['coldest_c'], unit)}{rate}")
    if look["pit_c"] is not None:
        parts.append(f"pit {degrees(look['pit_c'], unit)}")
    if look["spread_k"] is not None:
        parts.append(f"spread {difference(look['spread_k'], unit)}")
    if look["stalled"]:
        parts.append(f"stalled: {', '.join(look['stalled'])}")
    return "  ".join(parts)


def _record(config: Config, arguments: argparse.Namespace) -> tuple[CookRecord, str | None]:
    """A stored cook, or the one that a CSV makes, and why its unit is doubted.

    A CSV is read the way it is imported, and leaves nothing behind. Nothing is kept, so its unit may be guessed.
    """
    if not is_file(arguments.source):
        for name in ("air", "meat", "tz"):
            if getattr(arguments, name):
                raise ConfigError(f"--{name} is for a CSV; {arguments.source} is none")
        with read_ledger(config) as ledger:
            return load(ledger, ledger.cook(arguments.source).id, known=arguments.known), None
    with tempfile.TemporaryDirectory(prefix="pitscribe-replay-") as folder:
        ledger = Ledger(Path(folder) / LEDGER_NAME, SystemClock())
        try:
            done = take_table(ledger, Path(arguments.source), arguments, guess=True)
            for line in done.table.assumed:
                print(f"pitscribe: {line}", file=sys.stderr)  # not among what another program reads
            return load(ledger, done.cook.id), done.table.doubt
        finally:
            ledger.close()
