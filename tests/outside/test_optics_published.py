"""Depth of field, hyperfocal distance, discs of confusion and shutter tables, against the published formulas."""

import math

import numpy as np
import pytest
from scatterproof.sightings.blur import depth_of_field_m, disc_mm, hyperfocal_mm
from scatterproof.sightings.photometry import light_stops

# Ray, Applied Photographic Optics, 3rd ed. 2002 (formulas from memory); recomputed in numpy, and b(near) = b(far) = c.
FIELDS = [(50, 2.8, 0.025, 3000, 35764.286, 2771.107, 3270.111), (25, 2.8, 0.025, 3000, 8953.571, 2250.225, 4499.100)]


@pytest.mark.parametrize(("focal", "stop", "confusion", "focus", "hyperfocal", "near", "far"), FIELDS)
def test_hyperfocal_near_and_far(focal, stop, confusion, focus, hyperfocal, near, far):
    assert hyperfocal_mm(focal, stop, confusion) == pytest.approx(hyperfocal, abs=1e-3)
    found = depth_of_field_m(focal, stop, focus / 1000, confusion)
    assert np.array(found) * 1000 == pytest.approx([near, far], abs=1e-3)
    np.testing.assert_allclose(disc_mm(focal, stop, focus / 1000, found), confusion, rtol=1e-9)


@pytest.mark.parametrize(
    ("focal", "stop", "focus", "distance", "disc"),
    [
        (50, 2.8, 3000, 6000, 0.151332),
        (50, 2.8, 3000, 2000, 0.151332),
        (50, 2.8, 3000, math.inf, 0.302663),
        (35, 4, 4000, 6000, 0.025746),
    ],
)
def test_discs(focal, stop, focus, distance, disc):
    assert disc_mm(focal, stop, focus / 1000, distance / 1000) == pytest.approx(disc, abs=1e-6)


def test_focus_at_the_hyperfocal_distance_is_sharp_from_half_of_it_to_infinity():
    hyperfocal = hyperfocal_mm(50, 2.8, 0.025) / 1000
    near, far = depth_of_field_m(50, 2.8, hyperfocal, 0.025)
    assert near == pytest.approx(hyperfocal / 2, rel=1e-12)
    assert far == math.inf
    assert disc_mm(50, 2.8, hyperfocal, math.inf) == pytest.approx(0.025)


# Shutter: t = angle / (360 rate), stops against 180 degrees log2(180 / angle) (exact).
@pytest.mark.parametrize(
    ("angle", "seconds", "stops"),
    [
        (180, 1 / 48, 0.0),
        (172.8, 1 / 50, 0.0589),
        (90, 1 / 96, 1.0),
        (45, 1 / 192, 2.0),
        (11.25, 1 / 768, 4.0),
        (144, 1 / 60, 0.3219),
    ],
)
def test_shutter_angles_in_seconds_and_stops(angle, seconds, stops):
    time = math.radians(angle) / (math.tau * 24)
    assert time == pytest.approx(seconds, rel=1e-12)
    assert light_stops(4, time, 4, 1 / 48) == pytest.approx(stops, abs=1e-4)


# Engraved f-numbers are rounded; stops = 2 log2(N2 / N1).
@pytest.mark.parametrize(("to", "base", "stops"), [(5.6, 4, 0.9709), (4, 2.8, 1.0291), (5.6, 2.8, 2.0)])
def test_engraved_stops(to, base, stops):
    assert light_stops(to, 1 / 48, base, 1 / 48) == pytest.approx(stops, abs=1e-4)


def test_a_shorter_shutter_is_repaid_by_a_wider_stop_that_doubles_the_disc():
    assert light_stops(2.8, 1 / 192, 5.6, 1 / 48) == pytest.approx(0.0, abs=1e-12)
    assert disc_mm(50, 2.8, 3, 6) == pytest.approx(2 * disc_mm(50, 5.6, 3, 6))
