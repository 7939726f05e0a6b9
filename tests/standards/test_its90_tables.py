"""ITS-90 reference functions against published tables and two independent packages. Run with -s for the differences.

Sources: NIST Monograph 175 / NIST ITS-90 Thermocouple Database (SRD 60), as printed in SOURCES.md section 1;
the packages thermocouple-its90, which parsed NIST's own files, and thermocouples_reference, which has its own copy of
the coefficients. Of the latter the reference function alone is asked: what it wraps around does not run on NumPy 2.
"""

import numpy as np
import pytest
import thermocouple_its90
import thermocouples_reference

from pitscribe.errors import OutOfRangeError
from pitscribe.metrology import its90
from pitscribe.metrology.junction import hot_junction

# SOURCES.md section 1, "Table points": degC; then E [mV] and S [uV/K] of K, of T, then E of J, N, E.
TABLE = """
-20   -0.777540 38.226 -0.756838 36.896 -0.994726 -0.518049 -1.151615
0      0.000000 39.450  0.000000 38.748  0.000000  0.000000  0.000000
10     0.396862 39.914  0.390996 39.468  0.506775  0.260906  0.591184
25     1.000242 40.518  0.991977 40.682  1.277288  0.658646  1.495112
37     1.488918 40.915  1.486287 41.706  1.901722  0.982683  2.233162
45     1.817128 41.131  1.822687 42.393  2.321572  1.201704  2.732535
60     2.436472 41.421  2.468151 43.662  3.115668  1.618969  3.684500
68.3   2.780672 41.510  2.833393 44.345  3.558548  1.853590  4.219881
74     3.017376 41.540  3.087471 44.804  3.863995  2.016262  4.591044
82.2   3.358034 41.539  3.457517 45.448  4.305127  2.252483  5.129898
90.6   3.706772 41.485  3.841990 46.090  4.758955  2.497146  5.687771
93.3   3.818747 41.458  3.966705 46.292  4.905215  2.576361  5.868327
95     3.889208 41.438  4.045509 46.418  4.997397  2.626378  5.982316
100    4.096230 41.369  4.278519 46.785  5.268916  2.774124  6.318930
107.2  4.393653 41.244  4.617241 47.302  5.660887  2.988528  6.807149
121.1  4.964935 40.944  5.281502 48.268  6.420552  3.407876  7.760989
135    5.531749 40.611  5.958904 49.194  7.183533  3.834205  8.729071
148.9  6.094025 40.301  6.648951 50.088  7.949213  4.267290  9.710591
204.4  8.314403 40.004  9.522507 53.398 11.022998  6.058852 13.747512
260   10.561326 40.881 12.573846 56.284 14.110197  7.941281 17.944842
371.1 15.178981 42.057 19.096699 60.968 20.254430 11.906865 26.639058
"""
ROWS = [tuple(float(x) for x in line.split()) for line in TABLE.split("\n") if line]

# NIST's one-degree table, spot values [mV].
SPOTS = {
    "T": {-200: -5.603, -100: -3.379, -40: -1.475},
    "K": {-200: -5.891, -100: -3.554, -40: -1.527, 100: 4.096, 200: 8.138, 300: 12.209, 400: 16.397, 500: 20.644},
    # R and S: from memory, NIST's one-degree tables.
    "R": {-50: -0.226, 100: 0.647, 500: 4.471, 1000: 10.506, 1500: 17.451, 1768: 21.101},
    "S": {-50: -0.236, 100: 0.646, 500: 4.233, 1000: 9.587, 1500: 15.582, 1768: 18.693},
}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]:g}C")
def test_emf_and_sensitivity_are_those_of_the_table(row):
    celsius, k, k_slope, t, t_slope, j, n, e = row
    for kind, mv in zip("KTJNE", (k, t, j, n, e), strict=True):
        assert its90.emf(kind, celsius) == pytest.approx(mv, abs=5.1e-7), kind
        assert its90.temperature(kind, mv) == pytest.approx(celsius, abs=2e-5), kind
    assert its90.sensitivity("K", celsius) == pytest.approx(k_slope, abs=5.1e-4)
    assert its90.sensitivity("T", celsius) == pytest.approx(t_slope, abs=5.1e-4)


@pytest.mark.parametrize("kind", SPOTS)
def test_nists_one_degree_table_is_met_to_its_last_digit(kind):
    for celsius, mv in SPOTS[kind].items():
        assert its90.emf(kind, float(celsius)) == pytest.approx(mv, abs=5.1e-4)


def test_type_k_is_continuous_at_the_ice_point():
    # SOURCES.md: c0 + a0 exp(a1 a2^2) = 2.0e-9 mV
    assert its90.emf("K", 0.0) == pytest.approx(2.0e-9, abs=1e-10)
    assert its90.emf("K", -1e-12) == pytest.approx(0.0, abs=1e-12)


def nist_emf(kind):
    return np.vectorize(thermocouple_its90.get(kind).emf, otypes=[float])


def reference_emf(kind):
    return thermocouples_reference.thermocouples[kind].func


@pytest.mark.parametrize("package", [nist_emf, reference_emf], ids=["thermocouple-its90", "thermocouples_reference"])
@pytest.mark.parametrize("kind", its90.KINDS)
def test_emf_agrees_with_two_packages_over_the_whole_range(kind, package, request):
    low, high = its90.limits(kind)
    other = thermocouples_reference.thermocouples[kind]
    assert (low, high) == thermocouple_its90.get(kind).range == (other.minT_C, other.maxT_C)
    grid = np.linspace(low, high, 8001)
    greatest = float(np.abs(its90.emf(kind, grid) - package(kind)(grid)).max())
    print(f"type {kind}: greatest difference of emf from {request.node.callspec.id.split('-', 1)[1]} {greatest:.1e} mV")
    assert greatest < 1e-11


@pytest.mark.parametrize("kind", its90.KINDS)
def test_sensitivity_agrees_with_thermocouple_its90_over_the_whole_range(kind):
    other, grid = thermocouple_its90.get(kind), np.linspace(*its90.limits(kind), 1001)[1:-1]
    theirs = np.array([1000 * other.seebeck(float(t)) for t in grid])
    greatest = float(np.abs(its90.sensitivity(kind, grid) - theirs).max())
    print(f"type {kind}: greatest difference of the sensitivities {greatest:.1e} uV/K")
    assert greatest < 1e-9


def at_the_joints(kind):
    """Temperatures around and at the joints of the pieces: where a table or a chord could be off."""
    near = np.concatenate((np.linspace(-0.5, 0.5, 2001), [1e-6, -1e-6, 1e-9, -1e-9, 1e-12, -1e-12, 0.0]))
    return np.concatenate([piece.high + near for piece in its90.PIECES[kind][:-1]])


@pytest.mark.parametrize("kind", its90.KINDS)
def test_inverse_agrees_with_the_forward_function_within_a_microkelvin_over_the_whole_range(kind):
    low, high = its90.limits(kind)
    grid = np.concatenate((np.linspace(low, high, 200_001), at_the_joints(kind), [low, high, 0.0]))
    back = its90.temperature(kind, its90.emf(kind, grid))
    greatest = float(np.abs(back - grid).max())
    print(f"type {kind}: greatest error of the inverse {greatest:.1e} degC over {low:g} to {high:g}")
    assert greatest < 1e-6
    # Nearly all of it is below -200 degC, where a nanovolt is much, and in the jumps of the functions at their joints.
    ordinary = grid[grid > max(low, -200.0)]
    for piece in its90.PIECES[kind][:-1]:
        ordinary = ordinary[np.abs(ordinary - piece.high) > 2e-6]
    assert np.abs(its90.temperature(kind, its90.emf(kind, ordinary)) - ordinary).max() < 1e-9


def test_sensitivity_of_r_and_s_stays_positive_below_the_ice_point_so_that_their_inverse_is_one():
    for kind in "RS":
        slope = its90.sensitivity(kind, np.linspace(-50.0, 20.0, 7001))
        assert (np.diff(slope) > 0).all()
        assert slope[0] > 3.0


def test_type_b_has_no_function_because_its_emf_is_two_valued():
    other = thermocouple_its90.get("B")
    assert other.emf(0.0) > other.emf(21.0) < other.emf(42.0)
    with pytest.raises(OutOfRangeError, match="'B' has no reference function here"):
        its90.emf("B", 100.0)


@pytest.mark.parametrize("kind", its90.KINDS)
def test_inverse_agrees_with_thermocouple_its90(kind):
    other = thermocouple_its90.get(kind)
    low, high = other.invertible_emf_range
    grid = np.linspace(max(low, its90.emf(kind, max(-200.0, its90.limits(kind)[0]))), high, 1501)
    theirs = np.array([other.temperature(float(mv)) for mv in grid])
    greatest = float(np.abs(its90.temperature(kind, grid) - theirs).max())
    print(f"type {kind}: greatest difference of the inverses {greatest:.2e} degC")
    assert greatest < 2e-6  # theirs stops its Newton steps at some microkelvin


def test_cold_junction_rule_reproduces_the_worked_example():
    # SOURCES.md section 1: V = 3.393411 mV at cold 25 degC, total 4.393653 mV, hot 107.200 degC
    assert hot_junction("K", np.array([3.393411]), np.array([25.0]))[0] == pytest.approx(107.2, abs=1e-4)


# SOURCES.md section 1 and section 13: error of adding temperatures instead of emfs.
WRONG = [
    ("K", 93.3, 25, 0.91), ("K", 107.2, 25, 0.85), ("K", 107.2, 45, 1.18), ("K", 135, 25, 0.55), ("K", 148.9, 45, 0.47),
    ("K", 371.1, 45, 1.63), ("T", 93.3, 25, 3.18), ("T", 107.2, 25, 3.68), ("T", 135, 25, 4.55), ("T", 148.9, 45, 7.70),
]


@pytest.mark.parametrize(("kind", "hot", "cold", "error"), WRONG)
def test_emfs_are_added_and_not_temperatures(kind, hot, cold, error):
    loop = its90.emf(kind, float(hot)) - its90.emf(kind, float(cold))
    summed = its90.temperature(kind, loop) + cold
    assert summed - hot == pytest.approx(error, abs=0.006)
    assert hot_junction(kind, np.array([loop]), np.array([float(cold)]))[0] == pytest.approx(hot, abs=1e-6)
