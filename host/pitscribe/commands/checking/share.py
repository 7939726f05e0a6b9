"""What waits for another of several processes that take in together (docs/SCALE.md)."""

from collections.abc import Iterator

from pitscribe.clock import local
from pitscribe.commands.checking.finding import Finding, look, ok, wrong
from pitscribe.commands.checking.scene import Scene

LONG_S = 600.0  # a process that is only started again is back by then: our allowance, no source


def waiting(scene: Scene) -> Iterator[Finding]:
    """Frames that wait for the process that keeps their logger."""
    share, counts = scene.config.share, scene.the_ledger().waiting_counts()
    for keeper, count in counts.items():
        since = count.since_ms / 1000
        said = f"{count.frames} frames wait here for {keeper}, the oldest since {local(since)}"
        if share is None:
            yield wrong("share", f"{said}, and there is no [share] by which it is given them",
                        "put the [share] back, or see docs/SCALE.md")
        elif scene.clock.now() - since > LONG_S:
            yield look("share", said, f"start {keeper}; if it runs, look whether all have the same members and keepers")
        else:
            yield ok("share", said)
    if share is not None and not counts:
        yield ok("share", f"{share.name} of {', '.join(share.members)}; nothing waits here for another")
