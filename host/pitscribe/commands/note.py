"""``pitscribe note``: write down what was done or seen."""

import argparse

from pitscribe.commands.ledgers import meant_cook, open_ledger
from pitscribe.commands.when import local, parse_past, parse_span
from pitscribe.config import Config


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Add the note to the cook that is meant."""
    with open_ledger(config) as ledger:
        now = at = ledger.now_ms() / 1000
        if arguments.at is not None:
            at = parse_past(arguments.at, now)
        elif arguments.ago is not None:
            at = now - parse_span(arguments.ago)
        cook = meant_cook(ledger, arguments.cook, running=True)
        note = ledger.add_note(cook.id, round(at * 1000), arguments.kind, arguments.text)
        print(f"{cook.name}: {local(note.at_ms / 1000)}  {note.kind}  {note.text}".rstrip())
