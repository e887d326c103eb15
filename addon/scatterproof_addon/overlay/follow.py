"""What has changed in a scene since it was read, without touching its timeline: signs of objects, moves by curves.

Going through the frames of a scene evaluates everything exactly, but it takes back what a person has dragged and not
keyed yet. While somebody works, moves are read from the curves themselves; what cannot be read so is said to be out of
date, and the rehearsal, which goes through the frames, is asked for.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

import bpy
import numpy as np
from scatterproof.camera.axes import flip_camera_axes, from_pan_tilt_roll, look_at

from ..bridge import mark, tags
from ..bridge.animation import curves_of
from ..bridge.cameras import Evaluated
from ..bridge.evaluate import rigid
from ..bridge.placing import metres_per_unit, world_from_object_m
from ..bridge.stubs import camera_of, held

Sign = tuple[str, bytes]  # part, and a fingerprint of what its place and shape depend on
STILL_M = 1e-4  # a camera nearer than this to where its curves put it has not been dragged
PARTS = {"floor", "wall", "panel", "cove", "corner", "markers", "stand", "gear", "blocker", "shot", "aim"}


def signs_of(
    scene: bpy.types.Scene,
    shooting: Iterable[bpy.types.Object],
    known: Mapping[str, Sign] | None = None,
    touched: Collection[str] | None = None,
) -> dict[str, Sign]:
    """The sign of every object that a rehearsal depends on, by name.

    shooting : the cameras of its shots
    known, touched : signs that still hold but for the objects named; None: all are taken anew
    """
    signs = {}
    for thing in scene.objects:
        if known is not None and touched is not None and thing.name in known and thing.name not in touched:
            signs[thing.name] = known[thing.name]
            continue
        part = tags.part_of(thing) or str(thing.get(mark.MARK, ""))
        if part in PARTS or thing.get(mark.MARK):
            signs[thing.name] = (part, _sign(thing))
    return signs | {camera.name: ("shot", _sign(camera)) for camera in shooting if camera.name not in signs}


def _sign(thing: bpy.types.Object) -> bytes:
    parts = _animated(thing, ("location", "rotation_euler", "rotation_quaternion", "scale"))
    parts += [np.array(parent.matrix_basis, np.float32).tobytes() for parent in _parents(thing)]
    parts += [f"{c.type} {c.mute}".encode() for c in thing.constraints]
    data = thing.data
    if isinstance(data, bpy.types.Camera):
        lens = (data.sensor_width, data.sensor_height, data.shift_x, data.shift_y, data.dof.aperture_fstop)
        parts += [np.array(lens, np.float32).tobytes(), *_animated(data, ("lens", "dof.focus_distance"))]
    elif isinstance(data, bpy.types.Mesh):
        parts.append(f"{len(data.vertices)} {len(data.polygons)}".encode())
    return b"|".join(parts)


def _animated(owner: Any, paths: tuple[str, ...]) -> list[bytes]:
    """The curves of an owner, and the values of these properties as far as no curve decides them."""
    curves = curves_of(owner)
    moved = {(curve.data_path, curve.array_index) for curve in curves}
    still = [
        value
        for path in paths
        for index, value in enumerate(np.atleast_1d(np.array(owner.path_resolve(path), np.float32)))
        if (path, index) not in moved
    ]
    return [*(_curve(curve) for curve in curves), np.array(still, np.float32).tobytes()]


def _parents(thing: bpy.types.Object) -> list[bpy.types.Object]:
    found = []
    while thing.parent is not None:
        thing = thing.parent
        found.append(thing)
    return found


def _curve(curve: Any) -> bytes:
    points = curve.keyframe_points
    table, kinds = np.empty((3, 2 * len(points)), np.float32), np.empty((2, len(points)), np.int32)
    for row, name in enumerate(("co", "handle_left", "handle_right")):
        points.foreach_get(name, table[row])
    for row, name in enumerate(("interpolation", "easing")):
        points.foreach_get(name, kinds[row])
    head = f"{curve.data_path} {curve.array_index} {len(curve.modifiers)} {curve.mute}".encode()
    return head + table.tobytes() + kinds.tobytes()


def track_by_curves(scene: bpy.types.Scene, thing: bpy.types.Object, frames: np.ndarray) -> Evaluated | None:
    """A camera's move at scene frames (F,), read from its curves; None where more than curves decides it."""
    data, unit = camera_of(thing), metres_per_unit(scene)
    aims = [c for c in thing.constraints if not c.mute]
    aim = held(aims[0], "target") if len(aims) == 1 and aims[0].type == "TRACK_TO" else None
    owners = [thing, data, *([aim] if aim is not None else [])]
    if (
        thing.parent is not None
        or thing.rotation_mode != "XYZ"
        or (aims and aim is None)
        or (aim is not None and (aim.parent is not None or any(not c.mute for c in aim.constraints)))
        or any(_more_than_curves(owner) for owner in owners)
        or data.dof.focus_object is not None
    ):
        return None
    at = _values(thing, "location", thing.location, frames) * unit
    if aim is not None:
        towards = _values(aim, "location", aim.location, frames) * unit
        if (np.linalg.norm(towards - at, axis=1) < STILL_M).any():
            return None
        pose = look_at(at, towards)
    else:
        turn = _values(thing, "rotation_euler", thing.rotation_euler, frames)
        pose = from_pan_tilt_roll(at, np.stack([turn[:, 2], turn[:, 0] - np.pi / 2, turn[:, 1]], axis=1))
    focal = _values(data, "lens", [data.lens], frames)[:, 0]
    focus = _values(data, "dof.focus_distance", [data.dof.focus_distance], frames)[:, 0] * unit
    stop = _values(data, "dof.aperture_fstop", [data.dof.aperture_fstop], frames)[:, 0]
    return Evaluated(pose, focal, focus, stop)


def _more_than_curves(owner: Any) -> bool:
    data = owner.animation_data
    return data is not None and bool(data.drivers or data.nla_tracks)


def _values(owner: Any, path: str, still: Any, frames: np.ndarray) -> np.ndarray:
    """(F, C) of a property: its curves where it has some, its own value elsewhere."""
    values = np.tile(np.array(still[:], float), (len(frames), 1))
    for curve in curves_of(owner):
        if curve.data_path == path and not curve.mute:
            values[:, curve.array_index] = [curve.evaluate(frame) for frame in frames.tolist()]
    return values


def camera_now(scene: bpy.types.Scene, thing: bpy.types.Object) -> tuple[np.ndarray, float]:
    """(4, 4) where a camera is now, engine axes, metres, and its focal length, mm."""
    return flip_camera_axes(rigid(world_from_object_m(thing, scene))), float(camera_of(thing).lens)
