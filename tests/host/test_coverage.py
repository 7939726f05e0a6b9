"""What is stated covers what is wrong: 95 % of it, over many drawn instruments, before a calibration and after it.

The cook's physics is the bench's; every instrument has its own wire (within its class), its own chip (within its data
sheet) and is read through its own registers. Ice and steam baths are as well made as ``fixpoints`` supposes.
"""

import functools

import numpy as np
import pytest
from fleet import BURST, Cook, Instrument

from pitscribe.metrology.calibration import Calibrated, Point, Through, body_of, fit_of, through_of
from pitscribe.metrology.chain import correct
from pitscribe.simulate.scenario import SIX

DRAWS = 60  # of each of the six probes
ICE_LIMIT_K, BOIL_U_K = 0.05, 0.10


@functools.cache
def cook():
    return Cook.of("backyard", 11, 13.0, 16)


def read(instrument, junction, calibrated=None):
    """Error, standard uncertainty and k at the last sample of each burst."""
    p = instrument.placement
    t, *codes = instrument.in_cook(cook(), junction)
    done = correct(p.chip, p.tc, *codes, t=t, kind=p.kind, tolerance=instrument.grade, calibrated=calibrated)
    last = slice(BURST.size - 1, None, BURST.size)
    return done.celsius[last] - cook().true(p), done.u[last], done.k[last]


def calibrate(instrument, box_c, kinds):
    """Points in an ice bath and in boiling water at 315 m; the baths are out by what their makers may have missed."""
    p, rng = instrument.placement, instrument.rng
    points, cold = [], []
    for kind in kinds:
        true = rng.triangular(-ICE_LIMIT_K, 0, ICE_LIMIT_K) if kind == "ice" else 98.93 + rng.normal(0, BOIL_U_K)
        codes = instrument.in_bath(true, box_c)
        raw = correct(p.chip, p.tc, *codes).celsius
        u = np.hypot(raw.std(ddof=1) / raw.size**0.5, 0.01)
        reference, u_reference = (0.0, ICE_LIMIT_K / 6**0.5) if kind == "ice" else (98.93, BOIL_U_K)
        points.append(Point(kind, float(raw.mean()), float(u), raw.size - 1.0, reference, u_reference))
        cold.append(float(codes[1].mean()) * (2.0**-4 if p.chip == "max31855" else 2.0**-6))
    body = body_of(points, Through(p.chip, p.tc, float(np.mean(cold))))
    fitted = fit_of(body, p.tc, instrument.grade)
    through = through_of(body)
    return lambda here: Calibrated(fitted, through.chip, through.tc, here, through.cold_c, 30 * 86400.0)


@functools.cache
def fleet(how):
    """kind of place of each instrument; error, u, k (instruments, readings)."""
    kinds, rows = [], []
    for placement in SIX:
        instruments = [Instrument(placement, seed) for seed in range(DRAWS)]
        junctions = cook().follow(placement, [i.junction for i in instruments])
        for instrument, junction in zip(instruments, junctions.T, strict=True):
            known = None
            if how != "new":
                made = calibrate(instrument, 22.0, ("ice",) if how == "ice" else ("ice", "boil"))
                if how == "elsewhere":
                    instrument.plug_into_a_chip()
                known = made(how != "elsewhere")
            rows.append(read(instrument, junction, known))
            kinds.append(placement.kind)
    return np.array(kinds), *(np.array(column) for column in zip(*rows, strict=True))


def figures(how, kind):
    kinds, error, u, k = fleet(how)
    error, u, k = (x[kinds == kind] for x in (error, u, k))
    covered = float((np.abs(error) <= k * u).mean())
    rms = float(np.sqrt(np.mean(error**2)))
    stated = float(np.sqrt(np.mean(u**2)))
    print(f"{how:>9} {kind}: {error.shape[0]} probes, rms error {rms:.3f} K, stated u {stated:.3f} K, k "
          f"{np.median(k):.2f}, 95 % covers {100 * covered:.1f} %")
    return covered, rms, stated


@pytest.mark.parametrize("how", ["new", "ice", "ice and boil", "elsewhere"])
def test_95_percent_of_meat_readings_are_within_what_is_stated(how):
    covered, _, _ = figures(how, "meat")
    assert 0.93 <= covered <= 0.97


@pytest.mark.parametrize("how", ["new", "ice and boil"])
def test_95_percent_of_air_readings_are_within_what_is_stated(how):
    # Nobody told what the probes are made of: a bead or a thin sheath, bright or sooty, in still air or a draught. They
    # all read low by radiation, which an interval about the reading can only meet by being wide.
    covered, _, _ = figures(how, "air")
    assert 0.93 <= covered <= 0.98


@pytest.mark.parametrize("how", ["new", "ice and boil"])
def test_95_percent_of_all_readings_are_within_what_is_stated(how):
    _, error, u, k = fleet(how)
    assert 0.93 <= float((np.abs(error) <= k * u).mean()) <= 0.97


def test_a_calibration_shrinks_the_error_and_what_is_stated():
    for kind in ("meat", "air"):
        _, rms, stated = figures("new", kind)
        _, rms_ice, stated_ice = figures("ice", kind)
        _, rms_both, stated_both = figures("ice and boil", kind)
        assert rms_both < rms_ice < rms
        assert stated_both < stated_ice < stated
