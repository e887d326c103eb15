"""Bringing a solve onto the truth, a plan or a survey: the least-squares similarity.

Source: Umeyama, "Least-squares estimation of transformation parameters between two point patterns", PAMI 13(4), 1991
(from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .network import Scene


@dataclass(frozen=True, slots=True, eq=False)
class Similarity:
    """x -> scale rotation x + shift. ``error`` is the mean squared distance that is left."""

    rotation: np.ndarray  # (D, D)
    scale: float
    shift: np.ndarray  # (D,)
    error: float

    def apply(self, points: np.ndarray) -> np.ndarray:
        """(..., D) points moved."""
        return np.asarray(self.scale * points @ self.rotation.T + self.shift)

    def move(self, scene: Scene) -> Scene:
        """A whole scene moved: cameras and points (D = 3)."""
        pose = scene.world_from_cam.copy()
        pose[:, :3, :3] = self.rotation @ pose[:, :3, :3]
        pose[:, :3, 3] = self.apply(scene.centres_m)
        return scene.with_parts(world_from_cam=pose, points_m=self.apply(scene.points_m))


def align(
    source: np.ndarray, target: np.ndarray, weight: np.ndarray | None = None, *, rigid: bool = False
) -> Similarity:
    """The similarity (or with ``rigid`` the motion) that brings ``source`` (M, D) nearest to ``target`` (M, D).

    Never a reflection. ``weight`` (M,) counts points more or less. On a straight line the turn about it is arbitrary;
    :func:`align_scenes` avoids that. Raises ValueError for shapes that differ, fewer than two points, or a source whose
    points all coincide.

    >>> import numpy as np
    >>> move = align(np.array([[0.0, 0], [1, 0], [0, 2]]), np.array([[0.0, 0], [-1, 0], [0, 2]]))
    >>> round(move.scale, 5), np.round(move.shift, 5).tolist()  # Umeyama's own example
    (0.72111, [-0.8, 0.4])
    """
    if source.shape != target.shape or source.ndim != 2:
        raise ValueError(f"source has shape {source.shape}, target {target.shape}; wanted (M, D) twice")
    if len(source) < 2:
        raise ValueError("at least two points are needed")
    w = np.full(len(source), 1 / len(source)) if weight is None else weight / weight.sum()
    mean_s, mean_t = w @ source, w @ target
    s, t = source - mean_s, target - mean_t
    spread = float(w @ (s * s).sum(1))
    if spread == 0:
        raise ValueError("all points of the source coincide")
    u, d, vt = np.linalg.svd((t * w[:, None]).T @ s)
    sign = np.ones(len(d))
    sign[-1] = np.sign(np.linalg.det(u) * np.linalg.det(vt))
    rotation = (u * sign) @ vt
    scale = 1.0 if rigid else float(d @ sign) / spread
    shift = mean_t - scale * rotation @ mean_s
    left = target - (scale * source @ rotation.T + shift)
    return Similarity(rotation, scale, shift, float(w @ (left * left).sum(1)))


def align_scenes(
    solved: Scene, truth: Scene, frames: np.ndarray | None = None, points: np.ndarray | None = None
) -> Similarity:
    """The similarity that brings ``solved`` nearest to ``truth``, over camera centres and points together.

    ``frames`` (F,) bool and ``points`` (N,) bool say which were solved. With points, a nearly straight path does not
    leave the roll about it free. To first order this is the inner-constraint datum of :mod:`.covariance`.
    """
    f = np.ones(len(solved), bool) if frames is None else frames
    p = np.ones(len(solved.points_m), bool) if points is None else points
    source = np.concatenate([solved.centres_m[f], solved.points_m[p]])
    return align(source, np.concatenate([truth.centres_m[f], truth.points_m[p]]))


def align_by_cameras(solved: Scene, truth: Scene, frames: np.ndarray | None = None) -> Similarity:
    """The similarity that brings the solved cameras nearest to the true ones, for scenes that share no points.

    The turn is the rotation nearest to those of all ``frames`` (F,) bool, so that a straight path leaves no roll free;
    scale and shift are then those that bring the centres nearest. A camera that never moved keeps its scale.
    """
    f = np.ones(len(solved), bool) if frames is None else frames
    turns = np.einsum("fij,fkj->ik", truth.world_from_cam[f, :3, :3], solved.world_from_cam[f, :3, :3])
    u, _, vt = np.linalg.svd(turns)
    rotation = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    source, target = solved.centres_m[f] @ rotation.T, truth.centres_m[f]
    s, t = source - source.mean(0), target - target.mean(0)
    spread = float((s * s).sum())
    scale = max(float((s * t).sum()) / spread, 1e-9) if spread > 0 and (t * t).sum() > 0 else 1.0
    shift = target.mean(0) - scale * source.mean(0)
    left = target - scale * source - shift
    return Similarity(rotation, scale, shift, float((left * left).sum(1).mean()))
