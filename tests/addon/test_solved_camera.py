"""A solved camera out of .blend, USD, Alembic and FBX files: the same as it was exported."""

import bpy
import numpy as np
import pytest
from scatterproof.camera.track import camera_track
from scatterproof.cli.main import main
from scatterproof.plan.model import Camera, CameraKey, Floor, MarkerSet, Paint, Plan, Shot, Stage, Stand, Wall
from scatterproof.plan.write import dump_plan
from scatterproof.problems import BadInput
from scatterproof_addon.bridge.export import export_stage
from scatterproof_addon.bridge.scene import build_scene
from scatterproof_addon.headless import read_solved_camera

PLAN = Plan(
    name="Loft",
    paints=(Paint(name="screen", srgb=(70, 148, 73)), Paint(name="marker", srgb=(90, 180, 90)),
            Paint(name="band", srgb=(230, 120, 30))),
    stage=Stage(floors=(Floor(x=(-3, 3), y=(-3, 3)),), walls=(Wall(name="wall", start=(-3, 3), end=(3, 3), height=3),)),
    markers=(MarkerSet(name="marks", surfaces=("wall",), spacing=0.8),),
    stands=(Stand(name="stand", at=(0.5, 1.0), height=2.0, bands=(0.5, 1.0, 1.5)),),
    cameras=(Camera(name="A", film_back=(24.0, 13.5), resolution=(1920, 1080), delivery_aspect=16 / 9,
                    focal_length=28.0),),
    shots=(Shot(name="one", camera="A", frames=(1, 24), action_point=(0.0, 0.5, 0.0), keys=(
        CameraKey(frame=1, at=(-1.0, -2.5, 1.5), pan=0.1, tilt=-0.05),
        CameraKey(frame=24, at=(1.0, -2.0, 1.7), pan=-0.1, tilt=0.02, roll=0.03))),),
)  # fmt: skip


@pytest.mark.parametrize("kind", ["blend", "usda", "abc", "fbx"])
def test_what_was_exported_comes_back(scene, tmp_path, kind, capsys):
    build_scene(scene, PLAN, tmp_path)
    path = tmp_path / f"cam.{kind}"
    if kind == "blend":
        bpy.ops.wm.save_as_mainfile(filepath=str(path))
    else:
        export_stage(scene, path, {"usda": "usd"}.get(kind, kind))
    track = camera_track(PLAN, PLAN.shots[0])
    solved = read_solved_camera(path, "", track)
    assert solved.frame.tolist() == track.frame.tolist()
    # USD, Alembic and FBX have axes of their own: what counts is the path against itself.
    relative = np.linalg.inv(track.world_from_cam[0]) @ track.world_from_cam
    there = np.linalg.inv(solved.world_from_cam[0]) @ solved.world_from_cam
    assert there == pytest.approx(relative, abs=2e-4)
    assert solved.focal_mm == pytest.approx(track.focal_mm, abs=0.01)


def test_the_verb_takes_a_scene(scene, tmp_path, capsys):
    build_scene(scene, PLAN, tmp_path)
    export_stage(scene, tmp_path / "cam.fbx", "fbx")
    (tmp_path / "loft.toml").write_text(dump_plan(PLAN))
    assert main(["audit", str(tmp_path / "loft.toml"), str(tmp_path / "cam.fbx"), "--registered"]) == 0
    assert "24 solved frames" in capsys.readouterr().out


def test_which_camera_is_asked(scene, tmp_path):
    for name in ("left", "right"):
        scene.collection.objects.link(bpy.data.objects.new(name, bpy.data.cameras.new(name)))
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "two.blend"))
    track = camera_track(PLAN, PLAN.shots[0])
    with pytest.raises(BadInput, match="left, right"):
        read_solved_camera(tmp_path / "two.blend", "", track)
    assert len(read_solved_camera(tmp_path / "two.blend", "left", track)) == 24


@pytest.mark.parametrize("kind", ["blend", "usd", "abc", "fbx"])
def test_broken_files_are_told(tmp_path, kind):
    path = tmp_path / f"broken.{kind}"
    track = camera_track(PLAN, PLAN.shots[0])
    with pytest.raises(BadInput):
        read_solved_camera(path, "", track)
    path.write_bytes(b"not a scene at all")
    with pytest.raises(BadInput):
        read_solved_camera(path, "", track)
