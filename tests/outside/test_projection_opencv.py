"""Projection and distortion against OpenCV, and against the closed form of Brown's model.

cv2.projectPoints and cv2.undistortPointsIter implement D. C. Brown's model ("Decentering distortion of lenses", 1966;
"Close-range camera calibration", 1971: cited from memory) with the coefficients in the order k1, k2, p1, p2, k3. The
default cv2.undistortPoints stops after five rounds, up to 0.1 px short, so the iterated form is the one compared with.
"""

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scatterproof.camera.lens import cam_from_world, distort, fold_radius, project, undistort, unproject
from scatterproof.camera.track import CameraTrack
from scipy.spatial.transform import Rotation

seeds = st.integers(0, 2**32 - 1)
RADIAL, MIXED = [-0.2, 0.05, 0, 0, 0], [-0.2, 0.05, 0.001, -0.0005, 0.01]


def a_track(rng, distortion, frames=5, size=(1920, 800)):
    """Random cameras about the origin with pixels that are not square and an off-centre principal point."""
    world_from_cam = np.tile(np.eye(4), (frames, 1, 1))
    world_from_cam[:, :3, :3] = Rotation.random(frames, random_state=rng.integers(2**31)).as_matrix()
    world_from_cam[:, :3, 3] = rng.normal(size=(frames, 3)) * 5
    return CameraTrack(
        frame=np.arange(frames) + 100,
        world_from_cam=world_from_cam,
        focal_px=rng.uniform(700, 4000, (frames, 2)),
        centre_px=np.array(size) / 2 + rng.uniform(-100, 100, 2),
        size_px=np.array(size),
        distortion=np.asarray(distortion, float),
        delivery_px=np.array([0.0, 0, *size]),
        delivery_scale=1.0,
        focal_mm=np.full(frames, 32.0),
        focus_m=np.full(frames, 4.0),
        stop=np.full(frames, 4.0),
        exposure_s=1 / 48,
        rate=24.0,
        read_out_s=0.0,
    )


def some_distortion(rng):
    return rng.uniform(-1, 1, 5) * [0.3, 0.1, 0.003, 0.003, 0.03]


def in_front(rng, world_from_cam, distortion, count=40):
    """(count, 3) world points in front of one camera and well inside the fold."""
    radius = 0.95 * min(1.0, fold_radius(distortion)) * np.sqrt(rng.random(count))
    angle, depth = rng.uniform(0, 2 * np.pi, count), rng.uniform(0.5, 30, count)
    local = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.ones(count)], axis=1) * depth[:, None]
    return local @ world_from_cam[:3, :3].T + world_from_cam[:3, 3]


def with_opencv(points, track, row):
    view = cam_from_world(track)[row]
    fx, fy = track.focal_px[row]
    matrix = np.array([[fx, 0, track.centre_px[0]], [0, fy, track.centre_px[1]], [0, 0, 1]])
    return cv2.projectPoints(points, cv2.Rodrigues(view[:, :3])[0], view[:, 3], matrix, track.distortion)[0][:, 0]


@settings(max_examples=150, deadline=None)
@given(seeds)
def test_all_five_terms_over_random_cameras(seed):
    rng = np.random.default_rng(seed)
    track = a_track(rng, some_distortion(rng))
    points = np.stack([in_front(rng, pose, track.distortion) for pose in track.world_from_cam])
    uv, depth = project(points, track)
    assert np.isfinite(uv).all()
    for row in range(len(track)):
        np.testing.assert_allclose(uv[row], with_opencv(points[row], track, row), rtol=0, atol=1e-6)
        alone = project(points[row], track, slice(row, row + 1))
        np.testing.assert_allclose(alone[0][0], uv[row], rtol=0, atol=1e-9)
        np.testing.assert_allclose(alone[1][0], depth[row], rtol=0, atol=1e-12)


@settings(max_examples=50, deadline=None)
@given(seeds)
def test_a_straight_lens_over_random_cameras(seed):
    rng = np.random.default_rng(seed)
    track = a_track(rng, np.zeros(5))
    points = in_front(rng, track.world_from_cam[2], np.zeros(5))
    np.testing.assert_allclose(project(points, track)[0][2], with_opencv(points, track, 2), rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    ("coefficients", "x", "y", "u", "v"),
    [  # the closed form, worked with fx = fy = 1000, cx = 960, cy = 540; OpenCV 4.11 gives the same to 1e-9
        (RADIAL, 0.3, 0.2, 1252.453500, 734.969000),
        (RADIAL, 0.9, 0.5, 1719.762000, 962.090000),
        (MIXED, 0.3, 0.2, 1252.425091, 735.123394),
        (MIXED, 0.9, 0.5, 1730.041144, 969.155080),
        (MIXED, -0.6, 0.4, 412.344352, 905.450432),
    ],
)
def test_worked_values(coefficients, x, y, u, v):
    place = distort(np.array([x, y]), np.array(coefficients)) * 1000 + [960, 540]
    np.testing.assert_allclose(place, [u, v], rtol=0, atol=1e-6)


@settings(max_examples=100, deadline=None)
@given(seeds)
def test_the_inverse_is_opencvs_iterated_one(seed):
    rng = np.random.default_rng(seed)
    coefficients = some_distortion(rng)
    radius = 0.5 * min(1.2, fold_radius(coefficients)) * np.sqrt(rng.random(50))  # where theirs converges too
    angle = rng.uniform(0, 2 * np.pi, 50)
    straight = radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    bent = distort(straight, coefficients)
    rule = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-14)
    theirs = cv2.undistortPointsIter(bent[:, None], np.eye(3), coefficients, np.eye(3), np.eye(3), rule)[:, 0]
    assume(np.abs(theirs - straight).max() < 1e-10)  # a fixed-point iteration: strong distortion makes it diverge
    np.testing.assert_allclose(undistort(bent, coefficients), theirs, rtol=0, atol=1e-10)
    np.testing.assert_allclose(undistort(bent, coefficients), straight, rtol=0, atol=5e-15)


@settings(max_examples=150, deadline=None)
@given(seeds)
def test_the_inverse_holds_up_to_the_fold(seed):
    rng = np.random.default_rng(seed)
    coefficients = some_distortion(rng)
    radius = min(3.0, fold_radius(coefficients)) * 0.999 * np.sqrt(rng.random(200))
    angle = rng.uniform(0, 2 * np.pi, 200)
    straight = radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    # Near the fold the slope of the inverse is up to some hundreds.
    np.testing.assert_allclose(undistort(distort(straight, coefficients), coefficients), straight, rtol=0, atol=1e-11)


def test_the_fold_of_a_single_coefficient():
    """k1 = -0.2 turns back at r = 1 / sqrt(0.6); nothing lies beyond the distorted radius 0.860663 (closed form)."""
    coefficients = np.array([-0.2, 0, 0, 0, 0])
    assert fold_radius(coefficients) == pytest.approx(1 / np.sqrt(0.6), abs=1e-12)
    reached = distort(np.array([fold_radius(coefficients), 0]), coefficients)[0]
    assert reached == pytest.approx(0.860663, abs=1e-6)
    inside, outside = undistort(np.array([[reached - 1e-9, 0], [reached + 1e-9, 0]]), coefficients)
    assert inside[0] == pytest.approx(1.290994, abs=1e-4)
    assert np.isnan(outside).all()
    # r^3 - 5 r + 4.3 = 0 by Viete's cosines, the root below the fold.
    root = 2 * np.sqrt(5 / 3) * np.cos(np.arccos(-1.29 * np.sqrt(0.6)) / 3 - 2 * np.pi / 3)
    np.testing.assert_allclose(undistort(np.array([0.86, 0]), coefficients), [root, 0], rtol=0, atol=1e-13)


def test_points_beyond_the_fold_do_not_wrap_back_into_the_picture():
    rng = np.random.default_rng(3)
    track = a_track(rng, [-0.2, 0, 0, 0, 0], frames=1)
    pose = track.world_from_cam[0]
    beyond = np.array([[1.8, 0.3, 1.0], [-2.2, 0.1, 1.0], [0.2, 0.1, 1.0], [0.2, 0.1, -1.0]]) * 4
    points = beyond @ pose[:3, :3].T + pose[:3, 3]
    theirs = with_opencv(points, track, 0)
    assert (np.abs(theirs[1] - track.centre_px) < track.focal_px[0]).all()  # OpenCV's formula does wrap back
    uv, depth = project(points, track)
    assert np.isnan(uv[0]).all(axis=1).tolist() == [True, True, False, True]
    np.testing.assert_allclose(depth[0], [4, 4, 4, -4])


@settings(max_examples=60, deadline=None)
@given(seeds)
def test_unprojection_leads_back_to_the_point(seed):
    rng = np.random.default_rng(seed)
    track = a_track(rng, some_distortion(rng))
    points = np.stack([in_front(rng, pose, track.distortion) for pose in track.world_from_cam])
    rays = unproject(project(points, track)[0], track)
    towards = points - track.centre_m[:, None]
    towards /= np.linalg.norm(towards, axis=-1, keepdims=True)
    np.testing.assert_allclose(rays, towards, rtol=0, atol=1e-9)
