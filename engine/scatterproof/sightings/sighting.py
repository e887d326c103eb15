"""Which feature is seen in which frame, where, how well it can be placed, and if it does not count, why not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Why a feature does not count in a frame; the first that holds, in this order.
SEEN, OUTSIDE, AWAY, SMALL, HIDDEN, MERGED, PALE, BLURRED, UNCERTAIN, SHORT = range(10)
WHY = (
    "trackable",
    "outside the gate",
    "turned away or too oblique",
    "too small",
    "hidden by a blocker",
    "merged with a neighbour",
    "too little contrast",
    "too soft or smeared",
    "too uncertain, sharp as it is",
    "in view for too few frames",
)


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """F frames of N features.

    Defocus, shade and covariance are known where a feature got as far as being judged by its looks.
    """

    uv_px: np.ndarray  # (F, N, 2) position in the recorded gate; nan behind the camera
    depth_m: np.ndarray  # (F, N) float32  along the optical axis
    why: np.ndarray  # (F, N) uint8  SEEN or the first reason against
    motion_px: np.ndarray  # (F, N, 2) float32  image motion while the shutter is open
    defocus_px: np.ndarray  # (F, N) float32  diameter of the defocus disc; nan unknown
    shaded: np.ndarray  # (F, N) bool     the key light is blocked
    covariance: np.ndarray  # (F, N, 3) float32  xx, xy, yy of its position in this frame, px^2; inf unknown

    @classmethod
    def blank(cls, frames: int, features: int) -> Sightings:
        """Nothing seen yet, to be filled in."""
        shape = (frames, features)
        covariance = np.empty((*shape, 3), np.float32)
        covariance[:] = np.inf, 0, np.inf
        return cls(
            np.full((*shape, 2), np.nan),
            np.zeros(shape, np.float32),
            np.full(shape, OUTSIDE, np.uint8),
            np.zeros((*shape, 2), np.float32),
            np.full(shape, np.nan, np.float32),
            np.zeros(shape, bool),
            covariance,
        )

    @property
    def seen(self) -> np.ndarray:
        """(F, N) bool: trackable in this frame."""
        seen: np.ndarray = self.why == SEEN
        return seen

    @property
    def blur_px(self) -> np.ndarray:
        """(F, N) length of the motion blur."""
        x, y = self.motion_px[..., 0], self.motion_px[..., 1]
        length: np.ndarray = np.sqrt(x * x + y * y)
        return length


def larger_sigma(covariance: np.ndarray) -> np.ndarray:
    """(...) larger axis, px, of covariances (..., 3) given as xx, xy, yy; infinite where they are.

    >>> larger_sigma(np.array([[4.0, 0.0, 1.0], [np.inf, 0.0, np.inf]])).tolist()
    [2.0, inf]
    """
    xx, xy, yy = np.moveaxis(np.asarray(covariance), -1, 0)
    with np.errstate(invalid="ignore"):
        sigma: np.ndarray = np.sqrt((xx + yy) / 2 + np.sqrt(np.square((xx - yy) / 2) + xy * xy))
    return np.where(np.isnan(sigma), np.inf, sigma)
