"""Operators as a person runs them: what they report, what they refuse, and that they are named and can be undone."""

import bpy
import pytest
import scatterproof_addon
from scatterproof_addon import ids
from scatterproof_addon.bridge import mark, tags


@pytest.fixture
def ops(scene):
    scatterproof_addon.register()
    yield bpy.ops.scatterproof
    scatterproof_addon.unregister()


def settings(name):
    return getattr(bpy.types, "SCATTERPROOF_OT_" + name.partition(".")[2])


def test_adding_marking_and_exporting(ops, scene, tmp_path):
    assert ops.build_stage(template="plans/lantern-yard") == {"FINISHED"}
    scene.cursor.location = (0.5, 1.0, 0.0)
    assert ops.add_performer() == {"FINISHED"}
    assert bpy.context.object.name == "performer 1"
    assert [t.name for t in bpy.context.selected_objects] == ["performer 1"]
    with pytest.raises(RuntimeError, match="built from the plan as blocker"):
        ops.mark(part="gear")
    bpy.ops.mesh.primitive_cube_add(size=1, location=(2, 2, 0.5))
    assert ops.mark(part="gear") == {"FINISHED"}
    assert bpy.context.object[mark.MARK] == "gear"
    assert ops.export_stage(filepath=str(tmp_path / "stage"), kind="usd") == {"FINISHED"}
    assert (tmp_path / "stage.usd").exists()
    assert ops.save_plan(filepath=str(tmp_path / "plan.toml")) == {"FINISHED"}
    assert {p.name for p in tmp_path.iterdir()} == {"stage.usd", "plan.toml", "plan-Cube.obj"}
    assert ops.mark(part="nothing") == {"FINISHED"}
    assert mark.MARK not in bpy.context.object
    assert ops.clear() == {"FINISHED"}
    assert not tags.tagged(scene, "blocker")
    assert bpy.context.object.name == "Cube"


def test_a_scene_of_marks_alone_has_every_operator(ops, scene):
    with pytest.raises(RuntimeError, match="poll"):
        ops.rehearse()
    bpy.ops.mesh.primitive_plane_add(size=4)
    ops.mark(part="screen")
    with pytest.raises(RuntimeError, match="cameras: found none"):
        ops.rehearse()
    assert ops.add_stand() == {"FINISHED"}
    assert len(tags.tagged(scene, "stand")) == 1


@pytest.mark.parametrize("name", [ids.ADD_PERFORMER, ids.ADD_STAND, ids.MARK])
def test_they_are_named_and_undone(ops, name):
    kind = settings(name)
    assert kind.bl_label
    assert kind.bl_options == {"REGISTER", "UNDO"}
    assert kind.__doc__
