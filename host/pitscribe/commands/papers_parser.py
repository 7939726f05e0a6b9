"""The command line of what makes papers of cooks: ``report``."""

import argparse
from pathlib import Path


def add_known(p: argparse.ArgumentParser) -> None:
    """Whether to read a cook with what is known of its probes today, or with what was known then."""
    p.add_argument("--known", choices=["now", "then"], default="now",
                   help="with what is known of the probes today, or as they were calibrated then (default now)")


def add_report(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """``pitscribe report COOK``."""
    p = sub.add_parser("report", help="a cook as one HTML file to print and keep: chart, tables, calibration, caveats")
    p.set_defaults(module="report")
    p.add_argument("cook", nargs="?", help="number or name (default: the newest)")
    p.add_argument("-o", "--out", type=Path, metavar="FILE", help="where to (default: the cook's name and .html, here)")
    add_known(p)
    p.add_argument("--unit", choices=["F", "C"], help="units to print")
