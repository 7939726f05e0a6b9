"""The command line of ``photo``."""

import argparse
from pathlib import Path


def add_photo(sub: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """``pitscribe photo COOK FILE``."""
    p = sub.add_parser(
        "photo", help="keep a photo of a cook, list its photos, or erase one",
        description="Keeps the picture of a JPEG or PNG file, upright and without what else is in it: no position, no "
        "name of a camera. Without a file it lists the photos of the cook.",
    )
    p.set_defaults(module="photo")
    p.add_argument("cook", help="number or name")
    p.add_argument("file", nargs="?", type=Path, help="a JPEG or PNG")
    p.add_argument("--at", metavar="TIME", help="when it was taken: 14:05, 2026-05-30T14:05 or +3:10 into the cook "
                   "(default: as it says itself, if that is in this cook)")
    p.add_argument("--words", default="", metavar="TEXT", help="what it shows")
    p.add_argument("--erase", type=int, metavar="NUMBER", help="the photo of that number, for good")
