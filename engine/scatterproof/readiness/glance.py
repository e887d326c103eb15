"""One frame at once, while something is being dragged: what it says by itself, before the rest of the shot is known."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from ..camera.track import CameraTrack
from ..plan.criteria import ShotCriteria
from ..sightings.blockers import Occluder
from ..sightings.photometry import Looks
from ..sightings.sighting import BLURRED, PALE, SEEN, SHORT, UNCERTAIN, Sightings
from ..sightings.visibility import Spread, sight
from ..stage.layout import Layout
from .score import judge, measure
from .verdict import Reason


@dataclass(frozen=True, slots=True, eq=False)
class Glance:
    """A frame's own part of its verdict: features, blur and contrast. Parallax and slide can only make it worse."""

    row: int  # of the track
    sightings: Sightings  # one frame; runs too short to track are not known yet
    state: int  # FIRM, THIN or LOST: it is no better than this
    reasons: tuple[Reason, ...]


def glance(
    layout: Layout,
    track: CameraTrack,
    occluders: tuple[Occluder, ...],
    looks: Looks,
    criteria: ShotCriteria,
    row: int,
    spread: Spread | None = None,
    known: np.ndarray | None = None,
) -> Glance:
    """Sight and judge one frame.

    spread : of the layout's features, where it is known already
    known : (N,) why each feature counted or not when the shot was last rehearsed. What takes other frames to tell (a
        run too short) or long to find out (pale, smeared or uncertain) is taken from there; None: the latter is found
        out, the former left open
    """
    quick = known is not None
    sightings = sight(layout.features, track, occluders, criteria, np.array([row]), spread, looks, quick)
    if known is not None:
        why = sightings.why[0]
        why[(known == SHORT) & (why == SEEN)] = SHORT
        np.copyto(why, known, where=(why == BLURRED) & np.isin(known, (PALE, UNCERTAIN)))
    state, reasons = judge(measure(layout, looks, sightings), criteria)
    return Glance(row, sightings, int(state[0]), reasons[0])


def displaced(track: CameraTrack, row: int, world_from_cam: np.ndarray, focal_mm: float) -> CameraTrack:
    """The track with the camera moved in one frame, its neighbours in time moved along: the frame's own motion stays.

    world_from_cam : (4, 4) where the camera is in that frame
    Raises ValueError for a pose that is not rigid.
    """
    if abs(np.linalg.det(world_from_cam[:3, :3]) - 1) > 1e-6 or not np.isfinite(world_from_cam).all():
        raise ValueError("the camera's pose is not rigid")
    near = slice(max(row - 1, 0), row + 2)
    poses, focal_px, focal = track.world_from_cam.copy(), track.focal_px.copy(), track.focal_mm.copy()
    poses[near] = world_from_cam @ np.linalg.inv(poses[row]) @ poses[near]
    focal_px[near] *= focal_mm / focal[row]
    focal[near] *= focal_mm / focal[row]
    return dataclasses.replace(track, world_from_cam=poses, focal_px=focal_px, focal_mm=focal)
