"""Cumulative sums against E. S. Page, Biometrika 41 (1954) 100: the worked path and run lengths are computed ones.

Path: by hand from S = max(0, S + z - k). Run lengths: integral equation with 120 Gauss-Legendre nodes; the two-sided
rows agree with Montgomery, Introduction to Statistical Quality Control (from memory).
"""

import numpy as np
import pytest

from pitscribe.cook.cusum import Cusum, path

WORKED = (0.2, -0.5, 1.1, 0.9, 1.6, 0.7, 1.8, 1.2)


def test_the_worked_path():
    assert path(WORKED, 0.5) == pytest.approx([0, 0, 0.6, 1.0, 2.1, 2.3, 3.6, 4.3])


def test_the_worked_path_alarms_at_its_eighth_value():
    sums = Cusum(0.5, 4.0)
    assert [sums.add(z) for z in WORKED] == [False] * 7 + [True]


@pytest.mark.parametrize(("shift", "h", "length"), [(0.0, 4.0, 335.4), (1.0, 4.0, 8.38), (1.0, 5.0, 10.38),
                                                    (2.0, 5.0, 4.01)])
def test_mean_run_lengths(shift, h, length):
    """One-sided; with a shift of 1 or more the other side of the two-sided rows never alarms first."""
    rng = np.random.default_rng(1954)
    runs = []
    for _ in range(1500):
        sums, n = Cusum(0.5, h), 0
        while True:
            n += 1
            if sums.add(rng.normal() + shift):
                break
        runs.append(n)
    assert np.mean(runs) == pytest.approx(length, rel=4 * np.std(runs) / np.mean(runs) / np.sqrt(len(runs)))
