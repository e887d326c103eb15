"""The corner model against itself: the quick tensor against the exact one, symmetries, limits, and odd input.

What it says of pictures is measured in tests/outside.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.sightings.corner import (
    band_covariance,
    corner_covariance,
    corner_covariance_exact,
    corner_covariances,
    deformation_between,
    deformation_drift,
    disc_covariance,
    point_covariance,
)
from scatterproof.sightings.pattern import blur_tensor, erf, exact_tensor, fast_tensor
from scatterproof.stage.shapes import plain_outline, random_polygons

SQUARE = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 40.0], [0.0, 40.0]])
SHAPES = ["random", "square", "triangle", "thin cross", "thick cross"]
seeds = st.integers(0, 2**32 - 1)


def larger_axis(covariance):
    a, b, c = covariance[..., 0, 0], covariance[..., 0, 1], covariance[..., 1, 1]
    lost = np.isinf(a)
    a, c = np.where(lost, 0, a), np.where(lost, 0, c)
    return np.where(lost, np.inf, np.sqrt((a + c) / 2 + np.hypot((a - c) / 2, b)))


def turned(outline, angle):
    c, s = np.cos(angle), np.sin(angle)
    return outline @ np.array([[c, s], [-s, c]])


def a_marker(rng, kind, size):
    """Tilted, turned, about one of its corners."""
    if kind == "random":
        outline = random_polygons(int(rng.integers(5, 9)), [int(rng.integers(1 << 30))], 1)[0]
    else:
        outline = plain_outline(kind)
    outline = turned(outline, rng.uniform(0, 2 * np.pi)) * [1, np.cos(rng.uniform(0, np.radians(80)))]
    outline = size * turned(outline, rng.uniform(0, 2 * np.pi))
    first = rng.integers(len(outline))
    return np.roll(outline - outline[first], -first, axis=0)


def a_blur(rng, sharp=False):
    disc, length, way = rng.uniform(0, 10), rng.uniform(0, 16), rng.uniform(0, 2 * np.pi)
    disc, length = disc * (rng.random() < 0.5) * (not sharp), length * (rng.random() < 0.5) * (not sharp)
    return float(disc), length * np.array([np.cos(way), np.sin(way)])


def ratios(count, sharp=False):
    """Larger axes, quick over exact, of random markers of 8 to 60 px that a tracker holds."""
    rng = np.random.default_rng(4)
    found = []
    for i in range(count):
        outline = a_marker(rng, SHAPES[i % 5], np.exp(rng.uniform(np.log(8), np.log(60))))
        disc, motion = a_blur(rng, sharp)
        exact, held = corner_covariance_exact(outline, 25, 2, disc, motion)
        quick, _ = corner_covariance(outline, 25, 2, disc, motion)
        if held:
            found.append(larger_axis(quick) / larger_axis(exact))
    assert len(found) > 0.6 * count
    return np.array(found)


def test_the_quick_tensor_keeps_to_the_exact_one():
    """The errors that the docstring states."""
    low, high = np.percentile(ratios(300, sharp=True), [1, 99])
    assert 0.985 < low < high < 1.015
    low, lower, middle, higher, high = np.percentile(ratios(600), [1.5, 5, 50, 95, 98.5])
    assert 0.9 < low < lower
    assert 0.95 < lower < middle < higher < 1.05
    assert abs(middle - 1) < 0.005
    assert high < 1.1


def test_stacked_input_equals_row_by_row():
    rng = np.random.default_rng(1)
    outline = np.stack([a_marker(rng, "square", s) for s in rng.uniform(6, 80, 300)])
    disc, noise = rng.uniform(0, 8, 300), rng.uniform(0.5, 3, 300)
    motion, contrast = rng.normal(0, 4, (300, 2)), rng.uniform(-40, 40, 300)
    together, held = corner_covariance(outline, contrast, noise, disc, motion)
    for i in range(0, 300, 7):
        alone, one = corner_covariance(outline[i], contrast[i], noise[i], disc[i], motion[i])
        np.testing.assert_allclose(together[i], alone, rtol=2e-3)
        assert held[i] == one


def test_leading_axes_broadcast():
    covariance, held = corner_covariance(SQUARE, np.array([20.0, 40.0])[:, None], 2.0, np.array([0.0, 2.0, 4.0]))
    assert covariance.shape == (2, 3, 2, 2)
    assert held.shape == (2, 3)
    np.testing.assert_allclose(covariance[1, 2], corner_covariance(SQUARE, 40.0, 2.0, 4.0)[0], rtol=1e-6)
    drift = deformation_drift(SQUARE, np.eye(2) * np.array([1.0, 1.01])[:, None, None])
    assert drift.shape == (2, 2)


@settings(max_examples=40, deadline=None)
@given(seeds)
def test_quarter_turns_mirrors_and_the_way_round_only_turn_the_covariance(seed):
    rng = np.random.default_rng(seed)
    outline = a_marker(rng, SHAPES[seed % 5], rng.uniform(8, 60))
    disc, motion = a_blur(rng)
    plain, _ = corner_covariance_exact(outline, 25, 2, disc, motion)
    if not np.isfinite(plain).all():
        return
    for turn in (np.array([[0.0, 1.0], [-1.0, 0.0]]), np.diag([-1.0, 1.0])):
        there, _ = corner_covariance_exact(outline @ turn.T, 25, 2, disc, motion @ turn.T)
        np.testing.assert_allclose(there, turn @ plain @ turn.T, atol=1e-5 * np.trace(plain))
    backwards = np.concatenate([outline[:1], outline[:0:-1]])
    there, _ = corner_covariance_exact(backwards, -25, 2, disc, motion)
    np.testing.assert_allclose(there, plain, atol=1e-5 * np.trace(plain))


def test_repeated_last_corners_change_nothing():
    rng = np.random.default_rng(2)
    for size in (8, 20, 60):
        outline = a_marker(rng, "random", size)
        filled = np.concatenate([outline, np.repeat(outline[-1:], 3, axis=0)])
        expected = corner_covariance(outline, 25, 2, 2.0, (3, 1))[0]
        np.testing.assert_allclose(corner_covariance(filled, 25, 2, 2.0, (3, 1))[0], expected, rtol=1e-5)


def test_a_far_neighbour_changes_nothing_and_a_near_one_helps():
    both = np.concatenate([SQUARE, SQUARE + np.array([-400.0, 0])])
    after = np.array([1, 2, 3, 0, 5, 6, 7, 4])
    alone = corner_covariance(SQUARE, 25, 2, 2.0)[0]
    np.testing.assert_allclose(corner_covariance(both, 25, 2, 2.0, following=after)[0], alone, rtol=0.01)
    both[4:] = SQUARE + np.array([-43.0, -20.0])
    for model in (corner_covariance, corner_covariance_exact):
        near = model(both, 25, 2, 2.0, following=after)[0]  # its edge stands upright 3 px to the left
        assert near[0, 0] < 0.8 * alone[0, 0]
        assert near[1, 1] == pytest.approx(alone[1, 1], rel=0.05)


def test_the_runtime_function_gives_what_the_public_one_gives():
    rng = np.random.default_rng(3)
    rings, outlines, n = [], [], 0
    for kind, size in (("square", 30), ("thin cross", 25), ("triangle", 12)):
        shapes = [a_marker(rng, kind, size) + rng.uniform(100, 1800, 2) for _ in range(4)]
        count = len(shapes[0])
        rings.append(n + np.arange(4 * count).reshape(4, count))
        n += 4 * count
        outlines.append(np.concatenate(shapes))
    uv = np.concatenate(outlines) * np.linspace(1, 1.2, 5)[:, None, None]
    wanted = rng.random((5, n)) < 0.7
    contrast, noise, disc = rng.uniform(20, 40, (5, n)), rng.uniform(1, 2, n), rng.uniform(0, 5, (5, n))
    motion = rng.normal(0, 3, (5, n, 2))
    packed, held = corner_covariances(uv, rings, wanted, contrast, noise, disc, motion)
    assert not held[~wanted].any()
    assert np.isinf(packed[~wanted][:, [0, 2]]).all()
    for ring in (row for rows in rings for row in rows):
        for k, corner in enumerate(ring):
            outline = uv[:, np.roll(ring, -k)]
            given_ = contrast[:, corner], noise[corner], disc[:, corner], motion[:, corner]
            expected, one = corner_covariance(outline, *given_)
            here = wanted[:, corner]
            np.testing.assert_array_equal(held[here, corner], one[here])
            sure = here & one
            np.testing.assert_allclose(
                packed[sure, corner], expected[sure][:, [0, 0, 1], [0, 1, 1]], rtol=0.01, atol=1e-4
            )


# What the covariance must do. Without a window that cuts the marker off these hold for the exact tensor as matrices:
# T = integral of k k^T |P(k)|^2 exp(-k^T S k) over the pattern's spectrum P falls with S, and with the marker's scale.
# A window undoes that: a small marker has more corners in it than the one corner of a large marker.

WHOLE = 81.0  # px, a window that holds the markers below and their blur


def whole(outline, contrast=25.0, noise=2.0, disc=1.0, motion=(0.0, 0.0), **options):
    return corner_covariance_exact(outline, contrast, noise, disc, motion, WHOLE, **options)[0]


def never_better(worse, better):
    """In the order of matrices: worse - better has no negative axis."""
    assert np.linalg.eigvalsh(worse - better)[0] >= -1e-6 * np.trace(better)


@settings(max_examples=15, deadline=None)
@given(seeds, st.floats(0, 3), st.floats(0.1, 3), st.floats(0, 6))
def test_more_blur_never_improves_a_whole_marker(seed, disc, more, motion):
    rng = np.random.default_rng(seed)
    outline = a_marker(rng, SHAPES[seed % 5], rng.uniform(6, 18))
    way = turned(np.array([1.0, 0.0]), rng.uniform(0, 2 * np.pi))
    before = whole(outline, disc=disc, motion=motion * way)
    never_better(whole(outline, disc=disc + more, motion=motion * way), before)
    never_better(whole(outline, disc=disc, motion=(motion + more) * way), before)


@settings(max_examples=15, deadline=None)
@given(seeds, st.floats(0.3, 0.99))
def test_a_smaller_whole_marker_is_never_better(seed, scale):
    rng = np.random.default_rng(seed)
    outline = a_marker(rng, SHAPES[seed % 5], rng.uniform(6, 18))
    never_better(whole(outline * scale), whole(outline))


@settings(max_examples=15, deadline=None)
@given(seeds, st.floats(0.2, 0.99))
def test_a_more_oblique_whole_marker_is_never_better_along_the_axis_of_tilt(seed, squeeze):
    """Across it it can be: a pointed shape seen from its tip gets blunter. Low noise, where the bound is T^-1."""
    rng = np.random.default_rng(seed)
    outline = a_marker(rng, SHAPES[seed % 5], rng.uniform(6, 18))
    before, after = (whole(z, noise=0.01, code_step=0)[0, 0] for z in (outline, outline * [1, squeeze]))
    assert after >= before * (1 - 1e-6)


@pytest.mark.parametrize("kind", ["square", "disc", "thick cross"])
def test_shapes_alike_all_round_are_never_better_for_being_oblique(kind):
    for turn in np.radians([0, 15, 30, 45]):
        outline = 14 * turned(plain_outline(kind), turn)
        axes = [larger_axis(whole(outline * [1, np.cos(tilt)])) for tilt in np.radians([0, 30, 50, 65, 75, 80, 85])]
        assert np.all(np.diff(axes) > -1e-6 * np.array(axes[1:]))


@settings(max_examples=60, deadline=None)
@given(seeds, st.floats(0.2, 0.98))
def test_less_contrast_and_more_noise_never_improve(seed, part):
    rng = np.random.default_rng(seed)
    outline = a_marker(rng, SHAPES[seed % 5], rng.uniform(6, 60))
    disc, motion = a_blur(rng)
    for model in (corner_covariance, corner_covariance_exact):
        before, held = model(outline, 30, 1, disc, motion)
        if not np.isfinite(before).all():
            continue
        for contrast, noise in ((30 * part, 1), (30, 1 / part)):
            after, still = model(outline, contrast, noise, disc, motion)
            never_better(after, before)
            assert held or not still


@settings(max_examples=40, deadline=None)
@given(st.floats(15, 165), st.floats(0, 360), st.floats(0, 8), st.floats(0.2, 4), st.booleans())
def test_more_blur_never_improves_a_lone_corner_in_its_window(angle, way, blur, more, smear):
    """Edges run out of the window: the larger axis, exact to rounding, quick to its own error."""
    a, b = (turned(np.array([80.0, 0.0]), np.radians(t)) for t in (way, way + angle))
    outline = np.array([np.zeros(2), a, a + b, b])
    for model, slack in ((corner_covariance_exact, 1e-6), (corner_covariance, 0.08)):
        given_ = [(blur, (0, 0)), (blur + more, (0, 0))] if not smear else [(1, (blur, 0)), (1, (blur + more, 0))]
        (before, held), (after, _) = (model(outline, 30, 1, disc, motion) for disc, motion in given_)
        if held:
            assert larger_axis(after) >= (1 - slack) * larger_axis(before)


@settings(max_examples=40, deadline=None)
@given(seeds, st.floats(1e-3, 1e-2), st.floats(1.5, 4))
def test_the_covariance_goes_with_the_noise_squared_where_noise_is_low(seed, noise, factor):
    rng = np.random.default_rng(seed)
    outline = a_marker(rng, SHAPES[seed % 5], rng.uniform(10, 60))
    one, held = corner_covariance(outline, 30, noise, 1.0, code_step=0)
    more, _ = corner_covariance(outline, 30, noise * factor, 1.0, code_step=0)
    if held:
        np.testing.assert_allclose(more, factor**2 * one, rtol=1e-3, atol=1e-12)


def test_contrast_and_noise_count_only_by_their_ratio():
    one, _ = corner_covariance(SQUARE, 20, 1.5, 2.0, (3, 1), code_step=1)
    same, _ = corner_covariance(SQUARE, -80, 6.0, 2.0, (3, 1), code_step=4)
    np.testing.assert_allclose(one, same, rtol=1e-6)


ODD = {
    "no contrast": (SQUARE, 0.0, 2.0, 1.0, (0, 0)),
    "no outline": (np.zeros((4, 2)), 25.0, 2.0, 1.0, (0, 0)),
    "a line": (np.array([[0.0, 0], [40, 0], [80, 0], [40, 0]]), 25.0, 2.0, 1.0, (0, 0)),
    "no number in it": (np.array([[0.0, 0], [np.nan, 0], [40, 40], [0, 40]]), 25.0, 2.0, 1.0, (0, 0)),
    "corner at infinity": (np.array([[0.0, 0], [np.inf, 0], [40, 40], [0, 40]]), 25.0, 2.0, 1.0, (0, 0)),
    "all at infinity": (np.full((4, 2), np.inf), 25.0, 2.0, 1.0, (0, 0)),
    "contrast unknown": (SQUARE, np.nan, 2.0, 1.0, (0, 0)),
    "noise unknown": (SQUARE, 25.0, np.nan, 1.0, (0, 0)),
    "noise without bound": (SQUARE, 25.0, np.inf, 1.0, (0, 0)),
    "noise beyond numbers": (SQUARE, 25.0, 1e200, 1.0, (0, 0)),
    "defocus unknown": (SQUARE, 25.0, 2.0, np.nan, (0, 0)),
    "defocus without bound": (SQUARE, 25.0, 2.0, np.inf, (0, 0)),
    "defocus beyond numbers": (SQUARE, 25.0, 2.0, 1e200, (0, 0)),
    "huge defocus": (SQUARE, 25.0, 2.0, 1e5, (0, 0)),
    "motion unknown": (SQUARE, 25.0, 2.0, 1.0, (np.nan, 0)),
    "motion without bound": (SQUARE, 25.0, 2.0, 1.0, (0, -np.inf)),
    "huge motion": (SQUARE, 25.0, 2.0, 1.0, (1e6, 1e6)),
}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("model", [corner_covariance, corner_covariance_exact])
def test_odd_input_has_a_defined_answer_and_spoils_no_other(model, name):
    covariance, held = model(*ODD[name])
    np.testing.assert_array_equal(covariance, [[np.inf, 0], [0, np.inf]])
    assert not held
    good = SQUARE, 25.0, 2.0, 1.0, (0.0, 0.0)
    rows = [
        np.stack(np.broadcast_arrays(*pair))
        for pair in zip(map(np.asarray, ODD[name]), map(np.asarray, good), strict=True)
    ]
    covariance, held = model(*rows)
    assert not held[0]
    np.testing.assert_allclose(covariance[1], model(*good)[0], rtol=1e-5)


@pytest.mark.filterwarnings("error")
def test_odd_input_of_the_other_functions():
    for bend in (np.full((2, 2), np.nan), np.full((2, 2), np.inf)):
        assert np.isinf(deformation_drift(SQUARE, bend)).all()
    assert np.isinf(deformation_drift(np.zeros((4, 2)), np.eye(2))).all()
    assert np.isnan(deformation_between(np.zeros((4, 2)), SQUARE)).all()
    for axes in (np.zeros((2, 2)), np.full((2, 2), np.nan)):
        assert not disc_covariance(axes, 25, 2)[1]
    assert not band_covariance((0.0, 0.0), 5, 20, 20, 2)[1]
    assert not band_covariance((0.0, 10.0), 0, 20, 20, 2)[1]
    assert not point_covariance(0.0, 25, 2)[1]
    uv = np.full((1, 4, 2), np.nan)
    packed, held = corner_covariances(uv, [np.arange(4)[None]], np.ones((1, 4), bool), 25, 2, 1, np.zeros((1, 4, 2)))
    assert np.isinf(packed[..., 0]).all()
    assert not held.any()
    empty, _ = corner_covariance(np.empty((0, 4, 2)), np.empty(0), 2.0)
    assert empty.shape == (0, 2, 2)


def test_noise_free_recordings_have_no_error_where_there_is_a_corner():
    covariance, held = corner_covariance(SQUARE, 25, 0, 1.0, code_step=0)
    np.testing.assert_array_equal(covariance, 0)
    assert held
    assert not corner_covariance(SQUARE, 0, 0, 1.0, code_step=0)[1]


def test_an_edge_too_short_is_no_corner_of_its_own():
    thin = np.array([[0.0, 0], [40, 0], [40, 3], [0, 3]])
    assert corner_covariance(thin, 40, 1)[1]
    assert not corner_covariance(thin, 40, 1, smallest_edge_px=4)[1]
    assert corner_covariance(SQUARE, 40, 1, smallest_edge_px=4)[1]


def test_a_wrong_shape_is_named():
    with pytest.raises(ValueError, match=r"outline_px has shape \(2,\); wanted \(..., K, 2\)"):
        corner_covariance(np.zeros(2), 25, 2)


@pytest.mark.parametrize(("sharp", "most", "nearly_all"), [(True, 0.002, 0.005), (False, 0.015, 0.03)])
def test_drift_of_the_quick_tensor_keeps_to_the_exact_one(sharp, most, nearly_all):
    """Deformations of 1 %: typical drift 0.05 px, nine of ten and 19 of 20 errors."""
    rng = np.random.default_rng(7)
    errors = []
    for i in range(200):
        outline, bend = a_marker(rng, SHAPES[i % 5], rng.uniform(8, 60)), np.eye(2) + rng.normal(0, 0.01, (2, 2))
        disc, motion = a_blur(rng, sharp)
        if corner_covariance_exact(outline, 25, 1, disc, motion)[1]:
            exact = deformation_drift(outline, bend, disc, motion, tensor=exact_tensor)
            errors.append(np.hypot(*(deformation_drift(outline, bend, disc, motion) - exact)))
    assert np.all(np.percentile(errors, [90, 95]) < [most, nearly_all])


def test_drift_needs_a_deformation_and_points_where_the_picture_goes():
    np.testing.assert_array_equal(deformation_drift(SQUARE, np.eye(2)), 0)
    # Enlarged about itself a corner of long edges stays what it is; one of a small marker is drawn towards its middle,
    # and a turn takes edges along that the window holds unevenly.
    np.testing.assert_allclose(deformation_drift(SQUARE, 1.01 * np.eye(2), 2.0), 0, atol=1e-4)
    small = SQUARE / 8
    x, y = deformation_drift(small, 1.01 * np.eye(2), 2.0)
    assert 0.01 < x == pytest.approx(y, rel=1e-3)
    np.testing.assert_allclose(deformation_drift(small, 1.01 * np.eye(2), at_px=small.mean(axis=0)), 0, atol=1e-4)
    x, y = deformation_drift(SQUARE, turned(np.eye(2), 0.01).T, 2.0)
    assert -0.05 < x < -0.02 < 0.02 < y < 0.05


@settings(max_examples=30, deadline=None)
@given(seeds)
def test_the_deformation_between_two_pictures_of_an_outline(seed):
    rng = np.random.default_rng(seed)
    outline, bend = a_marker(rng, "random", 30), np.eye(2) + rng.normal(0, 0.1, (2, 2))
    np.testing.assert_allclose(deformation_between(outline, outline @ bend.T + [5, -3]), bend, atol=1e-9)


def test_a_disc_is_alike_all_round_and_an_ellipse_is_not():
    covariance, held = disc_covariance(5 * np.eye(2), 25, 2)
    assert held
    np.testing.assert_allclose(covariance, covariance[0, 0] * np.eye(2), rtol=0.02, atol=1e-6)
    flat, _ = disc_covariance(np.diag([5.0, 2.0]), 25, 2)
    assert flat[0, 0] > covariance[0, 0]
    tilted, _ = disc_covariance(turned(np.diag([5.0, 2.0]), 0.5), 25, 2)
    np.testing.assert_allclose(np.linalg.eigvalsh(tilted), np.linalg.eigvalsh(flat), rtol=0.05)
    # A rim outside the window is no help.
    assert not disc_covariance(40 * np.eye(2), 25, 2)[1]


def test_a_band_is_held_along_its_pole_by_its_edges_and_across_by_the_poles_sides():
    upright = (0.0, 8.0), 6.0
    covariance, held = band_covariance(*upright, 20, 30, 2)
    assert held
    wider, _ = band_covariance((0.0, 8.0), 9.0, 20, 30, 2)
    assert wider[1, 1] < covariance[1, 1]  # longer edges across
    bolder, _ = band_covariance(*upright, 40, 30, 2)
    assert bolder[1, 1] < 0.3 * covariance[1, 1]
    assert bolder[0, 0] == pytest.approx(covariance[0, 0], rel=0.15)
    for across, side in ((20, 0), (0, 30)):
        assert not band_covariance(*upright, across, side, 2)[1]
    lying, _ = band_covariance((8.0, 0.0), 6.0, 20, 30, 2)
    np.testing.assert_allclose(lying, covariance[::-1, ::-1], rtol=0.02, atol=1e-6)


def test_a_point_is_a_square_corner_that_may_point_anywhere():
    covariance, held = point_covariance([10.0, 30.0], 25, 2)
    assert held.all()
    for size, found in zip((10, 30), covariance, strict=True):
        np.testing.assert_allclose(found, found[0, 0] * np.eye(2), rtol=0.02, atol=1e-6)
        corner = larger_axis(corner_covariance(SQUARE * size / 40, 25, 2)[0])
        assert 0.6 * corner < larger_axis(found) < 1.1 * corner
    moved, _ = point_covariance(30.0, 25, 2, 0.0, (8.0, 0.0))
    assert moved[0, 0] > 1.5 * moved[1, 1]


def test_blur_adds_up_second_moments():
    np.testing.assert_allclose(blur_tensor(np.array(4.0), np.array([6.0, 0.0]), 0.5), [0.25 + 1 + 3, 0, 0.25 + 1])


def test_error_function():
    from math import erf as reference

    x = np.linspace(-4, 4, 401)
    np.testing.assert_allclose(erf(x), [reference(z) for z in x], atol=2e-7)


def test_the_window_integral_has_converged():
    rng = np.random.default_rng(6)
    outline = a_marker(rng, "thin cross", 20).T[:, :, None]
    blur = blur_tensor(np.zeros(1), np.zeros((2, 1)), 0.515)
    one, _ = exact_tensor(outline, blur, 7.5)
    sides = [
        exact_tensor(outline - np.array([x, y])[:, None, None] * 3.75, blur, 3.75)[0] for x in (-1, 1) for y in (-1, 1)
    ]
    np.testing.assert_allclose(sum(sides), one, rtol=1e-3)
    assert fast_tensor(outline, blur, 7.5)[0].shape == (3, 1)
