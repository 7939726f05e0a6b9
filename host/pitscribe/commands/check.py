"""``pitscribe check``: what is wrong with an installation, and how to mend it. It changes nothing."""

import argparse
import json
from collections import Counter
from pathlib import Path

from pitscribe import __version__
from pitscribe.commands.checking.finding import NOT_LOOKED, OK, VERDICTS, WRONG, Finding
from pitscribe.commands.checking.scene import looked_at
from pitscribe.commands.checking.table import findings
from pitscribe.config import Config, default_home, read_config
from pitscribe.errors import ConfigError

_INDENT = " " * 12


def run(home: Path | None, arguments: argparse.Namespace) -> int:
    """Look at everything. Returns the exit status: 1 if something is wrong."""
    config, trouble = _settings(home)
    with looked_at(config, no_settings=trouble, whole=arguments.all) as scene:
        if arguments.json:
            found = list(findings(scene))
            told = [finding.as_json(name) for name, finding in found]
            print(json.dumps({"pitscribe": __version__, "home": str(config.home), "found": told}, indent=1))
            return int(any(finding.verdict == WRONG for _, finding in found))
        counts: Counter[str] = Counter()
        for _, finding in findings(scene):
            print(_line(finding), flush=True)
            counts[finding.verdict] += 1
    print(", ".join(f"{counts[verdict]} {verdict}" for verdict in VERDICTS))
    return int(counts[WRONG] > 0)


def _settings(home: Path | None) -> tuple[Config, str | None]:
    """The settings; if they cannot be read those by default, and why."""
    try:
        return read_config(home), None
    except ConfigError as error:
        return Config(home or default_home()), str(error)


def _line(finding: Finding) -> str:
    verdict = "-" if finding.verdict == NOT_LOOKED else finding.verdict
    said = f"not looked at: {finding.said}" if finding.verdict == NOT_LOOKED else finding.said
    line = f"{verdict:7} {finding.looked_at}: {' '.join(said.split())}"
    return line if not finding.remedy or finding.verdict == OK else f"{line}\n{_INDENT}{finding.remedy}"
