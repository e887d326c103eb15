"""The rig kit in a real Blender window: made in slices, given up, made again, its sheets turned and read.

Arguments: ZIP OUT_FOLDER. Writes pictures and kit.json into OUT_FOLDER; the test that started it judges them.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import bpy
import window_shots

ZIP, OUT = (Path(word) for word in sys.argv[-2:])
PLAN = "lantern-yard"
FACTS: dict[str, object] = {}


def picture(name: str) -> None:
    """Save what the window shows."""
    window_shots.shoot(str(OUT / f"{name}.png"))


def prepare() -> None:
    """Install the zip, build a stage, leave the Rig kit panel alone in the tab."""
    bpy.ops.extensions.package_install_files(filepath=str(ZIP), repo="user_default", enable_on_install=True)
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)
    with bpy.context.temp_override(**window_shots.view_area()):
        bpy.ops.scatterproof.build_stage("EXEC_DEFAULT", True, template=f"plans/{PLAN}")
    from bl_ext.user_default.scatterproof import ui
    from bl_ext.user_default.scatterproof.ui.kit import KitPanel

    ui.unregister()
    KitPanel.bl_options = set()
    bpy.utils.register_class(KitPanel)
    window_shots.view_area()["area"].spaces.active.show_region_ui = True


def choose_tab() -> None:
    """Bring our tab to the front."""
    area = window_shots.view_area()["area"]
    next(r for r in area.regions if r.type == "UI").active_panel_category = "Scatterproof"
    area.tag_redraw()


def preview() -> None:
    """Start making it as a click would."""
    with bpy.context.temp_override(**window_shots.view_area()):
        FACTS["preview"] = list(bpy.ops.scatterproof.preview_kit("INVOKE_DEFAULT"))


def made() -> object:
    """Wait for it."""
    from bl_ext.user_default.scatterproof.flows.kitting import KITS

    kit = KITS.of(bpy.context.scene)
    if kit is None:
        return window_shots.AGAIN
    FACTS["sheets"] = [page.title for page in kit.kit.pages]
    FACTS["warnings"] = list(kit.kit.warnings)
    return None


def turn(sheet: int) -> None:
    """Turn to a sheet, counted from 1."""
    from bl_ext.user_default.scatterproof.flows.kitting import KITS

    with bpy.context.temp_override(**window_shots.view_area()):
        bpy.ops.scatterproof.turn_sheet("EXEC_DEFAULT", sheet=sheet)
    FACTS["icon"] = KITS.icon(bpy.context.scene)


def scrolled() -> None:
    """The lower part of the panel."""
    where = window_shots.view_area()
    region = next(r for r in where["area"].regions if r.type == "UI")
    with bpy.context.temp_override(window=where["window"], area=where["area"], region=region):
        bpy.ops.view2d.scroll_down("EXEC_DEFAULT", deltay=-5000)


def write() -> None:
    """Write it."""
    bpy.context.scene.scatterproof_rig_kit.folder = str(OUT / "kit")
    with bpy.context.temp_override(**window_shots.view_area()):
        FACTS["write"] = list(bpy.ops.scatterproof.write_kit("EXEC_DEFAULT"))
    FACTS["written"] = sorted(p.name for p in (OUT / "kit").iterdir())


def read_sheet() -> None:
    """Open the shown sheet, here in an area of the same window."""
    area = max(bpy.context.window_manager.windows[0].screen.areas, key=lambda a: a.width * a.height)
    area.type = "IMAGE_EDITOR"
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[0], area=area):
        FACTS["read"] = list(bpy.ops.scatterproof.open_sheet("EXEC_DEFAULT"))
    region = next(r for r in area.regions if r.type == "WINDOW")
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[0], area=area, region=region):
        bpy.ops.image.view_all(fit_view=True)


def finish() -> None:
    """Write the facts; let the add-on have its panels back."""
    from bl_ext.user_default.scatterproof import ui
    from bl_ext.user_default.scatterproof.ui.kit import KitPanel

    bpy.utils.unregister_class(KitPanel)
    ui.register()
    (OUT / "kit.json").write_text(json.dumps(FACTS), encoding="utf-8")


if __name__ == "__main__":
    window_shots.run(
        [
            (3, prepare),
            (0.5, choose_tab),
            (1, lambda: picture("kit-empty")),
            (0.5, preview),
            (0.3, lambda: picture("kit-making")),
            (0.5, made),
            (1, lambda: picture("kit-made")),
            (0.5, lambda: turn(3)),
            (1, lambda: picture("kit-turned")),
            (0.5, scrolled),
            (1, lambda: picture("kit-scrolled")),
            (0.5, write),
            (0.5, read_sheet),
            (1, lambda: picture("kit-read")),
            (0.5, finish),
        ]
    )
