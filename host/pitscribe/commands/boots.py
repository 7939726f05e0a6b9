"""``pitscribe boots``: when a logger's boots were and how that is known; and to say when one began."""

import argparse
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from math import isfinite
from typing import Any

from pitscribe.commands.ledgers import meant_logger, open_ledger, read_ledger
from pitscribe.commands.sample import to_the_second
from pitscribe.commands.when import local, parse_past, parse_span
from pitscribe.config import Config
from pitscribe.cook.plain import span
from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.intake.folder import SWITCH_ON_ERR_MS
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import BootSpan
from pitscribe.series import BootTimes, Window, boot_times, give_or_take
from pitscribe.wire.timebase import Anchor, Timebase


def run(config: Config, arguments: argparse.Namespace) -> None:
    """List the boots of a logger; with a time, keep it as a person's word on one of them first."""
    if (arguments.started_at is None) != (arguments.boot is None):
        raise ConfigError("--boot N and --started-at TIME go together: which boot, and when it began")
    if arguments.give_or_take and arguments.started_at is None:
        raise ConfigError("--give-or-take is for --started-at: how far off that time may be")
    with read_ledger(config) if arguments.boot is None else open_ledger(config) as ledger:
        number = meant_logger(ledger, arguments.logger)
        if arguments.boot is not None:
            _tell(ledger, number, arguments)
        times = boot_times(ledger, number)
        shown = [one for one in times.boots if arguments.boot in (None, one.boot)]
        if arguments.json:
            print(json.dumps([_as_json(times, one) for one in shown], indent=1))
            return
        for one in shown:
            print("; ".join(_words(times, one)))


def _tell(ledger: Ledger, number: int, arguments: argparse.Namespace) -> None:
    held = [one.boot for one in ledger.boots(number)]
    if arguments.boot not in held:
        some = ", ".join(map(str, held[-8:])) or "none"
        raise NotFoundError(f"nothing is here of boot {arguments.boot} of logger {number:08x}; there are: {some}")
    at = parse_past(arguments.started_at, ledger.now_ms() / 1000)
    err_ms = round(1000 * parse_span(arguments.give_or_take)) if arguments.give_or_take else SWITCH_ON_ERR_MS
    ledger.tell_anchor(number, arguments.boot, 0, round(1000 * at), err_ms, "person")


def _words(times: BootTimes, one: BootSpan) -> Iterator[str]:
    base = times.bases.get(one.boot)
    ran = f"ran {span(one.last_uptime_ms / 1000)}"
    if base is None:
        yield f"boot {one.boot}: {ran}, {one.frames} frames"
        yield f"began {_between(times.windows[one.boot])}: say when with --boot {one.boot} --started-at TIME"
        return
    either_way = 2 * float(base.uncertainty(0))
    yield f"boot {one.boot}: began {to_the_second(float(base.utc(0)))}, give or take {give_or_take(either_way)}"
    yield f"{ran}, {one.frames} frames"
    if one.boot in times.windows:
        yield "never learnt the time: placed by the boots around it"
        return
    yield f"told by {_sources(base.kept)}"
    if base.left_out:
        yield f"left out, because it contradicts: {_off(base)}"


def _between(began: Window) -> str:
    """``after A and before B``, as far as it is known."""
    ends = [f"{word} {local(at)}" for word, at in (("after", began.first), ("before", began.last)) if isfinite(at)]
    return " and ".join(ends) or "nobody knows when"


def _sources(anchors: Sequence[Anchor]) -> str:
    counts = Counter(anchor.source for anchor in anchors)
    return ", ".join(f"{source} ({n} times)" if n > 1 else source for source, n in sorted(counts.items()))


def _off(base: Timebase) -> str:
    """``phone (60 min off)``: each source once, with the most it is off."""
    most: dict[str, float] = {}
    for anchor in base.left_out:
        off = abs(anchor.utc - float(base.utc(anchor.uptime_ms)))
        most[anchor.source] = max(off, most.get(anchor.source, 0.0))
    return ", ".join(f"{source} ({give_or_take(off)} off)" for source, off in sorted(most.items()))


def _as_json(times: BootTimes, one: BootSpan) -> dict[str, Any]:
    """Times in UTC seconds; ``began`` null while nothing places the boot."""
    base, window = times.bases.get(one.boot), times.windows.get(one.boot)
    found: dict[str, Any] = {"boot": one.boot, "ran_s": one.last_uptime_ms / 1000, "frames": one.frames}
    found["began"] = None if base is None else float(base.utc(0))
    if base is not None:
        found |= {"u_s": float(base.uncertainty(0)), "drift_ppm": 1e6 * base.drift}
        found["sources"] = dict(Counter(anchor.source for anchor in base.kept))
        found["left_out"] = [anchor._asdict() for anchor in base.left_out]
    if window is not None:
        found["between"] = [at if isfinite(at) else None for at in window]
    return found
