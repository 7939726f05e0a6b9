"""The command line of what keeps the record safe: ``backup``, ``restore`` and ``recover``."""

import argparse
from pathlib import Path


def add_keeping(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add them to the command line."""
    backup = sub.add_parser(
        "backup", help="the whole home as one file, also while serve runs",
        description="Ledger, photos, settings and secrets as one tar file, as they are at one moment, whether or not "
        "serve runs. It holds passwords: its owner alone may read it. Put it on another machine or a stick.",
    )
    backup.set_defaults(module="backup")
    backup.add_argument("file", type=Path, metavar="FILE", help="where to: pit.tar; what is there is replaced")
    restore = sub.add_parser(
        "restore", help="put a backup into a home that has no ledger",
        description="Puts what a backup holds into a home (--home) that has no ledger yet, while serve does not run. "
        "Every file is held to its checksum first.",
    )
    restore.set_defaults(module="restore")
    restore.add_argument("file", type=Path, metavar="FILE", help="what pitscribe backup wrote")
    recover = sub.add_parser(
        "recover", help="take what is good of a damaged ledger into a new one",
        description="For a ledger that pitscribe check calls damaged, while serve does not run. The new one takes its "
        "place and the damaged one is kept beside it. What is missing then the loggers may still have: pitscribe pull.",
    )
    recover.set_defaults(module="recover")
    recover.add_argument("--anyway", action="store_true", help="even if its pages are sound")
