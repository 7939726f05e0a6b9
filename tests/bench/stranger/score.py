"""Runs `pitscribe replay` on a stranger's cooks as a user would, and scores what it said against the physics.

    nice -n 5 .venv/bin/python tests/bench/stranger/score.py --seed 4711 --cooks 72 --folder /tmp/stranger

Replays are kept in the folder; a second run only scores them.  Prints the tables and the worst misses.
"""

import argparse
import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from stranger import judge, probes, rest
from stranger.cooks import FAMILIES, Cook, Run

ROOT = Path(__file__).resolve().parents[3]
Said = dict[str, Any]


@dataclass
class Case:
    """A cook, what was said of it, and how the replay ended."""

    cook: Cook
    said: Said | None
    trouble: str


def replay(cook: Cook, csv: Path, every: str) -> tuple[Said | None, str]:
    """The JSON of one replay, or None and what it printed instead."""
    kept = csv.with_suffix(".json")
    if not kept.exists():
        target = f"{cook.target * 1.8 + 32:.0f}F"
        command = [str(ROOT / ".venv/bin/pitscribe"), "replay", str(csv), "--air", "pit", "--meat", ",".join(cook.true),
                   "--target", target, "--every", every, "--unit", cook.unit, "--json"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=500, check=False)
        if done.returncode != 0:
            return None, f"exit {done.returncode}: {done.stderr[-400:]}"
        kept.write_text(done.stdout)
    try:
        return json.loads(kept.read_text()), ""
    except ValueError as error:
        return None, f"no JSON: {error}"


def case(index: int, seed: int, folder: Path, every: str) -> Case:
    """One cook, drawn, read, written and replayed."""
    cook = Run(index, seed).run()
    probes.read(cook, np.random.default_rng([seed, index, 1]))
    said, trouble = replay(cook, probes.write(cook, folder), every)
    return Case(cook, said, trouble)


def cut_same(one: Case, folder: Path, every: str, step: float) -> list[str]:
    """What differs when the file ends in the middle of the cook, of all that was said until then."""
    assert one.said is not None
    until = round(0.5 * float(one.cook.times[-1]) / step) * step
    until = float(one.cook.times[one.cook.times <= until][-1])
    said, trouble = replay(one.cook, probes.write(one.cook, folder, until), every)
    if said is None:
        return [trouble]
    return rest.differs(one.said, said, judge.when(until) - step)


def main() -> None:
    """Draw, replay, score, print."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--seed", type=int, required=True)
    ask.add_argument("--cooks", type=int, default=72)
    ask.add_argument("--every", type=int, default=15, help="minutes")
    ask.add_argument("--folder", type=Path, required=True)
    ask.add_argument("--only", default="", help="families whose name has this in it")
    given = ask.parse_args()
    folder = given.folder / str(given.seed)
    folder.mkdir(parents=True, exist_ok=True)
    every = f"{given.every}min"
    cases = []
    for index in range(given.cooks):
        if given.only in FAMILIES[index % len(FAMILIES)]:
            cases.append(case(index, given.seed, folder, every))
    good = [(c.cook, c.said) for c in cases if c.said is not None]
    print(f"{len(cases)} cooks, {sum(len(c.cook.pit) for c in cases) / 60:.0f} h, seed {given.seed}; "
          f"{len(cases) - len(good)} replays failed")
    for c in cases:
        if c.said is None:
            print(f"  {c.cook.name} {c.cook.family}: {c.trouble}")
    for table in (judge.stalls, judge.forecasts, rest.fire, rest.sums):
        print("\n".join(table(good)))
    for one in [c for c in cases if c.said is not None][::9]:
        wrong = cut_same(one, folder, every, given.every * 60.0)
        print(f"cut {one.cook.name}: {'the same' if not wrong else wrong[:3]}")


if __name__ == "__main__":
    main()
