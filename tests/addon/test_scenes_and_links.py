"""Two scenes, scenes and objects linked from other files, names that change: each works or refuses in words."""

import bpy
import pytest
import scatterproof_addon
from scatterproof_addon.bridge import mark, tags
from scatterproof_addon.bridge.scene import read_plan, read_scene
from scatterproof_addon.store import STORE


@pytest.fixture(autouse=True)
def registered(scene):
    scatterproof_addon.register()
    yield
    scatterproof_addon.unregister()


@pytest.fixture
def library(tmp_path):
    """A file with a stage, a crate and a camera of its own."""
    path = tmp_path / "library.blend"
    bpy.ops.scatterproof.build_stage(template="stages/corner")
    bpy.ops.mesh.primitive_cube_add(size=1, location=(0, 2, 0.5))
    bpy.context.object.name = "crate"
    bpy.ops.object.camera_add(location=(0, -4, 1.5), rotation=(1.57, 0, 0))
    bpy.context.object.name = "their camera"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.read_factory_settings(use_empty=True)
    return path


def test_two_scenes_keep_their_own_plans():
    first = bpy.context.scene
    bpy.ops.scatterproof.build_stage(template="plans/lantern-yard")
    second = bpy.data.scenes.new("second")
    with bpy.context.temp_override(scene=second, view_layer=second.view_layers[0]):
        bpy.ops.scatterproof.build_stage(template="stages/corner")
        bpy.ops.scatterproof.rehearse()
    assert {p.name for p in (read_plan(first), read_plan(second))} == {"Lantern yard", "corner"}
    assert STORE.last(second)
    assert not STORE.last(first)
    kept = read_plan(first)
    with bpy.context.temp_override(scene=second, view_layer=second.view_layers[0]):
        bpy.ops.scatterproof.clear()
    assert read_plan(first) == kept
    first.name = "renamed"
    bpy.data.scenes.remove(second)
    assert bpy.ops.scatterproof.rehearse() == {"FINISHED"}


def test_a_linked_scene_is_refused_in_words_and_stays(library):
    with bpy.data.libraries.load(str(library), link=True) as (there, here):
        here.scenes = there.scenes[:1]
    linked = here.scenes[0]
    before = sorted(thing.name for thing in linked.objects)
    with bpy.context.temp_override(scene=linked, view_layer=linked.view_layers[0]):
        for name in ("build_stage", "scatter", "add_stand", "add_performer", "rehearse", "bake", "clear", "mark"):
            with pytest.raises(RuntimeError, match="linked from another file"):
                getattr(bpy.ops.scatterproof, name)()
    assert sorted(thing.name for thing in linked.objects) == before


def test_linked_objects_are_not_marked_but_overrides_are(library):
    bpy.ops.scatterproof.build_stage(template="plans/lantern-yard")
    with bpy.data.libraries.load(str(library), link=True) as (_, here):
        here.objects = ["crate", "their camera"]
    crate, camera = here.objects
    for thing in here.objects:
        bpy.context.scene.collection.objects.link(thing)
    for thing in bpy.context.scene.objects:
        thing.select_set(thing == crate)
    with pytest.raises(RuntimeError, match="linked from another file"):
        bpy.ops.scatterproof.mark(part="blocker")
    assert mark.MARK not in crate
    bpy.context.view_layer.objects.active = camera
    with pytest.raises(RuntimeError, match="linked from another file"):
        bpy.ops.scatterproof.add_move(move="push")
    mine = crate.override_create(remap_local_usages=True)
    for thing in bpy.context.scene.objects:
        thing.select_set(thing == mine)
    assert bpy.ops.scatterproof.mark(part="blocker") == {"FINISHED"}
    assert read_scene(bpy.context.scene).blockers["crate"] == mine
    assert bpy.ops.scatterproof.rehearse() == {"FINISHED"}


def test_collections_may_be_renamed_emptied_and_removed():
    bpy.ops.scatterproof.build_stage(template="plans/lantern-yard")
    scene = bpy.context.scene
    for child in list(scene.collection.children):
        child.name = f"mine {child.name}"
    bpy.ops.scatterproof.add_stand()
    assert len({thing.users_collection[0].name for thing in tags.tagged(scene, "stand")}) == 1
    bpy.data.collections.remove(next(c for c in scene.collection.children if c.get(tags.PART) == "Markers"))
    assert bpy.ops.scatterproof.rehearse() == {"FINISHED"}
    bpy.ops.scatterproof.build_stage(template="plans/lantern-yard")
    assert tags.tagged(scene, "markers")
