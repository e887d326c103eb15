"""A solved camera from a scene file: .blend, USD, Alembic or FBX, through Blender's own importers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
from scatterproof.camera.axes import flip_camera_axes
from scatterproof.camera.track import CameraTrack
from scatterproof.problems import one_problem
from scatterproof.survey.solved import SolvedCamera

from .evaluate import evaluate
from .stubs import camera_of, held


def import_scene(path: Path) -> None:
    """The file into an empty scene. Raises BadInput where Blender has no importer for it, or can't read it."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    kind = path.suffix.lower()
    if kind == ".fbx" and not hasattr(bpy.types, "IMPORT_SCENE_OT_fbx"):
        import addon_utils

        addon_utils.enable("io_scene_fbx")
    options = bpy.app.build_options
    there = {".abc": held(options, "alembic"), ".fbx": hasattr(bpy.types, "IMPORT_SCENE_OT_fbx")}
    if not there.get(kind, held(options, "usd")):
        found = f"Blender {bpy.app.version_string} without an importer for {kind}"
        raise one_problem(str(path), found, "a CSV of the camera, or a Blender with that importer")
    try:
        if not path.is_file():
            raise FileNotFoundError(2, "no such file")
        if kind == ".abc":
            _call(bpy.ops.wm.alembic_import, filepath=str(path), as_background_job=False)
        elif kind == ".fbx":
            _call(bpy.ops.import_scene.fbx, filepath=str(path), anim_offset=0)
        else:
            _call(bpy.ops.wm.usd_import, filepath=str(path), apply_unit_conversion_scale=False)
    except (RuntimeError, OSError) as error:
        reason = getattr(error, "strerror", None) or str(error).strip().rpartition(": ")[2] or "it failed"
        raise one_problem(str(path), reason.lower(), f"a whole {kind} file") from error


def solved_camera(scene: bpy.types.Scene, path: Path, name: str, track: CameraTrack) -> SolvedCamera:
    """The scene's camera in every frame of the planned shot that the scene has. Frame numbers are the shot's.

    The focal length is the one that shows as much of the gate's width as the solved one of its own. Raises BadInput
    where there is no camera, more than one and no name, or no frame in common.
    """
    cameras = {thing.name: thing for thing in scene.objects if thing.type == "CAMERA"}
    if name not in cameras and (name or len(cameras) != 1):
        found = name or f"{len(cameras)} cameras"
        raise one_problem("--camera-name", repr(found), "one of: " + (", ".join(sorted(cameras)) or "none"), path.name)
    thing = cameras[name or next(iter(cameras))]
    first, last = _range(scene, thing)
    frames = [int(frame) for frame in track.frame if first <= frame <= last]
    if not frames:
        found, wanted = f"frames {first} to {last}", f"frames of the shot, {track.frame[0]} to {track.frame[-1]}"
        raise one_problem("frames", found, wanted, path.name)
    rows = evaluate(scene, frames, [thing], [])[thing.name]
    poses = np.stack([rows[frame][0] for frame in frames])
    lens = np.array([rows[frame][1] for frame in frames])
    at = np.searchsorted(track.frame, frames)
    data = camera_of(thing)
    high = data.sensor_fit == "VERTICAL"
    size, across = (data.sensor_height, 1) if high else (data.sensor_width, 0)
    focal = lens / size * track.size_px[across] * track.focal_mm[at] / track.focal_px[at, across]
    if path.suffix.lower() == ".abc" and np.ptp(track.focal_mm[at]) > 0:
        focal = np.full(len(frames), np.nan)  # Blender's importer passes over a zoom: only the first frame's is there
    return SolvedCamera(path.name, np.array(frames), flip_camera_axes(poses), focal)


def _range(scene: bpy.types.Scene, thing: bpy.types.Object) -> tuple[int, int]:
    """The scene's frames, and those of the camera's own keys where these reach farther."""
    first, last = scene.frame_start, scene.frame_end
    data = thing.animation_data
    if data and data.action:
        keyed = np.array(data.action.frame_range[:], float)
        first, last = min(first, int(np.floor(keyed[0]))), max(last, int(np.ceil(keyed[1])))
    return first, last


def _call(operator: Any, **settings: object) -> None:
    """Run an importer with those of the settings that this version of it knows."""
    known = operator.get_rna_type().properties.keys()
    operator(**{name: value for name, value in settings.items() if name in known})
