"""``python -m fuzz TARGET --times N --seed S [--guided] [--seconds T]``: see the package."""

import argparse
import contextlib
import hashlib
import random
import resource
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

from fuzz.mutate import mutant

LONGEST_S = 5.0  # that an input may take; of those that are taken together each further one 50 ms
MOST_MB = 2000


def main() -> int:
    """Run what the command line asks for; 1 if something was found."""
    parser = argparse.ArgumentParser(prog="python -m fuzz", description="Bad input on purpose, seeded.")
    parser.add_argument("target", nargs="?", help="without it the targets are named")
    parser.add_argument("--times", type=int, default=100_000, help="inputs at most (100000)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=500.0, help="at most (500)")
    parser.add_argument("--guided", action="store_true", help="let coverage lead (atheris)")
    parser.add_argument("--found", type=Path, default=Path(tempfile.gettempdir()), help="folder for finds")
    args = parser.parse_args()
    args.found.mkdir(parents=True, exist_ok=True)  # not only when there is something to keep
    if args.guided:
        import atheris

        watched = atheris.instrument_imports(include=["pitscribe"])
    else:
        watched = contextlib.nullcontext()
    with watched:
        from fuzz.targets import every_target

        targets = every_target()
    if args.target is None:
        print(*targets, sep="\n")
        return 0
    if args.target not in targets:
        parser.error(f"no target {args.target!r}; there are {', '.join(targets)}")
    return _guided(targets[args.target], args) if args.guided else _plain(targets[args.target], args)


def _plain(target, args: argparse.Namespace) -> int:
    chance, done, slowest, start = random.Random(args.seed), 0, 0.0, time.monotonic()
    before = _peak_mb()
    while done < args.times and time.monotonic() - start < args.seconds:
        given = [mutant(target.examples, chance) for _ in range(min(target.batch, args.times - done))]
        begun = time.monotonic()
        if not _stands(target, given, args.found):
            return 1
        slowest, done = max(slowest, time.monotonic() - begun), done + len(given)
    spent = time.monotonic() - start
    print(f"{target.name}, seed {args.seed}: {done} inputs in {spent:.0f} s, {done / spent:.0f} a second; slowest "
          f"{'batch' if target.batch > 1 else 'one'} {slowest:.2f} s; memory at most {_peak_mb():.0f} MB, {before:.0f} "
          "at the start; nothing found")
    return 0


def _stands(target, given: Sequence[bytes], found: Path) -> bool:
    """Whether the promises held; else which input broke them is told and kept."""
    begun = time.monotonic()
    try:
        target.run(given)
        if time.monotonic() - begun < LONGEST_S + len(given) / 20 and _peak_mb() < MOST_MB:
            return True
        why = f"{time.monotonic() - begun:.1f} s and {_peak_mb():.0f} MB"
    except Exception:
        why = traceback.format_exc()
    worst = list(given) if len(given) == 1 else [data for data in given if _breaks(target, data)] or list(given)
    for data in worst[:3]:
        path = found / f"{target.name}-{hashlib.sha256(data).hexdigest()[:12]}"
        path.write_bytes(data)
        print(f"{target.name}: found {path}: {data[:200]!r}", file=sys.stderr)
    print(why, file=sys.stderr)
    return False


def _breaks(target, data: bytes) -> bool:
    try:
        target.run([data])
    except Exception:
        return True
    return False


def _guided(target, args: argparse.Namespace) -> int:
    import atheris

    corpus = Path(tempfile.mkdtemp(prefix=f"fuzz-{target.name}-"))
    for at, example in enumerate(target.examples):
        (corpus / f"{at:04}").write_bytes(example)
    longest = 2 * max(map(len, target.examples))
    flags = [
        f"-runs={args.times}", f"-seed={args.seed}", f"-max_total_time={args.seconds:.0f}", f"-max_len={longest}",
        f"-timeout={LONGEST_S:.0f}", f"-rss_limit_mb={MOST_MB}", f"-artifact_prefix={args.found}/",
        "-print_final_stats=1",
    ]
    atheris.Setup([sys.argv[0], *flags, str(corpus)], lambda data: target.run([data]))
    atheris.Fuzz()  # ends the process
    return 0


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    sys.exit(main())
