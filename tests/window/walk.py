"""The whole walk in a real Blender window, driven from inside it: install the zip, build, rehearse, bake, look.

Arguments: ZIP OUT_FOLDER. Writes pictures and facts.json into OUT_FOLDER; the test that started it judges them.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import bpy
import window_shots
from bpy_extras.view3d_utils import location_3d_to_region_2d

ZIP, OUT = (Path(word) for word in sys.argv[-2:])
PLAN = "moonrise-basin"
FIRST = 1001  # of every shot
LOOKS = (("MB010", 1060), ("MB020", 1100), ("MB030", 1031), ("MB050", 1060))
FACTS: dict[str, object] = {"plan": PLAN, "looks": []}
STARTED: dict[str, float] = {}


def picture(name: str) -> None:
    """Save what the window shows."""
    window_shots.shoot(str(OUT / f"{name}.png"))


def install() -> None:
    """Install the zip as a person would, from a file, into an empty scene."""
    bpy.ops.extensions.package_install_files(filepath=str(ZIP), repo="user_default", enable_on_install=True)
    import scatterproof

    FACTS["blender"] = bpy.app.version_string
    FACTS["engine"], FACTS["stamp"] = scatterproof.__file__, scatterproof.build_stamp
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)


def show_tab() -> None:
    """Open the sidebar and look at it before anything is built; plain colours, so that pixels can be compared."""
    space = window_shots.view_area()["area"].spaces.active
    space.show_region_ui = True
    space.shading.type, space.shading.color_type, space.shading.light = "SOLID", "MATERIAL", "FLAT"


def choose_tab() -> None:
    """Bring our tab to the front, once the region knows it."""
    area = window_shots.view_area()["area"]
    region = next(r for r in area.regions if r.type == "UI")
    region.active_panel_category = "Scatterproof"
    FACTS["tab"] = region.active_panel_category
    area.tag_redraw()


def build() -> None:
    """Build an example with the sidebar's operator."""
    with bpy.context.temp_override(**window_shots.view_area()):
        FACTS["build"] = list(bpy.ops.scatterproof.build_stage("EXEC_DEFAULT", True, template=f"plans/{PLAN}"))
    FACTS["objects"] = len(bpy.context.scene.objects)
    from_outside()


def from_outside() -> None:
    """Look at everything from outside."""
    where = window_shots.view_area()
    where["area"].spaces.active.region_3d.view_perspective = "PERSP"
    with bpy.context.temp_override(**where):
        bpy.ops.view3d.view_all()


def rehearse() -> None:
    """Start the modal rehearsal as a click would."""
    STARTED["rehearse"] = time.monotonic()
    with bpy.context.temp_override(**window_shots.view_area()):
        FACTS["rehearse"] = list(bpy.ops.scatterproof.rehearse("INVOKE_DEFAULT"))


def rehearsed() -> object:
    """Wait for it."""
    from bl_ext.user_default.scatterproof.store import STORE

    last = STORE.last(bpy.context.scene)
    if not last:
        return window_shots.AGAIN
    FACTS["rehearsed"] = [r.readiness.name for r in last]
    FACTS["rehearse_s"] = time.monotonic() - STARTED["rehearse"]
    return None


def bake() -> None:
    """Bake what the modal rehearsal found."""
    started = time.monotonic()
    with bpy.context.temp_override(**window_shots.view_area()):
        FACTS["bake"] = list(bpy.ops.scatterproof.bake("EXEC_DEFAULT", True))
    FACTS["bake_s"] = time.monotonic() - started


def look(shot: str, frame: int) -> None:
    """Go to a frame of a shot, and look through its camera."""
    scene = bpy.context.scene
    start = next(mark.frame for mark in scene.timeline_markers if mark.camera is not None and mark.name == shot)
    scene.frame_set(start + frame - FIRST)
    where = window_shots.view_area()
    where["area"].spaces.active.region_3d.view_perspective = "CAMERA"
    with bpy.context.temp_override(**where):
        bpy.ops.view3d.view_center_camera()


def bare(on: bool) -> None:
    """Show the picture alone, or again with everything round it."""
    space = window_shots.view_area()["area"].spaces.active
    space.show_region_ui = space.show_region_toolbar = space.show_gizmo = space.overlay.show_overlays = not on
    space.show_region_header = space.show_region_tool_header = not on


def looked(shot: str, frame: int) -> None:
    """Save the picture, and where in it the corners of the camera's gate are: lower left first, counter-clockwise."""
    where, scene = window_shots.view_area(), bpy.context.scene
    camera, region = scene.camera, where["region"]
    corners = [camera.matrix_world @ corner for corner in camera.data.view_frame(scene=scene)]
    flat = [location_3d_to_region_2d(region, where["area"].spaces.active.region_3d, c) for c in corners]
    right_top, right_low, left_low, left_top = [[p.x + region.x, p.y + region.y] for p in flat]
    name = f"{shot}-{frame}"
    view = [region.x, region.y, region.x + region.width, region.y + region.height]
    gate = [left_low, right_low, right_top, left_top]
    FACTS["looks"].append({"shot": shot, "frame": frame, "picture": f"{name}.png", "gate": gate, "view": view})
    picture(name)


def undo() -> None:
    """Clearing the bake can be undone and done again."""
    counts = [len(bpy.context.scene.objects)]
    for step in (
        lambda: bpy.ops.scatterproof.clear_bake("EXEC_DEFAULT", True),
        bpy.ops.ed.undo,
        bpy.ops.ed.redo,
        bpy.ops.ed.undo,
    ):
        with bpy.context.temp_override(**window_shots.view_area()):
            step()
        counts.append(len(bpy.context.scene.objects))
    FACTS["undo"] = counts


def save_and_open_without() -> None:
    """Save, disable, open without the extension: what was baked still shows."""
    path = OUT / "walk.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path), compress=True)
    FACTS["size"] = path.stat().st_size
    bpy.ops.preferences.addon_disable(module="bl_ext.user_default.scatterproof")
    FACTS["disabled"] = not hasattr(bpy.types, "SCATTERPROOF_PT_stage")
    bpy.ops.wm.open_mainfile(filepath=str(path))


def finish() -> None:
    """Write the facts."""
    FACTS["rings"] = any(o.modifiers for o in bpy.context.scene.objects if o.name.startswith("Sight rings"))
    (OUT / "facts.json").write_text(json.dumps(FACTS), encoding="utf-8")


LOOKING = [
    step
    for shot, frame in LOOKS
    for step in ((0.5, lambda s=shot, f=frame: look(s, f)), (1, lambda s=shot, f=frame: looked(s, f)))
]
if __name__ == "__main__":
    window_shots.run(
        [
            (3, install),
            (0.5, show_tab),
            (0.5, choose_tab),
            (1, lambda: picture("empty")),
            (0.5, build),
            (1, lambda: picture("built")),
            (0.5, rehearse),
            (0.3, lambda: picture("rehearsing")),
            (0.5, rehearsed),
            (0.5, bake),
            (0.5, lambda: look(*LOOKS[0])),
            (1, lambda: picture("camera")),
            (0.5, lambda: bare(True)),
            *LOOKING,
            (0.5, lambda: bare(False)),
            (0.5, from_outside),
            (1, lambda: picture("stage")),
            (0.5, undo),
            (1, save_and_open_without),
            (2, lambda: look(*LOOKS[0])),
            (1, lambda: picture("without-extension")),
            (0.5, finish),
        ]
    )
