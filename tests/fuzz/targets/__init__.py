"""What is fuzzed: by name, a function that gets bytes and raises if a promise is broken, and sound examples."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass


class BrokenPromiseError(AssertionError):
    """What must not happen has happened."""


@dataclass(frozen=True)
class Target:
    """One reader of outside bytes. ``run`` gets several inputs at once, as they come in life."""

    name: str
    run: Callable[[Sequence[bytes]], None]
    examples: Sequence[bytes]
    batch: int = 1  # so many inputs go into it at once


def promise(holds: bool, words: str) -> None:
    """Raise BrokenPromiseError unless it holds."""
    if not holds:
        raise BrokenPromiseError(words)


def every_target() -> dict[str, Target]:
    """All there are. They are imported here, so that a guided run can watch what they import."""
    from . import board, files, frames, pages, words

    return {one.name: one for one in (*frames.TARGETS, *words.TARGETS, *files.TARGETS, *pages.TARGETS, *board.TARGETS)}
