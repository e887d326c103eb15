"""The whole walk with the live overlay, driven from inside a real Blender window, by events where a person would.

Arguments: ZIP OUT_FOLDER. Writes pictures and live-WIDTH.json into OUT_FOLDER; the test that started it judges them.
Open a plan of 450 markers with a shot of 240 frames, scatter anew, rehearse, drag a stand with the mouse, undo, redo,
move and key the camera, give a rehearsal up with Esc, save, load, disable.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

import bpy
import window_shots
from bpy_extras.view3d_utils import location_3d_to_region_2d

ZIP, OUT = (Path(word) for word in sys.argv[-2:])
SHOT, FRAME, FRAMES, SEED = "MB020", 1140, 240, 5
LOST = ("MB030", 1031)  # one flat wall and no stand in view
FACTS: dict[str, object] = {"looks": {}, "stale": {}}
BEGUN: dict[str, float] = {}


def addon(name: str) -> object:
    """A module of the installed extension."""
    return __import__(f"bl_ext.user_default.scatterproof.{name}", fromlist=["*"])


def live() -> object:
    """The overlay's memory of this scene."""
    return addon("overlay.live").LIVES.of(bpy.context.scene)


def width() -> int:
    """The window's."""
    return bpy.context.window_manager.windows[0].width


def picture(name: str) -> None:
    """Save what the window shows."""
    window_shots.shoot(str(OUT / f"live-{name}-{width()}.png"))


def install() -> None:
    """Install the zip as a person would, into an empty scene; open a plan with a longer shot."""
    bpy.ops.extensions.package_install_files(filepath=str(ZIP), repo="user_default", enable_on_install=True)
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)
    from scatterproof.plan.templates import example

    head, tail = example("moonrise-basin").split(f'name = "{SHOT}"')
    tail = tail.replace("frames = [1001, 1192]", f"frames = [1001, {1000 + FRAMES}]", 1)
    path = OUT / "long.toml"
    path.write_text(f'{head}name = "{SHOT}"{tail}', encoding="utf-8")
    with bpy.context.temp_override(**window_shots.view_area()):
        FACTS["open"] = list(bpy.ops.scatterproof.open_plan("EXEC_DEFAULT", True, filepath=str(path)))
        FACTS["scatter"] = list(bpy.ops.scatterproof.scatter("EXEC_DEFAULT", True, seed=SEED))


def tidy() -> None:
    """The sidebar open at our tab, plain colours."""
    space = window_shots.view_area()["area"].spaces.active
    space.show_region_ui = True
    space.shading.type, space.shading.color_type, space.shading.light = "SOLID", "MATERIAL", "FLAT"


def tab() -> None:
    """Our tab, once the region knows it."""
    region = next(r for r in window_shots.view_area()["area"].regions if r.type == "UI")
    region.active_panel_category = "Scatterproof"


def rehearse() -> None:
    """Start the modal rehearsal as a click would."""
    with bpy.context.temp_override(**window_shots.view_area()):
        bpy.ops.scatterproof.rehearse("INVOKE_DEFAULT")


def rehearsed() -> object:
    """Wait for it."""
    return None if live() is not None and not live().work() else window_shots.AGAIN


def give_up() -> None:
    """Press Esc in the middle."""
    event("ESC", "PRESS")
    event("ESC", "RELEASE")


def given_up() -> None:
    """The last rehearsal is still there, nothing else is."""
    FACTS["given up"] = {
        "objects": len(bpy.context.scene.objects),
        "shots": len(addon("store").STORE.last(bpy.context.scene)),
    }


def event(kind: str, value: str = "NOTHING", x: int = 0, y: int = 0) -> None:
    """As if a person did it."""
    bpy.context.window_manager.windows[0].event_simulate(type=kind, value=value, x=x, y=y)


def to_frame(shot: str = SHOT, frame: int = FRAME) -> None:
    """To a shot's frame, through its camera."""
    scene = bpy.context.scene
    start = next(mark.frame for mark in scene.timeline_markers if mark.camera is not None and mark.name == shot)
    scene.frame_set(start + frame - 1001)
    through_camera()


def through_camera() -> None:
    """Through the camera, as large as it fits."""
    where = window_shots.view_area()
    where["area"].spaces.active.region_3d.view_perspective = "CAMERA"
    with bpy.context.temp_override(**where):
        bpy.ops.view3d.view_center_camera()
    timeline = window_shots.view_area("DOPESHEET_EDITOR")
    with bpy.context.temp_override(**timeline):
        bpy.ops.action.view_all()


def from_outside() -> None:
    """From the audience's left."""
    where = window_shots.view_area()
    view = where["area"].spaces.active.region_3d
    view.view_perspective = "PERSP"
    from mathutils import Euler

    view.view_rotation = Euler((1.15, 0.0, -0.55)).to_quaternion()
    with bpy.context.temp_override(**where):
        bpy.ops.view3d.view_all()
    view.view_distance *= 0.55


def bare(on: bool) -> None:
    """The picture alone with the overlay, or again with everything round it."""
    space = window_shots.view_area()["area"].spaces.active
    space.show_region_ui = space.show_region_toolbar = space.show_gizmo = not on
    space.show_region_header = space.show_region_tool_header = not on
    for name in ("show_extras", "show_cursor", "show_text", "show_floor", "show_axis_x", "show_axis_y"):
        setattr(space.overlay, name, not on)


def theme(name: str) -> None:
    """Blender's own dark or light theme."""
    found = next(
        Path(p) / f"{name}.xml" for p in bpy.utils.preset_paths("interface_theme") if (Path(p) / f"{name}.xml").exists()
    )
    bpy.ops.script.execute_preset(filepath=str(found), menu_idname="USERPREF_MT_interface_theme_presets")


def look(name: str) -> None:
    """Save the picture, where in it the camera's gate is, and the plan that the scene holds."""
    where, scene = window_shots.view_area(), bpy.context.scene
    camera, region, area = scene.camera, where["region"], where["area"]
    corners = [camera.matrix_world @ corner for corner in camera.data.view_frame(scene=scene)]
    flat = [location_3d_to_region_2d(region, area.spaces.active.region_3d, c) for c in corners]
    right_top, _, left_low, _ = [[p.x + region.x, p.y + region.y] for p in flat]
    free = addon("overlay.paint").free_box(area, region)
    offset = live().places[SHOT].offset
    FACTS["looks"][name] = {
        "gate": [*left_low, *right_top],
        "view": [region.x + free[0], region.y + free[1], region.x + free[2], region.y + free[3]],
        "frame": scene.frame_current - offset,
        "scale": bpy.context.preferences.system.ui_scale,
        "note": [live().view.note.head, *live().view.note.lines],
        "broken": addon("overlay.paint").HELD.broken,
    }
    with bpy.context.temp_override(**where):
        bpy.ops.scatterproof.save_plan("EXEC_DEFAULT", filepath=str(OUT / f"{name}.toml"))
    picture(name)


def grab() -> None:
    """Select a stand and press G over the view: from here on the mouse drags it."""
    scene, where = bpy.context.scene, window_shots.view_area()
    stand = next(thing for thing in scene.objects if thing.get("scatterproof_entry") == "stand left")
    for thing in scene.objects:
        thing.select_set(thing == stand)
    bpy.context.view_layer.objects.active = stand
    FACTS["stand"] = [list(stand.location)]
    region = where["region"]
    BEGUN["x"], BEGUN["y"] = region.x + region.width // 3, region.y + region.height // 2
    event("MOUSEMOVE", x=BEGUN["x"], y=BEGUN["y"])
    event("G", "PRESS", BEGUN["x"], BEGUN["y"])
    event("G", "RELEASE", BEGUN["x"], BEGUN["y"])
    live().update_s.clear()
    held = addon("overlay.paint").HELD
    held.batch_s.clear()
    held.submit_s.clear()
    FACTS["drawn_s"] = []


def drag() -> None:
    """One move of the mouse, and how long the window takes to draw what comes of it."""
    BEGUN["x"] += 6
    event("MOUSEMOVE", x=BEGUN["x"], y=BEGUN["y"])


def redrawn() -> None:
    """The time that the whole window takes to draw."""
    started = time.perf_counter()
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[0]):
        bpy.ops.wm.redraw_timer(type="DRAW_WIN_SWAP", iterations=1)
    FACTS["drawn_s"].append(time.perf_counter() - started)


def in_hand() -> None:
    """While the mouse still holds it."""
    FACTS["stale"]["dragging"] = told()
    picture("dragging")


def told() -> dict[str, object]:
    """What the overlay says."""
    view = live().view
    return {"note": [view.note.head, *view.note.lines], "stale": [bool((bar == 3).all()) for _, bar in view.bars]}


def drop() -> None:
    """Let go, and note what the updates took."""
    event("RET", "PRESS", BEGUN["x"], BEGUN["y"])
    event("RET", "RELEASE", BEGUN["x"], BEGUN["y"])


def dropped() -> None:
    """What the drag cost."""
    held = addon("overlay.paint").HELD
    FACTS["cost"] = {"update": live().update_s, "batch": held.batch_s, "submit": held.submit_s}
    FACTS["markers"] = len(live().layout.markers.name)
    FACTS["stand"].append(stand_at())


def stand_at() -> list[float]:
    """Where the stand is."""
    return list(next(t for t in bpy.context.scene.objects if t.get("scatterproof_entry") == "stand left").location)


def followed() -> object:
    """Wait until the rest of the shots has followed; how long that took since it was let go."""
    BEGUN.setdefault("rest", time.monotonic())
    if live().work():
        return window_shots.AGAIN
    FACTS.setdefault("rest_s", time.monotonic() - BEGUN["rest"])
    FACTS["stale"].setdefault("followed", told())
    return None


def history(step: str) -> None:
    """Undo or redo."""
    with bpy.context.temp_override(**window_shots.view_area()):
        getattr(bpy.ops.ed, step)()
    FACTS["stand"].append(stand_at())


def move_camera() -> None:
    """Move the camera without a key, in steps; what the updates took."""
    camera = bpy.context.scene.camera
    live().update_s.clear()
    for _ in range(12):
        camera.location.x += 0.02
        bpy.context.view_layer.update()
    FACTS["camera cost"] = live().update_s
    FACTS["stale"]["unkeyed"] = told()


def key_camera() -> None:
    """Key it: now the whole shot follows."""
    camera = bpy.context.scene.camera
    camera.keyframe_insert("location", frame=bpy.context.scene.frame_current)
    bpy.context.view_layer.update()
    FACTS["stale"]["keyed"] = told()
    BEGUN.pop("rest", None)


def save_and_load() -> None:
    """Save, and open again: what was rehearsed is forgotten, and nothing old is drawn."""
    path = OUT / "live.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.open_mainfile(filepath=str(path))
    FACTS["loaded"] = {"live": live() is not None, "idle": bpy.app.timers.is_registered(addon("overlay.watch")._idle)}


def disable() -> None:
    """Disable: no handler, no timer, no drawing is left."""
    watch, overlay = addon("overlay.watch"), addon("overlay")
    bpy.ops.preferences.addon_disable(module="bl_ext.user_default.scatterproof")
    left = [name for name, function in watch.HANDLERS.items() if function in getattr(bpy.app.handlers, name)]
    FACTS["left"] = [*left, *map(str, overlay._DRAWN)] + ["idle"] * bpy.app.timers.is_registered(watch._idle)


def finish() -> None:
    """Write the facts."""
    (OUT / f"live-{width()}.json").write_text(json.dumps(FACTS), encoding="utf-8")


START = [
    (3, install),
    (0.5, tidy),
    (0.5, tab),
    (0.3, rehearse),
    (0.3, rehearsed),
    (0.3, lambda: to_frame(*LOST)),
    (1, lambda: picture("lost-dark")),
    (0.3, to_frame),
    (1, lambda: picture("camera-dark")),
    (0.3, from_outside),
    (1, lambda: picture("free-dark")),
    (0.2, lambda: theme("Blender_Light")),
    (1, lambda: picture("free-light")),
    (0.2, through_camera),
    (1, lambda: picture("camera-light")),
    (0.2, lambda: theme("Blender_Dark")),
]
REST = [
    (0.3, lambda: bare(True)),
    (0.3, through_camera),
    (1, lambda: look("before")),
    (0.3, grab),
    *[(0.1, step) for _ in range(12) for step in (drag, redrawn)],
    (0.2, in_hand),
    (0.2, drop),
    (0.2, dropped),
    (0.2, followed),
    (0.5, lambda: look("after")),
    (0.3, lambda: history("undo")),
    (0.3, followed),
    (0.3, lambda: history("redo")),
    (0.3, followed),
    (0.3, move_camera),
    (0.3, lambda: picture("unkeyed")),
    (0.3, key_camera),
    (0.3, followed),
    (0.5, lambda: look("keyed")),
    (0.3, rehearse),
    (0.1, give_up),
    (0.5, given_up),
    (0.3, save_and_load),
    (0.5, disable),
]
if __name__ == "__main__":
    walked_at = int(os.environ.get("BLENDER_WINDOW_SIZE", "1600x900").split("x")[0])
    window_shots.run([*START, *(REST if walked_at >= 1600 else []), (0.3, finish)])
