"""Any camera that Blender can hold, read as a package, against Blender's own projection.

Reference: bpy_extras.object_utils.world_to_camera_view, which goes by the camera's own view frame.
"""

import math

import bpy
import numpy as np
import pytest
from bpy_extras.object_utils import world_to_camera_view
from mathutils import Vector
from scatterproof.camera.lens import project
from scatterproof.camera.track import camera_track
from scatterproof_addon.bridge.mark import mark_objects
from scatterproof_addon.bridge.scene import read_plan

TOLERANCE = 1e-4  # of the frame
PICTURES = [(1920, 800), (1080, 1920), (2048, 2048), (1001, 633)]
ASPECTS = [(1.0, 1.0), (2.0, 1.0), (1.0, 1.46), (1.33, 1.77)]


def a_camera(scene, fit, rng):
    data = bpy.data.cameras.new("any")
    thing = bpy.data.objects.new("any", data)
    scene.collection.objects.link(thing)
    data.sensor_fit = fit
    data.sensor_width, data.sensor_height = rng.uniform(8, 40, 2)
    data.lens = rng.uniform(12, 120)
    data.shift_x, data.shift_y = rng.uniform(-0.4, 0.4, 2)
    thing.location = rng.uniform(-5, 5, 3)
    thing.rotation_euler = rng.uniform(-math.pi, math.pi, 3)
    return thing


def their_pixels(scene, camera, points):
    width, height = scene.render.resolution_x, scene.render.resolution_y
    shown = np.array([world_to_camera_view(scene, camera, Vector(p)) for p in points])
    return np.stack([shown[:, 0] * width - 0.5, (1 - shown[:, 1]) * height - 0.5], axis=1)


def before(camera, rng):
    """50 points before a camera, within 45 degrees, and their depths; in Blender units."""
    matrix, depth = np.array(camera.matrix_world.normalized()), rng.uniform(1, 9, 50)
    local = np.column_stack([rng.uniform(-1, 1, (50, 2)) * depth[:, None], -depth])
    return local @ matrix[:3, :3].T + matrix[:3, 3], depth


@pytest.mark.parametrize("fit", ["AUTO", "HORIZONTAL", "VERTICAL"])
@pytest.mark.parametrize("picture", PICTURES)
@pytest.mark.parametrize("aspect", ASPECTS)
def test_projection_is_blenders(scene, fit, picture, aspect):
    rng = np.random.default_rng([*map(ord, fit), *picture, int(100 * aspect[0]), int(100 * aspect[1])])
    render = scene.render
    render.resolution_x, render.resolution_y = picture
    render.pixel_aspect_x, render.pixel_aspect_y = aspect
    camera = a_camera(scene, fit, rng)
    scene.frame_start = scene.frame_end = 1
    bpy.context.view_layer.update()
    mark_objects(scene, [camera], "camera")
    plan = read_plan(scene)
    track = camera_track(plan, plan.shots[0])
    assert track.size_px.tolist() == list(picture)
    points, _ = before(camera, rng)
    ours = project(points, track)[0][0]
    theirs = their_pixels(scene, camera, points)
    assert np.abs((ours - theirs) / picture).max() < TOLERANCE
    assert np.ptp(theirs, axis=0).min() > 100  # the points are all over the picture


@pytest.mark.parametrize("scale", [1.0, 0.01, 0.3048])
def test_projection_in_scenes_of_other_units(scene, scale):
    scene.unit_settings.scale_length = scale
    scene.render.resolution_x, scene.render.resolution_y = 1920, 800
    camera = a_camera(scene, "HORIZONTAL", np.random.default_rng(5))
    camera.scale = (2, 2, 2)  # a scaled camera sees the same
    scene.frame_start = scene.frame_end = 1
    bpy.context.view_layer.update()
    mark_objects(scene, [camera], "camera")
    plan = read_plan(scene)
    points, depth = before(camera, np.random.default_rng(6))
    ours, ours_depth = project(points * scale, camera_track(plan, plan.shots[0]))
    assert np.abs((ours[0] - their_pixels(scene, camera, points)) / [1920, 800]).max() < TOLERANCE
    assert ours_depth[0] == pytest.approx(depth * scale, rel=1e-5)
