"""What ``pitscribe mirror`` can be asked."""

import argparse


def add_mirror(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add it to the command line."""
    p = sub.add_parser("mirror", help="the copy in a time-series database: how it goes, all anew, is it the same")
    p.set_defaults(module="mirror")
    actions = p.add_subparsers(dest="action", metavar="ACTION", required=True)
    status = actions.add_parser("status", help="where it is, how far it is, and what is wrong")
    status.add_argument("--json", action="store_true", help="for another program")
    actions.add_parser("backfill", help="look at all cooks again, and write what is missing or no longer so")
    check = actions.add_parser("check", help="compare both sides: points, and a checksum of each series")
    check.add_argument("cook", nargs="?", help="number or name (default: all)")
    check.add_argument("--json", action="store_true", help="for another program")
