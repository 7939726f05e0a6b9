"""Which of a boot's anchors to believe: robust regression by consensus.

A phone may have a wrong clock, a host may have said the time before it knew it, or be set by an hour in the middle of a
cook. Such an anchor is off by far more than it says, and drags any fit that minds all of them. So lines (offset and
drift) are drawn through every two anchors, and that line is taken with which most agree (M. A. Fischler and R. C.
Bolles, 1981, who draw pairs at random; here it is all of them, so that the same anchors always give the same). The
order in which anchors came does not matter.

What counts as most: two clocks that agree are worth more than one that agrees with itself however often, so each
further source counts as much as five anchors of one, and of one source no more than five count. Of equals the group
with the least error, if that is four times as small; of those alike the one that goes on later, because a clock is set
right more often than it is set wrong. All this is our own judgement, no source.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .clockfit import CRYSTAL, DRIFT, WANDER, Course, Said, fit, variance

# An error is said by people and programs that may be a little wrong: so many times as large is still no contradiction.
_LOOSE = 1.5
_SLACK = 0.002  # s: anchors are whole milliseconds
_A_SOURCE, _MOST_OF_ONE = 5, 5
_LESS_CERTAIN = 4.0
# A group with one point less is so many times less likely to be right; what is less likely than one in a hundred does
# not touch an interval of 95 %, and is told but no part of the uncertainty.
_ODDS, _UNLIKELY = 10.0, 0.01
# The course is made of no more anchors of a source: a logger that is on for three months has one an hour, its crystal
# strays by 0.1 s in the ten hours between those that are left, and the fit takes the cube of their number.
_ENOUGH = 200
_PIVOTS = 40  # lines are drawn through so many anchors, of each source some: 820 lines
Floats = NDArray[np.float64]
Rows = NDArray[np.bool_]


class _Lines(NamedTuple):
    """Lines that the anchors may lie on. agree : bool (lines, anchors);  badness : (lines,), mean square misfit."""

    agree: Rows
    badness: Floats
    score: NDArray[np.int64]


def sort_out(said: Said) -> tuple[Course, Rows, float]:
    """Return the course of the offset, the anchors that it is made of, and the doubt that the others leave. [s]"""
    enough = _enough(said)
    course, kept, doubt = _sorted(said.only(enough))
    if enough.all():
        return course, kept, doubt
    agrees = _agrees(course, said, 4.0)  # of thousands some are further off than twice
    agrees[enough] = kept
    return course, agrees, doubt


def _enough(said: Said) -> Rows:
    """Of each source at most ``_ENOUGH`` anchors: the most certain of each stretch of its uptimes, and both ends."""
    rows = np.zeros(len(said.up), bool)
    for source in np.unique(said.source):
        of = np.flatnonzero(said.source == source)
        if len(of) <= _ENOUGH:
            rows[of] = True
            continue
        rows[[of[0], of[-1]]] = True
        up = said.up[of]
        stretch = ((up - up[0]) / (up[-1] - up[0]) * (_ENOUGH - 2)).astype(np.intp)
        best = np.lexsort((up, said.err[of], stretch))
        _, first = np.unique(stretch[best], return_index=True)
        rows[of[best[first]]] = True
    return rows


def _sorted(said: Said) -> tuple[Course, Rows, float]:
    if len(said.up) == 1:
        return fit(said), np.ones(1, bool), 0.0
    lines = _lines(said)
    kept = lines.agree[_best(lines, said, np.arange(len(lines.score)))].copy()
    course = fit(said.only(kept))
    while (more := _agrees(course, said) & ~kept).any():
        kept |= more
        course = fit(said.only(kept))
    return course, kept, _doubt(lines, said, course, kept)


def _agrees(course: Course, said: Said, times: float = 2.0) -> Rows:
    """Which anchors a course does not contradict, by theirs and so many times its own standard uncertainty."""
    at = np.clip(said.up, course.up[0], course.up[-1])
    out = said.up - at
    place = np.minimum(np.searchsorted(course.up, at), len(course.up) - 1)
    line = np.interp(at, course.up, course.offset) + course.drift * out
    far = np.minimum(np.abs(said.up - course.up[place]), np.abs(said.up - course.up[np.maximum(place - 1, 0)]))
    unsure = np.sqrt(course.var[place] + course.drift_var * out**2 + WANDER * far)
    agrees: Rows = np.abs(said.offset - line) <= _LOOSE * said.err + _SLACK + times * unsure
    return agrees


def _lines(said: Said) -> _Lines:
    """The line through every two anchors (and every one), no steeper than a crystal makes it, and who agrees with it.

    Of two that no crystal can join the line goes between them, nearer to the more certain.
    """
    pivots = _pivots(said)
    one, other = (pivots[rows] for rows in np.triu_indices(len(pivots)))
    var = variance(said)
    both, apart = var[one] + var[other], said.up[other] - said.up[one]
    step = said.offset[other] - said.offset[one]
    drift = np.clip(CRYSTAL**2 * apart * step / (CRYSTAL**2 * apart**2 + both), -DRIFT, DRIFT)
    start = said.offset[one] + (step - drift * apart) * var[one] / both
    off = np.abs(said.offset - start[:, None] - drift[:, None] * (said.up - said.up[one][:, None]))
    far = np.minimum(np.abs(said.up - said.up[one][:, None]), np.abs(said.up - said.up[other][:, None]))
    bound = _LOOSE * said.err + _SLACK + 3 * np.sqrt(WANDER * far)
    agree = off <= bound
    some = agree.any(axis=1)  # a line between two that cannot be joined may please nobody
    agree, off = agree[some], off[some]
    misfit = np.where(agree, (off / bound[some]) ** 2, 0.0).sum(axis=1) / agree.sum(axis=1)
    return _Lines(agree, misfit, _score(agree, said))


def _score(groups: Rows, said: Said) -> NDArray[np.int64]:
    """What groups of anchors count, a row each."""
    by_source = np.stack([groups[:, said.source == s].sum(axis=1) for s in np.unique(said.source)], axis=1)
    points = np.where(by_source > 0, _A_SOURCE - 1 + np.minimum(by_source, _MOST_OF_ONE), 0)
    found: NDArray[np.int64] = points.sum(axis=1)
    return found


def _pivots(said: Said) -> NDArray[np.intp]:
    """Rows of the anchors that lines are drawn through: of each source some, evenly over its uptimes."""
    sources = np.unique(said.source)
    most = max(_PIVOTS // len(sources), 2)
    rows = [np.flatnonzero(said.source == source) for source in sources]
    some = [r[np.unique(np.linspace(0, len(r) - 1, min(len(r), most)).astype(np.intp))] for r in rows]
    return np.sort(np.concatenate(some))


def _best(lines: _Lines, said: Said, among: NDArray[np.intp]) -> int:
    """The line that has most behind it."""
    among = among[lines.score[among] == lines.score[among].max()]
    count = lines.agree[among].sum(axis=1)
    among = among[count == count.max()]
    least = np.where(lines.agree[among], said.err, np.inf).min(axis=1)
    among = among[least <= _LESS_CERTAIN * least.min()]
    last = np.where(lines.agree[among], said.up, -np.inf).max(axis=1)
    among = among[last == last.max()]
    return int(among[np.argmin(lines.badness[among])])


def _doubt(lines: _Lines, said: Said, course: Course, kept: Rows) -> float:
    """The standard uncertainty that the anchors left out add: each group of them is what the time may be instead."""
    if kept.all():
        return 0.0
    (score,) = _score(kept[None], said)
    rest, shares, squares = ~kept, [], []
    while (among := np.flatnonzero(lines.agree[:, rest].any(axis=1))).size:
        line = _best(lines, said, among)
        share = _ODDS ** min(float(lines.score[line] - score), 0.0)
        if share < _UNLIKELY:
            break
        group = rest & lines.agree[line]
        off = said.offset[group] - np.interp(said.up[group], course.up, course.offset)
        shares.append(share)
        squares.append(share * float(np.mean(off**2)))
        rest = rest & ~group
    return float(np.sqrt(sum(squares) / (1 + sum(shares))))

