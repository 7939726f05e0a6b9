"""The table of the bench: everything scored on one seed, as text for people and for docs/ANALYSIS.md.

Write it there:  PYTHONPATH=tests:tests/host .venv/bin/python -m bench.analysis.table docs/ANALYSIS.md
"""

import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np

from . import bootstrap, score_finish, score_fire, score_stall
from .cooks import cooks
from .score_finish import BASELINES, OURS, SHARES, FinishScore
from .score_fire import FireScore
from .score_stall import StallScore

# Chosen before anything was run on it. Looked at before: 1, 901 to 903, 4_711, 5_150, 20_261_125, and those of the
# tables before, 271_828, 602_214 and 141_421.
SEED, TUNE_SEED = 733_204, 1
COOKS, FINISH_COOKS, FIRE_COOKS, TUNE_COOKS = 90, 60, 120, 60
BEGIN = "<!-- the bench's table begins: written by tests/bench/analysis/table.py -->"
END = "<!-- the bench's table ends -->"
METHODS = {OURS: "**pitscribe**", "linear": "linear, last 30 min", "newton": "approach to the pit",
           "climatology": "climatology of the other cooks", "persistence": "persistence of our own last forecast"}


@dataclass(frozen=True)
class Results:
    """All scores of one run."""

    stall: dict[str, StallScore]  # "pitscribe" first, then the two rules
    stall_each: list[StallScore]  # ours, of single cooks
    by_physics: dict[str, StallScore]
    finish: FinishScore
    fire: FireScore
    fire_each: list[FireScore]
    took_s: float
    seed: int


def run(seed: int = SEED, share: float = 1.0) -> Results:
    """Score everything on the held-out cooks of ``seed``; ``share`` under 1: fewer cooks, for a quick look."""
    began = time.perf_counter()
    many, some, most, tunes = (max(6, round(share * n)) for n in (COOKS, FINISH_COOKS, FIRE_COOKS, TUNE_COOKS))
    held, tune = list(cooks("held", many, seed)), list(cooks("tune", tunes, TUNE_SEED))
    stall_each = [score_stall.score([cook], score_stall.ours) for cook in held]
    stalls = {OURS: bootstrap.summed(StallScore, stall_each)}
    for name, rule in score_stall.chosen(tune).items():
        stalls[f"{name} ({rule.under:g}{'' if rule.normalised else ' K/h'})"] = score_stall.score(held, rule)
    physics = {p: bootstrap.summed(StallScore, [s for s, c in zip(stall_each, held, strict=True) if c.physics == p])
               for p in ("slab", "oval")}
    finish = score_finish.score(held[:some], tune)
    fire_each = [score_fire.score([cook]) for cook in cooks("fires", most, seed)]
    fire = bootstrap.summed(FireScore, fire_each)
    return Results(stalls, stall_each, physics, finish, fire, fire_each, time.perf_counter() - began, seed)


class Goal(NamedTuple):
    """A goal, what came out, its 95 % interval over cooks in words ("": none is told), and whether it was reached."""

    goal: str
    got: str
    span: str
    reached: bool


def goals(r: Results) -> list[Goal]:
    """The goals of the bench."""
    return [*_stall_goals(r), *_finish_goals(r), *_fire_goals(r)]


def _stall_goals(r: Results) -> list[Goal]:
    stall, each = r.stall[OURS], r.stall_each
    rules = [s.f1 for name, s in r.stall.items() if name != OURS]
    recall = bootstrap.of_counts(each, lambda s: s.found, lambda s: s.sure)
    precision = bootstrap.of_counts(each, lambda s: s.right, lambda s: s.said)
    false = bootstrap.of_counts(each, lambda s: 100 * (s.said - s.right), lambda s: s.hours)
    return [
        Goal("stall recall at least 0.93", f"{stall.recall:.3f}", _words(recall, ".3f"), stall.recall >= 0.93),
        Goal("stall precision at least 0.93", f"{stall.precision:.3f}", _words(precision, ".3f"),
             stall.precision >= 0.93),
        Goal("stall noticed within 20 min (median)", f"{stall.delay_min:.0f} min", "", stall.delay_min <= 20),
        Goal("false stalls in 100 h at most 0.5", f"{stall.false_per_100_h:.2f}", _words(false, ".2f"),
             stall.false_per_100_h <= 0.5),
        Goal("stall better (F1) than both rules", f"{stall.f1:.3f} against {max(rules):.3f}", "",
             stall.f1 > max(rules)),
    ]


def _finish_goals(r: Results) -> list[Goal]:
    finish, out = r.finish, []
    for share in SHARES:
        inside = finish.row(share, OURS).mean("inside")
        out.append(Goal(f"finish at {100 * share:.0f} %: 80 % interval holds 72 to 88 %", f"{100 * inside:.0f} %",
                        _percent(finish.inside_span(share)), 0.72 <= inside <= 0.88))
    for share in (0.5, 0.75):
        best = finish.best_baseline(share)[0]
        alone = min(BASELINES[:3], key=lambda b: finish.row(share, b).mean("crps"))  # without our own last word
        for goal, name in ((f"finish at {100 * share:.0f} %: CRPS at least 35 % below the best baseline", best),
                           (f"the same, beside the three that know nothing of ours ({100 * share:.0f} %)", alone)):
            gain = 1 - finish.row(share, OURS).mean("crps") / finish.row(share, name).mean("crps")
            out.append(Goal(goal, f"{100 * gain:.0f} % below {METHODS[name]}",
                            _percent(finish.gain_span(share, name)), gain >= 0.35))
    return out


def _fire_goals(r: Results) -> list[Goal]:
    fire = r.fire
    warned = bootstrap.of_counts(r.fire_each, lambda f: f.warned, lambda f: f.fades)
    false = bootstrap.of_counts(r.fire_each, lambda f: 24 * f.false, lambda f: f.hours)
    return [
        Goal("fire: warned 15 min ahead in 90 % of cases", f"{fire.warned} of {fire.fades}", _percent(warned),
             fire.share >= 0.9),
        Goal("fire: false warnings in 24 h at most 1", f"{fire.false_per_24_h:.2f}", _words(false, ".2f"),
             fire.false_per_24_h <= 1.0),
    ]


def _words(span: bootstrap.Interval, form: str) -> str:
    return f"{span[0]:{form}} to {span[1]:{form}}"


def _percent(span: bootstrap.Interval) -> str:
    return f"{100 * span[0]:.0f} to {100 * span[1]:.0f} %"


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
    rows = [f"| {g.goal} | {g.got} | {g.span} | {'yes' if g.reached else '**no**'} |" for g in goals(r)]
    return ["Beside each figure stands its 95 % interval over cooks (bootstrap): the luck of the draw alone.", "",
            "| goal | figure | by luck | reached |", "| --- | --- | --- | --- |", *rows, ""]


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
        f"the band ({100 * f.share:.0f} %; median {score_fire.ahead(f):.0f} min ahead); of the {f.roomy} that left "
        f"{score_fire.ROOMY_MIN:.0f} min or more, {f.roomy_warned}; of {f.fast} that physics made faster {f.fast_said} "
        f"were said before; {f.unseen} fell where no air probe was read. False warnings: {f.false} in "
        f"{f.hours:.0f} h, {f.false_per_24_h:.2f} in 24 h.", "",
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
