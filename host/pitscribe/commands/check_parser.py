"""The command line of ``pitscribe check``."""

import argparse


def add_check(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add it to the command line."""
    p = sub.add_parser(
        "check",
        help="what is wrong with this installation, and how to mend it",
        description="Looks at the machine, the home folder, its secrets, the ledger, the network and the loggers, "
        "whether or not serve runs, and changes nothing. Each line says what was looked at: ok, look (is it meant?), "
        "wrong, or - (not looked at, and why); below it stands what to do. Ends with status 1 if something is wrong.",
    )
    p.set_defaults(module="check", own_settings=True)
    p.add_argument("--all", action="store_true", help="look at the whole ledger, each frame and row: takes long")
    p.add_argument("--json", action="store_true", help="for another program")
