"""What ``pitscribe share`` can be asked."""

import argparse


def add_share(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add it to the command line."""
    p = sub.add_parser("share", help="several processes that take in together: who keeps which logger, what waits")
    p.set_defaults(module="share")
    p.add_argument("loggers", nargs="*", metavar="LOGGER", help="8 hex digits (default: those that this process knows)")
    p.add_argument("--json", action="store_true", help="for another program")
