"""plan -> scene -> plan, with and without edits by hand."""

import dataclasses
from pathlib import Path

import bpy
import numpy as np
import pytest
from hypothesis import HealthCheck, given, reject, settings
from plan_strategy import plans
from scatterproof.camera.track import camera_track
from scatterproof.plan.model import CameraKey, Panel
from scatterproof.plan.read import load_plan
from scatterproof.plan.templates import template_folder
from scatterproof.problems import BadInput
from scatterproof_addon.bridge import tags
from scatterproof_addon.bridge.scene import build_scene, clear_scene, plan_text, read_plan, shot_places

EXAMPLES = sorted((template_folder() / "plans").glob("*.toml"))


@pytest.fixture
def built(scene):
    plan = load_plan(template_folder() / "plans" / "lantern-yard.toml").plan
    build_scene(scene, plan, Path())
    return plan


def differences(a, b, where="plan"):
    """Paths at which two plans differ, for a message that helps."""
    if dataclasses.is_dataclass(a) and type(a) is type(b):
        return [
            d
            for f in dataclasses.fields(a)
            for d in differences(getattr(a, f.name), getattr(b, f.name), f"{where}.{f.name}")
        ]
    if isinstance(a, tuple) and isinstance(b, tuple) and len(a) == len(b):
        return [d for i, (x, y) in enumerate(zip(a, b, strict=True)) for d in differences(x, y, f"{where}[{i}]")]
    return [] if a == b else [f"{where}: {a!r:.80} -> {b!r:.80}"]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_examples_survive(scene, path):
    file = load_plan(path)
    build_scene(scene, file.plan, path.parent, file.text)
    assert differences(file.plan, read_plan(scene)) == []
    assert plan_text(scene) == file.text


@given(plans())
@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
def test_random_plans_survive(plan):
    scene = bpy.context.scene
    try:
        build_scene(scene, plan, Path())
    except BadInput:
        reject()  # markers that do not fit, coves larger than their walls: nothing was built
    assert differences(plan, read_plan(scene)) == []


def test_what_a_person_did_by_hand_comes_back(scene, built):
    stand = tags.tagged(scene, "stand")[0]
    old = next(s for s in built.stands if s.name == stand.name)
    stand.location.x += 0.75
    stand.scale.z = 1.2
    bpy.context.view_layer.update()
    new = next(s for s in read_plan(scene).stands if s.name == old.name)
    assert new.at == pytest.approx((old.at[0] + 0.75, old.at[1]), abs=1e-5)
    assert new.height == pytest.approx(old.height * 1.2, rel=1e-6)
    assert new.bands == pytest.approx([b * 1.2 for b in old.bands], rel=1e-6)
    assert dataclasses.replace(read_plan(scene), stands=built.stands) == built


def test_a_wall_scaled_and_turned_by_hand(scene, built):
    wall = built.stage.walls[0]
    thing = next(t for t in tags.tagged(scene, "wall") if t.name == wall.name)
    thing.scale = (0.5, 0.9, 1.0)
    bpy.context.view_layer.update()
    new = read_plan(scene).stage.walls[0]
    along = np.subtract(wall.end, wall.start)
    assert np.subtract(new.end, new.start) == pytest.approx(along * 0.5, abs=1e-5)
    assert new.height == pytest.approx(wall.height * 0.9, rel=1e-6)
    assert new.lean == wall.lean
    thing.rotation_euler.rotate_axis("Z", 0.1)  # the lower edge is no longer level
    bpy.context.view_layer.update()
    assert any(isinstance(p, Panel) and p.name == wall.name for p in read_plan(scene).stage.panels)


def test_renamed_duplicated_and_deleted_objects(scene, built):
    first, *_ = tags.tagged(scene, "stand")
    origin = first.name
    copy = first.copy()
    copy.data = first.data.copy()
    copy.name = "door stand"
    copy.location.y += 1
    scene.collection.objects.link(copy)
    wall = tags.tagged(scene, "wall")[0]
    old_wall = wall.name
    wall.name = "rear wall"
    bpy.context.view_layer.update()
    plan = read_plan(scene)
    assert {origin, "door stand"} <= {s.name for s in plan.stands}
    assert len(plan.stands) == len(built.stands) + 1
    assert "rear wall" in {w.name for w in plan.stage.walls}
    assert not any(old_wall in s.surfaces for s in plan.markers)
    assert not any(old_wall in cove.between for cove in plan.stage.coves)
    bpy.data.objects.remove(first)
    assert origin not in {s.name for s in read_plan(scene).stands}


def test_a_marker_moved_in_edit_mode_stays_where_it_was_put(scene, built):
    thing = next(t for t in tags.tagged(scene, "markers") if len(t.data.polygons))
    face = thing.data.polygons[0]
    for index in face.vertices:
        thing.data.vertices[index].co += thing.matrix_world.to_3x3() @ face.normal.orthogonal() * 0.05
    thing.data.update()
    read = next(s for s in read_plan(scene).markers if s.name == thing.name)
    old = next(s for s in built.markers if s.name == thing.name)
    assert old.layout != "placed"
    assert read.layout == "placed"
    assert len(read.placed) == len(thing.data.polygons)
    assert dataclasses.replace(read_plan(scene), markers=built.markers) == built


def test_a_camera_that_aims_and_rolls_is_where_the_plan_has_it(scene, built):
    keys = [CameraKey(frame=f, at=(x, -4, 1.6), aim=(0, 4, 1), roll=r) for f, x, r in ((1001, -1, 0.2), (1060, 1, 0.5))]
    shot = dataclasses.replace(built.shots[0], move=None, keys=tuple(keys))
    plan = dataclasses.replace(built, shots=(shot, *built.shots[1:]))
    build_scene(scene, plan, Path())
    track = camera_track(plan, shot)
    seen = seen_by_blender(scene, shot_camera(scene, shot.name), [1, 40])  # the first shot starts at frame 1
    np.testing.assert_allclose(seen, track.world_from_cam[[0, 39]], atol=1e-4)
    assert read_plan(scene) == plan


def shot_camera(scene, name):
    return next(t for t in tags.tagged(scene, "shot") if tags.entry_of(t) == name)


def seen_by_blender(scene, camera, frames):
    from scatterproof.camera.axes import flip_camera_axes

    poses = []
    for frame in frames:
        scene.frame_set(frame)
        poses.append(np.array(camera.evaluated_get(bpy.context.evaluated_depsgraph_get()).matrix_world))
    return flip_camera_axes(np.array(poses))


def test_a_rekeyed_camera_comes_back_as_keys(scene, built):
    from scatterproof_addon.bridge.animation import clear_animation, write_keys
    from scatterproof_addon.bridge.scene import timeline

    shot = built.shots[0]
    camera, offset = shot_camera(scene, shot.name), timeline(built)[shot.name]
    clear_animation(camera)
    for constraint in list(camera.constraints):
        camera.constraints.remove(constraint)
    frames = [shot.frames[0] + offset, shot.frames[0] + offset + 20, shot.frames[1] + offset]
    where = [(0.1, -4, 1.5), (0.5, -3.5, 1.7), (0.4, -3.0, 1.2)]
    turns = [(1.5, 0, 0.1), (1.6, 0.02, 0.0), (1.55, 0, -0.2)]
    modes = ["bezier", "back", "linear"]
    write_keys(camera, "location", frames, where, modes)
    write_keys(camera, "rotation_euler", frames, turns, modes)
    read = read_plan(scene).shots[0]
    assert read.move is None
    assert not read.samples
    assert [key.interpolation for key in read.keys] == modes
    expected = seen_by_blender(scene, camera, range(frames[0], frames[-1] + 1))
    made = camera_track(read_plan(scene), read).world_from_cam
    assert np.abs(made - expected).max() < 2e-4


@pytest.mark.parametrize("how", ["parent", "constraint", "driver", "curve keys of its own"])
def test_a_camera_animated_in_any_other_way_is_sampled(scene, built, how):
    from scatterproof_addon.bridge.animation import clear_animation, write_keys
    from scatterproof_addon.bridge.scene import timeline

    shot = built.shots[0]
    camera, offset = shot_camera(scene, shot.name), timeline(built)[shot.name]
    first, last = (frame + offset for frame in shot.frames)
    carrier = bpy.data.objects.new("carrier", None)
    scene.collection.objects.link(carrier)
    write_keys(carrier, "location", [first, last], [(0, 0, 0), (0.7, 0.3, 0.1)], ["sine", "sine"])
    if how == "parent":
        camera.parent = carrier
    elif how == "constraint":
        clear_animation(camera)
        constraint = camera.constraints.new("COPY_LOCATION")
        constraint.target = carrier
    elif how == "driver":
        clear_animation(camera)
        curve = camera.driver_add("location", 0)
        curve.driver.expression = "frame / 100"
    else:
        clear_animation(camera)
        write_keys(camera, "location", [first, last], [(0, -4, 1.5), (0.4, -3, 1.5)], ["bezier", "bezier"])
        write_keys(camera, "rotation_euler", [first, last - 5], [(1.5, 0, 0), (1.6, 0, 0.1)], ["bezier", "bezier"])
    plan = read_plan(scene)
    read = plan.shots[0]
    assert read.move is None
    assert len(read.samples) == last - first + 1
    expected = seen_by_blender(scene, camera, range(first, last + 1))
    assert np.abs(camera_track(plan, read).world_from_cam - expected).max() < 1e-5


def test_lens_focus_and_stop_changed_by_hand(scene, built):
    shot = built.shots[0]
    data = shot_camera(scene, shot.name).data
    data.lens, data.dof.aperture_fstop, data.dof.focus_distance = 41.0, 8.0, 3.25
    read = read_plan(scene).shots[0]
    assert (read.focal_length, read.stop, read.focus) == pytest.approx((41.0, 8.0, 3.25), rel=1e-6)


def test_a_scene_in_other_units_reads_back_in_metres(scene):
    plan = load_plan(template_folder() / "plans" / "lantern-yard.toml").plan
    scene.unit_settings.scale_length = 0.01  # one Blender unit is a centimetre
    build_scene(scene, plan, Path())
    assert max(t.location.length for t in tags.tagged(scene, "stand")) > 50
    assert differences(plan, read_plan(scene)) == []


def test_two_scenes_in_one_file_keep_apart(scene, built):
    other = bpy.data.scenes.new("second")
    plan = load_plan(template_folder() / "plans" / "clockwork-attic.toml").plan
    bpy.context.window.scene = other
    build_scene(other, plan, Path())
    assert differences(plan, read_plan(other)) == []
    bpy.context.window.scene = scene
    assert differences(built, read_plan(scene)) == []


def test_save_and_reload(scene, built, tmp_path):
    path = tmp_path / "bühne.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=str(path))
    assert differences(built, read_plan(bpy.context.scene)) == []


def test_clearing_leaves_what_was_not_ours(scene, built):
    own = bpy.data.objects.new("my prop", None)
    scene.collection.objects.link(own)
    removed = clear_scene(scene)
    assert removed > len(built.stands)
    assert [thing.name for thing in scene.objects] == ["my prop"]
    assert not bpy.data.actions
    assert not bpy.data.cameras
    with pytest.raises(BadInput):
        read_plan(scene)


def test_shots_are_bound_to_the_timeline(scene, built):
    bound = {mark.camera.name: mark.frame for mark in scene.timeline_markers if mark.camera}
    assert set(bound) == {shot.name for shot in built.shots}
    assert scene.frame_start == min(bound.values())


def test_who_is_not_in_a_shot_is_not_seen_in_it(scene):
    """Moonrise basin: the ferrywoman plays in the first and last shot, the porter in the last, the crates in three."""
    plan = load_plan(template_folder() / "plans" / "moonrise-basin.toml").plan
    build_scene(scene, plan, Path())
    things = {tags.entry_of(thing): thing for thing in tags.tagged(scene, "blocker")}
    for shot, place in shot_places(scene).items():
        first, last = next(s.frames for s in plan.shots if s.name == shot)
        for frame in (first, last):
            scene.frame_set(frame + place.offset)
            for blocker in plan.blockers:
                out = bool(blocker.shots) and shot not in blocker.shots
                assert things[blocker.name].hide_viewport == out, (shot, blocker.name)
                assert things[blocker.name].hide_render == out
