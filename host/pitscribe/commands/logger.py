"""``pitscribe logger secret``: what a logger and this host know each other by (WIRE.md 5.1)."""

import argparse
import getpass
import sys

from pitscribe.commands.ledgers import logger_number
from pitscribe.config import Config
from pitscribe.intake.access import logger_password
from pitscribe.intake.keyring import FILE_NAME, Keyring


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Keep a secret for a logger; one that was made here is printed, this once."""
    logger = logger_number(arguments.logger)
    given = read_secret() if arguments.set == "-" else arguments.set
    secret = Keyring(config.folder()).set(logger, given)
    if given is None:
        print(f'Put this into config.json of the logger {logger:08x} and restart it:\n\n    "secret": "{secret}"\n')
        if config.broker.host is None:
            password = logger_password(secret, logger)
            print("and under `broker` there, for the broker that `pitscribe serve` runs, what it alone is known by:\n")
            print(f'    "user": "{logger:08x}", "password": "{password}"\n')
        print("It is not shown again. Until the logger has it, it believes anybody on the broker.")
    else:
        print(f"The logger {logger:08x} is told what is stored with that secret from now on.")
    print(f"Here it is kept in {config.home / FILE_NAME}, for you alone.")


def read_secret() -> str:
    """A secret that nobody else on this machine sees: asked for, or the first line of standard input."""
    if sys.stdin.isatty():
        return getpass.getpass("the secret (not shown): ")
    return sys.stdin.readline().rstrip("\r\n")
