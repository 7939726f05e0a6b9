"""``pitscribe logger secret``: what a logger and this host know each other by (WIRE.md 5.1)."""

import argparse

from pitscribe.commands.ledgers import logger_number
from pitscribe.config import Config
from pitscribe.intake.keyring import FILE_NAME, Keyring


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Keep a secret for a logger; one that was made here is printed, this once."""
    logger = logger_number(arguments.logger)
    secret = Keyring(config.folder()).set(logger, arguments.set)
    if arguments.set is None:
        print(f'Put this into config.json of the logger {logger:08x} and restart it:\n\n    "secret": "{secret}"\n')
        print("It is not shown again. Until the logger has it, it believes anybody on the broker.")
    else:
        print(f"The logger {logger:08x} is told what is stored with that secret from now on.")
    print(f"Here it is kept in {config.home / FILE_NAME}, for you alone.")
