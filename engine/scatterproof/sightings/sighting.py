"""Which feature is seen in which frame, where, and if not, why not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Why a feature does not count in a frame; the first that holds, in this order.
SEEN, OUTSIDE, AWAY, SMALL, HIDDEN, MERGED, SHORT = range(7)
WHY = (
    "trackable",
    "outside the gate",
    "turned away or too oblique",
    "too small",
    "hidden by a blocker",
    "merged with a neighbour",
    "in view for too few frames",
)


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """F frames of N features."""

    uv_px: np.ndarray  # (F, N, 2) position in the recorded gate; nan behind the camera
    depth_m: np.ndarray  # (F, N)    along the optical axis
    why: np.ndarray  # (F, N) uint8  SEEN or the first reason against
    blur_px: np.ndarray  # (F, N)    length of the motion blur

    @property
    def seen(self) -> np.ndarray:
        """(F, N) bool: trackable in this frame."""
        seen: np.ndarray = self.why == SEEN
        return seen
