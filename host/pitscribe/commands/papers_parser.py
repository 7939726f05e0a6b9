"""The command line of what makes papers of cooks: ``report`` and ``compare``."""

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


def add_compare(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """``pitscribe compare COOK COOK``."""
    p = sub.add_parser(
        "compare", help="two to four cooks beside each other: how they differ, and how surely",
        description="Cooks beside each other, the first one as what the others are measured against. With -o their "
        "courses are drawn one over the other as well.",
    )
    p.set_defaults(module="compare")
    p.add_argument("cooks", nargs="+", metavar="COOK", help="numbers or names")
    p.add_argument("--align", default="start", metavar="WHAT",
                   help="where time is counted from: start, 150F (first reached by the coldest place), 150F:flat, or "
                   "the first note of a kind: wrap (default start)")
    p.add_argument("-o", "--out", type=Path, metavar="FILE", help="a page with the courses and the figures: .html")
    add_known(p)
    p.add_argument("--json", action="store_true", help="for another program: degC, K and hours")
    p.add_argument("--unit", choices=["F", "C"], help="units to print, and of a temperature without a letter")
