"""The solve preview in a real Blender window: solved beside the window, given up, solved again, undone.

Arguments: ZIP OUT_FOLDER. Writes pictures and solve.json into OUT_FOLDER; the test that started it judges them.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import bpy
import window_shots

ZIP, OUT = (Path(word) for word in sys.argv[-2:])
PLAN, SHOT, FRAME = "lantern-yard", "LY030", 1060
FACTS: dict[str, object] = {}


def picture(name: str) -> None:
    """Save what the window shows."""
    window_shots.shoot(str(OUT / f"{name}.png"))


def panel() -> type:
    """The panel's class in the installed extension."""
    from bl_ext.user_default.scatterproof.ui.solve import SolvePanel

    return SolvePanel


def prepare() -> None:
    """Install the zip, build a stage, leave the Solve preview panel alone in the tab, rehearse."""
    bpy.ops.extensions.package_install_files(filepath=str(ZIP), repo="user_default", enable_on_install=True)
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)
    with bpy.context.temp_override(**window_shots.view_area()):
        bpy.ops.scatterproof.build_stage("EXEC_DEFAULT", True, template=f"plans/{PLAN}")
        bpy.ops.scatterproof.rehearse("EXEC_DEFAULT")
    from bl_ext.user_default.scatterproof import ui

    ui.unregister()
    bpy.utils.register_class(panel())
    window_shots.view_area()["area"].spaces.active.show_region_ui = True


def choose_tab() -> None:
    """Bring our tab to the front, look through the shot's camera."""
    from bl_ext.user_default.scatterproof.bridge.scene import shot_places

    place = shot_places(bpy.context.scene)[SHOT]
    bpy.context.scene.camera = place.camera
    bpy.context.scene.frame_set(FRAME + place.offset)
    area = window_shots.view_area()["area"]
    area.spaces.active.region_3d.view_perspective = "CAMERA"
    next(r for r in area.regions if r.type == "UI").active_panel_category = "Scatterproof"
    area.tag_redraw()


def solve() -> None:
    """Press the button."""
    with bpy.context.temp_override(**window_shots.view_area()):
        FACTS["pressed"] = list(bpy.ops.scatterproof.preview_solve("INVOKE_DEFAULT"))


def give_up() -> None:
    """Press Esc."""
    window = bpy.context.window_manager.windows[0]
    at = window_shots.view_area()["region"]
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type="ESC", value=value, x=at.x + at.width // 2, y=at.y + at.height // 2)


def shown() -> list[list[object]]:
    """What the panel tells."""
    from bl_ext.user_default.scatterproof.flows import solving

    return [list(told) for told in solving.shown(bpy.context.scene)]


def given_up() -> None:
    """Nothing is there."""
    FACTS["given up"] = shown()


def solved() -> object:
    """Wait for it."""
    FACTS["solved"] = shown()
    FACTS["cameras"] = sorted(t.name for t in bpy.data.objects if t.type == "CAMERA" and "solved" in t.name)
    return None if FACTS["solved"] else window_shots.AGAIN


def undo() -> None:
    """One step back."""
    with bpy.context.temp_override(**window_shots.view_area()):
        bpy.ops.ed.undo()
    FACTS["undone"] = shown()


def finish() -> None:
    """Write the facts; let the add-on have its panels back."""
    from bl_ext.user_default.scatterproof import ui

    bpy.utils.unregister_class(panel())
    ui.register()
    (OUT / "solve.json").write_text(json.dumps(FACTS), encoding="utf-8")


if __name__ == "__main__":
    window_shots.run(
        [
            (3, prepare),
            (0.5, choose_tab),
            (1, lambda: picture("solve-empty")),
            (0.5, solve),
            (0.5, give_up),
            (1, given_up),
            (0.2, solve),
            (1, solved),
            (1, lambda: picture("solve-done")),
            (0.5, undo),
            (0.5, finish),
        ]
    )
