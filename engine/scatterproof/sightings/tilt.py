"""How many corners of a marker a tracker still holds when the marker is seen at a glancing angle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..sources import SMALLEST_EDGE, WINDOW
from .corner import corner_covariance


def surviving_corners(
    outlines: Sequence[np.ndarray],
    tilt_rad: np.ndarray | Sequence[float],
    size_px: np.ndarray | Sequence[float],
    azimuth_rad: np.ndarray | Sequence[float],
    contrast: float,
    noise: float,
    defocus_px: float = 2.0,
    window_px: float = WINDOW.value,
    smallest_edge_px: float = SMALLEST_EDGE.value,
) -> np.ndarray:
    """Corners per marker that are tracked, each apart from the next: the mean over outlines (S, T, A).

    outlines : markers of a layout, each (K, 2), area 1, turned as they hang (``stage.shapes``)
    size_px : (S,) square root of the area seen from the front
    tilt_rad : (T,) angle between the normal and the line of sight
    azimuth_rad : (A,) direction in which the picture shrinks, from the outlines' u axis

    Foreshortening alone acts, as an affine squeeze: no shape is given a rule of its own. Where all markers hang alike
    the least over azimuths is what a camera may meet; where they hang at random angles all azimuths are much the same.

    >>> square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    >>> surviving_corners([square], np.radians([0, 89]), [25], [0.0], contrast=25, noise=2)[0, :, 0]
    array([4., 0.])
    """
    tilt, size, azimuth = (np.atleast_1d(np.asarray(z, float)) for z in (tilt_rad, size_px, azimuth_rad))
    way = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=-1)
    lost = (1 - np.cos(tilt))[:, None, None, None] * way[:, :, None] * way[:, None, :]
    seen = size[:, None, None, None, None] * (np.eye(2) - lost)  # (S, T, A, 2, 2), symmetric
    corners = np.zeros(seen.shape[:3])
    for k in sorted({len(outline) for outline in outlines}):
        alike = np.stack([outline for outline in outlines if len(outline) == k])
        # Every corner of every marker, with the outline from itself on.
        turned = alike[:, (np.arange(k)[:, None] + np.arange(k)) % k].reshape(-1, k, 2)
        for s, t in np.ndindex(len(size), len(tilt)):
            picture = np.einsum("aij,nkj->anki", seen[s, t], turned)
            _, held = corner_covariance(
                picture, contrast, noise, defocus_px, window_px=window_px, smallest_edge_px=smallest_edge_px
            )
            corners[s, t] += held.sum(axis=1)
    result: np.ndarray = corners / max(len(outlines), 1)
    return result
