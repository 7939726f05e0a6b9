"""Makes what docs/METROLOGY.md and the README show of papers: ``tests/system/papers.py``.

The bench plays an ice bath and boiling water, then a short cook with the same wires and chips; the unmodified firmware
reads both. A person's commands calibrate the probes, print a certificate and explain one reading of the cook. Writes
docs/pictures/certificate.png and .html, and in docs/METROLOGY.md the blocks between ``<!-- NAME -->`` and
``<!-- end -->``. Of two demos, each another day of the same scenario, it writes docs/pictures/report.png (the upper
part of a cook's page) and comparison.png. Look at them before you commit them.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bath_rig import journal_of
from browser import chromium, new_context, new_page

from pitscribe.clock import SetClock
from pitscribe.intake.folder import import_folder
from pitscribe.ledger.ledger import Ledger
from pitscribe.metrology.calibration import Point, Through, fit
from pitscribe.metrology.correction import Calibrated
from pitscribe.metrology.uncertainty import Setup, budget
from pitscribe.simulate.bath import SCENES

DOCS = Path(__file__).parents[2] / "docs"
DOCUMENT = DOCS / "METROLOGY.md"
SEED = 7
REPORT_PX = 1240
BATHS, COOK, COOK_HOURS = "ice-and-boil", "backyard", 2.0
DAYS = {7: "One Saturday", 11: "Another Saturday"}  # seed of a demo, and what its cook is called beside the other
PARTS = {"air": ("grate", "far end"), "meat": ("flat", "point", "tip", "middle")}
EXPLAINED, EXPLAINED_S = ("Saturday", "flat", "+1:50"), 6600


def main() -> int:
    """Make everything anew."""
    with tempfile.TemporaryDirectory() as name:
        home = bench_home(Path(name))
        certificate = DOCS / "pictures" / "certificate.html"
        calibrate(home)
        pitscribe(home, "probe", "show", "needle", "--certificate", certificate)
        photograph(certificate, certificate.with_suffix(".png"))
        text = DOCUMENT.read_text(encoding="utf-8")
        text = with_block(text, "explain", explained(home))
        DOCUMENT.write_text(with_block(text, "budgets", budgets()), encoding="utf-8")
        cooks(Path(name))
    return 0


def bench_home(folder: Path) -> Path:
    """A home whose ledger has both journals, as they were copied from the logger and told the time of."""
    home = folder / "home"
    home.mkdir()
    ledger = Ledger(home / "ledger.sqlite", SetClock(SCENES[COOK].utc0_ms / 1000 + 86_400))
    try:
        for scenario, hours in ((BATHS, SCENES[BATHS].hours), (COOK, COOK_HOURS)):
            (boot,) = import_folder(ledger, journal_of(folder / scenario, scenario, SEED, hours)).boots
            # What the host would have told the logger over the network, that it does not have in a hurry.
            ledger.tell_anchor(*boot, 0, SCENES[scenario].utc0_ms, 500, "person")
    finally:
        ledger.close()
    return home


def pitscribe(home: Path, *arguments: object) -> str:
    """What ``pitscribe ...`` prints for a person in UTC."""
    command = [sys.executable, "-m", "pitscribe.cli", "--home", str(home), *map(str, arguments)]
    done = subprocess.run(command, env={**os.environ, "TZ": "UTC"}, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)}: {done.stderr}")
    return done.stdout


def calibrate(home: Path) -> None:
    """Write the two probes down, and calibrate each through the channel that it stays on, from what was recorded."""
    span = ["--from", "2026-06-12T09:05", "--to", "2026-06-12T10:00"]
    for name, tc, channel in (("bead", "K", 0), ("needle", "T", 2)):
        pitscribe(home, "probe", "add", name, "--type", tc, "--tolerance", "iec-1")
        said = ["--remark", "crushed ice, stirred; then a rolling boil"]
        baths = ["--ice", "--boil", "--altitude", "1609m", "--channel", channel]
        pitscribe(home, "probe", "calibrate", name, *baths, *span, *said)


def explained(home: Path) -> str:
    """What ``explain`` prints of one reading of a cook with those probes."""
    placed = ["--air", "grate=0:bead", "--meat", "flat=2:needle"]
    began, ended = (f"2026-06-13T{clock}" for clock in ("09:00", "11:00"))
    pitscribe(home, "cook", "start", EXPLAINED[0], "--at", began, *placed)
    pitscribe(home, "cook", "end", EXPLAINED[0], "--at", ended)
    command = ["explain", *EXPLAINED, "--unit", "F"]
    printed = pitscribe(home, *command).rstrip()
    asked = " ".join(f'"{word}"' if " " in word else word for word in command)
    return f"```\n$ ./host/run {asked}\n{printed}\n```\n\n{known_truth(home)}"


def cooks(folder: Path) -> None:
    """The pictures of a cook's page, and of two days of one scenario beside each other.

    The second page is of what a person would have who took both cooks over as tables from elsewhere.
    """
    both = folder / "both"
    both.mkdir()
    Ledger(both / "ledger.sqlite", SetClock(1_800_000_000.0)).close()
    for seed, name in DAYS.items():
        kept, table = folder / f"demo-{seed}", folder / f"{name}.csv"
        demo = [sys.executable, "-m", "pitscribe.cli", "demo", "--headless", "--seed", str(seed), "--keep", str(kept)]
        subprocess.run(demo, check=True, capture_output=True)
        pitscribe(kept, "export", "--unit", "C", "--out", table)
        places = [word for kind, some in PARTS.items() for word in (f"--{kind}", ",".join(some))]
        pitscribe(both, "import", table, "--unit", "C", "--name", name, *places)
    first, *_ = DAYS
    page, beside = folder / "report.html", folder / "comparison.html"
    pitscribe(folder / f"demo-{first}", "report", "-o", page)
    pitscribe(both, "compare", *DAYS.values(), "-o", beside)
    photograph(page, DOCS / "pictures" / "report.png", REPORT_PX)
    photograph(beside, DOCS / "pictures" / "comparison.png")


def known_truth(home: Path) -> str:
    """What the bench had there, which knows."""
    _, place, _ = EXPLAINED
    with np.load(home.parent / COOK / "bench" / "truth.npz") as truth:
        celsius = float(truth["true"][EXPLAINED_S, truth["place"].tolist().index(place)])
    return f"The bench, which knows, had the tip in meat of {celsius * 1.8 + 32:.1f} F ({celsius:.1f} C) then."


def budgets() -> str:
    """A table of half widths for 95 %, meat at 95 degC and the box at 30; calibrated with the box at 22."""
    rows = ["| chip and wire | as bought | ice bath | ice and boil | the same, through another channel |",
            "| --- | --- | --- | --- | --- |"]
    points = [Point("ice", 0.4, 0.02, 30.0, 0.0, 0.02), Point("boil", 95.0, 0.03, 30.0, 94.62, 0.08)]
    for chip, tc, tolerance in (("max31855", "K", "iec-2"), ("max31855", "T", "iec-1"), ("max31856", "T", "iec-1")):
        ice, both = (fit(some, tc, tolerance, through=Through(chip, tc, 22.0)) for some in (points[:1], points))
        known = [
            None, *(Calibrated(one, chip, tc, True, 0.0) for one in (ice, both)),
            Calibrated(both.of_the_wire(), chip, tc, False, 0.0),
        ]
        setups = [Setup(chip, tc, tc, tolerance, "meat", one) for one in known]
        half = [budget(setup, 95.0, cold_c=30.0).expanded for setup in setups]
        cells = " | ".join(f"{1.8 * x:.1f} F ({x:.1f} C)" for x in half)
        rows.append(f"| {chip.upper()}, type {tc}, {tolerance} | {cells} |")
    return "\n".join(rows)


def with_block(text: str, name: str, block: str) -> str:
    """A document with a block of that name put in place of what it had."""
    return text.replace(f"<!-- {name} -->\n{block_of(text, name)}", f"<!-- {name} -->\n{block}\n")


def block_of(text: str, name: str) -> str:
    """The block of that name in a document."""
    found = re.search(rf"<!-- {name} -->\n(.*?)<!-- end -->", text, re.S)
    if not found:
        raise SystemExit(f"{DOCUMENT.name} has no block {name}")
    return found[1]


def photograph(page_file: Path, out: Path, upper: int | None = None) -> None:
    """A page as a person sees it: all of it, or its upper part [px]."""
    out.parent.mkdir(parents=True, exist_ok=True)
    with chromium() as browser:
        context = new_context(browser, color_scheme="light", device_scale_factor=1.5)
        page, seen = new_page(context, 900, 400)
        page.goto(page_file.as_uri())
        part = None if upper is None else {"x": 0, "y": 0, "width": 900, "height": upper}
        page.screenshot(path=out, full_page=True, clip=part)
        if seen.complaints:
            raise SystemExit(f"{page_file.name}: {seen.complaints}")
        context.close()
    if shutil.which("optipng"):
        subprocess.run(["optipng", "-quiet", str(out)], check=True)


if __name__ == "__main__":
    sys.exit(main())
