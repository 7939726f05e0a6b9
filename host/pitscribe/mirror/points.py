"""Streams of points, and the lines that say them: Influx line protocol."""

import hashlib
import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

HOUR_MS = 3_600_000
DIGITS = 3  # of a written figure: a millikelvin and a millisecond are finer than anything that is known
LONGEST_TAG = 80

Times = NDArray[np.int64]
Numbers = NDArray[np.float64]
Rows = NDArray[np.bool_]


class Column(NamedTuple):
    """One field of a stream. values : float64 (n,), NaN where the point has not got it, or n texts, None where not

    whole : the values are whole numbers, and written as such
    """

    values: Numbers | tuple[str | None, ...]
    whole: bool = False

    def there(self) -> Rows:
        """Which points have it: bool (n,)."""
        if isinstance(self.values, tuple):
            return np.array([value is not None for value in self.values], bool)
        return np.isfinite(self.values)

    def words(self) -> list[str]:
        """Each value as line protocol has it; of those that are not there anything."""
        if isinstance(self.values, tuple):
            return [_quoted(value or "") for value in self.values]
        if self.whole:
            return [f"{value:.0f}i" for value in self.values.tolist()]
        return [repr(value) for value in self.values.tolist()]

    def rows(self, rows: slice) -> "Column":
        """Some of the values."""
        return Column(self.values[rows], self.whole)

    def data(self) -> bytes:
        """What a checksum is taken of."""
        if isinstance(self.values, tuple):
            return repr(self.values).encode()
        return self.values.tobytes()


class SeriesName(NamedTuple):
    """A measurement and the values of its tags."""

    measurement: str
    tags: Mapping[str, str]

    @property
    def text(self) -> str:
        """As line protocol has it."""
        return ",".join((self.measurement, *(f"{_escaped(k)}={_escaped(v)}" for k, v in sorted(self.tags.items()))))

    @classmethod
    def of(cls, text: str) -> "SeriesName":
        """From its ``text``."""
        measurement, *tags = [part.replace("\\,", ",") for part in re.split(r"(?<!\\),", text)]
        pairs = [re.split(r"(?<!\\)=", tag, maxsplit=1) for tag in tags]
        return cls(measurement, {_plain(name): _plain(value) for name, value in pairs})


@dataclass(frozen=True, slots=True)
class Stream:
    """Points of one series, in order of time.

    t_ms : int64 (n,), UTC ms, ascending, none twice;  fields : by name, each of n values; a point has one at least
    """

    series: SeriesName
    t_ms: Times
    fields: Mapping[str, Column]

    def rows(self, rows: slice) -> "Stream":
        """Some of the points."""
        fields = {name: column.rows(rows) for name, column in self.fields.items()}
        return Stream(self.series, self.t_ms[rows], fields)

    def hours(self) -> dict[int, slice]:
        """Which points lie in each hour (since 1970, UTC) that has any."""
        numbers = self.t_ms // HOUR_MS
        starts = np.flatnonzero(np.diff(numbers, prepend=-1)).tolist()
        ends = [*starts[1:], numbers.size]
        return {int(numbers[a]): slice(a, b) for a, b in zip(starts, ends, strict=True)}

    def digest(self) -> int:
        """A checksum of times and fields: 63 bits."""
        whole = hashlib.blake2b(self.t_ms.tobytes(), digest_size=8)
        for name, column in sorted(self.fields.items()):
            whole.update(name.encode())
            whole.update(column.data())
        return int.from_bytes(whole.digest()) >> 1

    def lines(self, only: Mapping[str, Rows] | None = None) -> Iterator[str]:
        """The points as lines, times in ms. ``only``: of each field, which values; without it all that are there."""
        parts = [
            (f"{_escaped(name)}=", column.words(), (column.there() if only is None else only[name]).tolist())
            for name, column in self.fields.items()
        ]
        series = self.series.text
        for i, t in enumerate(self.t_ms.tolist()):
            said = ",".join([name + words[i] for name, words, there in parts if there[i]])
            if said:
                yield f"{series} {said} {t}"


def figures(values: Numbers) -> Column:
    """A field of figures, rounded as they are written; what is not finite is left out."""
    return Column(np.where(np.isfinite(values), np.round(values, DIGITS), np.nan) + 0.0)  # -0.0 becomes 0.0


def counts(values: NDArray[np.integer] | Numbers) -> Column:
    """A field of whole numbers."""
    return Column(values.astype(np.float64), whole=True)


def tag_value(text: str) -> str:
    """A text as a tag can hold it: no line ends or controls, no backslash (which escapes), not empty, not too long.

    One that is not as it was has a checksum at its end, for two texts must not become one series.
    """
    plain = "".join(c if c.isprintable() else " " for c in text).replace("\\", "/")
    plain = " ".join(plain.split())
    if plain and plain == text and len(plain) <= LONGEST_TAG:
        return plain
    return f"{plain[: LONGEST_TAG - 9]}~{zlib.crc32(text.encode('utf-8', 'surrogatepass')):08x}"


def _escaped(text: str) -> str:
    return text.replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


def _plain(text: str) -> str:
    return text.replace("\\ ", " ").replace("\\=", "=")


def _quoted(text: str) -> str:
    plain = "".join(c if c.isprintable() else " " for c in text)
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'
