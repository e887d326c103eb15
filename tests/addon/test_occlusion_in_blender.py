"""What marked meshes hide, against Blender's own ray cast into the evaluated scene (Scene.ray_cast).

Lines of sight that change their answer when turned by 0.01 mrad are left out: both sides compute in single precision.
"""

import math

import bpy
import numpy as np
import pytest
from mathutils import Matrix, Vector
from scatterproof.problems import BadInput
from scatterproof.steps import finish
from scatterproof_addon.bridge import occluders
from scatterproof_addon.bridge.mark import mark_objects
from scatterproof_addon.bridge.scene import read_scene

HAIR = 1e-3  # a line of sight ends this far before its point


def add(scene, kind, name, **settings):
    getattr(bpy.ops.mesh, f"primitive_{kind}_add")(**settings)
    thing = bpy.context.object
    thing.name = name
    return thing


def key_pose(thing, frame, rng):
    thing.location, thing.rotation_euler = rng.uniform(-2, 2, 3), rng.uniform(-3, 3, 3)
    thing.keyframe_insert("location", frame=frame)
    thing.keyframe_insert("rotation_euler", frame=frame)


def rigid_scene(scene, rng):
    """Cubes, cones, balls and heads that fly about, stretched, mirrored, and sheared by a parent that turns."""
    things = [
        add(scene, "cube", "stretched", scale=rng.uniform(0.2, 1.5, 3)),
        add(scene, "cone", "mirrored", scale=(-0.7, 0.9, 1.1)),
        add(scene, "ico_sphere", "ball", radius=0.6),
        add(scene, "monkey", "head", size=1.2),
        add(scene, "torus", "ring"),
    ]
    carrier = bpy.data.objects.new("carrier", None)
    scene.collection.objects.link(carrier)
    carrier.scale = (1.0, 1.6, 0.7)
    things[-1].parent = carrier
    for thing in [*things[:-1], carrier]:
        for frame in (1, 6):
            key_pose(thing, frame, rng)
    return things


def lines(rng, count):
    eye = rng.normal(size=(count, 3))
    eye *= (rng.uniform(4, 7, count) / np.linalg.norm(eye, axis=1))[:, None]
    aim = rng.normal(size=(count, 3)) * 1.3
    return eye, eye + (aim - eye) * rng.uniform(0.6, 2, count)[:, None]


def cast(scene, eye, point):
    """Whether Blender's ray meets anything before it is within a hair of the point."""
    graph = bpy.context.evaluated_depsgraph_get()
    step = point - eye
    length = np.linalg.norm(step, axis=1)
    return np.array(
        [
            scene.ray_cast(graph, Vector(e), Vector(s / n), distance=n - HAIR)[0]
            for e, s, n in zip(eye, step, length, strict=True)
        ]
    )


def theirs(scene, frame, eye, point, rng):
    """Blender's answers in metres, and which of them are clear."""
    scene.frame_set(frame)
    unit = scene.unit_settings.scale_length
    answers = [cast(scene, eye / unit, point / unit)]
    for _ in range(3):
        shaken = point + rng.normal(size=point.shape) * 1e-5 * np.linalg.norm(point - eye, axis=1)[:, None]
        answers.append(cast(scene, eye / unit, shaken / unit))
    return answers[0], np.all(answers, axis=0) | ~np.any(answers, axis=0)


def captured(scene, frames):
    read = read_scene(scene)
    return finish(occluders.capture(scene, read.blockers, read.gear, frames))


def hidden_by(solids, frames, row, eye, point):
    hidden = np.zeros(len(eye), bool)
    for solid in solids.blockers.values():
        hidden |= solid.at(np.array(frames)).hides(np.full(len(eye), row), eye, point, np.zeros(len(eye)))
    return hidden


def assert_agree(scene, solids, frames, rng, count=1500):
    for row, frame in enumerate(frames):
        eye, point = lines(rng, count)
        answer, clear = theirs(scene, frame, eye, point, rng)
        ours = hidden_by(solids, frames, row, eye, point)
        np.testing.assert_array_equal(ours[clear], answer[clear])
        assert clear.mean() > 0.97
        assert 0.03 < answer.mean() < 0.9


@pytest.mark.parametrize("seed", range(3))
def test_rigid_objects_hide_as_blenders_rays_say(scene, seed):
    rng = np.random.default_rng(seed)
    things = rigid_scene(scene, rng)
    mark_objects(scene, things, "blocker")
    frames = [1, 3, 6]
    solids = captured(scene, frames)
    assert set(solids.blockers) == {t.name for t in things}
    deform = {name for name, solid in solids.blockers.items() if solid.deforms}
    assert deform <= {"ring"}  # a turning sheared thing changes its shape
    assert_agree(scene, solids, frames, rng)


def test_a_scene_in_centimetres_hides_in_metres(scene):
    rng = np.random.default_rng(8)
    thing = add(scene, "monkey", "head", size=180)
    scene.unit_settings.scale_length = 0.01
    mark_objects(scene, [thing], "blocker")
    assert_agree(scene, captured(scene, [1]), [1], rng)


def deforming(scene, how):
    thing = add(scene, "uv_sphere", "performer", radius=1.0)
    thing.location.x = 0.4
    if how == "shape keys":
        thing.shape_key_add(name="rest")
        squash = thing.shape_key_add(name="squash")
        for point in squash.data:
            point.co = Matrix.Diagonal((1.6, 0.6, 0.4)) @ point.co
        for frame, value in ((1, 0.0), (10, 1.0)):
            squash.value = value
            squash.keyframe_insert("value", frame=frame)
    elif how == "wave":
        wave = thing.modifiers.new("wave", "WAVE")
        wave.height, wave.width, wave.time_offset, wave.speed = 0.8, 0.6, -20, 0.3
    elif how == "armature":
        bpy.ops.object.armature_add(location=(0.4, 0, -1))
        rig = bpy.context.object
        thing.parent = rig
        thing.matrix_parent_inverse = rig.matrix_world.inverted()
        group = thing.vertex_groups.new(name=rig.data.bones[0].name)
        group.add([v.index for v in thing.data.vertices if v.co.z > 0], 1.0, "REPLACE")
        thing.modifiers.new("rig", "ARMATURE").object = rig
        bone = rig.pose.bones[0]
        bone.rotation_mode = "XYZ"
        for frame, angle in ((1, 0.0), (10, 1.2)):
            bone.rotation_euler.x = angle
            bone.keyframe_insert("rotation_euler", frame=frame)
    elif how == "scale":
        for frame, scale in ((1, (1, 1, 1)), (10, (0.4, 1.5, 1.2))):
            thing.scale = scale
            thing.keyframe_insert("scale", frame=frame)
    return thing


@pytest.mark.parametrize("how", ["shape keys", "wave", "armature", "scale"])
def test_deforming_performers_hide_as_they_are_in_each_frame(scene, how):
    thing = deforming(scene, how)
    mark_objects(scene, [thing], "blocker")
    frames = [1, 4, 10]
    solids = captured(scene, frames)
    assert len(solids.blockers["performer"].shapes) == 3
    assert_agree(scene, solids, frames, np.random.default_rng(11))


def test_instances_hide_as_one(scene):
    rng = np.random.default_rng(12)
    inside = bpy.data.collections.new("crowd")
    for where in ((0, 0, 0), (1.2, 0, 0), (0, 1.2, 0.5)):
        thing = add(scene, "ico_sphere", "one", radius=0.4, location=where)
        inside.objects.link(thing)
        scene.collection.objects.unlink(thing)
    empty = bpy.data.objects.new("crowd", None)
    empty.instance_type, empty.instance_collection = "COLLECTION", inside
    empty.rotation_euler = (0.3, 0.2, 1)
    scene.collection.objects.link(empty)
    bpy.context.view_layer.update()
    mark_objects(scene, [empty], "blocker")
    assert_agree(scene, captured(scene, [1]), [1], rng)


def test_a_rig_passes_its_mark_on_to_its_meshes(scene):
    thing = deforming(scene, "armature")
    words = mark_objects(scene, [thing.parent], "blocker")
    assert words == "Marked 1 object as blocker"
    assert list(captured(scene, [1]).blockers) == ["performer"]


def test_what_is_not_rendered_for_some_frames_hides_in_the_others(scene):
    thing = add(scene, "cube", "door", size=2)
    for frame, hide in ((1, False), (5, True)):
        thing.hide_render = hide
        thing.keyframe_insert("hide_render", frame=frame)
    mark_objects(scene, [thing], "blocker")
    solids = captured(scene, [1, 5])
    eye, point = np.array([[0.0, -5, 0]]), np.array([[0.0, 5, 0]])
    assert hidden_by(solids, [1, 5], 0, eye, point).all()
    assert not hidden_by(solids, [1, 5], 1, eye, point).any()


def test_the_window_is_that_of_a_ring_of_blenders_rays(scene):
    """Half a window off the silhouette counts as hidden: 64 rays on the cone about the line of sight say the same."""
    rng = np.random.default_rng(14)
    things = rigid_scene(scene, rng)
    mark_objects(scene, things, "blocker")
    solids = captured(scene, [1])
    window = 0.02
    eye, point = lines(rng, 500)
    eye[:], point[:] = eye, eye + (point - eye) * 3  # far behind everything: the cone is cut nowhere near
    scene.frame_set(1)
    ours = np.zeros(len(eye), bool)
    for solid in solids.blockers.values():
        ours |= solid.at(np.array([1])).hides(np.zeros(len(eye), int), eye, point, np.full(len(eye), window))
    step = point - eye
    side = np.cross(step, rng.normal(size=3))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(step, side) / np.linalg.norm(step, axis=1)[:, None]
    reach = np.linalg.norm(step, axis=1)[:, None]

    def ring(angle):
        turns = np.arange(64) * (2 * math.pi / 64)
        on = [point + math.tan(angle) * reach * (math.cos(t) * side + math.sin(t) * up) for t in turns]
        return np.any([cast(scene, eye, p) for p in on], axis=0)

    middle = cast(scene, eye, point)
    surely = middle | ring(window * 0.97) | ring(window * 0.5)
    assert ours[surely].all()
    assert not (ours & ~middle & ~ring(window * 0.5) & ~ring(window * 0.97) & ~ring(window * 1.03)).any()
    assert (ours & ~middle).mean() > 0.02


def test_a_performer_too_fine_to_keep_is_refused(scene, monkeypatch):
    thing = deforming(scene, "shape keys")
    mark_objects(scene, [thing], "blocker")
    monkeypatch.setattr(occluders, "MOST_BYTES", 20_000)
    with pytest.raises(BadInput, match=r"performer.*coarser stand-in"):
        captured(scene, [1, 2, 3, 4])
    assert scene.frame_current == 1
