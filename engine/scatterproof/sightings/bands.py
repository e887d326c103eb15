"""Where a tracker sees a tape band: on the side of its pole that faces the camera, not on the pole's axis.

A band's two edges go round the pole, and only their near halves are seen. Across the pole a match is held by the pole's
two sides, which lie evenly about the axis; along it by the edges, and these are nearer than the axis. So seen from
above or below a band does not stay where its middle on the axis would be: it shifts along the pole as the camera comes
closer or passes by.
"""

from __future__ import annotations

import numpy as np

NEAR = np.pi / 4  # of the radius: the mean of sqrt(1 - u^2) over a pole's width, u from -1 to 1


def near_side(axis_m: np.ndarray, radius_m: np.ndarray, centres_m: np.ndarray) -> np.ndarray:
    """(F, N, 3) the place whose picture is the middle of the visible band, for upright poles.

    axis_m : (N, 3) the bands' middles on their poles' axes
    radius_m : (N,) of the poles
    centres_m : (F, 3) camera centres
    It lies in the upright plane through axis and camera, so across the pole its picture is the axis'.
    """
    towards = centres_m[:, None, :2] - axis_m[:, :2]
    away = np.linalg.norm(towards, axis=-1, keepdims=True)
    out = np.repeat(axis_m[None], len(centres_m), axis=0)
    out[..., :2] += NEAR * radius_m[:, None] * towards / np.maximum(away, 1e-9)
    return out
