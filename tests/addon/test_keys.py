"""Keys of every kind, written in a block, read back from a camera as plain keys and evaluated as Blender does."""

from pathlib import Path

import bpy
import numpy as np
import pytest
from scatterproof.camera.axes import flip_camera_axes
from scatterproof.camera.track import camera_track
from scatterproof.plan.model import EASINGS, INTERPOLATIONS, Camera, CameraKey, Paint, Plan, Shot, Stage
from scatterproof_addon.bridge.animation import curves_of, write_keys
from scatterproof_addon.bridge.mark import mark_objects
from scatterproof_addon.bridge.scene import build_scene, read_plan


@pytest.fixture
def camera(scene):
    thing = bpy.data.objects.new("camera", bpy.data.cameras.new("camera"))
    scene.collection.objects.link(thing)
    scene.frame_start, scene.frame_end = 1, 60
    mark_objects(scene, [thing], "camera")
    return thing


@pytest.mark.parametrize("easing", EASINGS)
@pytest.mark.parametrize("mode", INTERPOLATIONS)
def test_a_camera_keyed_in_any_way(scene, camera, mode, easing):
    frames = [1, 25, 60]
    where = [(0, -5, 1.5), (2, -3, 2.0), (1, -4, 1.0)]
    turns = [(1.5, 0, 0.3), (1.4, 0.1, -0.4), (1.6, 0, 0.1)]
    write_keys(camera, "location", frames, where, [mode] * 3, [easing] * 3)
    write_keys(camera, "rotation_euler", frames, turns, [mode] * 3, [easing] * 3)
    plan = read_plan(scene)
    (shot,) = plan.shots
    assert [(key.frame, key.interpolation, key.easing) for key in shot.keys] == [(f, mode, easing) for f in frames]
    track = camera_track(plan, shot)
    theirs = []
    for frame in track.frame:
        scene.frame_set(int(frame))
        theirs.append(np.array(camera.evaluated_get(bpy.context.evaluated_depsgraph_get()).matrix_world))
    assert np.abs(track.world_from_cam - flip_camera_axes(np.array(theirs))).max() < 1e-5


def test_keys_written_in_a_block_swing_as_inserted_ones(camera):
    write_keys(camera, "location", [1, 20], [(0, 0, 0), (1, 1, 1)], ["back", "elastic"])
    other = bpy.data.objects.new("other", None)
    other.keyframe_insert("location", frame=1)
    inserted, (written, *_) = curves_of(other)[0].keyframe_points[0], curves_of(camera)[0].keyframe_points
    for name in ("back", "amplitude", "period"):
        assert getattr(written, name) == getattr(inserted, name)


@pytest.mark.parametrize("aim", [(0.0, 0.0, 13.6), (0.0, 0.0, -2.0), (0.001, 0.0, 4.0)])
def test_a_camera_that_aims_straight_up_or_down_is_built_as_planned(scene, aim):
    key = CameraKey(frame=1, at=(0.0, 0.0, 0.0), aim=aim)
    shot = Shot(name="up", camera="A", frames=(1, 2), keys=(key,))
    package = Camera(name="A", film_back=(24, 18), resolution=(1920, 800), delivery_aspect=2.4, focal_length=35)
    paints = (Paint(name="screen", srgb=(70, 148, 73)),)
    plan = Plan(name="p", paints=paints, stage=Stage(), cameras=(package,), shots=(shot,))
    build_scene(scene, plan, Path())
    camera = scene.camera.evaluated_get(bpy.context.evaluated_depsgraph_get())
    theirs = flip_camera_axes(np.array(camera.matrix_world))
    assert np.abs(theirs - camera_track(plan, shot).world_from_cam[0]).max() < 1e-5
    assert read_plan(scene) == plan
