"""The command line of ``pitscribe export``."""

import argparse
from pathlib import Path

from pitscribe.commands.papers_parser import add_known

SUFFIXES = {".csv": "csv", ".parquet": "parquet", ".lp": "lines"}  # .lp: common practice, no source
FORMATS = tuple(SUFFIXES.values())


def add_export(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add it to the command line."""
    p = sub.add_parser(
        "export",
        help="a cook as CSV, Parquet or line protocol: corrected temperatures, uncertainties and flags",
        description="A cook as a table of corrected temperatures, their standard uncertainties and flags. Beside a CSV "
        "goes FILE-metadata.json, which says what its columns are, the calibrations that counted, and the notes; "
        "Parquet and line protocol have that in themselves.",
    )
    p.set_defaults(module="export")
    p.add_argument("cook", nargs="?", help="number or name (default: the newest)")
    p.add_argument("--out", type=Path, metavar="FILE", help="where to (default: standard output)")
    p.add_argument("--format", choices=FORMATS, help="csv, parquet, or lines for Influx line protocol, in degC "
                   f"(default: by the file's name, {', '.join(SUFFIXES)}; else csv)")
    p.add_argument("--replace", action="store_true", help="write over a file that is there")
    p.add_argument("--unit", choices=["F", "C"], help="units of the temperatures")
    add_known(p)
