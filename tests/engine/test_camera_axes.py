"""Turns: conventions of pan, tilt and roll, looking at a place, quaternions and rotation vectors."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.camera.axes import (
    flip_camera_axes,
    from_pan_tilt_roll,
    look_at,
    matrix_from_quaternion,
    pan_tilt_roll,
    pose,
    quaternion_from_matrix,
    rotation_vector,
)
from scipy.spatial.transform import Rotation

seeds = st.integers(0, 2**32 - 1)
ORIGIN = np.zeros(3)


def assert_turn(turn):
    np.testing.assert_allclose(np.swapaxes(turn, -1, -2) @ turn, np.broadcast_to(np.eye(3), turn.shape), atol=1e-12)
    np.testing.assert_allclose(np.linalg.det(turn), 1, atol=1e-12)


def test_a_level_camera_looks_upstage():
    turn = from_pan_tilt_roll(ORIGIN, np.zeros(3))[:3, :3]
    np.testing.assert_allclose(turn.T, [[1, 0, 0], [0, 0, -1], [0, 1, 0]], atol=1e-15)  # right, down, forward


@pytest.mark.parametrize(
    ("angles", "axis", "direction"),
    [
        ((np.pi / 2, 0, 0), 2, (-1, 0, 0)),  # a pan to the left looks along -X
        ((0, np.pi / 2, 0), 2, (0, 0, 1)),  # a tilt up looks up
        ((0, 0, np.pi / 2), 1, (-1, 0, 0)),  # rolled clockwise, the camera's up points right: its down left
    ],
)
def test_signs(angles, axis, direction):
    np.testing.assert_allclose(from_pan_tilt_roll(ORIGIN, np.array(angles))[:3, axis], direction, atol=1e-15)


@settings(max_examples=100, deadline=None)
@given(seeds)
def test_pan_tilt_roll_is_an_xyz_euler_turn_of_the_other_axes_and_has_an_inverse(seed):
    rng = np.random.default_rng(seed)
    angles = rng.uniform(-1, 1, (6, 3)) * [np.pi, np.pi, np.pi / 2 - 0.01]
    at = rng.normal(size=(6, 3))
    poses = from_pan_tilt_roll(at, angles)
    pan, tilt, roll = angles.T
    euler = Rotation.from_euler("xyz", np.stack([np.pi / 2 + tilt, roll, pan], axis=1)).as_matrix()
    np.testing.assert_allclose(flip_camera_axes(poses)[:, :3, :3], euler, atol=1e-12)
    np.testing.assert_allclose(poses[:, :3, 3], at)
    np.testing.assert_allclose(pan_tilt_roll(poses), angles, atol=1e-9)
    np.testing.assert_allclose(pan_tilt_roll(poses[:, :3, :3]), angles, atol=1e-9)
    np.testing.assert_array_equal(from_pan_tilt_roll(at[2], angles[2]), poses[2])


@pytest.mark.parametrize("roll", [np.pi / 2, -np.pi / 2])
def test_a_quarter_turn_of_roll_still_comes_back_as_the_same_turn(roll):
    turn = from_pan_tilt_roll(ORIGIN, np.array([0.3, 0.2, roll]))
    again = pan_tilt_roll(turn)
    assert again[0] == 0
    np.testing.assert_allclose(from_pan_tilt_roll(ORIGIN, again), turn, atol=1e-9)


@settings(max_examples=100, deadline=None)
@given(seeds)
def test_look_at(seed):
    rng = np.random.default_rng(seed)
    eye, aim, roll = rng.normal(size=(5, 3)) * 4, rng.normal(size=(5, 3)) * 4, rng.uniform(-3, 3, 5)
    level, rolled = look_at(eye, aim), look_at(eye, aim, roll)
    assert_turn(rolled[:, :3, :3])
    sight = (aim - eye) / np.linalg.norm(aim - eye, axis=1, keepdims=True)
    np.testing.assert_allclose(rolled[:, :3, 2], sight, atol=1e-12)
    np.testing.assert_allclose(level[:, 2, 0], 0, atol=1e-12)  # right is level
    assert (level[:, 2, 1] < 0).all()  # down goes down
    # Rolled clockwise about the line of sight as the camera sees it: a right-handed turn about forward.
    about = Rotation.from_rotvec(sight * roll[:, None]).as_matrix()
    np.testing.assert_allclose(rolled[:, :3, :3], about @ level[:, :3, :3], atol=1e-12)


@pytest.mark.parametrize(("up", "tilt"), [(1, np.pi / 2), (-1, -np.pi / 2)])
def test_straight_up_and_down_keep_pan_nought(up, tilt):
    found = look_at(np.array([1.0, 2, 3]), np.array([1.0, 2, 3 + 2 * up]))
    np.testing.assert_allclose(found, from_pan_tilt_roll(np.array([1.0, 2, 3]), np.array([0, tilt, 0])), atol=1e-12)


def test_nothing_to_look_at():
    with pytest.raises(ValueError, match="coincide"):
        look_at(np.ones((2, 3)), np.array([[2.0, 1, 1], [1, 1, 1]]))


@settings(max_examples=100, deadline=None)
@given(seeds)
def test_quaternions_and_rotation_vectors(seed):
    rng = np.random.default_rng(seed)
    turns = Rotation.random(7, random_state=int(rng.integers(2**31)))
    half_turns = Rotation.from_rotvec(np.pi * np.eye(3))  # w = 0: where naive formulas divide by nothing
    turn = np.concatenate([turns.as_matrix(), half_turns.as_matrix(), np.eye(3)[None]])
    quaternion = quaternion_from_matrix(turn)
    np.testing.assert_allclose(np.linalg.norm(quaternion, axis=1), 1)
    assert (quaternion[:, 0] >= 0).all()
    np.testing.assert_allclose(matrix_from_quaternion(quaternion * rng.uniform(0.1, 9, (11, 1))), turn, atol=1e-12)
    np.testing.assert_allclose(matrix_from_quaternion(turns.as_quat()[:, [3, 0, 1, 2]]), turn[:7], atol=1e-12)
    np.testing.assert_allclose(rotation_vector(turn[:7]), turns.as_rotvec(), atol=1e-9)
    np.testing.assert_allclose(rotation_vector(np.eye(3)), 0)
    small = rng.normal(size=(4, 3)) * 1e-9
    np.testing.assert_allclose(rotation_vector(Rotation.from_rotvec(small).as_matrix()), small, rtol=1e-6)


def test_flipping_twice_changes_nothing():
    poses = pose(Rotation.random(3, random_state=1).as_matrix(), np.arange(9.0).reshape(3, 3))
    np.testing.assert_array_equal(flip_camera_axes(flip_camera_axes(poses)), poses)
    np.testing.assert_array_equal(flip_camera_axes(poses)[:, :3, 3], poses[:, :3, 3])
