"""Defocus, motion and read-out skew: units, squeezed lenses, and every input that has no answer."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scatterproof.camera.lens import image_velocity
from scatterproof.camera.track import camera_track
from scatterproof.plan import model as m
from scatterproof.sightings.blur import (
    defocus_px,
    depth_of_field_m,
    disc_mm,
    motion_px,
    read_out_skew_px,
    round_disc_px,
)


def a_track(**camera):
    package = {"name": "A", "film_back": (24.0, 12.0), "resolution": (2400, 1200), "delivery_aspect": 2.0,
               "focal_length": 40.0, "focus": 3.0, "stop": 2.8}  # fmt: skip
    plan = m.Plan(
        name="p",
        stage=m.Stage(),
        cameras=(m.Camera(**(package | camera)),),
        shots=(
            m.Shot(
                name="s",
                camera="A",
                frames=(1, 9),
                move=m.Move(kind="dolly", start=(0, 0, 1), aim=(0, 5, 1), distance=2),
            ),
        ),
    )
    return camera_track(plan, plan.shots[0])


def test_a_disc_in_pixels_is_the_disc_on_the_film_back_times_pixels_per_millimetre():
    track = a_track()
    depth = np.array([[1.5, 3.0, 9.0]])
    found = defocus_px(track, depth, np.zeros((1, 3), int))
    np.testing.assert_allclose(found[0], disc_mm(40.0, 2.8, 3.0, depth) * 100, rtol=1e-12)
    np.testing.assert_allclose(found[0], found[1], rtol=1e-12)
    assert found[0, 0, 1] == 0


def test_a_squeezed_lens_makes_upright_ovals_twice_as_tall_as_wide_once_unsqueezed():
    """Across it is a lens of half the focal length behind the same stop: a quarter of the disc, spread by two."""
    track = a_track(squeeze=2.0)
    across, up = defocus_px(track, np.full((9, 1), 1e6))
    np.testing.assert_allclose(up / (2 * across), 2, rtol=0.01)
    np.testing.assert_allclose(up, defocus_px(a_track(), np.full((9, 1), 1e6))[1], rtol=1e-12)


def test_the_round_disc_has_the_mean_second_moment():
    assert round_disc_px(np.array([1.0, 7.0])) == pytest.approx(5.0)


def test_what_has_no_sharp_picture_has_an_infinite_disc_and_what_is_far_a_finite_one():
    for focus in (0.0, -1.0, 0.04, 0.05):  # behind the camera, at its focal length
        assert disc_mm(50, 4, focus, [1.0, math.inf]).tolist() == [math.inf] * 2
    assert disc_mm(50, 4, 2.0, [0.0, -3.0, math.nan]).tolist() == [math.inf] * 3
    # Focused at infinity: f^2 / (N u)
    assert disc_mm(50, 4, math.inf, [2.0, math.inf]).tolist() == pytest.approx([2500e-3 / 4 / 2, 0.0])
    assert depth_of_field_m(50, 4, math.inf, 0.025) == (pytest.approx(25.0), math.inf)
    assert all(math.isnan(v) for v in depth_of_field_m(50, 4, 0.05, 0.025))


@given(st.floats(0.3, 50), st.floats(0.3, 50), st.floats(0.7, 22), st.floats(10, 100))
def test_stopping_down_and_coming_nearer_to_the_focus_never_softens(focus, depth, stop, focal):
    disc = disc_mm(focal, stop, focus, depth)
    assert disc_mm(focal, stop * 1.5, focus, depth) <= disc
    assert disc_mm(focal, stop, focus, (focus + depth) / 2) <= disc * (1 + 1e-9) + 1e-12


def test_motion_is_velocity_times_exposure():
    track = a_track(shutter=math.pi)  # half a frame
    assert motion_px(np.array([200.0, -3.0]), track).tolist() == pytest.approx([100.0, -1.5])
    assert motion_px(np.array([200.0, 0.0]), a_track(shutter=0.0)).tolist() == [0.0, 0.0]
    assert motion_px(np.array([200.0, 0.0]), track, exposure_s=1 / 96).tolist() == pytest.approx([50.0, 0.0])


def test_read_out_skew_grows_from_the_middle_row_and_follows_the_motion():
    track = a_track(read_out=1 / 48)  # half a frame from the first row to the last
    point = np.array([[0.0, 5.0, 1.0]])
    velocity = image_velocity(point, track)[4]
    assert velocity[0, 0] < -10  # the camera goes to the right
    edge, middle = (read_out_skew_px(velocity, np.array([row]), track)[0] for row in (1199.5, 599.5))
    np.testing.assert_allclose(edge, velocity[0] / 4, rtol=1e-12)
    np.testing.assert_allclose(middle, 0, atol=1e-12)
