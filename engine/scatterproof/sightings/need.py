"""Where markers are needed: where the shots look, less where performers' edges pass."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from ..camera.lens import project
from ..camera.track import CameraTrack, camera_track
from ..plan.criteria import criteria_of
from ..plan.model import Plan, Shot
from ..stage.layout import Layout, build_layout
from ..stage.surfaces import Surface, normal_at, to_world
from .blockers import Occluder, build_occluders

LOOKS = 24  # frames of a shot that are asked
EDGE_M = 0.15  # a marker this near to a silhouette costs cleanup: about its own size


def planned_layout(plan: Plan, folder: Path = Path()) -> Layout:
    """What stands on the stage; marker sets whose density follows need get it from the plan's own shots.

    folder : where mesh files of blockers are looked for
    Raises BadInput where the plan can't be built.
    """
    follows = any(group.need > 0 and group.layout != "placed" for group in plan.markers)
    return build_layout(plan, need_of(plan, folder) if follows else None)


def need_of(plan: Plan, folder: Path) -> Callable[[Surface, np.ndarray], np.ndarray]:
    """Need as a function (surface, (P, 2) surface coordinates) -> (P,) 0 to 1.

    For every shot the share of its frames in which the point is in the gate, faces the camera and is not hidden,
    times the share of those in which no performer's edge is near; then the mean of the most demanding shot and all.
    """
    views = [_View(plan, shot, folder) for shot in plan.shots]

    def need(surface: Surface, uv: np.ndarray) -> np.ndarray:
        points, normals = to_world(surface, uv), normal_at(surface, uv)
        if not views:
            return np.ones(len(points))
        shares = np.stack([view.share(points, normals) for view in views])
        wanted: np.ndarray = (shares.max(axis=0) + shares.mean(axis=0)) / 2
        return wanted

    return need


class _View:
    """One shot as seen by what might be taped to the stage."""

    def __init__(self, plan: Plan, shot: Shot, folder: Path):
        self.track: CameraTrack = camera_track(plan, shot)
        self.occluders: tuple[Occluder, ...] = build_occluders(plan, shot, self.track.frame, folder)
        self.steepest = criteria_of(plan, shot).steepest

    def share(self, points: np.ndarray, normals: np.ndarray) -> np.ndarray:
        """(P,) how much of the shot a marker at each point would serve."""
        rows = np.unique(np.linspace(0, len(self.track) - 1, LOOKS).round().astype(int))
        seen, clear = np.zeros(len(points)), np.zeros(len(points))
        for row in rows:
            inside = self._inside(points, normals, row)
            eye = self.track.centre_m[row]
            distance = np.linalg.norm(points[inside] - eye, axis=1)
            hidden, near = self._hidden(row, points[inside], distance)
            seen[inside] += ~hidden
            clear[inside] += ~near
        return seen / len(rows) * clear / np.maximum(seen, 1)

    def _inside(self, points: np.ndarray, normals: np.ndarray, row: int) -> np.ndarray:
        uv, _ = project(points, self.track, slice(row, row + 1))
        in_gate = ((uv[0] >= 0) & (uv[0] <= self.track.size_px - 1)).all(axis=1)
        away = points - self.track.centre_m[row]
        facing = -np.einsum("pi,pi->p", away, normals) >= np.cos(self.steepest) * np.linalg.norm(away, axis=1)
        return np.flatnonzero(in_gate & facing)

    def _hidden(self, row: int, points: np.ndarray, distance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(P,) bool: behind an occluder; behind it or nearer to its edge than a marker's size."""
        eye = np.broadcast_to(self.track.centre_m[row], points.shape)
        frame = np.full(len(points), row)
        hidden, near = np.zeros(len(points), bool), np.zeros(len(points), bool)
        for occluder in self.occluders:
            hidden |= occluder.hides(frame, eye, points, np.zeros(len(points)))
            near |= occluder.hides(frame, eye, points, EDGE_M / np.maximum(distance, EDGE_M))
        return hidden, near
