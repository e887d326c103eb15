"""Where things are and what lenses do, frame by frame, as Blender evaluates them with drivers and constraints."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import closing
from typing import Any

import bpy
import numpy as np

from .placing import metres_per_unit, world_from_object_m
from .stubs import camera_of
from .sweep import sweep


def evaluate(
    scene: bpy.types.Scene,
    frames: Iterable[int],
    cams: Iterable[bpy.types.Object],
    moving: Iterable[bpy.types.Object],
) -> dict[str, dict[int, Any]]:
    """By object name and scene frame: a matrix (world from object, metres), and of a camera also focal length, mm,
    focus distance, m, and stop. One sweep over the timeline."""
    cams, moving = list(cams), list(moving)
    taken: dict[str, dict[int, Any]] = {thing.name: {} for thing in (*cams, *moving)}
    unit = metres_per_unit(scene)
    with closing(sweep(scene, frames)) as passing:
        for frame, graph in passing:
            for thing in moving:
                taken[thing.name][frame] = world_from_object_m(thing, scene, graph)
            for thing in cams:
                data = camera_of(thing.evaluated_get(graph))
                focus = _focus(thing, data, scene, graph)
                taken[thing.name][frame] = (
                    rigid(world_from_object_m(thing, scene, graph)),
                    data.lens,
                    focus if focus is not None else data.dof.focus_distance * unit,
                    data.dof.aperture_fstop,
                )
    return taken


def _focus(
    thing: bpy.types.Object, data: bpy.types.Camera, scene: bpy.types.Scene, graph: bpy.types.Depsgraph
) -> float | None:
    """Distance along the line of sight to the object that the camera is focused on, if there is one."""
    target = data.dof.focus_object
    if target is None:
        return None
    camera = world_from_object_m(thing, scene, graph)
    where = world_from_object_m(target, scene, graph)[:3, 3]
    forward = -camera[:3, 2] / np.linalg.norm(camera[:3, 2])
    return max(float((where - camera[:3, 3]) @ forward), 0.05)


def rigid(matrix: np.ndarray) -> np.ndarray:
    """Without the scale a parent may have given it."""
    out = matrix.copy()
    out[:3, :3] /= np.linalg.norm(matrix[:3, :3], axis=0)
    return out
