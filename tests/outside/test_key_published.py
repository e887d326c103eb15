"""The matte model against the published formula, and coarse colour at an edge against recomputed code errors."""

from dataclasses import replace

import numpy as np
import pytest
from scatterproof.paint.key import edge_profile, matte
from scatterproof.plan.model import Camera
from scatterproof.sightings.photometry import decode, encode

CAMERA = Camera(name="any", film_back=(24, 18), resolution=(2000, 1500), delivery_aspect=1.78, focal_length=30)


def test_blue_and_green_screens_by_the_published_formula():
    """Smith & Blinn, SIGGRAPH 1996 (from memory): alpha = 1 - a1 (Bf - a2 Gf), clamped, with a2 = 1 and a1 such that
    the screen itself is clear. Where red stays below green the formula here is theirs."""
    screen = np.array([0.03, 0.08, 0.5])
    a1 = 1 / (0.5 - 0.08)
    for seen in ([0.1, 0.3, 0.2], [0.05, 0.2, 0.35], [0.02, 0.1, 0.6], [0.1, 0.4, 0.1]):
        red, green, blue = seen
        assert red <= green
        expected = min(max(1 - a1 * (blue - green), 0), 1)
        assert matte(np.array(seen), screen) == pytest.approx(expected, abs=1e-12)
        turned = [red, blue, green]  # the same on a green screen
        assert matte(np.array(turned), screen[[0, 2, 1]]) == pytest.approx(expected, abs=1e-12)


def test_a_tone_of_the_screen_leaves_what_its_step_says():
    """Half a stop down leaves 1 - 2^-1/2 of the matte; half a stop up leaves none, it clamps."""
    green = np.array([0.06, 0.3, 0.07])
    assert matte(green * 2**-0.5, green) == pytest.approx(1 - 0.7071068, abs=1e-6)
    assert matte(green * 2**0.5, green) == 0


# BT.709 luma, colour the mean of two pixels that straddle the edge: the largest code error, and the step that luma
# keeps (own computation in numpy; sites and filters differ by codec).
EDGES = [
    ((60, 140, 70), (71, 164, 83), 4.7, 20.4),
    ((0, 177, 64), (20, 20, 20), 66, 111),
    ((0, 177, 64), (230, 60, 40), 133, 36.5),
]


@pytest.mark.parametrize(("screen", "paint", "error", "luma"), EDGES)
def test_colour_at_half_resolution_smears_an_edge(screen, paint, error, luma):
    one, other = decode(np.array(paint, float)), decode(np.array(screen, float))
    coarse = encode(edge_profile(one, other, replace(CAMERA, sampling="4:2:0"), 0.0)[1])
    fine = encode(edge_profile(one, other, CAMERA, 0.0)[1])
    assert np.abs(coarse - fine).max() == pytest.approx(error, abs=0.5)
    step = np.abs((np.array(paint) - np.array(screen)) @ [0.2126, 0.7152, 0.0722])
    assert step == pytest.approx(luma, abs=0.6)
    kept = coarse @ [0.2126, 0.7152, 0.0722]
    np.testing.assert_allclose(kept, fine @ [0.2126, 0.7152, 0.0722], atol=1e-6)
