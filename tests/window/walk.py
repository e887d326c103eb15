"""The whole walk in a real Blender window, driven from inside it: install the zip, build, rehearse, bake, look.

Arguments: ZIP OUT_FOLDER. Writes pictures and facts.json into OUT_FOLDER.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import bpy
import window_shots

ZIP, OUT = (Path(word) for word in sys.argv[sys.argv.index("--") + 1 :][:2])
FACTS: dict[str, object] = {}


def install() -> None:
    """Install the zip as a person would, from a file."""
    bpy.ops.extensions.package_install_files(filepath=str(ZIP), repo="user_default", enable_on_install=True)
    import scatterproof

    FACTS["engine"] = scatterproof.__file__
    FACTS["stamp"] = scatterproof.build_stamp


def build() -> None:
    """Build an example from the sidebar's operator, and look at it through the camera."""
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)
    window_shots.shoot(str(OUT / "empty.png"))
    FACTS["build"] = list(bpy.ops.scatterproof.build_stage(template="plans/lantern-yard"))
    FACTS["objects"] = len(bpy.context.scene.objects)
    show_tab()
    view("PERSP")


def show_tab() -> None:
    """Open the sidebar on our tab."""
    where = window_shots.view_area()
    where["area"].spaces.active.show_region_ui = True
    where["area"].spaces.active.shading.type = "SOLID"
    where["area"].spaces.active.shading.color_type = "MATERIAL"
    where["area"].spaces.active.shading.light = "FLAT"


def choose_tab() -> None:
    """Bring our tab to the front, once the region knows it."""
    area = window_shots.view_area()["area"]
    region = next(r for r in area.regions if r.type == "UI")
    region.active_panel_category = "Scatterproof"
    area.tag_redraw()


def view(kind: str) -> None:
    """Look through the scene's camera, or from outside at everything."""
    where = window_shots.view_area()
    region = where["area"].spaces.active.region_3d
    if kind == "CAMERA":
        region.view_perspective = "CAMERA"
        return
    region.view_perspective = "PERSP"
    with bpy.context.temp_override(**where):
        bpy.ops.view3d.view_all()


def rehearse() -> None:
    """Start the modal rehearsal as a click would."""
    with bpy.context.temp_override(**window_shots.view_area()):
        FACTS["rehearse"] = list(bpy.ops.scatterproof.rehearse("INVOKE_DEFAULT"))


def bake() -> None:
    """Bake what the modal rehearsal found."""
    from bl_ext.user_default.scatterproof.store import STORE

    FACTS["rehearsed"] = [r.readiness.name for r in STORE.last(bpy.context.scene)]
    FACTS["bake"] = list(bpy.ops.scatterproof.bake())
    view("CAMERA")


def picture(name: str) -> None:
    """Save what the window shows."""
    window_shots.shoot(str(OUT / f"{name}.png"))


def at_last_shot() -> None:
    """Go to the middle of the last shot."""
    scene = bpy.context.scene
    scene.frame_set(scene.frame_end - 20)


def undo() -> None:
    """Undo takes the bake back, redo brings it again."""
    with bpy.context.temp_override(**window_shots.view_area()):
        before = len(bpy.context.scene.objects)
        bpy.ops.ed.undo_push(message="walk")
        bpy.ops.scatterproof.clear_bake()
        bpy.ops.ed.undo_push(message="cleared")
        cleared = len(bpy.context.scene.objects)
        bpy.ops.ed.undo()
        FACTS["undo"] = [before, cleared, len(bpy.context.scene.objects)]


def save_and_unregister() -> None:
    """Save, disable, reload without the extension: what was baked still shows."""
    path = OUT / "walk.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path), compress=True)
    FACTS["size"] = path.stat().st_size
    bpy.ops.preferences.addon_disable(module="bl_ext.user_default.scatterproof")
    FACTS["disabled"] = not hasattr(bpy.types, "SCATTERPROOF_PT_stage")
    bpy.ops.wm.open_mainfile(filepath=str(path))


def finish() -> None:
    """Write the facts for the test that started this."""
    FACTS["rings"] = any(o.modifiers for o in bpy.context.scene.objects if o.name.startswith("Sight rings"))
    (OUT / "facts.json").write_text(json.dumps(FACTS), encoding="utf-8")


window_shots.run(
    [
        (3, install),
        (1, build),
        (1, choose_tab),
        (1, lambda: picture("built")),
        (0.5, rehearse),
        (12, bake),
        (1, lambda: picture("camera")),
        (0.5, at_last_shot),
        (1, lambda: picture("last-shot")),
        (0.5, lambda: view("PERSP")),
        (1, lambda: picture("stage")),
        (0.5, undo),
        (1, save_and_unregister),
        (2, lambda: view("CAMERA")),
        (1, lambda: picture("without-extension")),
        (0.5, finish),
    ]
)
