"""``pitscribe trial taste``, ``sheet``, ``answer``, ``take-back``, ``close-tasting``: blind tastings of two pieces."""

import argparse
import secrets
from pathlib import Path

from pitscribe.commands.ledgers import open_ledger, read_ledger
from pitscribe.commands.trial_pieces import meant_piece, meant_tasting, piece_name
from pitscribe.commands.when import local
from pitscribe.config import Config
from pitscribe.cook.trials.outlook import tasting_words
from pitscribe.cook.trials.serving import Serving, servings, slip_words
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
        {"taste": _taste, "answer": _answer, "take-back": _take_back, "close-tasting": _close}[arguments.action](
            ledger, arguments)


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
    print(tasting_words(tasting.kind, tasting.tasters, expected=expects is not None))
    print(f"next: pitscribe trial sheet {trial.name!r} --out slips.html --plating plating.html")


def _sheet(ledger: Ledger, a: argparse.Namespace) -> None:
    trial = ledger.trial(a.trial)
    tasting = meant_tasting(ledger, trial, a.tasting)
    who = servings(tasting.kind, tasting.seed, tasting.tasters)
    title = f"Tasting {tasting.id}"
    words = slip_words(tasting.seed, tasting.tasters)
    slips = [Slip(one.taster, one.codes, word) for one, word in zip(who, words, strict=True)]
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
    ledger.rate(tasting, serving.taster, next(p for p in ledger.pieces(trial.id) if p.id == number), given)
    print(f"tasting {tasting.id}: {len(given)} blind scores of sample {code} by taster {serving.taster}")


def _take_back(ledger: Ledger, a: argparse.Namespace) -> None:
    tasting = meant_tasting(ledger, ledger.trial(a.trial), a.tasting)
    ledger.withdraw_answer(tasting, a.taster)
    print(f"tasting {tasting.id}: what taster {a.taster} said is taken back, and kept")


def _close(ledger: Ledger, a: argparse.Namespace) -> None:
    trial = ledger.trial(a.trial)
    tasting = ledger.close_tasting(meant_tasting(ledger, trial, a.tasting).id)
    print(f"tasting {tasting.id}: closed; next: pitscribe trial show {trial.name!r}")
