"""Writes the example of docs/NEIGHBOURS.md anew: what a stranger's client finds on a real mosquitto beside a cook.

``PYTHONPATH=tests:tests/host .venv/bin/python tests/system/neighbours_seen.py``. The cook is the drawn one of the
tests, six hours old; the messages go through the intake's own client, the watch and a broker, as in ``serve``.
"""

import json
import re
import sys
import tempfile
from pathlib import Path

from neighbours_rig import Looker, Showing, a_broker
from page_world import LOGGER, make_world
from servers import wait_until

from pitscribe.neighbours.discovery import Hub
from pitscribe.neighbours.shown import FILE_NAME

PAGE = Path(__file__).parents[2] / "docs" / "NEIGHBOURS.md"
HOST = "1a2b3c4d"
BEGIN, END = "<!-- seen: made by tests/system/neighbours_seen.py -->\n", "<!-- end of seen -->\n"
SHOWN = (
    f"{LOGGER:08x}/temp/2", f"{LOGGER:08x}/temp/5", *(f"host/{HOST}/{word}" for word in ("spread", "finish", "state")),
)
TOLD = (
    f"sensor/pitscribe_{HOST}/place_flat", f"sensor/pitscribe_{HOST}/spread", f"sensor/pitscribe_{HOST}/finish",
    f"binary_sensor/pitscribe_{HOST}/logger_{LOGGER:08x}",
)
WIDTH = 116


def seen() -> dict[str, bytes]:
    """All that lies on the broker in the host's name."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / FILE_NAME).write_text(json.dumps({"host": HOST, "topics": []}))
        (folder / FILE_NAME).chmod(0o600)
        world = make_world(folder, hours=6)
        with a_broker("mosquitto", folder) as broker:
            host = Showing(world, broker, folder, Hub(), forecasts=True)
            looker = Looker(broker)
            host.turn()
            host.turn()
            wait_until("all is shown", lambda: len(looker.settle()) == 19)
            found = looker.settle()
            looker.close()
            host.end()
        world.ledger.close()
    return found


def block(found: dict[str, bytes], topics: list[str]) -> str:
    """Topics with what lies there, as an indented block; long messages are broken between their members."""
    lines = []
    for topic in topics:
        lines.append(f"    {topic}")
        line = "      "
        for part in re.findall(r'(?:[^",]|"(?:[^"\\]|\\.)*")+,?', found[topic].decode()):
            if len(line + part) > WIDTH:
                lines.append(line)
                line = "      "
            line += part
        lines.append(line)
    return "\n".join(lines) + "\n"


def main() -> None:
    found = seen()
    packs = block(found, [f"pitscribe/1/{topic}" for topic in SHOWN])
    told = block(found, [f"homeassistant/{topic}/config" for topic in TOLD])
    text = PAGE.read_text(encoding="utf-8")
    parts = re.split(f"{BEGIN}.*?{END}", text, flags=re.DOTALL)
    if len(parts) != 3:
        raise SystemExit(f"{PAGE}: two places for what is seen are wanted, between the marks")
    filled = [f"{BEGIN}\n{some}\n{END}" for some in (packs, told)]
    PAGE.write_text(parts[0] + filled[0] + parts[1] + filled[1] + parts[2], encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
