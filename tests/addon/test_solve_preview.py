"""A solved take in the scene: the camera that was solved, and an insert that is off by its slide, as stated."""

from dataclasses import replace
from pathlib import Path

import bpy
import numpy as np
import pytest
import scatterproof_addon
from bpy_extras.object_utils import world_to_camera_view
from mathutils import Vector
from scatterproof.camera.track import camera_track
from scatterproof.plan.model import Camera, CameraKey, Floor, MarkerSet, Paint, Plan, Shot, Stage, Stand, Wall
from scatterproof.plan.write import dump_plan
from scatterproof.prove.ghost import ghost_of
from scatterproof.prove.takes import solve_take
from scatterproof.readiness.rehearse import rehearse
from scatterproof_addon.bridge.bake import bake
from scatterproof_addon.bridge.ghost import FACTOR, clear_solves, said_of, show_solves
from scatterproof_addon.bridge.scene import build_scene, read_plan
from scatterproof_addon.flows import solving
from scatterproof_addon.headless import read_solved_camera, write_scene
from scatterproof_addon.props import choices_of

PUSH = Shot(name="push", camera="A", frames=(1, 40), action_point=(0.2, 0.8, 0.9), keys=(
    CameraKey(frame=1, at=(-0.6, -2.6, 1.5), pan=0.06, tilt=-0.05),
    CameraKey(frame=40, at=(0.5, -1.2, 1.3), pan=-0.05, tilt=0.02)))  # fmt: skip
PLAN = Plan(
    name="Loft",
    paints=(Paint(name="screen", srgb=(70, 148, 73)), Paint(name="marker", srgb=(90, 180, 90)),
            Paint(name="band", srgb=(230, 120, 30))),
    stage=Stage(floors=(Floor(x=(-3, 3), y=(-3, 3)),), walls=(Wall(name="wall", start=(-3, 3), end=(3, 3), height=3),)),
    markers=(MarkerSet(name="marks", surfaces=("wall",), spacing=0.6),),
    stands=(Stand(name="left", at=(-0.7, 1.4), height=2.0, bands=(0.5, 1.0, 1.5)),
            Stand(name="right", at=(0.9, 0.6), height=2.0, bands=(0.6, 1.1, 1.6))),
    cameras=(Camera(name="A", film_back=(24.0, 13.5), resolution=(1920, 1080), delivery_aspect=16 / 9,
                    focal_length=28.0),),
    shots=(PUSH,),
)  # fmt: skip
BLIND = replace(PLAN, markers=(), stands=(), shots=(replace(PUSH, name="blind"),))


def shown(scene, plan, seed=3):
    build_scene(scene, plan, Path())
    (rehearsal,) = rehearse(plan)
    ghost = ghost_of(rehearsal.network, rehearsal.track, seed)
    show_solves(scene, [(rehearsal, ghost)])
    return rehearsal, ghost


def pixel(scene, camera, point_m):
    """Where Blender itself sees a point, in pixels of the engine."""
    x, y, _ = world_to_camera_view(scene, camera, Vector(point_m))
    width, height = scene.render.resolution_x, scene.render.resolution_y
    return np.array([x * width - 0.5, (1 - y) * height - 0.5])


def test_the_planned_camera_sees_the_insert_off_by_its_slide_times_the_stated_factor(scene):
    """Blender's own projection, frame by frame."""
    rehearsal, ghost = shown(scene, PLAN)
    insert, belongs = scene.objects["push: insert as solved"], scene.objects["push: where the insert belongs"]
    words = scene.objects["push: slide"]
    factor = insert[FACTOR]
    assert factor >= 1
    assert f"\u00d7 {factor:g}" in words.data.body
    take = solve_take(rehearsal.network, 3)
    slide = take.drift_px + take.jitter_px
    assert np.isfinite(slide).all(-1).sum() > 30
    camera = scene.objects["push"]
    for row in range(0, 40, 3):
        scene.frame_set(row + 1)
        off = pixel(scene, camera, insert.matrix_world.translation) - pixel(scene, camera, PUSH.action_point)
        assert insert.hide_render is bool(np.isnan(slide[row]).any())
        if not insert.hide_render:
            assert off / factor * rehearsal.track.delivery_scale == pytest.approx(slide[row], abs=0.02 * ghost.worst_px)
    assert np.array(belongs.matrix_world.translation) == pytest.approx(PUSH.action_point, abs=1e-6)
    scene.frame_set(41)
    assert insert.hide_render
    assert words.hide_render


def test_drawn_by_the_solved_camera_a_fixed_insert_swims_by_the_slide(scene):
    """The definition itself, in Blender: no place in the solved world fits the planned picture better."""
    rehearsal, ghost = shown(scene, PLAN)
    planned, solved = scene.objects["push"], scene.objects["push: solved camera"]
    wanted, rows, slopes = [], [], []
    for frame in range(1, 41):
        scene.frame_set(frame)
        here = pixel(scene, solved, PUSH.action_point)
        wanted.append(pixel(scene, planned, PUSH.action_point) - here)
        rows.append(here)
        slopes.append(np.stack([pixel(scene, solved, np.array(PUSH.action_point) + step) - here
                                for step in 0.01 * np.eye(3)], axis=-1) / 0.01)  # fmt: skip
    slopes, wanted = np.concatenate(slopes), np.concatenate(wanted)
    place = np.linalg.lstsq(slopes, wanted, rcond=None)[0]
    swims = (slopes @ place - wanted).reshape(-1, 2) * rehearsal.track.delivery_scale
    assert swims == pytest.approx(ghost.slide_px, abs=0.05 * ghost.worst_px + 0.002)  # single-precision keys


def test_the_solved_camera_is_the_one_that_was_solved(scene, tmp_path):
    _, ghost = shown(scene, PLAN)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "loft.blend"))
    read = read_solved_camera(tmp_path / "loft.blend", "push: solved camera", camera_track(PLAN, PUSH))
    assert read.world_from_cam == pytest.approx(ghost.camera.world_from_cam, abs=1e-5)
    assert read.focal_mm == pytest.approx(ghost.camera.focal_mm, rel=1e-6)


def test_what_is_shown_is_no_part_of_the_plan_and_goes_without_a_trace(scene):
    build_scene(scene, PLAN, Path())
    rehearsals = tuple(rehearse(PLAN))
    bake(scene, rehearsals)
    blocks = (scene.objects, bpy.data.actions, bpy.data.meshes, bpy.data.cameras, bpy.data.curves)
    before, plan = [len(block) for block in blocks], read_plan(scene)
    ghost = ghost_of(rehearsals[0].network, rehearsals[0].track, 3)
    for _ in range(2):
        show_solves(scene, [(rehearsals[0], ghost)])
        assert len(scene.objects) == before[0] + 4
        assert read_plan(scene) == plan
    clear_solves(scene)
    assert before == [len(block) for block in blocks]


def test_a_shot_that_does_not_solve_says_so_where_its_insert_would_stand(scene):
    _, ghost = shown(scene, BLIND)
    assert ghost.camera is None
    words = scene.objects["blind: slide"].data.body
    assert "take 3 does not solve" in words
    assert ghost.take.why in words
    assert "blind: solved camera" not in scene.objects
    assert "blind: insert as solved" not in scene.objects


def test_the_verb_writes_it(tmp_path, scene):
    from scatterproof.plan.read import load_plan

    (tmp_path / "loft.toml").write_text(dump_plan(PLAN))
    write_scene(load_plan(tmp_path / "loft.toml"), tmp_path / "loft.blend", take=2)
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "loft.blend"))
    names = set(bpy.context.scene.objects.keys())
    assert {"push: solved camera", "push: insert as solved", "push: slide"} <= names
    assert "take 2" in bpy.data.objects["push: slide"].data.body


def test_the_button_solves_what_the_scene_shows_and_tells_it(scene):
    scatterproof_addon.register()
    try:
        build_scene(scene, PLAN, Path())
        with pytest.raises(RuntimeError, match="poll"):
            bpy.ops.scatterproof.clear_solve()
        choices_of(scene).take = 3
        assert bpy.ops.scatterproof.preview_solve() == {"FINISHED"}
        (rehearsal,) = rehearse(PLAN)
        assert solving.shown(scene) == [("push", said_of(ghost_of(rehearsal.network, rehearsal.track, 3)).splitlines())]
        assert bpy.ops.scatterproof.clear_solve() == {"FINISHED"}
        assert solving.shown(scene) == []
    finally:
        scatterproof_addon.unregister()


def test_given_up_it_shows_nothing(scene):
    build_scene(scene, PLAN, Path())
    names = set(scene.objects.keys())
    steps = solving.preview(scene, 3)
    while next(steps).done < 40:  # of the rehearsal
        pass
    next(steps)
    steps.close()
    assert set(scene.objects.keys()) == names
