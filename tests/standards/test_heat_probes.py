"""How far a probe's junction is from its medium, against worked tables.

Sources: SOURCES.md section 5: stem conduction (pin fin; Bird, Stewart and Lightfoot, Transport Phenomena, example
10.7-1; Lienhard, A Heat Transfer Textbook), radiation of a bead, time constants (Ranz and Marshall; Churchill and
Bernstein), first-order lag.
"""

import math

import numpy as np
import pytest

from pitscribe.metrology.tolerance import tolerance_limit
from pitscribe.simulate import probes
from pitscribe.simulate.probes import ProbeSpec, WireError

GAS, WALL = 121.1, 60.0


@pytest.mark.parametrize(
    ("inch", "immersion_mm", "low"),
    [(1 / 16, 25, 23.3), (1 / 16, 50, 4.78), (1 / 16, 75, 0.95), (1 / 16, 100, 0.19), (1 / 16, 150, 0.01),
     (1 / 8, 25, 35.3), (1 / 8, 50, 12.2), (1 / 8, 75, 3.93), (1 / 8, 100, 1.25), (1 / 8, 150, 0.13)],
)
def test_a_probe_through_the_wall_reads_low_by_the_table(inch, immersion_mm, low):
    share = probes.stem_share(inch * 0.0254, immersion_mm / 1000, h=25.0)
    assert (GAS - WALL) * share == pytest.approx(low, rel=0.01, abs=0.006)


def test_the_textbooks_thermocouple_well_is_ten_degrees_fahrenheit_low():
    # Bird, Stewart, Lightfoot 10.7-1: mL = 3.4641, base 350 F, reads 500 F, the gas is 510 F. A solid pin of the same
    # m: h P / (k A) = h / (k B) there, 4 h / (k d) here, so d = 4 B.
    btu_h, btu_k = 5.678263, 1.730735
    share = probes.stem_share(4 * 0.08 * 0.0254, 0.2 * 0.3048, 120 * btu_h, 60 * btu_k)
    assert 1 / share == pytest.approx(15.990, rel=1e-3)
    gas = (500 - 350 * share) / (1 - share)
    assert gas == pytest.approx(510.0, abs=0.05)


@pytest.mark.parametrize(
    ("speed", "bead_30", "bead_24", "sheath_16", "sheath_8"),
    [(0.3, 1.5, 5.3, 29, 84), (1.0, 1.2, 3.8, 17, 48), (3.0, 0.8, 2.6, 10, 28)],
)
def test_time_constants_in_air_are_those_of_the_table(speed, bead_30, bead_24, sheath_16, sheath_8):
    for shape, size, expected in (
        ("bead", 0.00051, bead_30), ("bead", 0.00102, bead_24),
        ("sheath", 0.0254 / 16, sheath_16), ("sheath", 0.0254 / 8, sheath_8),
    ):
        tau = probes.time_constant(shape, size, probes.film(shape, size, speed))
        assert tau == pytest.approx(expected, rel=0.06)


@pytest.mark.parametrize(
    ("h", "emissivity", "low"), [(280, 0.8, 0.95), (150, 0.8, 1.7), (40, 0.8, 5.5), (20, 0.2, 3.1)]
)
def test_a_bead_that_sees_cooler_walls_reads_low_by_the_table(h, emissivity, low, monkeypatch):
    # gas 121.1, walls 93.3 degC; the bench linearises the radiation about the air, worth up to 7 % of the error here
    monkeypatch.setattr(probes, "film", lambda *_: float(h))
    follows = probes.junction_in_air(ProbeSpec("bead", 0.001, emissivity=emissivity), around_c=107.0)
    reads = follows.medium * GAS + follows.walls * 93.3
    assert GAS - reads == pytest.approx(low, rel=0.07)
    assert follows.medium + follows.walls + follows.stem == pytest.approx(1.0)


def test_first_order_lag_makes_63_percent_in_one_time_constant():
    assert probes.step_response(48.0, 48.0) == pytest.approx(0.632121, abs=1e-6)
    assert 1 - probes.step_response(1.0, 2.3026) == pytest.approx(0.1, abs=1e-5)


@pytest.mark.parametrize(
    ("tc", "grade"),
    [("K", "iec-1"), ("K", "astm-special"), ("T", "iec-1"), ("T", "iec-2"), ("J", "iec-2"), ("N", "iec-1")],
)
def test_every_wire_that_is_drawn_is_within_its_class(tc, grade):
    celsius = np.linspace(0, 370, 75)
    limit = tolerance_limit(tc, grade, celsius)
    errors = [probes.draw_wire_error(np.random.default_rng(s), tc, grade) for s in range(200)]
    shares = np.array([e.of(celsius) / limit for e in errors])
    assert np.abs(shares).max() <= 1 + 1e-9
    assert np.abs(shares[:, 20]).max() > 0.7  # and the width is used


def test_a_wire_with_both_ends_at_one_temperature_gives_nothing_and_is_out_by_nothing_in_the_ice():
    # The law of homogeneous wires: an error is D(tip) - D(plug), and the tables have D(0) = 0.
    wire = WireError(1.2, 60.0, 1.5)
    assert wire.of(np.array([0.0]))[0] == 0.0
    assert math.isclose(wire.of(np.array([100.0]))[0], 1.2)
    assert WireError(1.2, 500.0, 1.5).of(np.array([300.0]))[0] == 1.5  # where its class ends
