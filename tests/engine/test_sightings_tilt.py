"""Corners that survive a glancing look."""

import numpy as np
import pytest
from scatterproof.sightings.tilt import surviving_corners
from scatterproof.stage.shapes import outlines, plain_outline

HALF_STOP, NOISE = 25.0, 2.0
AZIMUTHS = np.radians(np.arange(0, 180, 15))


def count(shapes, tilt_deg, size_px, azimuths=AZIMUTHS):
    return surviving_corners(shapes, np.radians(tilt_deg), size_px, azimuths, HALF_STOP, NOISE)


def turned(outline, angle):
    c, s = np.cos(angle), np.sin(angle)
    return outline @ np.array([[c, s], [-s, c]])


@pytest.mark.parametrize(
    ("shape", "corners"), [("square", 4), ("triangle", 3), ("thick cross", 12), ("thin cross", 12)]
)
def test_seen_from_the_front_every_corner_of_a_marker_large_enough_survives(shape, corners):
    found = count([plain_outline(shape)], [0], [25, 60])
    np.testing.assert_array_equal(found, corners)


@pytest.mark.parametrize("shape", ["square", "triangle", "thick cross", "thin cross"])
def test_from_the_edge_none_survives_and_the_mean_falls_on_the_way(shape):
    found = count([plain_outline(shape)], [0, 60, 70, 80, 85, 90], [25])[0]
    assert np.all(np.diff(found.mean(axis=1)) <= 0.35)  # a corner that gets blunter may come back
    np.testing.assert_array_equal(found[-1], 0)
    assert found[-2].mean() < found[0].mean()


def test_a_thin_arm_is_no_corner_where_its_end_is_under_four_pixels():
    """Arms of the thin cross are a sixth of its span wide: 10 px of size make a span of 18 px, arms of 3 px."""
    assert count([plain_outline("thin cross")], [0], [10], [0.0])[0, 0, 0] == 4
    assert count([plain_outline("thick cross")], [0], [10], [0.0])[0, 0, 0] == 12


def test_squares_that_all_hang_alike_have_a_bad_azimuth_and_random_markers_have_none():
    """Of 25 px, at 85 degrees: along a side of the squares no edge is left to hold them, along a diagonal all are."""
    alike = count([plain_outline("square")], [85], [25])[0, 0]
    rng = np.random.default_rng(1)
    scattered = [turned(z, rng.uniform(0, 2 * np.pi)) for z in outlines("random", (5, 8), [3], 40)]
    mixed = count(scattered, [85], [25])[0, 0]
    assert alike.min() == 0
    assert alike.max() == 4
    assert mixed.min() > 1
    assert mixed.max() < 1.8 * mixed.min()


def test_turning_a_marker_turns_its_azimuths():
    outline = outlines("random", (6, 6), [5], 1)[0]
    here = count([outline], [60, 80], [25, 40])
    there = count([turned(outline, np.radians(30))], [60, 80], [25, 40], AZIMUTHS + np.radians(30))
    assert np.abs(here - there).mean() < 0.2  # the window is a square and does not turn along


def test_outlines_with_different_numbers_of_corners_are_averaged():
    both = count([plain_outline("square"), plain_outline("triangle")], [0, 70], [30])
    alone = [count([plain_outline(z)], [0, 70], [30]) for z in ("square", "triangle")]
    np.testing.assert_allclose(both, (alone[0] + alone[1]) / 2)


def test_no_outlines_have_no_corners():
    np.testing.assert_array_equal(count([], [0], [25]), 0)
