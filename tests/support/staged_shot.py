"""A made-up shot on a stage, as arrays: a push with a drift to one side, past a wall of points and some nearer ones."""

from __future__ import annotations

import numpy as np
from scatterproof.solve.network import Scene
from scatterproof.solve.normal import rotation_of

CENTRE_PX = np.array([1023.5, 575.5])
FOCAL_PX = 1500.0


def look_at(centre: np.ndarray, aim: np.ndarray) -> np.ndarray:
    """(F, 4, 4) level cameras at ``centre`` (F, 3) that look at ``aim`` (3,)."""
    z = aim - centre
    z = z / np.linalg.norm(z, axis=1)[:, None]
    x = np.cross(z, [0.0, 0.0, 1.0])
    x /= np.linalg.norm(x, axis=1)[:, None]
    pose = np.tile(np.eye(4), (len(centre), 1, 1))
    pose[:, :3, 0], pose[:, :3, 1], pose[:, :3, 2], pose[:, :3, 3] = x, np.cross(z, x), z, centre
    return pose


def seen_by(scene: Scene) -> np.ndarray:
    """(F, N, 2) pixels of all points, without distortion, written apart from the engine's own projection."""
    ray = scene.points_m[None] - scene.centres_m[:, None]
    cam = np.einsum("fij,fnj->fni", scene.cam_from_world_rotation, ray)
    return scene.focal_px[:, None, None] * cam[..., :2] / cam[..., 2:] * [1, scene.aspect] + scene.centre_px


def staged_shot(
    frames: int, points: int, noise_px: float = 0.3, seed: int = 0, wall_only: bool = False
) -> tuple[Scene, np.ndarray]:
    """The true scene and noisy tracks (F, N, 2)."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 1, frames)
    centre = np.stack([0.8 * np.sin(2 * t) - 0.3, -5 + 2.0 * t, 1.6 + 0.3 * np.sin(3 * t)], 1)
    near = 0 if wall_only else points // 2
    wall = rng.uniform([-3, 3, 0], [3, 3, 4], (points - near, 3))
    point = np.concatenate([wall, rng.uniform([-2, -0.5, 0], [2, 2.5, 2.5], (near, 3))])
    truth = Scene(look_at(centre, np.array([0.0, 2.0, 1.5])), point, FOCAL_PX, CENTRE_PX)
    return truth, seen_by(truth) + rng.normal(0, noise_px, (frames, points, 2))


def nudged(truth: Scene, seed: int, size: float = 1.0) -> Scene:
    """The truth put off by 2 cm and 0.2 degrees per camera, 3 cm per point, 1 % of the focal length."""
    rng = np.random.default_rng(seed)
    pose = truth.world_from_cam.copy()
    pose[:, :3, 3] += rng.normal(0, 0.02 * size, (len(pose), 3))
    pose[:, :3, :3] = pose[:, :3, :3] @ rotation_of(rng.normal(0, 0.003 * size, (len(pose), 3)))
    points = truth.points_m + rng.normal(0, 0.03 * size, truth.points_m.shape)
    return truth.with_parts(world_from_cam=pose, points_m=points, focal_px=truth.focal_px * (1 + 0.01 * size))
