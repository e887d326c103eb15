"""Projection by conventions and invariances, image velocity by fine differences; tests/outside compares with OpenCV."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.camera.axes import from_pan_tilt_roll, pose
from scatterproof.camera.lens import (
    camera_twist,
    fold_radius,
    frustum_corners,
    image_velocity,
    project,
    undistort,
    unproject,
)
from scatterproof.camera.track import CameraTrack
from scipy.spatial.transform import Rotation

seeds = st.integers(0, 2**32 - 1)
ALL_FIVE = np.array([-0.12, 0.03, 0.001, -0.0008, 0.002])
WAVES = 2 * np.pi / 97  # per frame: slow against the frame rate


def track_at(frames, distortion=ALL_FIVE):
    """A smooth move with a zoom, evaluated at any frames, whole or not (the track itself only keeps whole numbers)."""
    t = np.asarray(frames, float)
    at = np.stack([0.4 * np.sin(WAVES * t), -6 + 0.02 * t, 1.5 + 0.3 * np.cos(WAVES * t)], axis=1)
    angles = np.stack([0.2 * np.sin(WAVES * t + 1), 0.1 * np.cos(WAVES * t), 0.05 * np.sin(2 * WAVES * t)], axis=1)
    focal = 2000 * (1 + 0.1 * np.sin(WAVES * t))
    f = len(t)
    return CameraTrack(
        frame=np.round(t) if f > 1 and np.ptp(t) >= f - 1 else np.arange(f),
        world_from_cam=from_pan_tilt_roll(at, angles),
        focal_px=np.stack([focal, focal * 1.2], axis=1),
        centre_px=np.array([940.0, 410.0]),
        size_px=np.array([1920, 800]),
        distortion=distortion,
        delivery_px=np.array([-0.5, 49.5, 1919.5, 749.5]),
        delivery_scale=1.0,
        focal_mm=focal / 60,
        focus_m=np.full(f, 4.0),
        stop=np.full(f, 4.0),
        exposure_s=1 / 48,
        rate=24.0,
        read_out_s=0.0,
    )


POINTS = np.random.default_rng(2).uniform([-2, 0, 0], [2, 4, 3], (60, 3))


def test_a_lopsided_picture_by_hand():
    """1920 x 800, off axis: 1 m right and 0.5 m down at 4 m, focal lengths 2000 and 2400 px."""
    track = dataclasses.replace(track_at([0.0], np.zeros(5)), world_from_cam=np.eye(4)[None])
    uv, depth = project(np.array([[1.0, 0.5, 4.0], [-1.0, 0.5, 4.0], [0, 0, -1]]), track)
    np.testing.assert_allclose(uv[0, :2], [[940 + 500, 410 + 300], [940 - 500, 410 + 300]])
    assert np.isnan(uv[0, 2]).all()
    np.testing.assert_allclose(depth[0], [4, 4, -1])


@pytest.mark.parametrize("distortion", [np.zeros(5), ALL_FIVE])
def test_batches_equal_single_frames_and_points_of_their_own(distortion):
    track = track_at(np.arange(30), distortion)
    uv, depth = project(POINTS, track)
    velocity = image_velocity(POINTS, track)
    for rows in (slice(3, 9), slice(0, 1), slice(None, None, 7)):
        np.testing.assert_allclose(project(POINTS, track, rows)[0], uv[rows], rtol=0, atol=1e-9)
        np.testing.assert_allclose(image_velocity(POINTS, track, rows), velocity[rows], rtol=0, atol=1e-9)
    own = np.broadcast_to(POINTS, (30, *POINTS.shape))
    np.testing.assert_allclose(project(own, track)[0], uv, rtol=0, atol=1e-9)
    np.testing.assert_allclose(project(own[:4], track, slice(5, 9))[1], depth[5:9], rtol=0, atol=1e-12)
    np.testing.assert_allclose(image_velocity(own, track), velocity, rtol=0, atol=1e-9)
    many = np.tile(POINTS, (1000, 1))  # beyond one chunk
    np.testing.assert_allclose(project(many, track, slice(0, 2))[0][:, -60:], uv[:2], rtol=0, atol=1e-9)


def test_no_points_and_wrong_shapes():
    track = track_at(np.arange(5))
    assert project(np.zeros((0, 3)), track)[0].shape == (5, 0, 2)
    assert image_velocity(np.zeros((0, 3)), track).shape == (5, 0, 2)
    with pytest.raises(ValueError, match=r"points_m has shape \(4, 2\)"):
        project(np.zeros((4, 2)), track)
    with pytest.raises(ValueError, match="points_m"):
        project(np.zeros((4, 9, 3)), track)
    with pytest.raises(ValueError, match="uv_px"):
        unproject(np.zeros((4, 9, 2)), track)


def test_points_that_are_not_numbers_stay_so():
    uv, depth = project(np.array([[np.nan, 0, 0], [0, 0, 1.0]]), track_at(np.arange(3)))
    assert np.isnan(uv[:, 0]).all()
    assert np.isnan(depth[:, 0]).all()
    assert np.isfinite(uv[:, 1]).all()


@settings(max_examples=40, deadline=None)
@given(seeds)
def test_moving_world_and_camera_together_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    track = track_at(np.arange(12))
    motion = pose(Rotation.random(random_state=int(rng.integers(2**31))).as_matrix(), rng.normal(size=3) * 10)
    moved = dataclasses.replace(track, world_from_cam=motion @ track.world_from_cam)
    points = POINTS @ motion[:3, :3].T + motion[:3, 3]
    for one, other in zip(project(POINTS, track), project(points, moved), strict=True):
        np.testing.assert_allclose(other, one, rtol=0, atol=1e-8)
    np.testing.assert_allclose(image_velocity(points, moved), image_velocity(POINTS, track), rtol=0, atol=1e-8)
    rays = unproject(np.array([[100.0, 700.0]]), track)
    np.testing.assert_allclose(unproject(np.array([[100.0, 700.0]]), moved), rays @ motion[:3, :3].T, atol=1e-12)
    corners = frustum_corners(track, 3.0) @ motion[:3, :3].T + motion[:3, 3]
    np.testing.assert_allclose(frustum_corners(moved, 3.0), corners, atol=1e-9)


@pytest.mark.parametrize("distortion", [np.zeros(5), np.array([-0.1, 0, 0, 0, 0]), ALL_FIVE])
def test_velocity_is_that_of_fine_differences_at_the_ends_too(distortion):
    """Against the move itself a thousandth of a frame before and after, which the track has never seen."""
    frames, step = np.arange(40.0), 1e-3
    velocity = image_velocity(POINTS, track_at(frames, distortion))
    before, after = (project(POINTS, track_at(frames + way * step, distortion))[0] for way in (-1, 1))
    fine = (after - before) / (2 * step)
    error = np.linalg.norm(velocity - fine, axis=-1).max(axis=1) / np.linalg.norm(fine, axis=-1).max()
    assert error[2:-2].max() < 1e-5
    assert error.max() < 2e-4  # the polynomial's end point


def test_the_twist_falls_with_the_fourth_power_of_the_step():
    """The same move sampled twice as finely: sixteen times less error, ends included."""

    def error(stretch):
        t = np.arange(0, 60 * stretch) / stretch
        track = dataclasses.replace(track_at(t), frame=np.arange(len(t)))
        fine = [track_at(t + way * 1e-4) for way in (-1, 1)]
        true = (fine[1].centre_m - fine[0].centre_m) / 2e-4
        relative = np.swapaxes(fine[0].world_from_cam[:, :3, :3], 1, 2) @ fine[1].world_from_cam[:, :3, :3]
        spin = Rotation.from_matrix(relative).as_rotvec() / 2e-4
        travel, turn = (part * stretch for part in camera_twist(track))
        return np.abs(travel - true).max(), np.abs(turn - spin).max()

    for coarse, fine in zip(error(1), error(2), strict=True):
        assert 10 < coarse / fine < 25


def test_velocity_of_very_short_shots():
    assert (image_velocity(POINTS, track_at([3.0])) == 0).all()
    two = track_at([3.0, 4.0], np.zeros(5))
    uv = project(POINTS, two)[0]
    middle = image_velocity(POINTS, two).mean(axis=0)
    np.testing.assert_allclose(middle, uv[1] - uv[0], rtol=0, atol=2e-2)


def test_a_still_camera_and_points_behind():
    still = dataclasses.replace(track_at(np.zeros(6)), frame=np.arange(6))
    np.testing.assert_allclose(image_velocity(POINTS, still), 0, atol=1e-9)
    assert np.isnan(image_velocity(np.array([[0.0, -50, 1]]), still)).all()


def test_velocity_counts_frame_numbers_that_leap():
    """Every second frame kept: the velocity per frame stays, within (w h)^4 / 30 of the fastest part of the move."""
    track = track_at(np.arange(0, 80.0))
    half = dataclasses.replace(track_at(np.arange(0, 80.0, 2)), frame=np.arange(0, 80, 2))
    velocity, coarse = image_velocity(POINTS, track)[10:-10:2], image_velocity(POINTS, half)[5:-5]
    np.testing.assert_allclose(coarse, velocity, rtol=0, atol=(2 * WAVES * 2) ** 4 / 30 * np.abs(velocity).max())


def test_frustum_corners_project_to_the_corners():
    track = track_at(np.arange(6))
    corners = frustum_corners(track, 7.0)
    for row in range(6):
        uv, depth = project(corners[row], track, slice(row, row + 1))
        np.testing.assert_allclose(uv[0], [[-0.5, -0.5], [1919.5, -0.5], [1919.5, 799.5], [-0.5, 799.5]], atol=1e-8)
        np.testing.assert_allclose(depth[0], 7.0)
    delivered = frustum_corners(track, 7.0, slice(2, 3), delivery=True)
    np.testing.assert_allclose(project(delivered[0], track, slice(2, 3))[0][0, 0], [-0.5, 49.5], atol=1e-8)


def test_undistorting_what_no_place_reaches():
    coefficients = np.array([-0.3, 0, 0, 0, 0])
    out = undistort(np.array([[2.0, 0], [0.1, 0.2], [np.nan, 0]]), coefficients)
    assert np.isnan(out).any(axis=1).tolist() == [True, False, True]
    np.testing.assert_array_equal(undistort(np.array([5.0, 1.0]), np.zeros(5)), [5.0, 1.0])


def test_a_coefficient_that_is_hardly_there_is_no_fold_and_no_error():
    for tiny in (5e-324, 1e-310, 1e-200):
        assert fold_radius(np.array([0, 0, 0, 0, tiny])) == np.inf
        assert fold_radius(np.array([0, 0, 0, 0, -tiny])) > 1e30
    known = fold_radius(np.array([-0.2, 0, 0, 0, 0]))
    assert fold_radius(np.array([-0.2, 0, 0, 0, -1e-310])) == pytest.approx(known, rel=1e-12)
