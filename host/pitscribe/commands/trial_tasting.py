"""``pitscribe trial taste``, ``sheet`` and ``answer``: blind tastings of two pieces."""

import argparse
import secrets
from pathlib import Path

from pitscribe.commands.ledgers import open_ledger, read_ledger
from pitscribe.commands.trial_pieces import meant_piece, meant_tasting, piece_name
from pitscribe.commands.when import local
from pitscribe.config import Config
from pitscribe.cook.trials.sensory import GUESS, least_right, power, tasters_needed
from pitscribe.cook.trials.serving import Serving, servings
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import ASPECTS, Tasting, Trial
from pitscribe.report.tasting import Slip, plating_list, tasting_slips


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Do what was asked of the tastings in the ledger."""
    if arguments.action == "sheet":
        with read_ledger(config) as ledger:
            _sheet(ledger, arguments)
        return
    with open_ledger(config) as ledger:
        (_taste if arguments.action == "taste" else _answer)(ledger, arguments)


def _taste(ledger: Ledger, a: argparse.Namespace) -> None:
    trial = ledger.trial(a.trial)
    first, second = (meant_piece(ledger, trial, text) for text in (a.of, a.against))
    expects = None if a.expects is None else meant_piece(ledger, trial, a.expects)
    if expects is not None and expects.id not in (first.id, second.id):
        raise ConfigError(f"--expects {a.expects}: it must be one of the two that are tasted")
    tasting = ledger.new_tasting(
        trial.id, a.kind, first, second, tasters=a.tasters, seed=secrets.token_hex(16), asks=a.asks or "",
        expects=expects,
    )
    print(f"tasting {tasting.id} of {trial.name!r}: {piece_name(ledger, first)} and {piece_name(ledger, second)}, "
          f"{tasting.tasters} tasters")
    if first.level == second.level:
        print(f"warning: both are {first.level}: it will tell whether pieces alike are told apart")
    if tasting.kind in GUESS:
        print(_outlook(tasting))
    print(f"next: pitscribe trial sheet {trial.name!r} --out slips.html --plating plating.html")


def _outlook(tasting: Tasting) -> str:
    sides = 2 if tasting.kind == "paired" and tasting.expects is None else 1
    n, least = tasting.tasters, least_right(tasting.kind, tasting.tasters, sides=sides)
    wanted = tasters_needed(tasting.kind, 0.5, sides=sides)
    advice = f"{wanted} tasters would tell it 80 times in 100, if half of the people can taste it"
    if least is None:
        return f"warning: with {n} tasters not even all of them right would tell anything; {advice}"
    seen = 100 * power(tasting.kind, n, 0.5, sides=sides)
    return (f"it takes {least} of {n} to tell them apart, which happens {seen:.0f} times in 100 if half can taste it; "
            f"{advice}")


def _sheet(ledger: Ledger, a: argparse.Namespace) -> None:
    trial = ledger.trial(a.trial)
    tasting = meant_tasting(ledger, trial, a.tasting)
    who = servings(tasting.kind, tasting.seed, tasting.tasters)
    title = f"Tasting {tasting.id}"
    slips = [Slip(one.taster, one.codes) for one in who]
    _put(a.out, tasting_slips(title, tasting.kind, tasting.asks, slips))
    print(f"{a.out}: {tasting.tasters} slips for the tasters, without anything that says which is which")
    if a.plating is not None:
        a_b = [piece_name(ledger, piece) + f" ({piece.level})" for number in (tasting.first, tasting.second)
               for piece in ledger.pieces(trial.id) if piece.id == number]
        when = local(tasting.made_ms / 1000)
        rows = [(Slip(one.taster, one.codes), one.samples) for one in who]
        _put(a.plating, plating_list(title, f"{trial.name}, laid down {when}", (a_b[0], a_b[1]), rows))
        print(f"{a.plating}: which code is which, for the one who plates; tasters and servers must not see it")


def _put(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror or error}; name another place") from error


def _answer(ledger: Ledger, a: argparse.Namespace) -> None:
    trial = ledger.trial(a.trial)
    tasting = meant_tasting(ledger, trial, a.tasting)
    if not 1 <= a.taster <= tasting.tasters:
        raise ConfigError(f"taster {a.taster}: this tasting has 1 to {tasting.tasters}")
    serving = servings(tasting.kind, tasting.seed, tasting.tasters)[a.taster - 1]
    serving.sample(a.code)  # or this taster has no such code
    given = {aspect: getattr(a, aspect) for aspect in ASPECTS if getattr(a, aspect) is not None}
    if tasting.kind == "rating":
        _rated(ledger, trial, tasting, serving, a.code, given)
    elif given:
        raise ConfigError(f"a {tasting.kind} tasting is answered by a code alone; scores are for a rating")
    else:
        ledger.answer(tasting, a.taster, a.code, instead=a.instead)
        print(f"tasting {tasting.id}: {len(ledger.answers(tasting.id))} of {tasting.tasters} answers are in")


def _rated(
    ledger: Ledger, trial: Trial, tasting: Tasting, serving: Serving, code: str, given: dict[str, float]
) -> None:
    if not given:
        raise ConfigError("a rating is answered by scores: --tenderness 7 --moisture 6")
    number = tasting.first if serving.sample(code) == "A" else tasting.second
    piece = next(p for p in ledger.pieces(trial.id) if p.id == number)
    taster = f"taster {serving.taster} of tasting {tasting.id}"
    with ledger.together():
        for aspect, value in given.items():
            ledger.score(piece.cook_id, aspect, value, place=piece.place, taster=taster, blind=True)
    print(f"tasting {tasting.id}: {len(given)} blind scores of sample {code} by taster {serving.taster}")
