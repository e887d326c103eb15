"""A camera over the frames of a shot: where it is, where it looks and what its lens does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..problems import frozen_array


@dataclass(frozen=True, slots=True, eq=False)
class CameraTrack:
    """F frames of one camera. Camera axes: x right, y down, z forward.

    Pixel (0, 0) is the centre of the top-left pixel of the recorded gate. ``focal_px`` differs in x and y where
    pixels are not square (squeezed lenses). Radial and decentring coefficients act on normalised coordinates.
    """

    frame: np.ndarray  # (F,) int     rising
    world_from_cam: np.ndarray  # (F, 4, 4)    rigid, metres
    focal_px: np.ndarray  # (F, 2)       fx, fy
    centre_px: np.ndarray  # (2,)         principal point
    size_px: np.ndarray  # (2,) int     width, height of the recorded gate
    distortion: np.ndarray  # (5,)         k1, k2, p1, p2, k3
    delivery_px: np.ndarray  # (4,)         left, top, right, bottom edge of the delivery frame in the gate
    delivery_scale: float  # delivery pixels per recorded pixel, across
    focal_mm: np.ndarray  # (F,)         focal length
    focus_m: np.ndarray  # (F,)         focus distance
    stop: np.ndarray  # (F,)         f-number
    exposure_s: float  # time the shutter is open
    rate: float  # frames per second
    read_out_s: float  # rolling shutter: first to last row

    def __post_init__(self) -> None:
        f = len(self.frame)
        shapes: dict[str, tuple[tuple[int, ...], type]] = {
            "frame": ((f,), int),
            "world_from_cam": ((f, 4, 4), float),
            "focal_px": ((f, 2), float),
            "centre_px": ((2,), float),
            "size_px": ((2,), int),
            "distortion": ((5,), float),
            "delivery_px": ((4,), float),
            "focal_mm": ((f,), float),
            "focus_m": ((f,), float),
            "stop": ((f,), float),
        }
        for name, (shape, dtype) in shapes.items():
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), shape, dtype))

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def centre_m(self) -> np.ndarray:
        """(F, 3) camera centres in the world, metres."""
        return self.world_from_cam[:, :3, 3]
