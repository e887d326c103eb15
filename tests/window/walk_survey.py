"""A survey in a real Blender window: read in slices, looked at, accepted, undone; a file that leaves its unit open.

Arguments: ZIP OUT_FOLDER. Writes pictures and survey.json into OUT_FOLDER; the test that started it judges them.
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

import bpy
import numpy as np
import window_shots
from bpy_extras.view3d_utils import location_3d_to_region_2d

ZIP, OUT = (Path(word) for word in sys.argv[-2:])
PLAN = "lantern-yard"
FACTS: dict[str, object] = {}


def picture(name: str) -> None:
    """Save what the window shows."""
    window_shots.shoot(str(OUT / f"{name}.png"))


def prepare() -> None:
    """Install the zip, build a stage, leave the Survey panel alone in the tab."""
    bpy.ops.extensions.package_install_files(filepath=str(ZIP), repo="user_default", enable_on_install=True)
    for thing in list(bpy.data.objects):
        bpy.data.objects.remove(thing)
    with bpy.context.temp_override(**window_shots.view_area()):
        bpy.ops.scatterproof.build_stage("EXEC_DEFAULT", True, template=f"plans/{PLAN}")
    from bl_ext.user_default.scatterproof import ui
    from bl_ext.user_default.scatterproof.ui.survey import SurveyPanel

    ui.unregister()
    SurveyPanel.bl_options = set()
    bpy.utils.register_class(SurveyPanel)
    space = window_shots.view_area()["area"].spaces.active
    space.show_region_ui = True
    space.shading.type, space.shading.color_type, space.shading.light = "SOLID", "MATERIAL", "FLAT"


def choose_tab() -> None:
    """Bring our tab to the front, and look from the audience's side."""
    where = window_shots.view_area()
    next(r for r in where["area"].regions if r.type == "UI").active_panel_category = "Scatterproof"
    region = where["area"].spaces.active.region_3d
    region.view_perspective = "PERSP"
    region.view_rotation = (0.78, 0.62, 0.06, 0.08)
    with bpy.context.temp_override(**where):
        bpy.ops.view3d.view_all()


def survey(head: tuple[str, ...], name: str) -> Path:
    """A list of what stands on the stage, in the surveyor's axes: 3 moved, two swapped, two left out, one extra."""
    from bl_ext.user_default.scatterproof.bridge.folders import plan_folder
    from bl_ext.user_default.scatterproof.bridge.scene import read_plan
    from scatterproof.sightings.need import planned_layout
    from scatterproof.survey.targets import targets_of

    plan = read_plan(bpy.context.scene)
    targets = targets_of(plan, planned_layout(plan, plan_folder(bpy.context.scene)))
    real = targets.position_m + np.random.default_rng(1).normal(0, 0.001, targets.position_m.shape)
    real[2] += [0.09, 0, 0.02]
    real[30] += [-0.05, 0, 0.04]
    real[np.char.startswith(targets.number, "S1")] += [0.12, -0.07, 0]
    real[[40, 41]] = real[[41, 40]]
    turned = np.column_stack([real[:, 1], -real[:, 0], real[:, 2]]) + np.array([100.0, 200.0, 10.0])
    path = OUT / name
    with path.open("w", newline="", encoding="utf-8") as out:
        rows = [[n, *at.round(4), 0.002] for n, at in zip(targets.number, turned, strict=True)]
        csv.writer(out).writerows([head, *rows[:5], *rows[6:20], *rows[21:], ["tripod", 96.0, 201.0, 11.5, 0.002]])
    return path


def read(path: Path) -> None:
    """Choose the file as the file browser does; matching then goes on in slices."""
    with bpy.context.temp_override(**window_shots.view_area()):
        words = {"directory": str(path.parent), "files": [{"name": path.name}]}
        FACTS["read"] = list(bpy.ops.scatterproof.read_survey("EXEC_DEFAULT", True, **words))


def shown() -> object:
    """Wait until it is matched."""
    from bl_ext.user_default.scatterproof.flows.surveying import SURVEYS

    seen = SURVEYS.of(bpy.context.scene)
    if seen is None:
        return window_shots.AGAIN
    FACTS["summary"] = seen.summary
    return None


def asked() -> object:
    """Wait until the question is there."""
    from bl_ext.user_default.scatterproof.flows.surveying import SURVEYS

    lines = SURVEYS.asked(bpy.context.scene)
    if not lines:
        return window_shots.AGAIN
    FACTS["asked"] = list(lines)
    return None


def marks() -> list[bpy.types.Object]:
    """Arrows and other marks."""
    return [thing for thing in bpy.context.scene.objects if "scatterproof_survey" in thing]


def points() -> None:
    """Where the heads of arrows are in the window."""
    where = window_shots.view_area()
    found = []
    for thing in marks():
        if thing.name.endswith(" off"):
            *ring, tip = (vertex.co for vertex in thing.data.vertices[-13:])
            middle = thing.matrix_world @ (0.6 * (ring[0] + ring[6]) / 2 + 0.4 * tip)
            at = location_3d_to_region_2d(where["region"], where["area"].spaces.active.region_3d, middle)
            found.append([at.x + where["region"].x, at.y + where["region"].y])
    FACTS["arrows"] = found


def steps() -> None:
    """Accept all, undo, redo, undo: how many marks there are."""
    counts = [len(marks())]
    for step in (
        lambda: bpy.ops.scatterproof.accept_survey("EXEC_DEFAULT", True),
        bpy.ops.ed.undo,
        bpy.ops.ed.redo,
    ):
        with bpy.context.temp_override(**window_shots.view_area()):
            step()
        counts.append(len(marks()))
    FACTS["marks"] = counts


def discard() -> None:
    """Away with it."""
    with bpy.context.temp_override(**window_shots.view_area()):
        bpy.ops.scatterproof.discard_survey("EXEC_DEFAULT", True)


def finish() -> None:
    """Write the facts; let the add-on have its panels back."""
    from bl_ext.user_default.scatterproof import ui
    from bl_ext.user_default.scatterproof.ui.survey import SurveyPanel

    bpy.utils.unregister_class(SurveyPanel)
    ui.register()
    (OUT / "survey.json").write_text(json.dumps(FACTS), encoding="utf-8")


if __name__ == "__main__":
    known = ("point", "x_m", "y_m", "z_m", "sigma_m")
    window_shots.run(
        [
            (3, prepare),
            (0.5, choose_tab),
            (1, lambda: picture("survey-empty")),
            (0.5, lambda: read(survey(known, "survey.csv"))),
            (0.5, shown),
            (1, points),
            (0.2, lambda: picture("survey-read")),
            (0.5, steps),
            (1, lambda: picture("survey-accepted")),
            (0.5, discard),
            (0.5, lambda: read(survey(tuple(n.removesuffix("_m") for n in known), "open.csv"))),
            (0.5, asked),
            (1, lambda: picture("survey-asked")),
            (0.5, finish),
        ]
    )
