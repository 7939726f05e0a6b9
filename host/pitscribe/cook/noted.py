"""What the analysis uses of a note: when, what kind of thing a person did, and in some places the words."""

from typing import Protocol


class Noted(Protocol):
    """When (ms UTC) and what kind of thing a person did."""

    @property
    def at_ms(self) -> int: ...

    @property
    def kind(self) -> str: ...


class Told(Noted, Protocol):
    """The same with what was written: no kind says "unwrapped"."""

    @property
    def text(self) -> str: ...
