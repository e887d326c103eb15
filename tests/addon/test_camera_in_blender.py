"""Turns, lens and picture against Blender's own camera."""

import math

import numpy as np
import pytest
from scatterproof.camera.axes import flip_camera_axes, from_pan_tilt_roll, look_at, pan_tilt_roll
from scatterproof.camera.lens import project
from scatterproof.camera.track import camera_track
from scatterproof.plan.model import Camera, CameraKey, Plan, Shot, Stage

bpy = pytest.importorskip("bpy")


@pytest.fixture
def thing():
    made = bpy.data.objects.new("camera", bpy.data.cameras.new("camera"))
    bpy.context.scene.collection.objects.link(made)
    yield made
    data = made.data
    bpy.data.objects.remove(made)
    bpy.data.cameras.remove(data)


@pytest.mark.parametrize("seed", range(20))
def test_pan_tilt_roll_is_blenders_xyz_euler(thing, seed):
    pan, tilt, roll = np.random.default_rng(seed).uniform(-1.5, 1.5, 3)
    thing.location, thing.rotation_euler = (1, 2, 3), (math.pi / 2 + tilt, roll, pan)
    bpy.context.view_layer.update()
    theirs = np.array(thing.matrix_world)
    ours = from_pan_tilt_roll(np.array([1.0, 2, 3]), np.array([pan, tilt, roll]))
    np.testing.assert_allclose(flip_camera_axes(ours), theirs, atol=1e-6)
    np.testing.assert_allclose(pan_tilt_roll(flip_camera_axes(theirs)), [pan, tilt, roll], atol=1e-5)


@pytest.mark.parametrize("seed", range(10))
def test_look_at_is_blenders_tracking_quaternion(seed):
    from mathutils import Vector

    eye, aim = np.random.default_rng(seed).normal(size=(2, 3)) * 4
    theirs = Vector(aim - eye).to_track_quat("-Z", "Y").to_matrix()
    np.testing.assert_allclose(flip_camera_axes(look_at(eye, aim))[:3, :3], np.array(theirs), atol=1e-6)


@pytest.mark.parametrize("squeeze", [1.0, 2.0])
@pytest.mark.parametrize("shift", [(0.0, 0.0), (1.5, -0.8)])
def test_pixels_are_those_of_blenders_projection_matrix(thing, squeeze, shift):
    """Lopsided picture, film back, lens shift and squeeze; Blender counts pixels from the lower left edge."""
    package = Camera(
        name="A",
        film_back=(24.892, 10.372),
        resolution=(1920, 800),
        shift=shift,
        squeeze=squeeze,
        delivery_aspect=2.4,
        focal_length=35.0,
    )
    key = CameraKey(frame=1, at=(0.3, -5.0, 1.7), pan=0.1, tilt=-0.08, roll=0.05)
    shot = Shot(name="1", camera="A", frames=(1, 1), keys=(key,))
    track = camera_track(Plan(name="p", stage=Stage(), cameras=(package,), shots=(shot,)), shot)
    points = np.random.default_rng(5).uniform([-2, -1, 0], [2, 3, 3], (30, 3))

    data, height_aspect = thing.data, 10.372 / 800 / (24.892 * squeeze / 1920)  # of a pixel, unsqueezed
    thing.location, thing.rotation_euler = key.at, (math.pi / 2 + key.tilt, key.roll, key.pan)
    data.sensor_fit, data.lens, data.sensor_width = "HORIZONTAL", 35.0, 24.892 * squeeze
    data.shift_x = shift[0] / 24.892
    data.shift_y = shift[1] / 10.372 * 800 * height_aspect / 1920
    bpy.context.view_layer.update()
    scale = max(1.0, 1 / height_aspect)  # Blender's pixel aspects are at least 1
    matrix = np.array(
        thing.calc_matrix_camera(
            bpy.context.evaluated_depsgraph_get(), x=1920, y=800, scale_x=scale, scale_y=scale * height_aspect
        )
    ) @ np.linalg.inv(np.array(thing.matrix_world))
    clip = np.concatenate([points, np.ones((30, 1))], axis=1) @ matrix.T
    ndc = clip[:, :2] / clip[:, 3:]
    theirs = np.stack([(ndc[:, 0] + 1) / 2 * 1920 - 0.5, (1 - ndc[:, 1]) / 2 * 800 - 0.5], axis=1)
    np.testing.assert_allclose(project(points, track)[0][0], theirs, rtol=0, atol=5e-3)  # single precision
