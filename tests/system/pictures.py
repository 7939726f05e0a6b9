"""Makes the README's pictures: ``tests/system/pictures.py [--keep DIR]``, by default from a demo that it runs itself.

The demo's ledger is opened as it was when its cook ended, the cook taken as going on, and the page that a person would
have seen at that moment is photographed in headless Chromium. Writes docs/pictures/*.png; look at them before you
commit them.
"""

import argparse
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

from browser import chromium, new_context, new_page, visit

from pitscribe.clock import SetClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.page.app import make_app
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch

OUT = Path(__file__).parents[2] / "docs" / "pictures"
HOURS = "9.2"  # of the demo's cook: the stall goes on and the places are far apart
SHOTS = (
    ("live-phone", 390, 844, "light", 2.0),
    ("live-phone-dark", 390, 844, "dark", 2.0),
    ("live-laptop", 1440, 900, "light", 1.0),
    ("live-laptop-dark", 1440, 900, "dark", 1.0),
)


def main() -> int:
    """Run the demo if need be, and take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", type=Path, help="the folder of a demo that was run with --keep")
    parser.add_argument("--out", type=Path, default=OUT)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        kept = arguments.keep
        if kept is None:
            kept = Path(name) / "demo"
            demo = [sys.executable, "-m", "pitscribe.cli", "demo", "--headless", "--hours", HOURS, "--seed", "7"]
            subprocess.run([*demo, "--keep", str(kept)], check=True)
        copy = Path(name) / "ledger.sqlite"
        with sqlite3.connect(kept / "ledger.sqlite") as source, sqlite3.connect(copy) as target:
            source.backup(target)
        take(copy, arguments.out)
    return 0


def take(path: Path, out: Path) -> None:
    """Photograph the newest cook of a ledger, which is changed: hand in a copy."""
    clock = SetClock(0.0)
    ledger = Ledger(path, clock)
    cook = ledger.cooks()[0]
    clock.at = Watch(ledger, clock).snapshot_of(cook.id).body["newest"] + 2.0
    ledger.reopen_cook(cook.id)
    for info in ledger.loggers():
        ledger.saw_state(info.logger, (info.state or {}) | {"online": True})
    watch = Watch(ledger, clock)
    server = PageServer(make_app(ledger, watch, clock))
    watch.start()
    server.start()
    out.mkdir(parents=True, exist_ok=True)
    try:
        with chromium() as browser:
            for name, width, height, scheme, scale in SHOTS:
                context = new_context(browser, color_scheme=scheme, device_scale_factor=scale)
                page, seen = new_page(context, width, height)
                visit(page, server.url)
                page.wait_for_selector("#chart[data-drawn]")
                page.wait_for_timeout(200)
                page.screenshot(path=out / f"{name}.png")
                if seen.complaints:
                    raise SystemExit(f"{name}: {seen.complaints}")
                context.close()
        if shutil.which("optipng"):
            subprocess.run(["optipng", "-quiet", *map(str, sorted(out.glob("*.png")))], check=True)
    finally:
        server.stop()
        watch.stop()
        ledger.close()


if __name__ == "__main__":
    sys.exit(main())
