"""Finding a cook among all that there are: what is asked in the address, and which cooks that are."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple

from starlette.requests import Request

from pitscribe.errors import ConfigError
from pitscribe.ledger.checks import name_of
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.trialvalues import Score
from pitscribe.ledger.values import Cook, Note
from pitscribe.page import inputs
from pitscribe.series import CookNotes
from pitscribe.series.notes import Heard

A_PAGE = 24
LONGEST = 200  # characters that are looked for
MOST_CUTS = 40  # that are offered: those that were cooked most often

_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)
_CHOICES = {"state": ("on", "over"), "scored": ("yes", "no")}


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked for. "" and None: anything will do.

    words : all of which a cook must have, in its name, cuts, day, notes, or in what was said with its scores
    state : "on", it has not ended, or "over";  scored : "yes" or "no"
    cut : what was cooked, as ``cut_of`` has it;  logger : that was in it, as 8 hex digits;  trial : its number
    page : from 1; None: all at once
    """

    words: tuple[str, ...] = ()
    state: str = ""
    year: int | None = None
    scored: str = ""
    trial: int | None = None
    cut: str = ""
    logger: str = ""
    page: int | None = None


class Entry(NamedTuple):
    """One cook with what it is found by."""

    cook: Cook
    notes: tuple[Note, ...]
    scores: tuple[Score, ...]
    trials: tuple[int, ...]
    loggers: tuple[str, ...]
    began: datetime  # by this machine's clock
    text: str  # in lower case


def asked_of(request: Request) -> Asked:
    """What an address asks for. ConfigError, in plain words, for what cannot be."""
    given = request.query_params
    words = given.get("words", "")
    if len(words) > LONGEST:
        raise ConfigError(f"{len(words)} characters are too many to look for; {LONGEST} are the most")
    for key, some in _CHOICES.items():
        if given.get(key, "") not in ("", *some):
            raise ConfigError(f"{key} must be one of {', '.join(some)}")
    numbers = {key: inputs.query_id(request, key) for key in ("year", "trial", "page") if given.get(key, "") != ""}
    if numbers.get("page") == 0:
        raise ConfigError("the first page is page 1")
    return Asked(
        tuple(word for word in re.split(r"[\s,;]+", name_of(words).lower()) if word), given.get("state", ""),
        numbers.get("year"), given.get("scored", ""),
        numbers.get("trial"), name_of(given.get("cut", "")).lower(), given.get("logger", ""), numbers.get("page"),
    )


def entries(ledger: Ledger, heard: Heard) -> Iterator[Entry]:
    """Every cook, the latest first."""
    notes, in_trials = CookNotes(ledger, heard), _trials(ledger)
    for cook in ledger.cooks():
        began = datetime.fromtimestamp(cook.started_ms / 1000, UTC).astimezone()
        own, scores = notes.of(cook), tuple(ledger.scores(cook.id))
        loggers = tuple(f"{number:08x}" for number in notes.loggers.get(cook.id, ()))
        yield Entry(cook, own, scores, in_trials.get(cook.id, ()), loggers, began, _text(cook, own, scores, began))


def fits(entry: Entry, asked: Asked) -> bool:
    """Whether a cook is one of those that are asked for."""
    cook = entry.cook
    return (
        all(word in entry.text for word in asked.words)
        and asked.state in ("", "on" if cook.ended_ms is None else "over")
        and asked.year in (None, entry.began.year)
        and asked.scored in ("", "yes" if entry.scores else "no")
        and (asked.trial is None or asked.trial in entry.trials)
        and (not asked.cut or asked.cut in map(cut_of, cook.meats))
        and (not asked.logger or asked.logger in entry.loggers)
    )


def cut_of(meat: str) -> str:
    """What was cooked, without its weight and in lower case: "packer, 6.4 kg" is a packer, as is "Packer 14 lb"."""
    named = re.split(r"[,;(]", meat.lower(), maxsplit=1)[0]
    return " ".join(re.sub(r"\d+([.,]\d+)?\s*(kg|g|lbs?|pounds?|oz)?\b", " ", named).split())


def choices(ledger: Ledger, all_of_them: Sequence[Entry]) -> dict[str, Any]:
    """What there is to choose from: years, cuts, trials that have a cook, and loggers if several were in use."""
    cuts = Counter(cut for e in all_of_them for cut in {cut_of(meat) for meat in e.cook.meats} if cut)
    trials = {number for e in all_of_them for number in e.trials}
    used = {number for e in all_of_them for number in e.loggers}
    names = {f"{info.logger:08x}": info.name for info in ledger.loggers()}
    return {
        "years": sorted({e.began.year for e in all_of_them}, reverse=True),
        "cuts": sorted(cut for cut, _ in cuts.most_common(MOST_CUTS)),
        "trials": [{"id": t.id, "name": t.name} for t in ledger.trials() if t.id in trials],
        "loggers": [{"id": n, "name": names.get(n) or n} for n in sorted(used)] if len(used) > 1 else [],
    }


def _trials(ledger: Ledger) -> dict[int, tuple[int, ...]]:
    """The trials of each cook that ever entered one."""
    found: dict[int, tuple[int, ...]] = {}
    for trial in ledger.trials():
        for cook_id in dict.fromkeys(piece.cook_id for piece in ledger.pieces(trial.id)):
            found[cook_id] = (*found.get(cook_id, ()), trial.id)
    return found


def _text(cook: Cook, notes: Sequence[Note], scores: Sequence[Score], began: datetime) -> str:
    day = f"{_DAYS[began.weekday()]} {began.day} {_MONTHS[began.month - 1]} {began.year} {began:%Y-%m-%d %H:%M}"
    noted = " ".join(f"{note.kind} {note.text}" for note in notes)
    said = " ".join(f"{score.remark} {score.taster}" for score in scores)
    return name_of(f"{cook.name} {' '.join(cook.meats)} {day} {noted} {said}").lower()
