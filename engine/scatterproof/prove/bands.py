"""Bands as a solve meets them: one point per track, where their pictures fit it best, and what no point explains."""

from __future__ import annotations

import numpy as np

from ..camera.lens import cam_from_world, project
from ..camera.track import CameraTrack
from ..sightings.bands import near_side
from ..stage.layout import BAND, Features

STEPS = 4
LOOSE_M = 0.05  # sigma by which a point is held to the pole's axis, where its sightings leave it open


def as_points(
    features: Features, rows: np.ndarray, track: CameraTrack, centres_m: np.ndarray, seen: np.ndarray,
    covariance_px2: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """The point (T, 3) that a solve takes each track for, and (F, T, 2) px by which it is seen beside that.

    rows : (T,) int  the features that the tracks follow; all but bands are points as they are
    The rest as for :func:`as_one_point`.
    """
    points, beside = features.position_m[rows], np.zeros((*seen.shape, 2))
    band = np.flatnonzero((features.kind[rows] == BAND) & seen.any(axis=0))
    if len(band):
        points[band], beside[:, band] = as_one_point(
            points[band], features.pole_m[rows[band]] / 2, track, centres_m, seen[:, band], covariance_px2[:, band]
        )
    return points, beside


def as_one_point(
    axis_m: np.ndarray, radius_m: np.ndarray, track: CameraTrack, centres_m: np.ndarray, seen: np.ndarray,
    covariance_px2: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """The point (T, 3) that a solve takes each band for, and (F, T, 2) px by which the band is seen beside it.

    axis_m, radius_m : (T, 3), (T,) the bands' middles on their axes, and their poles
    centres_m : (F, 3) the cameras as the solve has them: the track's own places, or one for all where it only turns
    seen, covariance_px2 : (F, T), (F, T, 2, 2) the sightings that count, and their weights
    A weighted least squares fit over each track's own frames (Gauss-Newton).
    """
    wanted = project(near_side(axis_m, radius_m, centres_m), track)[0]
    weight = np.zeros_like(covariance_px2)
    weight[seen] = np.linalg.inv(covariance_px2[seen])
    focal = track.focal_px[:, None, :, None]
    turn = cam_from_world(track)[:, :3, :3]
    point = axis_m.copy()
    for _ in range(STEPS):
        off = np.where(seen[..., None], wanted - project(point, track)[0], 0.0)
        local = np.einsum("fij,ftj->fti", turn, point - track.centre_m[:, None])
        depth = np.where(seen, local[..., 2], 1.0)[..., None, None]
        across = local[..., :2, None] / depth
        slope = focal * (turn[:, None, :2] - across * turn[:, None, 2:]) / depth  # (F, T, 2, 3)
        normal = np.einsum("ftai,ftab,ftbj->tij", slope, weight, slope, optimize=True) + np.eye(3) / LOOSE_M**2
        right = np.einsum("ftai,ftab,ftb->ti", slope, weight, off, optimize=True) - (point - axis_m) / LOOSE_M**2
        point = point + np.linalg.solve(normal, right[..., None])[..., 0]
    return point, np.where(seen[..., None], wanted - project(point, track)[0], 0.0)


def unexplained(beside_px: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """(F, T, 2, 2) mean square of what no point explains, over each track: to be believed no further than that."""
    each = np.einsum("fti,ftj->tij", beside_px, beside_px) / np.maximum(seen.sum(0), 1)[:, None, None]
    return np.where(seen[..., None, None], each, 0.0)
