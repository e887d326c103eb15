"""Our pose covariances in Ceres' unknowns and in a datum that Ceres can express: for comparison with its Covariance."""

from __future__ import annotations

import numpy as np
from scatterproof.solve.covariance import Information, inform, marginals
from scatterproof.solve.network import Scene, Tracks, Unknowns
from scatterproof.solve.normal import cross_matrix

HELD = 2  # the coordinate of the last translation that fixes the scale


def held_like_ceres(information: Information) -> tuple[np.ndarray, np.ndarray]:
    """The datum that Ceres can express: the first pose, and one coordinate of the last camera's translation -R c."""
    state = information.state
    frames, points = np.zeros_like(information.frame_gauge), np.zeros_like(information.point_gauge)
    frames[0, :6, :6] = np.eye(6)
    frames[-1, :6, 6] = translation_rows(state.rotation, state.pivot)[-1, HELD]
    return frames, points


def translation_rows(rotation: np.ndarray, pivot: np.ndarray) -> np.ndarray:
    """(F, 3, 6) slopes of the translations t = -R c by our shift v and turn w: t' = R (v + pivot x w)."""
    return np.concatenate([rotation, rotation @ cross_matrix(pivot)], axis=2)


def our_covariance(tracks: Tracks, scene: Scene) -> np.ndarray:
    """(F - 1, 6, 6) in Ceres' unknowns: half the turn in camera axes, translation."""
    information = inform(tracks, scene, Unknowns("shared"))
    pose = marginals(information, held_like_ceres(information)).pose
    # Back from centre and turn about it: w = -turn, v = -centre + turn x (centre - pivot).
    state, f = information.state, len(pose)
    inner = np.zeros((f, 6, 6))
    inner[:, :3, :3], inner[:, 3:, 3:] = -np.eye(3), -np.eye(3)
    inner[:, :3, 3:] = -cross_matrix(state.centre - state.pivot)
    change = np.zeros((f, 6, 6))
    change[:, :3, 3:] = state.rotation / 2
    change[:, 3:] = translation_rows(state.rotation, state.pivot)
    change = change @ inner
    return (change @ pose @ change.transpose(0, 2, 1))[1:]
