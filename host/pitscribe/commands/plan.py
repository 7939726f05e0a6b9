"""``pitscribe plan``: backwards from the table, when to light the fire; of a cook, what could still be done.

What is said comes from ``cook.backwards`` and ``cook.choices``; here it is asked for and printed.
"""

import argparse
import json

from pitscribe.clock import SystemClock
from pitscribe.commands.ledgers import meant_cook, read_ledger
from pitscribe.commands.quantities import parse_share, parse_thickness, parse_weight
from pitscribe.commands.when import local, parse_coming, parse_in_cook, parse_span, parse_temperature, past
from pitscribe.config import Config
from pitscribe.cook.backwards import HEAT_UP_S, REST_S, Backwards, backwards
from pitscribe.cook.choices import Choices, choices_of
from pitscribe.cook.plan import CHANCE, Joint
from pitscribe.cook.plan_text import backwards_lines, choice_lines
from pitscribe.errors import ConfigError
from pitscribe.series import load

# Of one kind only, so that nothing that was said goes unheard.
BEFORE = {"thick": "thick", "weight": "weight", "meat_at": "meat-at", "chance": "chance", "heat_up": "heat-up",
          "wrap": "wrap", "no_wrap": "no-wrap"}
DURING = {"at": "at"}


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Print the plan as text or as one JSON object."""
    unit = arguments.unit or config.units
    of_a_cook = arguments.cook is not None
    for name, option in (BEFORE if of_a_cook else DURING).items():
        if getattr(arguments, name):
            raise ConfigError(f"--{option} is for {'a plan without' if of_a_cook else 'the choices of a'} --cook")
    if of_a_cook:
        choices = _choices(config, arguments, unit)
        told, lines = choices.as_json(), choice_lines(choices, unit, local)
    else:
        plan = _backwards(arguments, unit)
        told, lines = plan.as_json(), backwards_lines(plan, unit, local)
    print(json.dumps(told, indent=1) if arguments.json else "\n".join(lines))


def _backwards(arguments: argparse.Namespace, unit: str) -> Backwards:
    """The plan of a cook that has not begun."""
    for name in ("serve", "target", "pit"):
        if not getattr(arguments, name):
            raise ConfigError(f"--{name} is missing: a plan needs --serve, --target, --pit, and --thick or --weight; "
                              "the choices of a cook need --cook")
    if len(arguments.pit) > 1:
        raise ConfigError("--pit is there twice: a plan has one level; several are for the choices of a --cook")
    now = SystemClock().now()
    return backwards(
        _joint(arguments, unit), parse_temperature(arguments.target, unit), parse_temperature(arguments.pit[0], unit),
        parse_coming(arguments.serve, now), now, rest_s=_rest_s(arguments),
        chance=parse_share(arguments.chance) if arguments.chance else CHANCE,
        wrap=True if arguments.wrap else False if arguments.no_wrap else None,
        heat_up_s=parse_span(arguments.heat_up) if arguments.heat_up else HEAT_UP_S,
    )


def _rest_s(arguments: argparse.Namespace) -> float:
    return parse_span(arguments.rest) if arguments.rest else REST_S


def _joint(arguments: argparse.Namespace, unit: str) -> Joint:
    if bool(arguments.thick) == bool(arguments.weight):
        raise ConfigError("how large is the piece? give --thick 3in (at its thickest; surer) or --weight 13lb")
    thickness_mm = None if not arguments.thick else 1000 * parse_thickness(arguments.thick)
    weight_kg = None if not arguments.weight else parse_weight(arguments.weight)
    return Joint(thickness_mm, weight_kg, parse_temperature(arguments.meat_at or "4C", unit))


def _choices(config: Config, arguments: argparse.Namespace, unit: str) -> Choices:
    """What could still be done in a cook, as it stood at a time."""
    target_c = None if not arguments.target else parse_temperature(arguments.target, unit)
    pits_c = [parse_temperature(pit, unit) for pit in arguments.pit]
    with read_ledger(config) as ledger:
        now = ledger.now_ms() / 1000
        cook = meant_cook(ledger, arguments.cook)
        record = load(ledger, cook.id)
        if arguments.at:
            record = record.until(past(parse_in_cook(arguments.at, cook, now), arguments.at, now))
    seen = max((float(s.t[-1]) for s in record.places if s.t.size), default=now)
    by = None if not arguments.serve else parse_coming(arguments.serve, seen) - _rest_s(arguments)
    return choices_of(record, target_c=target_c, pits_c=pits_c, by=by)
