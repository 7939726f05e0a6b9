"""``pitscribe flags``: every flag that a sample can carry, its rule, and why it is so."""

import argparse
import json
import textwrap

from pitscribe.config import Config
from pitscribe.metrology.rules import RULES, Rule

_WIDTH = 100


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Print the rules, as text or as one JSON list."""
    if arguments.json:
        print(json.dumps([_as_json(rule) for rule in RULES], indent=1))
    else:
        print("\n".join(_text(rule) for rule in RULES))


def _as_json(rule: Rule) -> dict[str, object]:
    return {"flag": rule.name, "bit": int(rule.flag), "usable": not rule.bad, "rule": rule.rule, "reason": rule.reason,
            "source": rule.source}


def _text(rule: Rule) -> str:
    lines = [f"{rule.name}: {'not to be used' if rule.bad else 'may be used'}"]
    for head, words in (("when", rule.rule), ("why", rule.reason), ("from", rule.source)):
        lines += textwrap.wrap(words, _WIDTH, initial_indent=f"  {head:<5}", subsequent_indent="       ")
    return "\n".join(lines) + "\n"
