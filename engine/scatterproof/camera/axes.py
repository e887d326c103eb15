"""Camera axes and turns.

The engine's camera looks along +z with x to the right and y down, Blender's along -z with x to the right and y up;
:func:`flip_camera_axes` is the only place where one becomes the other. The world has Z up and +Y upstage.
"""

from __future__ import annotations

import numpy as np

FLIP = np.array([1.0, -1.0, -1.0, 1.0])
FLIP.flags.writeable = False


def flip_camera_axes(world_from_cam: np.ndarray) -> np.ndarray:
    """The same camera in the other convention: engine to Blender, or Blender to engine (it is its own inverse).

    world_from_cam : (..., 3, 3) or (..., 4, 4)
    """
    out: np.ndarray = np.asarray(world_from_cam) * FLIP[: np.shape(world_from_cam)[-1]]
    return out


def pose(turn: np.ndarray, at_m: np.ndarray) -> np.ndarray:
    """(..., 4, 4) world_from_cam of a turn (..., 3, 3) and a place (..., 3)."""
    turn, at_m = np.asarray(turn, float), np.asarray(at_m, float)
    out = np.zeros((*np.broadcast_shapes(turn.shape[:-2], at_m.shape[:-1]), 4, 4))
    out[..., :3, :3], out[..., :3, 3], out[..., 3, 3] = turn, at_m, 1.0
    return out


def look_at(eye_m: np.ndarray, aim_m: np.ndarray, roll_rad: np.ndarray | float = 0.0) -> np.ndarray:
    """(..., 4, 4) world_from_cam of a camera at ``eye_m`` that looks at ``aim_m``, level but for its roll.

    Looking straight up or down leaves "level" open; the camera's right is then the world's +X, as with pan 0.

    eye_m, aim_m : (..., 3)
    roll_rad : (...) clockwise about the line of sight, as the camera sees it
    Raises ValueError where eye and aim coincide.

    >>> look_at(np.array([0, -4, 1.5]), np.array([0, 0, 1.5]))[:3, 2].tolist()
    [0.0, 1.0, 0.0]
    """
    eye_m, sight = np.asarray(eye_m, float), np.asarray(aim_m, float) - eye_m
    reach = np.linalg.norm(sight, axis=-1, keepdims=True)
    if np.any(reach == 0):
        raise ValueError("eye_m and aim_m coincide: a camera can't look at the place where it stands")
    forward = sight / reach
    right = np.stack([forward[..., 1], -forward[..., 0], np.zeros_like(reach[..., 0])], axis=-1)
    level = np.linalg.norm(right, axis=-1, keepdims=True)
    steep = level < 1e-9
    right = np.where(steep, [1.0, 0.0, 0.0], right / np.where(steep, 1.0, level))
    down = np.cross(forward, right)
    cos, sin = np.cos(roll_rad)[..., None], np.sin(roll_rad)[..., None]
    return pose(np.stack([cos * right + sin * down, cos * down - sin * right, forward], axis=-1), eye_m)


def from_pan_tilt_roll(at_m: np.ndarray, angles_rad: np.ndarray) -> np.ndarray:
    """(..., 4, 4) world_from_cam of a camera on a levelled head.

    In Blender's camera axes the turn is Rz(pan) Ry(roll) Rx(90 degrees + tilt), Blender's own XYZ Euler: pan 0 looks
    upstage, positive to the left; tilt positive up; roll positive clockwise about the level heading.

    at_m : (..., 3)
    angles_rad : (..., 3) pan, tilt, roll
    """
    pan, tilt, roll = np.moveaxis(np.asarray(angles_rad, float), -1, 0)
    cp, sp, cr, sr, ct, st = np.cos(pan), np.sin(pan), np.cos(roll), np.sin(roll), np.cos(tilt), np.sin(tilt)
    # Columns x, y, z of the Blender camera, where cos(90 + tilt) = -st and sin(90 + tilt) = ct.
    rows = [
        [cp * cr, cp * sr * ct + sp * st, -cp * sr * st + sp * ct],
        [sp * cr, sp * sr * ct - cp * st, -sp * sr * st - cp * ct],
        [-sr, cr * ct, -cr * st],
    ]
    return pose(flip_camera_axes(np.moveaxis(np.array(rows), (0, 1), (-2, -1))), at_m)


def pan_tilt_roll(world_from_cam: np.ndarray) -> np.ndarray:
    """(..., 3) pan, tilt and roll in radians, the inverse of :func:`from_pan_tilt_roll`.

    Roll is within a quarter turn; pan and tilt within half a turn. At a quarter turn of roll, pan is 0.

    world_from_cam : (..., 3, 3) or (..., 4, 4)
    """
    turn = flip_camera_axes(world_from_cam)[..., :3, :3]
    level = np.hypot(turn[..., 0, 0], turn[..., 1, 0])  # cosine of the roll
    lost = level < 1e-9
    pan = np.where(lost, 0.0, np.arctan2(turn[..., 1, 0], turn[..., 0, 0]))
    roll = np.arctan2(-turn[..., 2, 0], level)
    sin_x = np.where(lost, -turn[..., 1, 2], turn[..., 2, 1])
    cos_x = np.where(lost, turn[..., 1, 1], turn[..., 2, 2])
    tilt = np.arctan2(-cos_x, sin_x)  # x is tilt + 90 degrees
    return np.stack([pan, tilt, roll], axis=-1)


def matrix_from_quaternion(quaternion: np.ndarray) -> np.ndarray:
    """(..., 3, 3) turn of quaternions (..., 4) w, x, y, z of any length but zero.

    >>> matrix_from_quaternion(np.array([2.0, 0, 0, 2.0])).round(12).tolist()
    [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]
    """
    q = np.asarray(quaternion, float)
    w, x, y, z = np.moveaxis(q / np.linalg.norm(q, axis=-1, keepdims=True), -1, 0)
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), (0, 1), (-2, -1))


def quaternion_from_matrix(turn: np.ndarray) -> np.ndarray:
    """(..., 4) unit quaternions w, x, y, z with w >= 0 of turns (..., 3, 3) or poses (..., 4, 4).

    Four times the outer product of the quaternion with itself is linear in the turn; its row with the largest
    diagonal entry is free of cancellation (Shepperd, "Quaternion from rotation matrix", J. Guidance and Control 1(3),
    1978; cited from memory).
    """
    r = np.asarray(turn, float)
    (xx, xy, xz), (yx, yy, yz), (zx, zy, zz) = np.moveaxis(r[..., :3, :3], (-2, -1), (0, 1))
    rows = [
        [1 + xx + yy + zz, zy - yz, xz - zx, yx - xy],
        [zy - yz, 1 + xx - yy - zz, xy + yx, xz + zx],
        [xz - zx, xy + yx, 1 - xx + yy - zz, yz + zy],
        [yx - xy, xz + zx, yz + zy, 1 - xx - yy + zz],
    ]
    outer = np.moveaxis(np.array(rows), (0, 1), (-2, -1))
    best = np.argmax(np.diagonal(outer, axis1=-2, axis2=-1), axis=-1)
    q = np.take_along_axis(outer, best[..., None, None], axis=-2)[..., 0, :]
    q /= np.linalg.norm(q, axis=-1, keepdims=True)
    return np.where(q[..., :1] < 0, -q, q)


def rotation_vector(turn: np.ndarray) -> np.ndarray:
    """(..., 3) axis times angle, radians, of turns (..., 3, 3); the angle is at most half a turn."""
    q = quaternion_from_matrix(turn)
    half_sin = np.linalg.norm(q[..., 1:], axis=-1, keepdims=True)
    angle = 2 * np.arctan2(half_sin, q[..., :1])
    small = half_sin < 1e-12
    out: np.ndarray = q[..., 1:] * np.where(small, 2.0, angle / np.where(small, 1.0, half_sin))
    return out
