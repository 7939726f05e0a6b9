"""What is added to a reading because of a probe's own history, and how sure that is.

A reading is out by what its channel is out by (chip, cold junction, terminal block: a constant emf) and by what the
wire is out by between its plug and its tip: the law of homogeneous wires, both ends at one temperature give nothing. So
a correction is ``offset + gain span``, where span is the reading less the cold junction; in kelvin as the wire has them
at 0 degC, for what is constant is so in emf: with type T a kelvin in the ice is 0.83 K in boiling water.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pitscribe.metrology import its90

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Calibration:
    """A correction and its uncertainty, as far as the points bear it.

    offset, gain : K, and K for each kelvin of span (uncorrected reading less cold junction); of the wire at 0 degC
    covariance : var(offset) [K2], cov(offset, gain) [K], var(gain) [1], of the points, the class and the channel
    dof : effective degrees of freedom of the fit (inf if nothing of it is from few observations)
    low, high : the lowest and the highest reading among the points [degC]
    cold_c : the cold junction at the points, as a mean [degC]
    borne : whether the points tell of the gain, rather than the class of the wire alone
    tc : type of the wire; None: a thermometer whose kelvin are the same everywhere
    """

    offset: float
    gain: float
    covariance: tuple[float, float, float]
    dof: float
    low: float
    high: float
    cold_c: float
    borne: bool
    tc: str | None = None

    def correction(self, reading: FloatArray, cold_c: FloatArray | float | None = None) -> FloatArray:
        """What is to be added to uncorrected readings: float64 (n,) [degC] -> (n,) [K].

        cold_c : the cold junction now, float64 (n,) or a number [degC]; None: as it was at the points
        """
        added: FloatArray = (self.offset + self.gain * self._span(reading, cold_c)) / stretch(self.tc, reading)
        return added

    def u(self, reading: FloatArray, cold_c: FloatArray | float | None = None) -> FloatArray:
        """Standard uncertainty of the correction, of the points and the fit alone: arguments as there, (n,) [K]."""
        var, both, slope = self.covariance
        span = self._span(reading, cold_c)
        u: FloatArray = np.sqrt(var + 2 * both * span + slope * np.square(span)) / stretch(self.tc, reading)
        return u

    def of_the_wire(self) -> "Calibration":
        """What of it goes with the wire to another channel: the gain; the offset was that channel's."""
        return replace(self, offset=0.0, covariance=(0.0, 0.0, self.covariance[2]))

    def _span(self, reading: FloatArray, cold_c: FloatArray | float | None) -> FloatArray:
        span: FloatArray = reading - (self.cold_c if cold_c is None else cold_c)
        return span


def stretch(tc: str | None, celsius: FloatArray) -> FloatArray:
    """Sensitivity of a wire at a temperature against that at 0 degC: float64 (n,) [degC] -> (n,), NaN out of range."""
    if tc is None:
        return np.ones(celsius.shape)
    ratio: FloatArray = its90.sensitivity(tc, celsius, out_of_range="nan") / its90.sensitivity(tc, 0.0)
    return ratio


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A calibration as it counts for one placement.

    fit : what is applied: of points that were read through another channel, what of them is the wire's
    chip, tc : the amplifier that the points were read through, and the type that it is made or set for; None: another
        instrument, whose error is in the points' own uncertainty
    here : whether that is the very channel that is read now, whose chip's constant errors the fit therefore holds
    age_s : how long before the reading it was made [s]
    """

    fit: Calibration
    chip: str | None
    tc: str | None
    here: bool
    age_s: float
