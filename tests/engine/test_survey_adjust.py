"""Adjustment: slopes, datum, blunders, what is loose, and the statistics it promises."""

import numpy as np
import pytest
from scatterproof.survey import adjust as a
from scatterproof.survey.adjust import (
    ANGLE,
    DIRECTION,
    DISTANCE,
    HEIGHT,
    LEVEL,
    PLANE,
    ZENITH,
    Adjusted,
    Defect,
    X,
    Z,
    adjust,
    axis_factor,
    describe,
    ellipse,
)
from survey_stage import network

SIGMA = 0.002


def taped(rng, points, count, noise=SIGMA):
    """``count`` distances between points, drawn at random, with their errors."""
    pairs = [(i, j) for i in range(len(points)) for j in range(i)]
    rng.shuffle(pairs)
    return [
        (DISTANCE, i, j, -1, float(np.linalg.norm(points[i] - points[j]) + noise * rng.normal()))
        for i, j in pairs[:count]
    ]


def names(count):
    return [f"p{i}" for i in range(count)]


@pytest.fixture
def stage():
    return np.random.default_rng(2).uniform([-4, -3, 0], [4, 3, 3], (16, 3))


def test_slopes_of_every_kind():
    """The remainder of a first-order step falls with its square: twice the step, four times the remainder."""
    rng = np.random.default_rng(3)
    places = rng.uniform(1, 5, (8, 3))
    rows = [(DISTANCE, 0, 1, -1, 1.0), (LEVEL, 1, 2, -1, 1.0), (DIRECTION, 0, 2, 0, 0.3), (DIRECTION, 0, 3, 0, 1.3),
            (ANGLE, 0, 1, 2, 0.2), (ZENITH, 3, 1, -1, 1.0), (HEIGHT, 0, 3, -1, 0.1), (X, 1, 1, -1, 0.0),
            (Z, 2, 2, -1, 0.0), *[(PLANE, i, i, 0, 0.0) for i in (3, 4, 5, 6, 7)]]  # fmt: skip
    net = network(names(8), places, False, rows, 1.0, planes=["wall"])
    state = a._start(net, net.measures)
    free = a._free_columns(net, state, net.measures)
    state = a._moved(state, free, 0.1 * rng.normal(size=len(free)))  # tilts that are not zero
    slope, off = a._linear(state, net.measures, free)
    way = rng.normal(size=len(free))

    def left(step):
        return a._linear(a._moved(state, free, step * way), net.measures, free)[1] - off - step * slope @ way

    assert np.abs(left(2e-4)) == pytest.approx(4 * np.abs(left(1e-4)), rel=0.02, abs=1e-10)


def test_free_network_stays_where_it_started(stage):
    rng = np.random.default_rng(4)
    start = stage + 0.05 * rng.normal(size=stage.shape)
    found = adjust(network(names(16), start, False, taped(rng, stage, 80), SIGMA))
    assert found.datum_free == 6
    assert found.dof == 80 - 48 + 6
    assert found.redundancy.sum() == pytest.approx(found.dof)
    step = found.position_m - start
    assert step.mean(axis=0) == pytest.approx(0, abs=1e-9)  # no shift on the whole, and no turn:
    assert np.cross(found.position_m - found.position_m.mean(axis=0), step).sum(axis=0) == pytest.approx(0, abs=2e-3)


def test_a_datum_changes_places_but_no_residual(stage):
    rng = np.random.default_rng(5)
    rows, start = taped(rng, stage, 80), stage + 0.02 * rng.normal(size=stage.shape)
    free = adjust(network(names(16), start, False, rows, SIGMA))
    fixed = np.zeros((16, 3), bool)
    fixed[0], fixed[1, :2], fixed[2, 1] = True, True, True
    held = adjust(network(names(16), start, fixed, rows, SIGMA))
    assert held.datum_free == 0
    assert held.residual == pytest.approx(free.residual, abs=1e-8)
    assert held.redundancy == pytest.approx(free.redundancy, abs=1e-6)
    assert np.trace(free.covariance_m2.sum(axis=0)) < np.trace(held.covariance_m2.sum(axis=0))  # inner: the smallest


def test_angles_alone_leave_the_scale_free():
    places = np.array([[0, 0, 0], [4, 0, 0], [4, 5, 0], [0, 5, 0], [2, 2, 0]], float)
    rows = []
    for i in range(5):
        for j in range(5):
            if i != j:
                d = places[j] - places[i]
                rows.append((DIRECTION, i, j, i, float(np.arctan2(d[0], d[1])) - 0.1 * i))
    found = adjust(network(names(5), places, [[False, False, True]] * 5, rows, 1e-5))
    assert found.datum_free == 4  # two shifts, a turn and the scale


def test_one_point_with_two_distances_is_named(stage):
    rows = taped(np.random.default_rng(6), stage, 100)
    few = [row for row in rows if 3 not in row[1:3]] + [row for row in rows if 3 in row[1:3]][:2]
    found = adjust(network(names(16), stage, False, few, SIGMA))
    assert isinstance(found, Defect)
    assert not found
    assert [p.point for p in found.loose] == ["p3"]
    (mend,) = found.enough
    assert mend == found.loose[0].mend
    other = int(mend.split("p3 to p")[1].split()[0])
    assert adjust(network(names(16), stage, False, [*few, (DISTANCE, 3, other, -1, float(
        np.linalg.norm(stage[3] - stage[other])))], SIGMA))  # fmt: skip


def test_two_halves_that_hang_together_badly_are_named(stage):
    """Four of the six distances that two rigid bodies need: the smaller one is loose; the two proposed mend it."""
    rng = np.random.default_rng(7)
    every = taped(rng, stage, 120, 0.0)
    within = [row for row in every if (row[1] < 10) == (row[2] < 10)]
    across = [row for row in every if (row[1] < 10) != (row[2] < 10)][:4]
    found = adjust(network(names(16), stage, False, within + across, SIGMA))
    assert {p.point for p in found.loose} == {f"p{i}" for i in range(10, 16)}
    assert len(found.enough) == 2
    more = []
    for mend in found.enough:
        i, j = (int(word[1:]) for word in mend.split() if word[0] == "p")
        more.append((DISTANCE, i, j, -1, float(np.linalg.norm(stage[i] - stage[j]))))
    assert adjust(network(names(16), stage, False, within + across + more, SIGMA))


def test_a_wall_taped_within_itself_needs_its_flatness():
    rng = np.random.default_rng(8)
    wall = np.column_stack([rng.uniform(-4, 4, 14), np.full(14, 5.0), rng.uniform(0, 4, 14)])
    rows = taped(rng, wall, 60)
    loose = adjust(network(names(14), wall, False, rows, SIGMA))
    assert isinstance(loose, Defect)
    flat = rows + [(PLANE, i, i, 0, 0.0) for i in range(14)]
    sigma = np.array([SIGMA] * 60 + [0.005] * 14)
    found = adjust(network(names(14), wall, False, flat, sigma, planes=["back wall"]))
    assert found.position_m == pytest.approx(wall, abs=0.02)


def test_a_blunder_is_named_with_its_size_and_a_guess(stage):
    rng = np.random.default_rng(9)
    rows = taped(rng, stage, 90)
    kind, i, j, group, value = rows[7]
    rows[7] = (kind, i, j, group, value + 0.1)
    rows[20] = (DISTANCE, 4, 9, -1, float(np.linalg.norm(stage[4] - stage[11])))  # the tape at another point
    found = adjust(network(names(16), stage, False, rows, SIGMA))
    assert {r.told for r in found.removed} == {f"p{i}-p{j}", "p4-p9"}
    said = " ".join(describe(found.removed))
    assert "10 cm too long" in said
    assert "p4 to p11" in said
    assert found.used.sum() == 88
    assert found.sound


def test_two_measurements_that_cannot_be_told_apart_are_both_named():
    """Two distances alone fix a point in a plane, and a third checks both: any of the three may be wrong."""
    places = [(0, 0, 0), (10, 0, 0), (5, 9, 0), (5, 3, 0)]
    fixed = [[True] * 3] * 3 + [[False, False, True]]
    rows = [(DISTANCE, 3, i, -1, float(np.hypot(*(np.array(places[3]) - places[i])[:2]))) for i in range(3)]
    rows[0] = (*rows[0][:4], rows[0][4] + 0.3)
    found = adjust(network(names(4), places, fixed, rows, SIGMA))
    assert len(found.removed) == 1
    assert len(found.removed[0].twins) == 2
    assert "can't be told from" in describe(found.removed)[0]


def test_sigmas_that_are_a_guess_are_judged_by_the_network(stage):
    """With Pope's test a guess of sigma that is wrong fivefold accuses nobody, and a blunder is found all the same."""
    rng = np.random.default_rng(10)
    rows = taped(rng, stage, 90, noise=0.010)
    guess = network(names(16), stage, False, rows, SIGMA, known_sigma=False)
    found = adjust(guess)
    assert not found.removed
    assert 4 < found.s0 < 6
    error = found.position_m - stage
    assert np.sqrt((error**2).mean()) == pytest.approx(float(found.sigma_m.mean()), rel=0.6)
    rows[5] = (*rows[5][:4], rows[5][4] + 0.1)
    found = adjust(network(names(16), stage, False, rows, SIGMA, known_sigma=False))
    assert [r.told for r in found.removed] == [f"p{rows[5][1]}-p{rows[5][2]}"]


def plane_network(rng, noise, blunder=0.0):
    """A point in a plane taped from six known ones; the blunder is in the first distance."""
    places = np.array([[0, 0, 0], [9, 1, 0], [10, 8, 0], [4, 11, 0], [-2, 7, 0], [5, -3, 0], [4, 5, 0]], float)
    away = np.hypot(*(places[:6] - places[6])[:, :2].T)
    value = away + noise * rng.normal(size=6) + blunder * (np.arange(6) == 0)
    rows = [(DISTANCE, 6, i, -1, float(value[i])) for i in range(6)]
    return network(names(7), places, [[True] * 3] * 6 + [[False, False, True]], rows, noise), places[6]


def within(share, wanted, count, sigmas=3.5):
    """A counted share against its nominal one, within its own sampling error."""
    return abs(share - wanted) < sigmas * np.sqrt(wanted * (1 - wanted) / count)


def test_acceptance_and_ellipse_hold_their_rates():
    """Global test 95 %, no good measurement accused but one in a thousand, ellipses 39.35 % and 95 %."""
    rng = np.random.default_rng(11)
    count = 600
    accepted = accused = one = most = 0
    for _ in range(count):
        net, truth = plane_network(rng, SIGMA)
        plain = adjust(net, alpha=1e-14)
        accepted += plain.sound
        accused += int(np.nanmax(plain.test) > 3.2905)
        off = (plain.position_m[6] - truth)[:2]
        square = float(off @ np.linalg.solve(plain.covariance_m2[6, :2, :2], off))
        one += square <= 1
        most += square <= axis_factor(0.95, 2) ** 2
    assert within(accepted / count, 0.95, count)
    assert accused / count < 6 * 0.001 + 3.5 * np.sqrt(0.006 / count)  # at most six chances of one in a thousand
    assert within(one / count, 0.3935, count)
    assert within(most / count, 0.95, count)


def test_a_blunder_of_the_smallest_detectable_size_is_found_in_four_of_five():
    """Baarda's power: the test of the measurement that is wrong exceeds 3.29 in 80 % of cases."""
    rng = np.random.default_rng(12)
    count = 400
    size = float(adjust(plane_network(rng, SIGMA)[0], alpha=1e-14).smallest[0])
    found = sum(adjust(plane_network(rng, SIGMA, size)[0], alpha=1e-14).test[0] > 3.2905 for _ in range(count))
    assert within(found / count, 0.80, count)


def test_ellipses_turn_with_the_stage():
    rng = np.random.default_rng(13)
    q = rng.normal(size=(5, 2, 2))
    covariance = q @ np.swapaxes(q, 1, 2)
    a, b, turn = ellipse(covariance)
    values = np.linalg.eigvalsh(covariance)
    assert np.sqrt(values) == pytest.approx(np.stack([b, a], axis=1))
    axis = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    assert np.einsum("ni,nij,nj->n", axis, covariance, axis) == pytest.approx(a**2)


def test_nothing_measured_twice_is_not_accused():
    places = [(0, 0, 0), (10, 0, 0), (4, 3, 0)]
    rows = [(DISTANCE, 2, 0, -1, 5.5), (DISTANCE, 2, 1, -1, 6.5)]
    found = adjust(network(names(3), places, [[True] * 3] * 2 + [[False, False, True]], rows, SIGMA))
    assert isinstance(found, Adjusted)
    assert found.dof == 0
    assert np.isnan(found.test).all()
    assert np.isinf(found.smallest).all()
    assert found.sound
