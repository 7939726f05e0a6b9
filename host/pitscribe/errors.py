"""The errors of Pitscribe, all of them, as one tree.

    PitscribeError              the command prints its text on one line and ends with status 1
    |- ConfigError              a setting or an argument that cannot be used
    |  `- FieldError            one of several that were given together; .field is its name
    |- SourceError              something that comes in
    |  |- FrameError            bytes that are not a frame of ours; .reason is one word for counting
    |  |- MessageError          a JSON message that does not say what WIRE.md section 5 wants
    |  |- TableError            a CSV that cannot be read; names the line and the column
    |  |- PhotoError            an image that is not kept: too large, of another kind, cut off
    |  `- BrokerError           a broker that refuses or cannot be reached
    |- ReadingError             a number that physics or a table does not allow
    |  |- OutOfRangeError       a value outside a reference function's range
    |  `- CalibrationError      readings that no calibration can be made of: nonsense, too few, too close, unsteady
    |- StoreError               the ledger: disk full, locked, damaged, of a later version
    |- MirrorError              the time-series database that is mirrored to: away, or it refuses
    |- NotFoundError            a cook, a place or a logger that the ledger does not have
    `- BenchError               the simulated bench or the MicroPython under it

A message names the culprit, the place in it and what to do.
"""

from collections.abc import Iterator
from contextlib import contextmanager


class PitscribeError(Exception):
    """Any error that a user is told about in one line."""


class ConfigError(PitscribeError):
    """A setting or an argument that cannot be used."""


class FieldError(ConfigError):
    """One of several settings that were given together cannot be used; ``field`` is the name of it."""

    def __init__(self, field: str, words: str) -> None:
        super().__init__(words)
        self.field = field


@contextmanager
def about(field: str) -> Iterator[None]:
    """Whatever is refused inside is refused of this field."""
    try:
        yield
    except ConfigError as error:
        raise FieldError(field, str(error)) from error


class SourceError(PitscribeError):
    """Something that comes in and cannot be used."""


class FrameError(SourceError):
    """Bytes that are not a frame of ours.

    ``reason`` is one of a few fixed words, so that what was kept aside can be counted by it.
    """

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(f"{reason}: {detail}")
        self.reason = reason


class MessageError(SourceError):
    """A JSON message that does not say what WIRE.md section 5 wants."""


class TableError(SourceError):
    """A CSV that cannot be read."""


class PhotoError(SourceError):
    """An image that is not kept: too large, of another kind, cut off."""


class BrokerError(SourceError):
    """A broker that refuses or cannot be reached."""


class ReadingError(PitscribeError):
    """A number that physics or a table does not allow."""


class OutOfRangeError(ReadingError):
    """A value outside a reference function's range; the message has both."""


class CalibrationError(ReadingError):
    """Readings that no calibration can be made of; the message says which, why and what to do."""


class StoreError(PitscribeError):
    """The ledger cannot be opened, read or written."""


class MirrorError(PitscribeError):
    """The time-series database that is mirrored to does not do what it should."""


class NotFoundError(PitscribeError):
    """A cook, a place or a logger that the ledger does not have."""


class BenchError(PitscribeError):
    """The simulated bench, or the MicroPython that runs on it, cannot go on."""
