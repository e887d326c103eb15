"""One take's solved camera beside the planned one, and where its insert seems to stand: what a viewport can show."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..camera.track import CameraTrack
from .shot import ShotNetwork
from .takes import Take, solved_take

ROOM = 0.02  # of the delivery frame's width: how far the largest slide may be drawn
FACTORS = np.array([step * 10.0**power for power in range(5) for step in (1, 2, 5)])


@dataclass(frozen=True, slots=True, eq=False)
class Ghost:
    """One simulated take of a shot of F frames, solved and brought onto the plan."""

    name: str
    take: Take
    camera: CameraTrack | None  # the solved camera in the frames that are solved; None where the take was not
    slide_px: np.ndarray  # (F, 2) delivery pixels; nan where a frame is not solved or the insert is out of view
    factor: float  # by how much slide is exaggerated in ``insert_m``, 1: not at all
    insert_m: np.ndarray  # (F, 3) where the planned camera sees the insert, at its own depth; nan likewise

    @property
    def worst_px(self) -> float:
        """The largest slide, nan where there is none."""
        length = np.hypot(*self.slide_px.T)
        return float(np.nanmax(length)) if np.isfinite(length).any() else np.nan


def ghost_of(network: ShotNetwork, track: CameraTrack, seed: int) -> Ghost:
    """Simulate and solve the take of this seed, and place its insert.

    The planned camera is the true one of a simulated take. Drawn by the solved camera the insert is off by its slide;
    ``insert_m`` is off by ``factor`` times that where the planned camera sees it, in a picture without distortion.
    """
    take, scene = solved_take(network, seed)
    slide = take.drift_px + take.jitter_px
    if scene is None or not take.solved:
        none = np.full((len(track), 3), np.nan)
        return Ghost(network.name, take, None, none[:, :2], 1.0, none)
    solved = np.isfinite(take.camera_m)
    own = {name: getattr(track, name)[solved] for name in ("frame", "focus_m", "stop")}
    longer = (scene.focal_px / track.focal_px[:, 0])[solved]
    camera = replace(
        track,
        world_from_cam=scene.world_from_cam[solved],
        focal_px=longer[:, None] * track.focal_px[solved],
        focal_mm=longer * track.focal_mm[solved],
        **own,
    )
    factor = exaggeration(slide, track)
    return Ghost(network.name, take, camera, slide, factor, _seen_at(slide, factor, network.action_m, track))


def exaggeration(slide_px: np.ndarray, track: CameraTrack) -> float:
    """The largest of 1, 2, 5, 10, ... that keeps every slide (F, 2) within a fiftieth of the frame's width.

    1 where that is too much already, and where there is nothing to exaggerate.
    """
    largest = np.max(np.hypot(*slide_px.T), initial=0.0, where=np.isfinite(slide_px).all(-1))
    room = ROOM * (track.delivery_px[2] - track.delivery_px[0]) * track.delivery_scale
    fits = FACTORS * largest <= room
    return float(FACTORS[fits].max()) if largest > 0 and fits.any() else 1.0


def _seen_at(slide_px: np.ndarray, factor: float, action_m: np.ndarray, track: CameraTrack) -> np.ndarray:
    """(F, 3) the action point, moved across each frame's line of sight."""
    right, down, forward = np.moveaxis(track.world_from_cam[:, :3, :3], -1, 0)
    depth = ((action_m - track.centre_m) * forward).sum(-1)
    off = depth[:, None] * factor * slide_px / track.delivery_scale / track.focal_px
    return np.asarray(action_m + off[:, :1] * right + off[:, 1:] * down)
