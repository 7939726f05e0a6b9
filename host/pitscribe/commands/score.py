"""``pitscribe score``: how a cook turned out, by place and taster, and what it weighed."""

import argparse
import json

from pitscribe.commands.ledgers import open_ledger, read_ledger
from pitscribe.commands.quantities import parse_weight
from pitscribe.commands.trial_pieces import cook_and_place
from pitscribe.config import Config
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import ANCHORS, ASPECTS, Score, Weights
from pitscribe.ledger.values import Cook


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Write down what was given; without any, show what is there."""
    given = {aspect: getattr(arguments, aspect) for aspect in ASPECTS if getattr(arguments, aspect) is not None}
    weighed = {
        f"{name}_kg": parse_weight(getattr(arguments, name)) for name in ("raw", "trimmed", "cooked")
        if getattr(arguments, name) is not None
    }
    if given or weighed or arguments.take_back:
        with open_ledger(config) as ledger:
            cook, place = _meant(ledger, arguments)
            _write(ledger, cook, place, given, weighed, arguments)
            _show(ledger, cook, arguments)
        return
    for name in ("remark", "taster"):
        if getattr(arguments, name):
            raise ConfigError(f"--{name} goes with a score: --tenderness 7")
    if arguments.blind:
        raise ConfigError("--blind goes with a score: --tenderness 7")
    with read_ledger(config) as ledger:
        _show(ledger, _meant(ledger, arguments)[0], arguments)


def _meant(ledger: Ledger, arguments: argparse.Namespace) -> tuple[Cook, str]:
    cook, place = cook_and_place(ledger, arguments.cook)
    known = {p.place for p in ledger.placements(cook.id)} | {s.place for s in ledger.sheets(cook.id)}
    if place and known and place not in known and not arguments.new_place:
        raise ConfigError(
            f"{cook.name!r} has no place {place!r}, but {', '.join(sorted(known))}; --new-place for one without a probe"
        )
    return cook, place


def _write(
    ledger: Ledger, cook: Cook, place: str, given: dict[str, float], weighed: dict[str, float],
    arguments: argparse.Namespace,
) -> None:
    taster = arguments.taster or ""
    with ledger.together():  # all of it or nothing
        for aspect in arguments.take_back:
            ledger.withdraw_score(cook.id, aspect, place=place, taster=taster)
        for aspect, value in given.items():
            ledger.score(cook.id, aspect, value, place=place, taster=taster, blind=arguments.blind,
                         remark=arguments.remark or "")
        if weighed:
            ledger.weigh(cook.id, place, **weighed)


def _show(ledger: Ledger, cook: Cook, arguments: argparse.Namespace) -> None:
    scores, weights = ledger.scores(cook.id), ledger.weights(cook.id)
    if arguments.json:
        told = {"cook": cook.id, "name": cook.name, "scores": [s.as_json() for s in scores],
                "weights": [w.as_json() for w in weights]}
        print(json.dumps(told, indent=1))
        return
    print(f"{cook.id}  {cook.name}")
    for score in scores:
        print(_score_line(score))
    for one in weights:
        print(_weights_line(one))
    if not scores and not weights:
        print("nothing yet. What 0, 5 and 10 mean:")
        for aspect, words in ANCHORS.items():
            print(f"  {aspect:<11}" + "; ".join(f"{n}: {word}" for n, word in zip((0, 5, 10), words, strict=True)))


def _score_line(score: Score) -> str:
    who = f"by {score.taster}" if score.taster else ""
    how = "blind" if score.blind else ""
    place = score.place or "whole"
    return f"  {place:<16}{score.aspect:<12}{score.value:>4g}  {how:<7}{who}  {score.remark}".rstrip()


def _weights_line(w: Weights) -> str:
    steps = (("bought", w.raw_kg), ("went on", w.trimmed_kg), ("came off", w.cooked_kg))
    parts = [f"{name} {kg:.2f} kg ({kg / 0.45359237:.1f} lb)" for name, kg in steps if kg is not None]
    if w.cooked_share is not None:
        parts.append(f"yield {100 * w.cooked_share:.0f} %")
    elif w.cooked_kg is not None:
        parts.append("no yield: what went on was not weighed")
    return f"  {w.place or 'whole':<16}{', '.join(parts)}"
