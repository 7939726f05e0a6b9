"""What is wanted of a cook, as a person writes it: ``--target 203F --band 225-275F --cut "packer, 6.4 kg"``."""

import argparse
import re

from pitscribe.commands.when import parse_temperature
from pitscribe.errors import ConfigError
from pitscribe.ledger.cooks import CookSettings
from pitscribe.ledger.values import MEAT_KINDS

NONE = "none"  # what is written to take a setting away
_BAND = re.compile(r"(?P<low>-?\d+(?:\.\d+)?\s*°?[CcFf]?)\s*(?:-|to)\s*(?P<high>\d+(?:\.\d+)?\s*°?(?P<unit>[CcFf])?)$")


def add_aims(parser: argparse.ArgumentParser) -> None:
    """The arguments that ``aims_of`` reads."""
    parser.add_argument("--target", metavar="TEMP", help="when the meat is done: 203F or 95C")
    parser.add_argument("--band", metavar="LOW-HIGH", help="where the fire is to be held: 225-275F or 107-135C")
    parser.add_argument(
        "--cut", action="append", default=[], metavar="TEXT", help='what is cooked, once for each: "packer, 6.4 kg"'
    )
    parser.add_argument(
        "--meat-kind", choices=[*MEAT_KINDS, NONE],
        help="which lines of food safety hold (default: by what the cuts are called; without a name, beef)",
    )


def aims_of(arguments: argparse.Namespace, units: str) -> CookSettings:
    """The settings that were given; "none" takes one away. ConfigError naming the text that cannot be read."""
    given: CookSettings = {}
    if arguments.target is not None:
        given["target_c"] = None if arguments.target == NONE else parse_temperature(arguments.target, units)
    if arguments.band is not None:
        given["band_c"] = None if arguments.band == NONE else parse_band(arguments.band, units)
    if arguments.cut:
        given["meats"] = [] if arguments.cut == [NONE] else arguments.cut
    if arguments.meat_kind is not None:
        given["meat_kind"] = None if arguments.meat_kind == NONE else arguments.meat_kind
    return given


def parse_band(text: str, units: str) -> tuple[float, float]:
    """``225-275``, ``225F-275F`` or ``107 to 135C`` -> (low, high) degC; one letter holds for both."""
    match = _BAND.match(text.strip())
    if not match:
        raise ConfigError(f"band {text!r}: write 225-275F or 107-135C")
    low, high = (parse_temperature(match[end], match["unit"] or units) for end in ("low", "high"))
    return low, high
