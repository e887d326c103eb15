import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.stage import polygons

NOTCHED = np.array([[0, 0], [7, 0], [7, 2], [3, 2], [3, 5], [0, 5]], dtype=float)  # 7 x 2 and 3 x 3


def test_area_and_centroid_of_a_lopsided_polygon():
    assert polygons.signed_area(NOTCHED) == 23
    assert polygons.signed_area(NOTCHED[::-1]) == -23
    expected = (14 * np.array([3.5, 1]) + 9 * np.array([1.5, 3.5])) / 23
    np.testing.assert_allclose(polygons.centroid(NOTCHED), expected, atol=1e-15)
    stacked = np.stack([NOTCHED, NOTCHED + np.array([10, -4])])
    np.testing.assert_allclose(polygons.centroid(stacked)[1] - [10, -4], expected, atol=1e-14)


def test_contains_and_distance():
    points = np.array([[1, 4], [5, 4], [5, 1], [-1, 1], [3, 6]], dtype=float)
    assert polygons.contains(NOTCHED, points).tolist() == [True, False, True, False, False]
    np.testing.assert_allclose(polygons.edge_distance(NOTCHED, points), [1, 2, 1, 1, 1], atol=1e-15)
    np.testing.assert_allclose(polygons.edge_distance(NOTCHED, np.array([[4.0, 3.0]])), [1], atol=1e-15)


@pytest.mark.parametrize(
    ("corners", "simple"),
    [
        (NOTCHED, True),
        (np.array([[0, 0], [2, 0], [0, 1], [2, 1]]), False),  # a bow tie
        (np.array([[0, 0], [2, 0], [2, 0], [0, 1]]), False),  # a corner twice
        (np.array([[0, 0], [4, 0], [4, 2], [2, 0], [0, 2]]), False),  # a corner on an edge
        (np.array([[0, 0], [9, 0], [9, 3], [6, 3], [6, 1], [3, 1], [3, 3], [0, 3]]), True),  # two edges on one line
    ],
)
def test_simple(corners, simple):
    assert polygons.is_simple(corners) == simple


def test_triangles_fill_the_polygon_and_keep_its_turn():
    triangles = polygons.triangulate(NOTCHED)
    areas = polygons.signed_area(NOTCHED[triangles])
    assert len(triangles) == 4
    assert (areas > 0).all()
    assert areas.sum() == 23


half = st.tuples(st.floats(0, 6.28), st.floats(-3, 3)).map(
    lambda turn_level: (float(np.cos(turn_level[0])), float(np.sin(turn_level[0])), turn_level[1])
)


@settings(deadline=None)  # other work may share the processor
@given(st.lists(st.lists(half, min_size=1, max_size=3), min_size=1, max_size=3))
def test_subtracting_leaves_the_points_that_are_in_no_cut(cuts):
    """Pieces against the definition, point by point."""
    pieces = [np.array([[-3, -2], [4, -2], [4, 3], [-3, 3]], dtype=float)]
    for halves in cuts:
        pieces = polygons.subtract(pieces, halves)
    points = np.random.default_rng(3).uniform([-3, -2], [4, 3], (400, 2))
    level = [[points @ [a, b] + c for a, b, c in halves] for halves in cuts]
    clear = np.min([np.min(np.abs(rows), axis=0) for rows in level], axis=0) > 1e-6
    kept = ~np.any([np.min(rows, axis=0) >= 0 for rows in level], axis=0)
    times = np.sum([polygons.contains(piece, points) for piece in pieces] or [np.zeros(400)], axis=0)
    np.testing.assert_array_equal(times[clear], kept[clear])


@settings(deadline=None)  # other work may share the processor
@given(st.floats(0, 6.28), st.floats(-0.9, 0.9), st.floats(0.2, 1.5), st.floats(0, 6.28), st.floats(1.2, 2.5))
def test_outline_of_what_a_strip_and_a_slice_leave(turn, left, width, other, level):
    """The traced outline holds exactly what its pieces hold: a notch up to the far edge, and a corner cut off."""
    along, out = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    strip = [(*out, -0.5), (*along, -left), (*-along, left + width)]
    pieces = [np.array([[-3, -2], [4, -2], [4, 3], [-3, 3]], dtype=float)]
    pieces = polygons.subtract(pieces, [tuple(map(float, h)) for h in strip])
    pieces = polygons.subtract(pieces, [(float(np.cos(other)), float(np.sin(other)), -level)])
    outline = polygons.largest_outline(pieces)
    assert polygons.is_simple(outline)
    middles = np.array([polygons.centroid(piece) for piece in pieces])
    mine = polygons.contains(outline, middles)
    areas = np.array([polygons.signed_area(piece) for piece in pieces])
    assert polygons.signed_area(outline) == pytest.approx(areas[mine].sum(), abs=1e-7)
    # The strip and the slice leave two parts at most beside the main one.
    assert areas[mine].sum() >= areas.sum() / 3


def test_parts_that_touch_in_one_corner_stay_apart():
    small = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    large = 1 + 2 * small
    np.testing.assert_allclose(np.sort(polygons.largest_outline([small, large]), axis=0), np.sort(large, axis=0))
    assert not len(polygons.largest_outline([]))


def test_outline_drops_corners_between_pieces_that_meet_unevenly():
    wide = np.array([[0, 0], [4, 0], [4, 1], [0, 1]], dtype=float)
    left, right = np.array([[0, 1], [1.5, 1], [1.5, 2], [0, 2]]), np.array([[1.5, 1], [4, 1], [4, 2], [1.5, 2]])
    outline = polygons.largest_outline([wide, left, right])
    assert len(outline) == 4
    assert polygons.signed_area(outline) == 8
