"""``pitscribe compare``: cooks beside each other, aligned on something they have in common."""

import argparse
import json

from pitscribe.commands.ledgers import read_ledger
from pitscribe.commands.papers import write_page
from pitscribe.commands.when import local, parse_temperature
from pitscribe.config import Config
from pitscribe.cook.besides import CAUTION
from pitscribe.cook.origins import Align
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import NOTE_KINDS, TARGET_C, Cook
from pitscribe.report.comparison import MOST, comparison_html, text_of
from pitscribe.report.gather import compared


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Print how the cooks differ, and write the page if one is wanted."""
    unit = arguments.unit or config.units
    align = parse_align(arguments.align, unit)
    with read_ledger(config) as ledger:
        cooks = meant_cooks(ledger, arguments.cooks)
        shown, found = compared(ledger, cooks, align, known=arguments.known)
    if arguments.out is not None:
        size = write_page(arguments.out, comparison_html(shown, found, unit=unit, when=local))
    if arguments.json:
        print(json.dumps(found.as_json(), indent=1))
        return
    print(f"time is counted from {align.words(unit)}")
    for line in text_of(found, unit):
        print(line)
    print(CAUTION)
    if arguments.out is not None:
        print(f"{arguments.out}: {size}")


def meant_cooks(ledger: Ledger, named: list[str]) -> list[Cook]:
    """The cooks of those numbers or names. NotFoundError; ConfigError if they are one, too many, or one twice."""
    cooks = [ledger.cook(name) for name in named]
    if not 2 <= len(cooks) <= MOST:
        raise ConfigError(f"{len(cooks)} cook{'' if len(cooks) == 1 else 's'}: name two to {MOST} to compare")
    for i, cook in enumerate(cooks):
        if cook.id in (other.id for other in cooks[:i]):
            raise ConfigError(f"{named[i]!r} is cook {cook.id}, {cook.name!r}, which is named twice")
    return cooks


def parse_align(text: str, unit: str) -> Align:
    """``start``, a kind of note, or a temperature of the coldest place or of a named one: 150F:flat. ConfigError."""
    if text == "start":
        return Align()
    if text in NOTE_KINDS:
        return Align(note=text)
    temperature, mark, place = text.partition(":")
    try:
        celsius = parse_temperature(temperature, unit)
    except ConfigError:
        kinds = ", ".join(NOTE_KINDS)
        raise ConfigError(f"align on {text!r}: write start, 150F, 150F:flat, or a kind of note ({kinds})") from None
    if mark and not place.strip():
        raise ConfigError(f"align on {text!r}: say which place, as in 150F:flat")
    if not 0.0 < celsius <= TARGET_C[1]:
        raise ConfigError(f"align on {text!r}: that is {celsius:.0f} C; no meat is seen at it, mind the unit")
    return Align(celsius=celsius, place=place.strip() or None)
