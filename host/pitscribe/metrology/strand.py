"""A stretch of one placement's series that grows: corrected piece by piece, never done twice.

Its columns lie in buffers that are only ever written behind what was handed out, so that a view given to a reader stays
as it was while the strand goes on.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import DTypeLike, NDArray

from pitscribe.metrology.chain import Context, correct_piece, has_reference, read_piece
from pitscribe.metrology.minutes import Samples, Summary
from pitscribe.metrology.uncertainty import Reading, Setup

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int32]


class Column:
    """A one-dimensional array that grows; ``view()`` is read-only and costs nothing."""

    def __init__(self, dtype: DTypeLike) -> None:
        self._data: NDArray[Any] = np.empty(1024, dtype)
        self._n = 0

    def append(self, values: NDArray[Any]) -> None:
        """Add values at the end."""
        n = self._n + values.size
        if n > self._data.size:
            larger = np.empty(max(2 * self._data.size, n), self._data.dtype)
            larger[: self._n] = self._data[: self._n]
            self._data = larger  # older views keep the old buffer
        self._data[self._n : n] = values
        self._n = n

    def view(self) -> NDArray[Any]:
        """All values so far, as an array (n,) that cannot be written."""
        view = self._data[: self._n]
        view.flags.writeable = False
        return view


class Strand:
    """The corrected samples of one setup, in order of time."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.summary = Summary(setup)
        self._context = Context()
        self._columns = (*(Column(np.float64) for _ in range(4)), Column(np.uint32))

    def extend(self, t: FloatArray, time_u: FloatArray, hot: CodeArray, cold: CodeArray, fault: CodeArray) -> None:
        """Correct the next samples and add them: float64 (n,) [UTC s, s] and int32 (n,) codes; t goes on ascending."""
        done, self._context = correct_piece(self.setup, hot, cold, fault, t, time_u, self._context)
        values: tuple[NDArray[Any], ...] = (t, done.celsius, done.u, done.k, done.flags)
        for column, some in zip(self._columns, values, strict=True):
            column.append(some)
        self.summary.extend(Samples(t, done.celsius, done.flags, hot, cold))

    def views(self) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.uint32], FloatArray]:
        """t [UTC s], celsius [degC], u [K], the chain's flags, k for 95 %; (n,) each."""
        t, celsius, u, k, flags = (column.view() for column in self._columns)
        return t, celsius, u, flags, k


class Codes(NamedTuple):
    """What a chip said at one tick: the columns of the frame."""

    hot: int
    cold: int
    fault: int


class TracedStrand(Strand):
    """A strand that keeps what it was made of, so that one of its samples can be derived step by step."""

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        self._made_of = (Column(np.float64), *(Column(np.int32) for _ in range(3)))

    def extend(self, t: FloatArray, time_u: FloatArray, hot: CodeArray, cold: CodeArray, fault: CodeArray) -> None:
        """As ``Strand.extend``."""
        super().extend(t, time_u, hot, cold, fault)
        values: tuple[NDArray[Any], ...] = (time_u, hot, cold, fault)
        for column, some in zip(self._made_of, values, strict=True):
            column.append(some)

    def codes(self, row: int) -> Codes:
        """What the chip said for a sample."""
        _, *codes = (column.view() for column in self._made_of)
        return Codes(*(int(column[row]) for column in codes))

    def time_u(self, row: int) -> float:
        """Standard uncertainty of a sample's time. [s]"""
        return float(self._made_of[0].view()[row])

    def reading(self, row: int) -> Reading | None:
        """All that the chain knows of a sample, arrays (1,): of all samples up to it, of which the last is taken.

        None for a type that has no reference function.
        """
        if not has_reference(self.setup):
            return None
        time_u, hot, cold, fault = (column.view()[: row + 1] for column in self._made_of)
        whole, _, _ = read_piece(self.setup, hot, cold, fault, self.views()[0][: row + 1], time_u, Context())
        names = ("raw_c", "celsius", "loop_mv", "cold_c", "slope", "cold_slope", "time_u")
        return Reading(self.setup, **{name: getattr(whole, name)[-1:] for name in names})
