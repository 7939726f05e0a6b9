"""``pitscribe report``: a cook as one HTML file to print and keep."""

import argparse
from pathlib import Path

from pitscribe.commands.ledgers import meant_cook, read_ledger
from pitscribe.commands.papers import file_name, write_page
from pitscribe.commands.when import local
from pitscribe.config import Config
from pitscribe.report.cook import cook_html
from pitscribe.report.gather import kept
from pitscribe.watch.around import places_over


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Write the page of a cook, and say where it is."""
    with read_ledger(config) as ledger:
        cook = meant_cook(ledger, arguments.cook)
        over = places_over(ledger.placements(cook.id), ledger.now_ms() / 1000)
        found = kept(ledger, cook, over=over, known=arguments.known)
    page = cook_html(found, unit=arguments.unit or config.units, when=local)
    out = arguments.out or Path(f"{file_name(cook.name)}.html")
    print(f"{out}: {cook.name}, {write_page(out, page)}")
