"""The stage for other programs, through Blender's own exporters: surfaces, markers, stands, gear and cameras.

Axes and units as each format has them: USD says its own up axis (Z) and metres per unit; Alembic is Y up and knows no
units, so that one unit is a metre; FBX is Y up and says that its unit is 100 cm.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import bpy
from scatterproof.problems import one_problem

from . import mark, tags
from .placing import metres_per_unit
from .stubs import held

FORMATS = {"usd": "USD", "abc": "Alembic", "fbx": "FBX"}
PARTS = ("floor", "wall", "panel", "cove", "corner", "markers", "stand", "gear", "shot")
MARKS = ("screen", "markers", "gear", "camera")


def stage_objects(scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """What an export holds: built or marked."""
    built = [thing for part in PARTS for thing in tags.tagged(scene, part)]
    by_hand = [thing for part in MARKS for thing in mark.marked(scene, part)]
    return [*built, *by_hand, *(shot.camera for shot in mark.live_shots(scene).values() if not by_hand)]


def export_stage(scene: bpy.types.Scene, path: Path, kind: str) -> int:
    """Write the stage, markers, stands and cameras over the scene's frames; returns how many objects.

    kind : one of :data:`FORMATS`
    The file appears as a whole or not at all. Raises BadInput where there is nothing to export, where this Blender has
    no such exporter, and where the file can't be written.
    """
    things = stage_objects(scene)
    if not things:
        raise one_problem(f"scene {scene.name!r}", "nothing to export", "a built stage, or marked objects")
    write = _exporter(kind)
    folder = None
    try:
        folder = Path(tempfile.mkdtemp(prefix=".export-", dir=path.parent))
        with _selected(scene, things) as count:
            write(scene, folder / path.name)
        os.replace(folder / path.name, path)
    except (RuntimeError, OSError) as error:
        reason = getattr(error, "strerror", None) or str(error).strip() or "it failed"
        raise one_problem(str(path), f"{FORMATS[kind]} export: {reason}", "a place that can be written to") from error
    finally:
        if folder:
            shutil.rmtree(folder, ignore_errors=True)
    return count


@contextmanager
def _selected(scene: bpy.types.Scene, things: Iterable[bpy.types.Object]) -> Iterator[int]:
    """With these objects selected and no others; what was selected before is selected again afterwards."""
    layer = bpy.context.view_layer
    before, active = [t for t in layer.objects if t.select_get()], layer.objects.active
    frame, sub = scene.frame_current, scene.frame_subframe
    try:
        for thing in layer.objects:
            thing.select_set(False)
        chosen = {thing.name for thing in things} & {thing.name for thing in layer.objects}
        for name in chosen:
            scene.objects[name].select_set(True)
        yield sum(thing.select_get() for thing in layer.objects)
    finally:
        for thing in layer.objects:
            thing.select_set(thing in before)
        layer.objects.active = active
        scene.frame_set(frame, subframe=sub)


def _exporter(kind: str) -> Callable[[bpy.types.Scene, Path], None]:
    """Blender's own exporter. Raises BadInput where this Blender was built or installed without it."""
    if kind == "fbx" and not hasattr(bpy.types, "EXPORT_SCENE_OT_fbx"):
        import addon_utils

        addon_utils.enable("io_scene_fbx")
    there = {
        "usd": held(bpy.app.build_options, "usd"),
        "abc": held(bpy.app.build_options, "alembic"),
        "fbx": hasattr(bpy.types, "EXPORT_SCENE_OT_fbx"),
    }
    if not there[kind]:
        found = f"Blender {bpy.app.version_string} without an exporter for {FORMATS[kind]}"
        raise one_problem(f"export {kind}", found, "another format, or a Blender with that exporter")
    return {"usd": _usd, "abc": _abc, "fbx": _fbx}[kind]


def _usd(scene: bpy.types.Scene, path: Path) -> None:
    unit = metres_per_unit(scene)
    # From 4.4 on the exporter takes every scene's unit for a metre; what it says of the unit is mended in a text file.
    takes_for_metres = "convert_scene_units" in held(bpy.ops.wm.usd_export, "get_rna_type")().properties and unit != 1
    written = path.with_suffix(".usda") if takes_for_metres else path
    _call(
        bpy.ops.wm.usd_export,
        filepath=str(written),
        selected_objects_only=True,
        export_animation=True,
        evaluation_mode="VIEWPORT",
        convert_orientation=False,  # Z up, and said so
    )
    if takes_for_metres:
        text = written.read_text(encoding="utf-8")
        path.write_text(text.replace("metersPerUnit = 1\n", f"metersPerUnit = {unit:.9g}\n", 1), encoding="utf-8")


def _abc(scene: bpy.types.Scene, path: Path) -> None:
    _call(
        bpy.ops.wm.alembic_export,
        filepath=str(path),
        selected=True,
        start=scene.frame_start,
        end=scene.frame_end,
        global_scale=metres_per_unit(scene),
        as_background_job=False,
        evaluation_mode="VIEWPORT",
    )


def _fbx(scene: bpy.types.Scene, path: Path) -> None:
    _call(
        bpy.ops.export_scene.fbx,
        filepath=str(path),
        use_selection=True,
        object_types={"MESH", "CAMERA", "EMPTY", "OTHER"},
        axis_forward="-Z",
        axis_up="Y",
        apply_scale_options="FBX_SCALE_UNITS",
        bake_anim_use_all_actions=False,
        bake_anim_use_nla_strips=False,
        bake_anim_simplify_factor=0.0,  # every frame as it is
    )


def _call(operator: Any, **settings: object) -> None:
    """Run an exporter with those of the settings that this version of it knows."""
    known = operator.get_rna_type().properties.keys()
    operator(**{name: value for name, value in settings.items() if name in known})
