"""Which surveyed point is which: by label, by pattern, in a scan; ambiguous layouts are told, not guessed."""

import itertools

import numpy as np
import pytest
from scatterproof.survey.match import match_labelled, match_unlabelled
from scatterproof.survey.scan import match_scan
from survey_stage import KINDS, elsewhere, random_layout, survey_of

NOISE = 0.005


def grid(across, up, step=0.6):
    return np.array([(step * i, 5.0, 0.3 + step * k) for i in range(across) for k in range(up)])


def right(match, truth, count):
    """Not ambiguous, at least 95 % of what was surveyed found, and no pair wrong but those strays happened to hit."""
    found = np.full(len(truth), -1)
    found[match.point] = match.target
    there = truth >= 0
    wrong = (found >= 0) & (found != truth)
    return not match.ambiguous and (found == truth)[there].mean() >= 0.95 and wrong.sum() <= max(1, count // 100)


@pytest.mark.parametrize("seed", range(8))
def test_random_layouts_in_any_axes_at_any_scale(seed):
    """30 % missing, 20 % extra, 5 mm of noise. tests/bench/bench_survey.py does 500 of these."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(50, 401))
    plan = random_layout(rng, count, KINDS[seed % 4])
    points, truth = survey_of(rng, plan)
    survey, mirrored = elsewhere(rng, points)
    match = match_unlabelled(plan, survey, NOISE)
    assert right(match, truth, count)
    assert match.is_flat or match.mirrored == mirrored
    assert match.spread_m < 1.3 * NOISE


@pytest.mark.parametrize(
    "plan",
    [
        grid(11, 11),
        grid(16, 7),
        np.concatenate([grid(10, 6), grid(10, 6)[:, [0, 2, 1]] * [1, -1, 0] + [0, 5.0, 0]]),
        np.array(list(itertools.product(range(5), range(5), range(5)))) * 0.6,
        np.array([(3 * np.cos(t), 3 * np.sin(t), 0) for t in np.arange(40) * np.pi / 20]),
    ],
    ids=["square", "oblong", "wall and floor", "cube", "ring"],
)
@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_symmetrical_layouts_are_ambiguous(plan, missing):
    rng = np.random.default_rng(3)
    points, _ = survey_of(rng, plan, missing=missing, extra=0.2 * (missing > 0))
    match = match_unlabelled(plan, elsewhere(rng, points)[0], NOISE)
    assert match is None or match.ambiguous


def test_a_few_stands_make_a_grid_certain():
    """Twelve bands that stand as no symmetry of the grid would have them."""
    bands = [(x, y, z) for x, y in ((1, 2), (4.5, 3.1), (7, 1.2)) for z in (1, 1.6, 2.2, 2.9)]
    plan = np.concatenate([grid(14, 7), bands])
    rng = np.random.default_rng(4)
    points, truth = survey_of(rng, plan)
    match = match_unlabelled(plan, elsewhere(rng, points)[0], NOISE)
    assert right(match, truth, len(plan))


def test_another_stage_is_not_matched():
    rng = np.random.default_rng(5)
    plan, other = random_layout(rng, 120, "corner"), random_layout(rng, 100, "corner")
    assert match_unlabelled(plan, other, NOISE) is None
    assert match_unlabelled(plan, other[:4], NOISE) is None


def test_turning_the_survey_changes_nothing():
    rng = np.random.default_rng(6)
    plan = random_layout(rng, 80, "wall and floor")
    points, _ = survey_of(rng, plan)
    one = match_unlabelled(plan, points, NOISE)
    other = match_unlabelled(plan, elsewhere(rng, points)[0], NOISE)
    assert set(zip(one.target, one.point, strict=True)) == set(zip(other.target, other.point, strict=True))


@pytest.mark.parametrize("seed", range(4))
def test_labels_of_which_some_are_wrong(seed):
    """A third moved, swapped or misread pulls the rest by nothing."""
    rng = np.random.default_rng(seed)
    plan = random_layout(rng, 40, "corner")
    survey = plan + 0.002 * rng.normal(size=plan.shape)
    bad = rng.permutation(40)[:13]
    survey[bad[:6]] += rng.normal(size=(6, 3))
    survey[bad[6:]] = survey[np.roll(bad[6:], 1)]
    turned, mirrored = elsewhere(rng, survey, scaled=False)
    match = match_labelled(plan, turned, 0.002)
    assert match.mirrored == mirrored
    assert set(match.target) <= set(range(40)) - set(bad)
    assert len(match.target) >= 25
    assert match.plan_from_survey.apply(turned) == pytest.approx(survey, abs=0.005)


def test_labels_too_few_or_on_a_line():
    line = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [5, 0, 0]])
    assert match_labelled(line, line, 0.002) is None
    assert match_labelled(line[:2], line[:2], 0.002) is None


def scan_of(rng, plan, strays):
    """Seven of ten markers, half of the strays in the air and half on the surfaces; the scan, and the same levelled
    but turned and shifted; the markers that are its first points."""
    keep = rng.permutation(len(plan))[: round(0.7 * len(plan))]
    low, high = plan.min(axis=0), plan.max(axis=0)
    air = rng.uniform(low - 0.5, high + 0.5, (strays // 2, 3))
    on = plan[rng.integers(0, len(plan), strays - strays // 2)]
    screen = on + rng.uniform(-0.6, 0.6, on.shape) * (np.abs(on) > 1e-9) * (np.abs(on - high) > 1e-9)
    scan = np.concatenate([plan[keep] + NOISE * rng.normal(size=(len(keep), 3)), air, screen])
    turn = rng.uniform(0, 6)
    cos, sin = np.cos(turn), np.sin(turn)
    return scan, scan @ np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1]]) + [3, -7, 1], keep


@pytest.mark.parametrize("kind", ["wall and floor", "corner"])
def test_a_scan(kind):
    """Markers among fifty times as many points, half of them on the surfaces themselves."""
    rng = np.random.default_rng(8)
    plan = random_layout(rng, 150, kind)
    scan, moved, keep = scan_of(rng, plan, 8000)
    match = match_scan(plan, moved, NOISE)
    assert not match.ambiguous
    assert match.plan_from_survey.apply(moved) == pytest.approx(scan, abs=0.01)
    assert set(zip(keep, range(105), strict=True)) >= {
        (t, p) for t, p in zip(match.target, match.point, strict=True) if p < 105
    }
    assert match_scan(random_layout(rng, 150, kind), moved[:3000], NOISE) is None


@pytest.mark.parametrize("seed", range(2))
def test_a_scan_of_a_hundred_thousand_points(seed):
    """How long it takes is told by bench_survey.py."""
    rng = np.random.default_rng(seed)
    plan = random_layout(rng, 400, "wall and floor")
    scan, moved, keep = scan_of(rng, plan, 100_000 - 280)
    assert (len(moved), len(keep)) == (100_000, 280)
    match = match_scan(plan, moved, NOISE)
    assert not match.ambiguous
    assert match.plan_from_survey.apply(moved) == pytest.approx(scan, abs=0.01)
