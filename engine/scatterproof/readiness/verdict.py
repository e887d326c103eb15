"""The verdict on frames and shots, as data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FIRM, THIN, LOST = range(3)
STATES = ("firm", "thin", "lost")


def state_below(value: np.ndarray, limits: tuple[float, float]) -> np.ndarray:
    """(...) FIRM, THIN or LOST of values that should stay below limits (firm, thin); FIRM where there is none (nan)."""
    firm, thin = limits
    return np.where((value <= firm) | np.isnan(value), FIRM, np.where(value <= thin, THIN, LOST))


@dataclass(frozen=True, slots=True)
class Reason:
    """One number that decides a frame, with its limit, in words a person reads."""

    code: str  # "features", "depths", "out_of_plane", "one_plane", "blur", "rotation_only", ...
    value: float
    limit: float
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class ShotReadiness:
    """F frames of one shot, scored."""

    name: str
    camera: str
    frame: np.ndarray  # (F,) int
    state: np.ndarray  # (F,) int   FIRM, THIN, LOST
    features: np.ndarray  # (F,) int   trackable features in the gate
    delivered: np.ndarray  # (F,) int   those inside the delivery frame
    depths: np.ndarray  # (F,) int   depths told apart
    out_of_plane_sigma: np.ndarray  # (F,)  signal that no homography explains
    blur_px: np.ndarray  # (F,)       median motion blur at the features that are trackable but for blur
    contrast_stops: np.ndarray  # (F,) median contrast of the markers that are trackable but for contrast
    sigma_px: np.ndarray  # (F,)      median sigma of a trackable feature's place in this frame, larger axis
    drift_px: (
        np.ndarray
    )  # (F,)      predicted slide: what its slow part stays below in 95 of 100 takes, delivery pixels
    jitter_px: np.ndarray  # (F,)     and its unrest from frame to frame; nan where no insert is in view
    nearest_m: np.ndarray  # (F,)  depth of the nearest and farthest trackable feature
    farthest_m: np.ndarray  # (F,)
    rotation_only: bool  # a nodal move: solves for rotation, never for position
    reasons: tuple[tuple[Reason, ...], ...]  # F

    def share(self, state: int) -> float:
        """The share of frames in ``state``, 0 to 1."""
        return float(np.mean(self.state == state)) if len(self.state) else 0.0
