"""The likeliest course of a boot's offset (UTC less uptime) through what its anchors say: a Gaussian regression.

offset(up) = a constant nobody knows + drift * up + wander(up), and an anchor says the offset with an error.

* The drift is near 0 where nothing speaks against it: normal with a standard deviation of 30 ppm. 12 MHz crystals for
  microcontrollers are sold with +-30 ppm at room temperature, and as much again over temperature (catalogue figures,
  from memory); load capacitors that do not quite fit add to it. 100 ppm is taken for the most (common practice, no
  source).
* The wander is what the crystal does as the box warms and cools: a random walk, 27 ms after an hour and 0.13 s after a
  day, as if the drift changed by 3 ppm over 6 hours (our allowance, no source).
* An anchor's error is a half width: standard deviation err / root 3 (JCGM 100:2008, 4.3.7). Anchors of one source share
  most of it, because a clock that is off stays off: three quarters of the variance of its best anchor are common to all
  of them (our allowance, no source). So thirty answers of one host do not make its clock better.

The wander being a random walk, the course is straight between anchors (a known property of its conditional mean).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

DRIFT = 1e-4  # the most that the logger's seconds are off
CRYSTAL = 3e-5  # one standard deviation of it
WANDER = 2e-7  # s: variance of the wander, in s^2, per second
_SHARED = 0.75
_ROUNDING = 5e-4  # s: anchors are whole milliseconds, so this is the half width of the least error
Floats = NDArray[np.float64]


class Said(NamedTuple):
    """What anchors say, in order of uptime: uptime, offset and half width of its error [s], and a number a source."""

    up: Floats
    offset: Floats
    err: Floats
    source: NDArray[np.intp]

    def only(self, rows: NDArray[np.bool_]) -> "Said":
        """Those of the given rows."""
        return Said(self.up[rows], self.offset[rows], self.err[rows], self.source[rows])


class Course(NamedTuple):
    """The offset at the anchors' uptimes, ascending, each once; variances and covariances in s^2 and s."""

    up: Floats
    offset: Floats
    var: Floats
    with_next: Floats  # covariance of the offsets at a corner and at the next: one less
    drift: float
    drift_var: float
    with_drift: Floats  # covariance of drift and offset


def variance(said: Said) -> Floats:
    """The variance of each anchor's error. [s^2]"""
    found: Floats = (said.err**2 + _ROUNDING**2) / 3
    return found


def fit(said: Said) -> Course:
    """The course through anchors that are all to be believed, at least one.

    Best linear prediction (universal kriging; Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006,
    section 2.7, from memory): a line whose level nobody knows and whose tilt is a crystal's, and the wander about it.
    The two are kept apart, for over months the tilt's variance is a hundred million times an anchor's: in one sum, the
    uncertainty drowned in rounding and came out as nil.
    """
    up, first = np.unique(said.up, return_index=True)
    # From the first anchor the wander, from the middle the drift is counted: the unknown constant takes up both.
    x, q, middle = said.up - up[0], up - up[0], (up[-1] - up[0]) / 2
    reference = float(said.offset[first[0]])
    seen = np.linalg.inv(WANDER * np.minimum.outer(x, x) + _noise(said))
    line, lines = (np.stack([np.ones_like(at), CRYSTAL * (at - middle)], axis=1) for at in (x, q))
    line_cov = np.linalg.inv(line.T @ seen @ line + np.diag([0.0, 1.0]))
    best = line_cov @ line.T @ seen @ (said.offset - reference)
    weights = WANDER * np.minimum.outer(q, x) @ seen
    offset = reference + lines @ best + weights @ (said.offset - reference - line @ best)
    rest = lines - weights @ line
    cov = WANDER * (np.minimum.outer(q, q) - weights @ np.minimum.outer(x, q)) + rest @ line_cov @ rest.T
    drift, drift_var = CRYSTAL * float(best[1]), CRYSTAL**2 * float(line_cov[1, 1])
    return Course(
        up, offset, np.maximum(np.diag(cov), 0), np.diag(cov, 1), float(np.clip(drift, -DRIFT, DRIFT)), drift_var,
        CRYSTAL * (rest @ line_cov)[:, 1],
    )


def _noise(said: Said) -> Floats:
    """The covariance of the anchors' errors."""
    var = variance(said)
    shared = np.zeros(int(said.source.max()) + 1)
    for source in np.unique(said.source):
        shared[source] = _SHARED * var[said.source == source].min()
    alike = said.source[:, None] == said.source
    noise: Floats = np.where(alike, shared[said.source], 0.0)
    noise[np.diag_indices_from(noise)] = var
    return noise
