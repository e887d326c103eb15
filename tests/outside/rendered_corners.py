"""Corners of markers rendered by Cycles, tracked by OpenCV's Lucas-Kanade, against the engine's prediction.

    PYTHONPATH=engine:tests/support python tests/outside/rendered_corners.py [--pictures N] [--filter BOX]

Needs bpy and OpenCV. Every picture is a path traced one: a screen of even light with five by four random markers half a
stop from it, a lens with an open stop out of focus, a camera that moves while the shutter is open, the renderer's own
pixel filter; sRGB codes, noise of 1 to 3 codes over 200 seeds, as in corner_bench.py, whose table it prints.
"""

import argparse
import sys
import tempfile
from pathlib import Path

import bpy
import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from corner_cases import SEEDS, Corner, judge, marker, outcome_of
from corner_pictures import matches, srgb_code

WIDE, HIGH, CELL = 480, 384, 96
SAMPLES = 1024
FAR_M, FOCAL_MM, BACK_MM = 10.0, 50.0, 24.0
PX_PER_M = FOCAL_MM / BACK_MM * WIDE / FAR_M


def glowing(name, value):
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    nodes = material.node_tree.nodes
    nodes.clear()
    light, out = nodes.new("ShaderNodeEmission"), nodes.new("ShaderNodeOutputMaterial")
    light.inputs[0].default_value = (value, value, value, 1)
    material.node_tree.links.new(light.outputs[0], out.inputs[0])
    return material


def add(name, outline_px, at_px, nearer_m, value):
    """A polygon in picture coordinates, on the plane that the camera faces."""
    px = np.asarray(outline_px) + at_px + 0.5
    x, y = (px[:, 0] - WIDE / 2) / PX_PER_M, (HIGH / 2 - px[:, 1]) / PX_PER_M
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata([(a, b, nearer_m) for a, b in zip(x, y, strict=True)], [], [tuple(range(len(px)))])
    mesh.materials.append(glowing(name, value))
    bpy.context.scene.collection.objects.link(bpy.data.objects.new(name, mesh))


def open_stop(disc_px, focus_m):
    """The f-number that gives a disc of so many pixels on the plane when focused at ``focus_m``."""
    focal = FOCAL_MM / 1000
    aperture = disc_px / PX_PER_M * focus_m / abs(FAR_M - focus_m)  # of the blur's cone, where it meets the plane
    return focal / max(aperture, 1e-9)


def render(folder, pixel_filter, disc_px, motion_px):
    scene = bpy.context.scene
    data = bpy.data.cameras.new("camera")
    data.lens, data.sensor_width, data.sensor_fit = FOCAL_MM, BACK_MM, "HORIZONTAL"
    camera = bpy.data.objects.new("camera", data)
    scene.collection.objects.link(camera)
    scene.camera = camera
    if disc_px:
        data.dof.use_dof, data.dof.focus_distance = True, FAR_M * 0.6
        data.dof.aperture_fstop = open_stop(disc_px, FAR_M * 0.6)
    for frame, part in ((0, -1.0), (2, 1.0)):  # the shutter is open for the middle half of it
        dx, dy = (part * 2 * m / PX_PER_M for m in motion_px)
        camera.location = (-dx, dy, FAR_M)
        camera.keyframe_insert("location", frame=frame)
    for layer in camera.animation_data.action.layers if hasattr(camera.animation_data.action, "layers") else ():
        for strip in layer.strips:
            for bag in strip.channelbags:
                straight(bag.fcurves)
    if hasattr(camera.animation_data.action, "fcurves"):
        straight(camera.animation_data.action.fcurves)
    scene.frame_set(1)
    settings, cycles = scene.render, scene.cycles
    settings.engine, cycles.device, cycles.samples, cycles.max_bounces = "CYCLES", "CPU", SAMPLES, 0
    cycles.use_denoising = cycles.use_adaptive_sampling = False
    cycles.pixel_filter_type, cycles.filter_width = pixel_filter, 1.5
    settings.use_motion_blur, settings.motion_blur_shutter = any(motion_px), 0.5
    settings.resolution_x, settings.resolution_y, settings.resolution_percentage = WIDE, HIGH, 100
    settings.image_settings.file_format, settings.image_settings.color_depth = "OPEN_EXR", "32"
    settings.filepath = str(folder / "picture.exr")
    bpy.ops.render.render(write_still=True)
    image = bpy.data.images.load(settings.filepath)
    pixels = np.empty(len(image.pixels), np.float32)
    image.pixels.foreach_get(pixels)
    return srgb_code(pixels.reshape(HIGH, WIDE, -1)[::-1, :, 0].astype(float))


def straight(curves):
    for curve in curves:
        for point in curve.keyframe_points:
            point.interpolation = "LINEAR"


def one_picture(rng, pixel_filter):
    """Renders twenty markers and measures one corner of each."""
    import addon_utils

    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon_utils.enable("cycles")
    light = rng.uniform(0.08, 0.5)
    paint = light * (np.sqrt(2) if rng.random() < 0.5 else np.sqrt(0.5))
    disc = float(rng.uniform(0, 10) * (rng.random() < 0.75))
    length, way = rng.uniform(0, 16) * (rng.random() < 0.7), rng.uniform(0, 2 * np.pi)
    motion = length * np.array([np.cos(way), np.sin(way)])
    add("screen", np.array([[-500, -500], [-500, 900], [1000, 900], [1000, -500]]), 0, 0.0, light)
    placed = []
    for row, column in np.ndindex(HIGH // CELL, WIDE // CELL):
        ring = marker(rng)
        at = np.array([column + 0.5, row + 0.5]) * CELL - ring.mean(axis=0) + rng.uniform(-0.5, 0.5, 2)
        add(f"marker {row} {column}", ring, at, 1e-4, paint)
        placed.append((ring, at))
    with tempfile.TemporaryDirectory() as folder:
        picture = render(Path(folder), pixel_filter, disc, motion)
    step = float(srgb_code(paint) - srgb_code(light))
    for ring, at in placed:
        noise, window = float(rng.choice([1, 2, 3])), int(rng.choice([11, 15, 15, 15, 21]))
        left, top = np.clip(np.floor(at).astype(int) - 48, 0, [WIDE - CELL, HIGH - CELL])
        part = picture[top : top + CELL, left : left + CELL]
        error, held = matches(part, part, at - [left, top], noise, window, SEEDS, rng)
        # The neighbours are a cell away: beyond the window, but for a corner at a cell's rim.
        corner = Corner((ring,), float(srgb_code(light)), step, noise, disc, motion, window)
        yield outcome_of(corner, error, held)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pictures", type=int, default=8)
    parser.add_argument("--filter", default="BLACKMAN_HARRIS", choices=("BLACKMAN_HARRIS", "BOX"))
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    rng = np.random.default_rng(options.seed)
    outcomes = []
    for number in range(options.pictures):
        mine = list(one_picture(rng, options.filter))
        outcomes += mine
        seen = mine[0].corner
        ratio = np.median([o.sigma / o.predicted for o in mine])
        print(f"  {number + 1}: defocus {seen.disc:.1f} px, motion {np.hypot(*seen.motion):.1f} px, "
              f"median ratio {ratio:.3f}", flush=True)  # fmt: skip
    print(", ".join(f"{name} {value:.3g}" for name, value in judge(outcomes).items()))


if __name__ == "__main__":
    main()
