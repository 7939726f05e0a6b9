"""Makes the dashboards, one file each: ``influxql/`` and ``promql/``.

    .venv/bin/python grafana_json/dashboards.py           writes them
    .venv/bin/python grafana_json/dashboards.py --check   says what is out of date, and writes nothing
"""

import argparse
import json
import sys
from pathlib import Path

from grafana_foundation_sdk.cog.encoder import JSONEncoder

from boards import beside, cook, evenness, fire, kit, loggers
from boards.variables import INFLUXQL, PROMQL

HERE = Path(__file__).parent
BOARDS = (cook.BOARD, fire.BOARD, evenness.BOARD, loggers.BOARD, beside.BOARD)


def texts() -> dict[str, str]:
    """File name -> content of every dashboard."""
    return {
        f"{language}/{board.key}.json": json.dumps(
            kit.dashboard(board, language), cls=JSONEncoder, indent=1, sort_keys=True, ensure_ascii=False) + "\n"
        for language in (INFLUXQL, PROMQL) for board in BOARDS
    }


def stale() -> list[str]:
    """The files that are not what the description makes now, and those that nothing makes."""
    wanted = texts()
    there = {f"{path.parent.name}/{path.name}": path.read_text(encoding="utf-8")
             for language in (INFLUXQL, PROMQL) for path in (HERE / language).glob("*.json")}
    return sorted(name for name in wanted.keys() | there.keys() if wanted.get(name) != there.get(name))


def main() -> int:
    """Write the dashboards, or check them."""
    parser = argparse.ArgumentParser(description="Make the dashboards")
    parser.add_argument("--check", action="store_true", help="say what is out of date, and write nothing")
    if parser.parse_args().check:
        old = stale()
        print("\n".join(f"{name} is out of date: run grafana_json/dashboards.py" for name in old) or "all up to date")
        return bool(old)
    for name, text in texts().items():
        (HERE / name).parent.mkdir(exist_ok=True)
        (HERE / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
