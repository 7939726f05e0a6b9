"""The table of the bench: everything scored on one seed, as text for people and for docs/ANALYSIS.md.

Write it there:  PYTHONPATH=tests:tests/host .venv/bin/python -m bench.analysis.table docs/ANALYSIS.md
"""

import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from . import score_finish, score_fire, score_stall
from .cooks import cooks
from .score_finish import BASELINES, OURS, SHARES, FinishScore
from .score_fire import FireScore
from .score_stall import StallScore

SEED, TUNE_SEED = 271_828, 1  # chosen before anything was run on it; 1 and 20_261_125 were seen as the bench was made
COOKS, FINISH_COOKS, FIRE_COOKS, TUNE_COOKS = 90, 60, 120, 60
BEGIN = "<!-- the bench's table begins: written by tests/bench/analysis/table.py -->"
END = "<!-- the bench's table ends -->"
METHODS = {OURS: "**pitscribe**", "linear": "linear, last 30 min", "newton": "approach to the pit",
           "climatology": "climatology of the other cooks", "persistence": "persistence of our own last forecast"}


@dataclass(frozen=True)
class Results:
    """All scores of one run."""

    stall: dict[str, StallScore]  # "pitscribe" first, then the two rules
    by_physics: dict[str, StallScore]
    finish: FinishScore
    fire: FireScore
    took_s: float
    seed: int


def run(seed: int = SEED, share: float = 1.0) -> Results:
    """Score everything on the held-out cooks of ``seed``; ``share`` under 1: fewer cooks, for a quick look."""
    began = time.perf_counter()
    many, some, most, tunes = (max(6, round(share * n)) for n in (COOKS, FINISH_COOKS, FIRE_COOKS, TUNE_COOKS))
    held, tune = list(cooks("held", many, seed)), list(cooks("tune", tunes, TUNE_SEED))
    stalls = {OURS: score_stall.score(held, score_stall.ours)}
    for name, rule in score_stall.chosen(tune).items():
        stalls[f"{name} ({rule.under:g}{'' if rule.normalised else ' K/h'})"] = score_stall.score(held, rule)
    physics = {p: score_stall.score([c for c in held if c.physics == p], score_stall.ours)
               for p in ("slab", "oval")}
    finish = score_finish.score(held[:some], tune)
    fire = score_fire.score(cooks("fires", most, seed))
    return Results(stalls, physics, finish, fire, time.perf_counter() - began, seed)


def goals(r: Results) -> list[tuple[str, str, bool]]:
    """(goal, what came out, reached)."""
    stall, fire = r.stall[OURS], r.fire
    rules = [s.f1 for name, s in r.stall.items() if name != OURS]
    out = [
        ("stall recall at least 0.93", f"{stall.recall:.3f}", stall.recall >= 0.93),
        ("stall precision at least 0.93", f"{stall.precision:.3f}", stall.precision >= 0.93),
        ("stall noticed within 20 min (median)", f"{stall.delay_min:.0f} min", stall.delay_min <= 20),
        ("false stalls in 100 h at most 0.5", f"{stall.false_per_100_h:.2f}", stall.false_per_100_h <= 0.5),
        ("stall better (F1) than both rules", f"{stall.f1:.3f} against {max(rules):.3f}", stall.f1 > max(rules)),
    ]
    for share in SHARES:
        inside = r.finish.row(share, OURS).mean("inside")
        out.append((f"finish at {100 * share:.0f} %: 80 % interval holds 72 to 88 %", f"{100 * inside:.0f} %",
                    0.72 <= inside <= 0.88))
    for share in (0.5, 0.75):
        gain, best = r.finish.gain(share), r.finish.best_baseline(share)[0]
        out.append((f"finish at {100 * share:.0f} %: CRPS at least 35 % below the best baseline",
                    f"{100 * gain:.0f} % below {METHODS[best]}", gain >= 0.35))
        others = min(r.finish.row(share, b).mean("crps") for b in BASELINES[:3])  # without our own last word
        alone = 1 - r.finish.row(share, OURS).mean("crps") / others
        out.append((f"the same, beside the three that know nothing of ours ({100 * share:.0f} %)",
                    f"{100 * alone:.0f} % below", alone >= 0.35))
    out += [
        ("fire: warned 15 min ahead in 90 % of cases", f"{fire.warned} of {fire.fades}", fire.share >= 0.9),
        ("fire: false warnings in 24 h at most 1", f"{fire.false_per_24_h:.2f}", fire.false_per_24_h <= 1.0),
    ]
    return out


def lines(r: Results) -> list[str]:
    """The table in Markdown."""
    return [*_head(r), *_goals(r), *_stall(r), *_finish(r), *_fire(r)]


def _head(r: Results) -> list[str]:
    stall = r.stall[OURS]
    return [
        f"Written on {datetime.now(UTC):%Y-%m-%d} from seed {r.seed} (held-out cooks) in {r.took_s:.0f} s: stalls on "
        f"{stall.cooks} cooks ({stall.hours:.0f} h of places), finish on {r.finish.cooks}, fire on {r.fire.cooks} "
        f"({r.fire.hours:.0f} h). Thresholds and spreads of the simple rules are from {TUNE_COOKS} cooks of the split "
        f'"tune", seed {TUNE_SEED}.', "",
    ]


def _goals(r: Results) -> list[str]:
    rows = [f"| {goal} | {got} | {'yes' if ok else '**no**'} |" for goal, got, ok in goals(r)]
    return ["| goal | figure | reached |", "| --- | --- | --- |", *rows, ""]


def _stall(r: Results) -> list[str]:
    out = ["Stall (an event counts if it overlaps the truth and begins within 45 min of it):", "",
           "| | stalls | recall | said | precision | false in 100 h | delay, median min |", "| --- | " + "--- | " * 6]
    named = {"**pitscribe**": r.stall[OURS], **{n: s for n, s in r.stall.items() if n != OURS},
             **{f"pitscribe, physics {p}": s for p, s in r.by_physics.items()}}
    for name, s in named.items():
        out.append(f"| {name} | {s.sure} | {s.recall:.3f} | {s.said} | {s.precision:.3f} | {s.false_per_100_h:.2f} | "
                   f"{s.delay_min:.0f} |")
    return [*out, ""]


def _finish(r: Results) -> list[str]:
    out = [f"Finish ({r.finish.cases} forecasts, {r.finish.left_out} left out; minutes; means over cooks):", "",
           "| at | | MAE | CRPS | 80 % interval holds | its width |", "| --- | --- | " + "--- | " * 4]
    for share in SHARES:
        for method in (OURS, *BASELINES):
            row = r.finish.row(share, method)
            out.append(f"| {100 * share:.0f} % | {METHODS[method]} | {row.mean('off'):.0f} | {row.mean('crps'):.1f} | "
                       f"{100 * row.mean('inside'):.0f} % | {row.mean('width'):.0f} |")
    return [*out, ""]


def _fire(r: Results) -> list[str]:
    f = r.fire
    return [
        f"Fire: of {f.fades} fades that left at least 15 min, {f.warned} were warned of 15 min before 25 degF under "
        f"the band ({100 * f.share:.0f} %; median {score_fire.ahead(f):.0f} min ahead); of {f.fast} that physics made "
        f"faster {f.fast_said} were said before; {f.unseen} fell where no air probe was read. False warnings: "
        f"{f.false} in {f.hours:.0f} h, {f.false_per_24_h:.2f} in 24 h.", "",
    ]


def details(r: Results) -> list[str]:
    """What was missed, in words, for whoever works on it."""
    worst = [f"CRPS {c:.0f} min: {words}" for c, words in r.finish.worst[:12]]
    return ["stall:", *r.stall[OURS].misses, "finish:", *worst, "fire:", *r.fire.misses]


def write(path: Path, text: list[str]) -> None:
    """Put the table between its two marks in a page; a page without them gets it at its end."""
    page = path.read_text() if path.exists() else "# What the analysis reaches on cooks that nobody tuned on\n"
    if BEGIN not in page:
        page += f"\n{BEGIN}\n{END}\n"
    before, after = page.split(BEGIN)[0], page.split(END)[1]
    path.write_text(before + BEGIN + "\n\n" + "\n".join(text).rstrip() + "\n\n" + END + after)


if __name__ == "__main__":
    found = run()
    print("\n".join([*lines(found), *details(found)]))
    if len(sys.argv) > 1:
        write(Path(sys.argv[1]), lines(found))
    assert np.isfinite(found.took_s)
