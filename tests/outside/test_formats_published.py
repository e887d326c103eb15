"""Film backs, fields of view, focal lengths in pixels, crops and containers against published dimensions.

Where the published sources disagree, both are told and the tolerance says so.
"""

import dataclasses
import math

import numpy as np
import pytest
from scatterproof.camera.lens import frustum_corners, unproject
from scatterproof.camera.track import camera_track, delivery_frame
from scatterproof.plan.model import Camera, Move, Plan, Shot, Stage

INCH_MM = 25.4  # exact
# Full aperture, 4 perforations: 0.980 x 0.735 in (trade tables), 24.892 x 18.669 mm. ISO 2906:2002 names it style C;
# its table was not seen.
SUPER_35 = (0.980 * INCH_MM, 0.735 * INCH_MM)
# Anamorphic aperture: 0.866 x 0.732 in (trade table). For the academy aperture of the same width tables disagree:
# 0.866 in here, 0.864 in there, 0.05 mm.
ANAMORPHIC = (0.866 * INCH_MM, 0.732 * INCH_MM)
FULL_FRAME = (36.0, 24.0)


def camera(film_back, resolution=(4096, 3072), aspect=None, **more):
    return Camera(
        name="A",
        film_back=film_back,
        resolution=resolution,
        delivery_aspect=aspect or film_back[0] / film_back[1],
        focal_length=more.pop("focal_length", 32.0),
        **more,
    )


def track_of(package, **more):
    move = Move(kind="hold", start=(1.0, -5.0, 1.6), aim=(1.0, 0.0, 1.6))
    shot = Shot(name="1", camera="A", frames=(1, 2), move=move, **more)
    return camera_track(Plan(name="p", stage=Stage(), cameras=(package,), shots=(shot,)), shot)


def field_of_view(track, axis):
    """Between the outer edges of the gate, degrees."""
    width, height = track.size_px
    edges = [[-0.5, (height - 1) / 2], [width - 0.5, (height - 1) / 2]]
    if axis == "vertical":
        edges = [[(width - 1) / 2, -0.5], [(width - 1) / 2, height - 0.5]]
    one, other = unproject(np.array(edges), track)[0]
    return math.degrees(math.acos(one @ other))


@pytest.mark.parametrize(
    ("film_back", "focal_length", "degrees"),
    [  # 2 atan(w / 2f), worked by hand from the widths above
        (SUPER_35, 32.0, 42.5058),
        (SUPER_35, 50.0, 27.9560),
        (FULL_FRAME, 35.0, 54.4322),
        (FULL_FRAME, 50.0, 39.5978),
    ],
)
def test_horizontal_field_of_view(film_back, focal_length, degrees):
    track = track_of(camera(film_back, focal_length=focal_length))
    assert field_of_view(track, "horizontal") == pytest.approx(degrees, abs=1e-4)
    upright = 2 * math.degrees(math.atan(film_back[1] / (2 * focal_length)))
    assert field_of_view(track, "vertical") == pytest.approx(upright, abs=1e-9)


@pytest.mark.parametrize(("focal_length", "px"), [(32.0, 5265.628), (50.0, 8227.543)])
def test_focal_length_in_pixels(focal_length, px):
    """4096 px over 24.892 mm: W f / w."""
    track = track_of(camera(SUPER_35, focal_length=focal_length))
    np.testing.assert_allclose(track.focal_px, [[px, px]] * 2, rtol=0, atol=1e-3)


@pytest.mark.parametrize(("aspect", "height_mm"), [(1.85, 13.4551), (2.39, 10.4151), (16 / 9, 14.0018)])
def test_crops_of_the_full_aperture(aspect, height_mm):
    (left, top, right, bottom), scale = delivery_frame(camera(SUPER_35, aspect=aspect, delivery_width=2048))
    assert (left, right) == (-0.5, 4095.5)
    assert (bottom - top) / 3072 * SUPER_35[1] == pytest.approx(height_mm, abs=1e-4)
    assert (top + bottom) / 2 == pytest.approx(3071 / 2)
    assert scale == pytest.approx(0.5)


def test_a_two_times_squeeze():
    """A 2x lens shows 2 w / h unsqueezed, and 2.39 of an 18.593 mm tall gate takes 22.2186 mm: more than its width."""
    package = camera(ANAMORPHIC, resolution=(2880, 2434), aspect=2.39, squeeze=2.0, focal_length=50.0)
    assert 2.39 * ANAMORPHIC[1] / 2 == pytest.approx(22.2186, abs=2e-3)
    unsqueezed = 2 * ANAMORPHIC[0] / ANAMORPHIC[1]
    assert unsqueezed == pytest.approx(2 * 1.183, abs=1e-3)
    (left, top, right, bottom), _ = delivery_frame(package)
    assert (left, right) == (-0.5, 2879.5)  # full width, a little of the height goes
    delivered = (right - left) / 2880 * ANAMORPHIC[0] * 2 / ((bottom - top) / 2434 * ANAMORPHIC[1])
    assert delivered == pytest.approx(2.39, abs=1e-12)
    wide = 2 * math.degrees(math.atan(2 * ANAMORPHIC[0] / (2 * 50.0)))
    track = track_of(package)
    assert field_of_view(track, "horizontal") == pytest.approx(wide, abs=1e-9)
    assert field_of_view(track, "vertical") == pytest.approx(2 * math.degrees(math.atan(ANAMORPHIC[1] / 100)), abs=1e-9)


def test_a_squeezed_gate_wider_than_the_delivery_loses_its_sides():
    package = camera((24.892, 18.669), aspect=2.39, squeeze=2.0, resolution=(4096, 3072))
    (left, top, right, bottom), _ = delivery_frame(package)
    assert (top, bottom) == (-0.5, 3071.5)
    assert right - left == pytest.approx(4096 * 2.39 * 18.669 / (2 * 24.892))


@pytest.mark.parametrize(
    ("container", "aspect", "cut"),
    [  # DCI containers 4096 x 2160 and 2048 x 1080; flat and scope pictures in them from memory of the DCI
        # specification and SMPTE ST 428-1. One encyclopedia page prints 3006 x 2160 for the flat one, a misprint:
        # that would be 1.39 to 1.
        ((4096, 2160), 1.85, (3996, 2160)),
        ((4096, 2160), 4096 / 1716, (4096, 1716)),
        ((2048, 1080), 1.85, (1998, 1080)),
        ((2048, 1080), 2048 / 858, (2048, 858)),
        ((4096, 2160), 16 / 9, (3840, 2160)),  # UHD, SMPTE ST 2036-1, from memory
    ],
)
def test_cinema_containers(container, aspect, cut):
    package = camera((container[0] / 200, container[1] / 200), resolution=container, aspect=aspect)
    (left, top, right, bottom), _ = delivery_frame(package)
    assert (right - left, bottom - top) == pytest.approx(cut, abs=0.51)  # published sizes are whole and even


@pytest.mark.parametrize(
    ("degrees", "rate", "seconds"),
    [  # t = angle / (360 rate); from memory of cinematographers' handbooks, arithmetic exact
        (180, 24, 1 / 48),
        (172.8, 24, 1 / 50),
        (90, 24, 1 / 96),
        (45, 24, 1 / 192),
        (11.25, 24, 1 / 768),
        (144, 24, 1 / 60),
    ],
)
def test_exposure_times(degrees, rate, seconds):
    package = camera(SUPER_35, shutter=math.radians(degrees))
    assert track_of(package, rate=rate).exposure_s == pytest.approx(seconds, rel=1e-12)
    given = dataclasses.replace(package, exposure=1 / 100)
    assert track_of(given, rate=rate).exposure_s == 1 / 100


def test_the_gate_seen_at_a_distance():
    """At 10 m a 32 mm lens on a 24.892 x 18.669 mm gate sees 7.77875 x 5.834063 m: w z / f."""
    corners = frustum_corners(track_of(camera(SUPER_35)), 10.0)[0]
    np.testing.assert_allclose(corners.mean(axis=0), [1.0, 5.0, 1.6], atol=1e-9)
    across, down = corners[1] - corners[0], corners[3] - corners[0]
    np.testing.assert_allclose(across, [7.77875, 0, 0], atol=1e-9)
    np.testing.assert_allclose(down, [0, 0, -5.8340625], atol=1e-9)
