"""What softens a feature: the lens out of focus, and motion while the shutter is open.

Thin lens, distances from its front principal point, which is taken to be the camera's centre (S. F. Ray, *Applied
Photographic Optics*, 3rd ed. 2002, depth-of-field chapter; Jacobson et al., *Manual of Photography*; both from memory).
With focal length f, f-number N, focus distance s and distance u the disc of confusion is

    b(u) = f^2 / (N (s - f)) |u - s| / u = f^2 / N |1/u - 1/s| / (1 - f/s).

A squeezed lens is two lenses, f high and f over the squeeze across, behind one stop: what is out of focus is an upright
oval. Diffraction and aberrations are left out.
"""

from __future__ import annotations

import math

import numpy as np

from ..camera.track import CameraTrack

FASTEST_PX = 1e6  # points that all but touch the camera's plane move without bound


def disc_mm(
    focal_mm: np.ndarray | float,
    stop: np.ndarray | float,
    focus_m: np.ndarray | float,
    depth_m: np.ndarray | float,
) -> np.ndarray:
    """Diameter of the disc of confusion, mm on the film back; all arguments broadcast.

    Distances may be infinite. Infinite where there is no sharp picture to speak of: at or behind the lens, and where
    the lens is focused at or nearer than its focal length.

    >>> disc_mm(50, 2.8, 3.0, [2.0, 3.0, 6.0, np.inf]).round(6).tolist()
    [0.151332, 0.0, 0.151332, 0.302663]
    """
    focal, stop, focus, depth = (np.asarray(v, float) for v in (focal_mm, stop, focus_m, depth_m))
    with np.errstate(divide="ignore", invalid="ignore"):
        near, far = np.divide(1.0, depth), np.divide(1.0, focus)
        disc = focal * focal * 1e-3 / stop * np.abs(near - far) / (1 - focal * 1e-3 * far)
    sound = (depth > 0) & (focus > focal * 1e-3) & (stop > 0) & (focal > 0)
    return np.where(sound, disc, np.inf)


def hyperfocal_mm(focal_mm: float, stop: float, confusion_mm: float) -> float:
    """The focus distance from which everything to infinity has a disc of at most ``confusion_mm``, mm.

    >>> round(hyperfocal_mm(50, 2.8, 0.025), 3)
    35764.286
    """
    return focal_mm**2 / (stop * confusion_mm) + focal_mm


def depth_of_field_m(focal_mm: float, stop: float, focus_m: float, confusion_mm: float) -> tuple[float, float]:
    """Nearest and farthest distance, m, at which the disc stays within ``confusion_mm``; infinite far where it does.

    >>> [round(v, 6) for v in depth_of_field_m(25, 2.8, 3.0, 0.025)]
    [2.250225, 4.4991]
    """
    hyperfocal = hyperfocal_mm(focal_mm, stop, confusion_mm) * 1e-3
    focal = focal_mm * 1e-3
    if not focus_m > focal:
        return math.nan, math.nan
    if math.isinf(focus_m):
        return hyperfocal - focal, math.inf
    near = focus_m * (hyperfocal - focal) / (hyperfocal + focus_m - 2 * focal)
    return near, focus_m * (hyperfocal - focal) / (hyperfocal - focus_m) if focus_m < hyperfocal else math.inf


def defocus_px(
    track: CameraTrack, depth_m: np.ndarray, frame: np.ndarray | None = None, stop: float | None = None
) -> np.ndarray:
    """Width and height of the disc of confusion, (2, ...) recorded pixels, at depths (...).

    frame : (...) rows of ``track``; absent: depths are (F, N)
    stop : another f-number than the track's
    """
    rows = np.arange(len(track))[:, None] if frame is None else frame
    number = track.stop[rows] if stop is None else stop
    sides = []
    for axis, squeeze in enumerate((track.squeeze, 1.0)):
        focal_mm = track.focal_mm[rows] / squeeze
        px_per_mm = track.focal_px[rows, axis] / focal_mm
        sides.append(disc_mm(focal_mm, number, track.focus_m[rows], depth_m) * px_per_mm)
    return np.stack(sides)


def round_disc_px(sides_px: np.ndarray) -> np.ndarray:
    """(...) diameter of the round disc that softens as much, on the average of both axes, as ovals (2, ...).

    >>> round_disc_px(np.array([3.0, 4.0])).round(3)
    3.536
    """
    across, up = sides_px
    mean: np.ndarray = np.sqrt((across * across + up * up) / 2)
    return mean


def motion_px(velocity_px: np.ndarray, track: CameraTrack, exposure_s: float | None = None) -> np.ndarray:
    """Image motion (..., 2) while the shutter is open, px, from velocities (..., 2) in px per frame.

    exposure_s : another exposure time than the track's
    """
    seconds = track.exposure_s if exposure_s is None else exposure_s
    moved: np.ndarray = np.clip(velocity_px * (track.rate * seconds), -FASTEST_PX, FASTEST_PX)
    return moved


def read_out_skew_px(velocity_px: np.ndarray, v_px: np.ndarray, track: CameraTrack) -> np.ndarray:
    """How far (..., 2) a rolling read-out shifts features, against a shutter that reads all rows at mid-frame, px.

    velocity_px : (..., 2) px per frame; v_px : (...) rows of the picture
    """
    height = float(track.size_px[1])
    late_s = track.read_out_s * ((v_px + 0.5) / height - 0.5)
    skew: np.ndarray = velocity_px * (track.rate * late_s)[..., None]
    return skew
