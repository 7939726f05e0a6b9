"""``pitscribe report``: a cook as one HTML file to print and keep."""

import argparse
from pathlib import Path

from pitscribe.commands.ledgers import meant_cook, read_ledger
from pitscribe.commands.papers import file_name, write_page
from pitscribe.commands.when import local
from pitscribe.config import Config
from pitscribe.cook.analysis import analyse
from pitscribe.cook.lookback import lookbacks
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.report.cook import Kept, cook_html
from pitscribe.series import Reader
from pitscribe.watch.around import places_over


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Write the page of a cook, and say where it is."""
    with read_ledger(config) as ledger:
        cook = meant_cook(ledger, arguments.cook)
        page = cook_html(kept(ledger, cook, arguments.known), unit=arguments.unit or config.units, when=local)
    out = arguments.out or Path(f"{file_name(cook.name)}.html")
    print(f"{out}: {cook.name}, {write_page(out, page)}")


def kept(ledger: Ledger, cook: Cook, known: str = "now") -> Kept:
    """A cook with all that its page tells."""
    reader = Reader(ledger, cook.id, known=known)
    record = reader.read()
    over = places_over(ledger.placements(cook.id), ledger.now_ms() / 1000)
    said = analyse(record, over=over, ahead=True)
    return Kept(
        record, said, lookbacks(record, said.forecasts), tuple(ledger.scores(cook.id)),
        tuple(ledger.weights(cook.id)), tuple(reader.stretches()), known,
    )
