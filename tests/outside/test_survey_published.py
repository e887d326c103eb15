"""Survey computations against published problems, tables and other libraries.

Values tagged "from memory" were not opened; each was recomputed independently with the library named beside it.
"""

import math

import cv2
import numpy as np
import pytest
from scatterproof.solve.align import align
from scatterproof.survey.adjust import (
    ANGLE,
    DIRECTION,
    DISTANCE,
    HEIGHT,
    ZENITH,
    adjust,
    axis_factor,
    ellipse,
    noncentrality,
)
from scatterproof.survey.match import align_pairs
from scatterproof.survey.quantiles import (
    chi_square_cdf,
    chi_square_quantile,
    normal_quantile,
    student_cdf,
    tau_quantile,
)
from scatterproof.survey.tables import METRES
from scipy import optimize, stats
from survey_stage import network, random_turn

FLAT = [True, True, True]  # a known point; an unknown one of a plane network has its height fixed
UNKNOWN = [False, False, True]

# Laboratory sheet of a survey course, least-squares trilateration (inputs published; solution recomputed with numpy).
STATIONS = {"A": (-9213.575, 3665.365), "B": (-8031.718, 2485.374), "C": (-4855.979, 4957.737),
            "D": (-8429.253, 6036.523)}  # fmt: skip
TAPED = (1938.589, 2508.069, 2934.642, 1233.036)


def trilateration(blunder_m=0.0, sigma=1.0):
    places = [(*xy, 0.0) for xy in STATIONS.values()] + [(-7990.0, 4980.0, 0.0)]
    taped = np.add(TAPED, [0, blunder_m, 0, 0])
    rows = [(DISTANCE, 4, i, -1, taped[i]) for i in range(4)]
    return network("ABCDU", places, [FLAT] * 4 + [UNKNOWN], rows, sigma)


def test_published_trilateration():
    found = adjust(trilateration())
    assert found.position_m[4, :2] == pytest.approx((-7790.52248, 4981.81847), abs=1e-4)
    assert found.residual * 1e3 == pytest.approx((0.231, 0.031, 0.288, 0.222), abs=0.01)
    assert found.s0 * 1e3 == pytest.approx(0.30542, abs=1e-3)
    assert found.covariance_m2[4, :2, :2].ravel() == pytest.approx((0.553397, -0.036218, -0.036218, 0.460324), abs=1e-6)
    assert found.redundancy == pytest.approx((0.52563, 0.54575, 0.44601, 0.48261), abs=1e-5)
    assert found.dof == 2
    a, b, turn = ellipse(found.covariance_m2[4, :2, :2] * found.s0**2)
    assert (a * 1e3, b * 1e3) == pytest.approx((0.22974, 0.20440), abs=1e-3)
    assert 90 - math.degrees(turn) == pytest.approx(108.946, abs=1e-2)  # azimuth from north


def test_published_trilateration_with_a_blunder():
    kept = adjust(trilateration(0.15, 0.02), alpha=1e-14)
    assert kept.test == pytest.approx((3.341, 5.539, 0.129, 4.087), abs=1e-3)
    assert kept.statistic == pytest.approx(30.676, abs=1e-3)
    assert kept.bounds[1] == pytest.approx(7.378, abs=1e-3)
    assert not kept.sound
    found = adjust(trilateration(0.15, 0.02))
    # The largest alone is removed, though two others are beyond 3.29 as well.
    assert [r.told for r in found.removed] == ["U-B"]
    assert found.removed[0].blunder == pytest.approx(0.15, abs=0.001)
    assert found.statistic < found.bounds[1]


def test_published_angle_intersection():
    """An exercise of Ghilani's *Adjustment Computations* (attribution from memory, inputs from a course page)."""
    places = [(865.40, 4527.15, 0), (2432.55, 2047.25, 0), (2865.22, 27.15, 0), (6850.0, 3740.0, 0)]
    r, s, t, u = range(4)

    def dms(d, m, sec):
        return math.radians(d + m / 60 + sec / 3600)

    rows = [(ANGLE, r, s, u, dms(50, 6, 50)), (ANGLE, s, u, r, dms(101, 30, 47)), (ANGLE, s, t, u, dms(98, 41, 17)),
            (ANGLE, t, u, s, dms(59, 17, 1))]  # fmt: skip
    second = math.radians(1 / 3600)
    found = adjust(network("RSTU", places, [FLAT] * 3 + [UNKNOWN], rows, 10 * second))
    assert found.position_m[u, :2] == pytest.approx((6860.7260, 3727.4751), abs=1e-3)
    assert found.residual / second == pytest.approx((-6.46, -4.75, 5.65, 7.37), abs=0.01)
    assert found.s0 * 10 == pytest.approx(8.675, abs=1e-3)
    assert found.sigma_m[u, :2] * found.s0 == pytest.approx((0.378, 0.178), abs=1e-3)


def test_hand_case_of_a_square():
    places = [(0, 0, 0), (10, 0, 0), (10, 10, 0), (0, 10, 0), (5.4, 4.5, 0)]
    rows = [(DISTANCE, 4, i, -1, math.sqrt(50)) for i in range(4)]
    found = adjust(network("ABCDU", places, [FLAT] * 4 + [UNKNOWN], rows, 1.0))
    assert found.position_m[4] == pytest.approx((5, 5, 0), abs=1e-9)
    assert found.covariance_m2[4, :2, :2] == pytest.approx(0.5 * np.eye(2), abs=1e-9)
    assert found.redundancy == pytest.approx([0.5] * 4)
    assert [float(x) for x in ellipse(np.array([[4.0, 1], [1, 2]]))] == pytest.approx(
        (2.101003, 1.259280, math.radians(22.5)), abs=1e-6
    )


@pytest.mark.parametrize(
    ("p", "dof", "value"),  # tables from memory, values recomputed with scipy
    [(0.95, 1, 3.841), (0.95, 2, 5.991), (0.95, 3, 7.815), (0.95, 5, 11.070), (0.95, 10, 18.307), (0.95, 20, 31.410),
     (0.025, 2, 0.0506), (0.975, 2, 7.378), (0.025, 10, 3.247), (0.975, 10, 20.483)],
)  # fmt: skip
def test_chi_square_table(p, dof, value):
    assert chi_square_quantile(p, dof) == pytest.approx(value, abs=5e-4)


def test_baarda_and_pope_tables():
    # Baarda 1967/1968 and Pope 1976, from memory; values recomputed with scipy.
    assert normal_quantile(1 - 0.0005) == pytest.approx(3.2905, abs=5e-5)
    for alpha, value in ((0.001, 4.1321), (0.05, 2.8016), (0.01, 3.4175)):
        assert noncentrality(alpha) == pytest.approx(value, abs=5e-5)
    assert tau_quantile(1 - 0.025, 10) == pytest.approx(1.9039, abs=5e-5)
    assert (axis_factor(0.95, 2), axis_factor(0.95, 3)) == pytest.approx((2.44775, 2.79548), abs=5e-6)
    assert (chi_square_cdf(1, 2), chi_square_cdf(1, 3)) == pytest.approx((0.3935, 0.1987), abs=5e-5)


def test_smallest_detectable_blunders_of_the_table():
    """MDB = delta0 sigma / sqrt(r): 2 mm and r = 0.5 give 11.687 mm (delta0 4.132; Baarda, from memory)."""
    places = [(0, 0, 0), (10, 0, 0), (10, 10, 0), (0, 10, 0), (5, 5, 0)]
    rows = [(DISTANCE, 4, i, -1, math.sqrt(50)) for i in range(4)]
    found = adjust(network("ABCDU", places, [FLAT] * 4 + [UNKNOWN], rows, 0.002))
    assert found.smallest * 1e3 == pytest.approx([11.687] * 4, abs=2e-3)


@pytest.mark.parametrize("dof", [1, 2, 3, 7, 40, 300])
def test_quantiles_against_scipy(dof):
    for p in (1e-5, 0.025, 0.5, 0.975, 0.9999):
        assert chi_square_quantile(p, dof) == pytest.approx(stats.chi2.ppf(p, dof), rel=1e-10)
    for t in (-4.0, -0.3, 0.0, 1.7, 12.0):
        assert student_cdf(t, dof) == pytest.approx(stats.t.cdf(t, dof), abs=1e-13)


# Ghilani, *Adjustment Computations*, example 18.4 (attribution from memory; inputs published in two public code files;
# the answers as printed in the book were not seen and are recomputed with numpy and scipy).
ARBITRARY = np.array([[1094.883, 820.085, 109.821], [503.891, 1598.698, 117.685], [2349.343, 207.658, 151.387],
                      [1395.320, 1348.853, 215.261]])  # fmt: skip
CONTROL = np.array([[10037.81, 5262.09, 772.04], [10956.68, 5128.17, 783.00], [8780.08, 4840.29, 782.62],
                    [10185.80, 4700.21, 851.32]])  # fmt: skip


@pytest.mark.parametrize("fit", [align, lambda a, b: align_pairs(a, b, False, False)], ids=["align", "align_pairs"])
def test_published_seven_parameter_similarity(fit):
    found = fit(ARBITRARY, CONTROL)
    assert found.scale == pytest.approx(0.94995694, abs=1e-8)
    assert found.shift == pytest.approx((10233.8258, 6549.9683, 720.8789), abs=1e-3)
    residual = found.apply(ARBITRARY) - CONTROL
    assert residual * 1e3 == pytest.approx(
        np.array([[48, 25, -1], [8, -56, 11], [-14, -54, 9], [-42, 85, -19]]), abs=0.6
    )
    assert math.sqrt(float((residual**2).sum()) / 5) == pytest.approx(0.06119, abs=1e-5)
    # X = S M' x + T with M = R3 R2 R1: the angles 2 17 02.74, -0 33 02.97, 224 32 13.56.
    m = found.rotation.T
    angles = math.atan2(-m[2, 1], m[2, 2]), math.asin(m[2, 0]), math.atan2(-m[1, 0], m[0, 0])
    wanted = [2 + 17 / 60 + 2.74 / 3600, -(33 / 60 + 2.97 / 3600), 224 + 32 / 60 + 13.56 / 3600 - 360]
    assert np.degrees(angles) == pytest.approx(wanted, abs=2e-6)


def test_similarity_against_opencv():
    rng = np.random.default_rng(4)
    source = rng.normal(size=(12, 3)) * [4, 3, 1]
    target = 2.5 * source @ random_turn(rng).T + [1, 2, 3] + 0.01 * rng.normal(size=(12, 3))
    reference, scale = cv2.estimateAffine3D(source, target, force_rotation=True)
    found = align_pairs(source, target, False, False)
    assert found.scale == pytest.approx(scale, rel=1e-9)
    assert found.rotation == pytest.approx(reference[:, :3], abs=1e-9)
    assert found.shift == pytest.approx(reference[:, 3], abs=1e-8)


def test_feet():
    """An international foot is 0.3048 m, a US survey foot 1200/3937 m (85 FR 62698): 2 parts in a million more."""
    assert METRES["ft"] == 0.3048
    assert METRES["us-ft"] == pytest.approx(0.3048006096012192, abs=1e-16)  # pyproj 3.7.2 gives the same for us-ft
    assert (METRES["us-ft"] / METRES["ft"] - 1) * 1e6 == pytest.approx(2.000004, abs=1e-5)
    assert (METRES["us-ft"] - METRES["ft"]) * 1000 * 1e3 == pytest.approx(0.6096, abs=1e-4)  # mm per 1000 ft


def test_a_network_of_every_kind_against_scipy():
    """Directions, zenith angles, distances, heights and angles: scipy.optimize.least_squares agrees."""
    rng = np.random.default_rng(7)
    true = np.concatenate([rng.uniform([-5, 2, 0], [5, 6, 4], (9, 3)), [[-2.0, -3, 1.5], [3.0, -2, 1.6]]])
    rows, sigma, orientation = [], [], (0.4, -1.1)

    def towards(a, b):
        d = true[b] - true[a]
        return math.atan2(d[0], d[1]), math.hypot(d[0], d[1]), d[2], float(np.linalg.norm(d))

    for s, station in enumerate((9, 10)):
        for to in range(9):
            turn, level, rise, slope = towards(station, to)
            rows += [(DIRECTION, station, to, s, turn - orientation[s] + 2e-5 * rng.normal()),
                     (ZENITH, station, to, -1, math.atan2(level, rise) + 2e-5 * rng.normal()),
                     (DISTANCE, station, to, -1, slope + 0.002 * rng.normal())]  # fmt: skip
            sigma += [2e-5, 2e-5, 0.002]
    for a, b in ((0, 1), (2, 3), (4, 8)):
        rows.append((HEIGHT, a, b, -1, towards(a, b)[2] + 0.001 * rng.normal()))
        sigma.append(0.001)
    rows.append((ANGLE, 0, 2, 1, towards(0, 2)[0] - towards(0, 1)[0] + 2e-5 * rng.normal()))
    sigma.append(2e-5)
    fixed = np.zeros((11, 3), bool)
    fixed[:3] = True
    start = np.where(fixed, true, true + 0.05 * rng.normal(size=true.shape))
    found = adjust(network([f"p{i}" for i in range(11)], start, fixed, rows, np.array(sigma)), alpha=1e-9)

    def residuals(unknown):
        x, o = true.copy(), unknown[-2:]
        x[3:] = unknown[:-2].reshape(-1, 3)
        out = []
        for (kind, at, to, group, value), one in zip(rows, sigma, strict=True):
            d = x[to] - x[at]
            computed = {
                DIRECTION: lambda d=d, group=group: math.atan2(d[0], d[1]) - o[group],
                ZENITH: lambda d=d: math.atan2(math.hypot(d[0], d[1]), d[2]),
                DISTANCE: lambda d=d: math.sqrt(float(d @ d)),
                HEIGHT: lambda d=d: d[2],
                ANGLE: lambda d=d, x=x, at=at, group=group: (
                    math.atan2(d[0], d[1]) - math.atan2(*(x[group] - x[at])[:2])),
            }[kind]()  # fmt: skip
            off = computed - value
            if kind in (DIRECTION, ZENITH, ANGLE):
                off = (off + math.pi) % (2 * math.pi) - math.pi
            out.append(off / one)
        return np.array(out)

    begin = np.concatenate([start[3:].ravel(), orientation])
    reference = optimize.least_squares(residuals, begin, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert found.position_m[3:].ravel() == pytest.approx(reference.x[:-2], abs=1e-8)
    assert found.statistic == pytest.approx(2 * reference.cost, rel=1e-7)
    covariance = np.linalg.inv(reference.jac.T @ reference.jac)
    assert found.sigma_m[3:].ravel() == pytest.approx(np.sqrt(np.diag(covariance))[:-2], rel=1e-3)
    assert found.dof == len(rows) - len(begin)
