"""A .blend and the mesh files that its plan names can be moved together: the folder is kept relative to the .blend."""

import dataclasses
import shutil
from pathlib import Path

import bpy
import pytest
import scatterproof_addon
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.plan.write import dump_plan
from scatterproof_addon.bridge import tags
from scatterproof_addon.bridge.folders import absolute, plan_folder, relative
from scatterproof_addon.flows import staging

TETRAHEDRON = "v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nf 1 3 2\nf 1 2 4\nf 2 3 4\nf 3 1 4\n"


@pytest.fixture
def registered():
    scatterproof_addon.register()
    yield
    scatterproof_addon.unregister()


def plan_with_mesh(folder: Path) -> Path:
    plan = parse_plan(example("lantern-yard")).plan
    first = dataclasses.replace(plan.blockers[0], kind="mesh", file="rock.obj", size=(1.0, 1.0, 1.0))
    folder.mkdir(parents=True)
    (folder / "rock.obj").write_text(TETRAHEDRON)
    (folder / "plan.toml").write_text(dump_plan(dataclasses.replace(plan, blockers=(first, *plan.blockers[1:]))))
    return folder / "plan.toml"


def test_a_plan_without_files_leaves_no_path(scene):
    staging.build_from_template(scene, "plans", "lantern-yard")
    assert tags.FOLDER not in scene


def test_both_move_together(registered, tmp_path):
    home = tmp_path / "größe 1"
    staging.open_plan(bpy.context.scene, plan_with_mesh(home / "stage"))
    assert plan_folder(bpy.context.scene) == (home / "stage").resolve()
    bpy.ops.wm.save_as_mainfile(filepath=str(home / "yard.blend"))
    assert bpy.context.scene[tags.FOLDER] == "//stage"
    shutil.move(home, tmp_path / "elsewhere")
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "elsewhere" / "yard.blend"))
    assert plan_folder(bpy.context.scene) == (tmp_path / "elsewhere" / "stage").resolve()


def test_saving_elsewhere_and_saving_copies(registered, tmp_path):
    staging.open_plan(bpy.context.scene, plan_with_mesh(tmp_path / "stage"))
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "yard.blend"))
    (tmp_path / "deep" / "er").mkdir(parents=True)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "deep" / "er" / "copy.blend"), copy=True)
    assert bpy.context.scene[tags.FOLDER] == "//stage"
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "deep" / "yard.blend"))
    assert bpy.context.scene[tags.FOLDER] == "//../stage"
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "deep" / "er" / "copy.blend"))
    assert bpy.context.scene[tags.FOLDER] == "//../../stage"
    assert plan_folder(bpy.context.scene) == (tmp_path / "stage").resolve()


def test_before_the_first_save_it_is_whole(tmp_path):
    assert relative(tmp_path, "") == str(tmp_path)
    assert absolute(relative(tmp_path / "a", str(tmp_path / "b" / "c.blend")), str(tmp_path / "b" / "c.blend")) == str(
        tmp_path / "a"
    )
