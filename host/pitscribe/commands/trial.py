"""``pitscribe trial``: lay a trial down, draw, and see what it says."""

import argparse
import importlib
import json
import secrets
from collections.abc import Callable

from pitscribe.commands.ledgers import open_ledger, read_ledger
from pitscribe.commands.quantities import parse_difference
from pitscribe.commands.tables import names
from pitscribe.commands.trial_pieces import cook_and_place, meant_piece, piece_name
from pitscribe.commands.when import local, parse_span
from pitscribe.config import Config
from pitscribe.cook.trials.draw import check_block, drawn_level, seal
from pitscribe.cook.trials.facts import OUTCOME, facts_of
from pitscribe.cook.trials.findings import findings_of
from pitscribe.cook.trials.outlook import plan_words
from pitscribe.cook.trials.text import lines
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import OUTCOMES, Trial
from pitscribe.series.trial import load_trial

_ELSEWHERE = ("taste", "sheet", "answer", "take-back", "close-tasting")
_READS = ("list", "show")


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Do what was asked of the trials in the ledger."""
    if arguments.action in _ELSEWHERE:
        importlib.import_module("pitscribe.commands.trial_tasting").run(config, arguments)
        return
    actions: dict[str, Callable[[Config, Ledger, argparse.Namespace], None]] = {
        "new": _new, "list": _list, "assign": _assign, "add": _add, "drop": _drop, "close": _close, "show": _show,
    }
    with (read_ledger if arguments.action in _READS else open_ledger)(config) as ledger:
        actions[arguments.action](config, ledger, arguments)


def _new(config: Config, ledger: Ledger, a: argparse.Namespace) -> None:
    levels = names(a.levels)
    block = a.block or a.pieces
    if len(levels) >= 2:
        check_block(levels, block)
    trial = ledger.new_trial(
        a.name, question=a.question, factor=a.factor, levels=levels, main=a.main,
        matters=_matters(a.main, a.matters, config.units), planned=a.pieces, block=block,
        seed=secrets.token_hex(16) if a.seed is None else a.seed, seed_told=a.seed is not None,
    )
    print(_line(ledger, trial))
    print(f"seal {seal(trial.seed, *trial.plan)}: write it on paper; it shows if plan or draw is ever changed")
    for line in plan_words(len(levels), trial.main, trial.matters, trial.planned, block, config.units):
        print(line)
    print(f"next, before each cook: pitscribe trial assign {trial.name!r} COOK")


def _matters(main: str, text: str, units: str) -> float:
    """``--matters`` in the unit of the main outcome. ConfigError."""
    unit = OUTCOME[main].unit if main in OUTCOME else None
    if unit is None:
        raise ConfigError(f"the main outcome {main!r} is not one of {', '.join(OUTCOMES)}")
    if unit == "K":
        return parse_difference(text, units)
    if unit == "h":
        return parse_span(text) / 3600
    try:
        return float(text.strip().removesuffix("%"))
    except ValueError:
        how = "a number of points: 1" if unit == "points" else "per cent: 3"
        raise ConfigError(f"--matters {text}: for {main} write {how}") from None


def _list(config: Config, ledger: Ledger, a: argparse.Namespace) -> None:
    trials = ledger.trials()
    if a.json:
        told = [{"id": t.id, "name": t.name, "question": t.question, "pieces": len(ledger.pieces(t.id)),
                 "planned": t.planned, "closed": t.closed_ms is not None} for t in trials]
        print(json.dumps(told, indent=1))
    elif not trials:
        print("no trial yet; begin one with: pitscribe trial new NAME")
    for trial in trials if not a.json else ():
        print(_line(ledger, trial))


def _line(ledger: Ledger, trial: Trial) -> str:
    drawn = ledger.next_slot(trial.id)
    state = f"{drawn} of {trial.planned} drawn"
    if trial.closed_ms is not None:
        state = "closed" if drawn == trial.planned else "ended early"
    return f"{trial.id:4}  {local(trial.made_ms / 1000)}  {state:>14}  {trial.name}: {trial.question}"


def _assign(_config: Config, ledger: Ledger, a: argparse.Namespace) -> None:
    trial = ledger.trial(a.trial)
    with ledger.together():  # the number and the level of one draw
        cook, place = cook_and_place(ledger, a.cook)
        slot = ledger.next_slot(trial.id)
        level = drawn_level(trial.seed, trial.levels, trial.block, slot)
        piece = ledger.enter(trial.id, cook.id, place, level, slot)
    print(f"{piece_name(ledger, piece)}: {trial.factor} {piece.level}  (number {slot + 1} of {trial.planned})")


def _add(_config: Config, ledger: Ledger, a: argparse.Namespace) -> None:
    trial = ledger.trial(a.trial)
    cook, place = cook_and_place(ledger, a.cook)
    piece = ledger.enter(trial.id, cook.id, place, a.level, None)
    print(f"{piece_name(ledger, piece)}: {trial.factor} {piece.level}, chosen. It is shown, and counts only while no "
          "piece was drawn; then too nothing can be inferred of what made a difference")


def _drop(_config: Config, ledger: Ledger, a: argparse.Namespace) -> None:
    trial = ledger.trial(a.trial)
    piece = meant_piece(ledger, trial, a.cook)
    ledger.drop_piece(piece.id, a.why)
    print(f"{piece_name(ledger, piece)}: taken out of {trial.name!r}; it stays in the log with its reason")


def _close(_config: Config, ledger: Ledger, a: argparse.Namespace) -> None:
    print(_line(ledger, ledger.close_trial(ledger.trial(a.trial).id, a.why)))


def _show(config: Config, ledger: Ledger, a: argparse.Namespace) -> None:
    findings = findings_of(load_trial(ledger, a.trial, facts_of))
    if a.json:
        print(json.dumps(findings.as_json(), indent=1, allow_nan=False))
        return
    for line in lines(findings, a.unit or config.units):
        print(line)
