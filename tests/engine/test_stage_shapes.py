import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.plan.model import SHAPES
from scatterproof.stage import polygons, shapes

CORNERS = (5, 8)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_has_area_one_about_its_centre(shape):
    for outline in shapes.outlines(shape, CORNERS, [3, 1], 7):
        assert polygons.signed_area(outline) == pytest.approx(1, abs=1e-14)
        np.testing.assert_allclose(polygons.centroid(outline), 0, atol=1e-14)
        assert polygons.is_simple(outline)
        farthest = np.linalg.norm(outline, axis=1).max()
        assert farthest <= shapes.farthest_corner(shape, CORNERS) + 1e-12


@pytest.mark.parametrize(("shape", "share"), [("thin cross", 1 / 6), ("thick cross", 1 / 3)])
def test_crosses_keep_their_arm_ratio(shape, share):
    outline = shapes.plain_outline(shape)
    span, edges = np.ptp(outline[:, 0]), np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1)
    assert len(outline) == 12
    assert np.ptp(outline[:, 1]) == pytest.approx(span)
    assert edges.min() / span == pytest.approx(share)
    assert span**2 * share * (2 - share) == pytest.approx(1)


def test_a_disc_is_nearly_round_and_says_so():
    outline = shapes.plain_outline("disc")
    assert shapes.is_disc("disc")
    assert not shapes.is_disc("square")
    np.testing.assert_allclose(np.linalg.norm(outline, axis=1), 1 / np.sqrt(np.pi), rtol=0.01)


@settings(deadline=None)  # other work may share the processor
@given(st.integers(3, 12), st.integers(0, 10**9))
def test_random_polygons_stay_in_their_limits(corners, seed):
    outlines = shapes.random_polygons(corners, [seed], 12)
    edge = np.roll(outlines, -1, axis=1) - outlines
    length = np.linalg.norm(edge, axis=-1)
    cos = (edge * -np.roll(edge, 1, axis=1)).sum(axis=-1) / (length * np.roll(length, 1, axis=1))
    angle = np.degrees(np.arccos(cos))
    assert outlines.shape == (12, corners, 2)
    assert polygons.are_simple(outlines).all()
    np.testing.assert_allclose(polygons.signed_area(outlines), 1, atol=1e-13)
    np.testing.assert_allclose(polygons.centroid(outlines), 0, atol=1e-13)
    assert angle.min() >= 30 - 1e-9
    assert angle.max() <= 150 + 1e-9
    assert length.min() >= shapes.SHORTEST_EDGE
    assert (length.max(axis=1) >= 1.5 * length.min(axis=1)).all()


def test_random_polygons_are_really_irregular_and_all_different():
    """Edges spread by a fifth of their mean or more; no two shapes match, however one is turned over the other."""
    outlines = shapes.random_polygons(6, [11], 60)
    length = np.linalg.norm(np.roll(outlines, -1, axis=1) - outlines, axis=-1)
    assert (length.std(axis=1) / length.mean(axis=1)).mean() > 0.2
    rolled = np.stack([np.roll(length, k, axis=1) for k in range(6)])
    apart = np.abs(rolled[:, :, None] - length).max(axis=-1).min(axis=0)
    assert apart[np.triu_indices(60, k=1)].min() > 0.02


def test_corner_counts_are_even_over_their_range():
    count = np.array([len(outline) for outline in shapes.outlines("random", (5, 8), [2], 800)])
    assert set(count) == {5, 6, 7, 8}
    assert np.bincount(count)[5:].min() > 150  # 200 each, give or take four sigma


def test_the_first_shapes_do_not_depend_on_how_many_follow():
    few, many = (shapes.outlines("random", CORNERS, [5, 9], n) for n in (9, 120))
    for a, b in zip(few, many, strict=False):
        np.testing.assert_array_equal(a, b)


def test_one_corner_count_only():
    assert {len(outline) for outline in shapes.outlines("random", (7, 7), [1], 20)} == {7}
