"""``pitscribe explain``: how one reading came about, from the chip's word to the result, and how sure it is."""

import argparse
import json
from collections.abc import Sequence
from math import isfinite
from typing import Any

from pitscribe.commands.explain_text import text
from pitscribe.commands.ledgers import meant_cook, read_ledger
from pitscribe.commands.sample import Cell, Sample, Value, find, to_the_second
from pitscribe.commands.when import parse_in_cook
from pitscribe.config import Config
from pitscribe.cook.plain import number
from pitscribe.ledger.values import Cook
from pitscribe.metrology.coverage import Component, combine
from pitscribe.metrology.derivation import Step, derive, in_the_air, word_step
from pitscribe.metrology.rules import RULES, Rule
from pitscribe.metrology.uncertainty import components


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Print the derivation, as text or as one JSON object."""
    with read_ledger(config) as ledger:
        cook = meant_cook(ledger, arguments.cook)
        at = parse_in_cook(arguments.time, cook, ledger.now_ms() / 1000)
        found = find(ledger, cook, arguments.place, at, arguments.known)
    told = told_of_cell(found) if isinstance(found, Cell) else told_of(found)
    print(json.dumps(told, indent=1) if arguments.json else text(told, arguments.unit or config.units))


def told_of(sample: Sample) -> dict[str, Any]:
    """All that is to be told of a sample, as JSON has it: degC, K, mV, s, ms."""
    setup, one, origin = sample.setup, sample.placement, sample.origin
    steps = [word_step(setup.chip, sample.codes)]
    parts: list[Component] = []
    if sample.reading is not None:
        steps = derive(sample.codes, sample.reading, _history(sample))
        parts = components(sample.reading)
    if sample.air is not None:
        parts, learned = sample.air.parts, sample.air.known
        history = f"record {learned.record}, learned {to_the_second(learned.made_ms / 1000)}"
        steps = in_the_air(steps, sample.value.celsius, sample.air.model, parts, history)
    return {
        **_head(sample.cook, one.place, one.kind, sample.value),
        "time_u_s": sample.time_u,
        "probe": {"name": one.probe.name, "type": one.probe.tc, "class": one.probe.tolerance},
        "logger": f"{one.logger:08x}",
        "channel": {"number": one.channel, "chip": setup.chip, "type": setup.tc},
        "frame": {**origin.key._asdict(), "tick": origin.tick, "ticks": origin.ticks, "uptime_ms": origin.uptime_ms},
        "steps": [_step(step) for step in steps],
        "budget": _budget(parts) if sample.value.u == sample.value.u else None,
    }


def told_of_cell(cell: Cell) -> dict[str, Any]:
    """The same of a cell of an imported table, of which nobody knows more than the table says."""
    source = f"{cell.sheet.source}, imported; nobody says what measured it, so this uncertainty is our allowance"
    step = Step("cell of the table", cell.value.celsius, "degC", cell.value.u, source)
    return {
        **_head(cell.cook, cell.sheet.place, cell.sheet.kind, cell.value),
        "steps": [_step(step)],
        "budget": None,
    }


def _head(cook: Cook, place: str, kind: str, value: Value) -> dict[str, Any]:
    """What is told of every sample; the result with every digit that it has."""
    known = value.celsius == value.celsius
    return {
        "cook": cook.as_json(),
        "place": place,
        "kind": kind,
        "time": value.t,
        "result": {"celsius": value.celsius, "u_k": value.u, "k": value.k, "expanded_k": value.u * value.k}
        if known else None,
        "flags": [_flag(rule) for rule in RULES if rule.flag & value.flags],
    }


def _step(step: Step) -> dict[str, Any]:
    u = step.u if step.u is not None and isfinite(step.u) else None  # JSON has no NaN
    return {"name": step.name, "value": step.value, "unit": step.unit, "u": u, "said": step.said, "source": step.source}


def _flag(rule: Rule) -> dict[str, Any]:
    return {"flag": rule.name, "usable": not rule.bad, "rule": rule.rule, "reason": rule.reason, "source": rule.source}


def _history(sample: Sample) -> str:
    known = sample.known
    if known is None:
        return ""
    record = f"record {known.record}, calibrated {to_the_second(known.made_ms / 1000)}"
    applied = sample.setup.calibrated
    assert applied is not None
    if applied.here or applied.chip is None:
        return f"{record} through {'this channel' if applied.here else 'another instrument'}"
    return f"{record} through another channel: what it says of the wire"


def _budget(parts: Sequence[Component]) -> dict[str, Any]:
    """The components that the combined uncertainty is made of, arrays (1,), the largest first."""
    u, dof, k = (float(x[0]) for x in combine(parts))
    lines = sorted((part for part in parts if part.u[0] > 0), key=lambda part: -float(part.u[0]))
    return {
        "lines": [
            {"name": x.name, "source": x.source, "u_k": float(x.u[0]), "share": float(x.u[0] / u) ** 2,
             "shape": x.shape, "dof": number(x.dof)}
            for x in lines
        ],
        "u_k": u, "dof": number(dof), "k": k, "expanded_k": k * u,
    }
