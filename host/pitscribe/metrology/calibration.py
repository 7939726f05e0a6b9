"""What a probe's own history says of it: points, the correction fitted to them, and how sure that is.

A correction is ``offset + gain (reading - pivot)``, to be added to the reading. It is in kelvin and not in emf: over a
kitchen's range the two differ by the change of the wire's sensitivity, 12 % of a correction of a kelvin or two.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Calibration:
    """A correction and its uncertainty, as far as the points bear it.

    offset, gain, pivot : K, K/K, degC of the uncorrected reading
    covariance : var(offset) [K2], cov(offset, gain) [K], var(gain) [1]; a gain that the points cannot show is 0, and
        its variance what the wire's class allows
    dof : effective degrees of freedom of the fit (inf if nothing of it is from few observations)
    low, high : the lowest and the highest reading among the points [degC]
    """

    offset: float
    gain: float
    pivot: float
    covariance: tuple[float, float, float]
    dof: float
    low: float
    high: float

    def correction(self, reading: FloatArray) -> FloatArray:
        """What is to be added to uncorrected readings: float64 (n,) [degC] -> (n,) [K]."""
        added: FloatArray = self.offset + self.gain * (reading - self.pivot)
        return added

    def u(self, reading: FloatArray) -> FloatArray:
        """Standard uncertainty of the correction, of the points and the fit alone: float64 (n,) [degC] -> (n,) [K]."""
        var, both, slope = self.covariance
        away = reading - self.pivot
        u: FloatArray = np.sqrt(var + 2 * both * away + slope * np.square(away))
        return u


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A calibration as it counts for one placement.

    chip, tc : the amplifier that the points were read through, and the type that it is made or set for; None: another
        instrument, whose error is in the points' own uncertainty
    here : whether that is the very channel that is read now, whose chip's constant errors it therefore holds
    cold_c : the terminal block then [degC]
    age_s : how long before the reading it was made [s]
    """

    fit: Calibration
    chip: str | None
    tc: str | None
    here: bool
    cold_c: float
    age_s: float
