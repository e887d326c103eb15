"""``scatterproof rehearse SCENE.blend`` and ``scatterproof scene PLAN --export``, as a person types them."""

import ctypes
import json
from pathlib import Path

import bpy
import numpy as np
import pytest
from scatterproof.cli.main import main
from scatterproof.plan.read import load_plan
from scatterproof.plan.templates import template_folder
from scatterproof.readiness.rehearse import rehearse
from scatterproof.steps import finish
from scatterproof_addon.bridge import mark, tags
from scatterproof_addon.bridge.scene import build_scene
from scatterproof_addon.flows import staging


def told(capfd, *arguments):
    """Exit status, standard output, standard error; nothing may look like a traceback."""
    ctypes.CDLL(None).fflush(None)  # what Blender said before
    capfd.readouterr()
    status = main([str(a) for a in arguments])
    ctypes.CDLL(None).fflush(None)
    out, err = capfd.readouterr()
    assert "Traceback" not in out + err
    return status, out, err


def save(path):
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    return path


@pytest.fixture
def by_hand(scene, tmp_path):
    """A wall of tape, a head that passes before it, a camera that trucks; saved."""
    vertices, faces = [], []
    for x in np.arange(-3, 3.1, 0.6):
        for z in np.arange(0.3, 3, 0.6):
            faces.append(tuple(range(len(vertices), len(vertices) + 4)))
            near = 5 + 0.8 * (round(x / 0.6) % 2)  # two depths
            vertices += [(x + a, near, z + b) for a, b in ((-0.1, -0.1), (0.1, -0.08), (0.09, 0.1), (-0.1, 0.11))]
    data = bpy.data.meshes.new("tape")
    data.from_pydata(vertices, [], faces)
    tape = bpy.data.objects.new("tape", data)
    camera = bpy.data.objects.new("camera", bpy.data.cameras.new("camera"))
    for thing in (tape, camera):
        scene.collection.objects.link(thing)
    bpy.ops.mesh.primitive_monkey_add(size=1.5, location=(0, 2, 1.5))
    head = bpy.context.object
    camera.rotation_euler = (1.5708, 0, 0)
    scene.camera, scene.frame_start, scene.frame_end = camera, 1, 24
    for frame, x in ((1, -0.5), (24, 0.5)):
        camera.location, head.location.x = (x, -4, 1.5), -2 * x
        camera.keyframe_insert("location", frame=frame)
        head.keyframe_insert("location", frame=frame)
    bpy.context.view_layer.update()
    mark.mark_objects(scene, [tape], "markers")
    mark.mark_objects(scene, [head], "blocker")
    return save(tmp_path / "von Hand.blend")


def test_a_handmade_scene(by_hand, scene, capfd):
    (expected,) = finish(staging.rehearse_scene(scene))
    status, out, err = told(capfd, "rehearse", by_hand, "--json")
    assert status == 0, err
    data = json.loads(out)  # standard output holds the result and nothing that Blender says
    (shot,) = data["shots"]
    assert [frame["features"] for frame in shot["frames"]] == expected.readiness.features.tolist()
    assert expected.readiness.features.min() < 0.85 * expected.readiness.features.max()  # the head hides some
    folder = by_hand.with_name("von Hand-rehearsal")
    assert {p.name for p in folder.iterdir()} == {"readiness.json", "readiness.csv", "report.html"}
    assert "Suzanne" in (folder / "report.html").read_text(encoding="utf-8")


def test_a_built_scene_is_judged_as_its_plan(scene, tmp_path, capfd):
    file = load_plan(template_folder() / "plans" / "lantern-yard.toml")
    build_scene(scene, file.plan, Path(), file.text)
    path = save(tmp_path / "built.blend")
    status, out, _ = told(capfd, "rehearse", path, "--json", "--shot", "LY030", "--out", tmp_path / "out")
    assert status == 0
    (shot,) = json.loads(out)["shots"]
    (expected,) = rehearse(file.plan, ("LY030",))
    assert [frame["features"] for frame in shot["frames"]] == expected.readiness.features.tolist()


def test_strict_and_unknown_shots(by_hand, capfd):
    assert told(capfd, "rehearse", by_hand, "--shot", "push")[0] == 2
    status, out, _ = told(capfd, "rehearse", by_hand, "--strict")
    assert (status == 0) == ("firm 100%" in out)


def problem(capfd, path):
    status, out, err = told(capfd, "rehearse", path)
    assert (status, out) == (2, "")
    assert not path.with_name(f"{path.stem}-rehearsal").exists()
    return err


def test_what_is_no_scene_is_said(tmp_path, capfd):
    path = tmp_path / "a.blend"
    assert "no such file" in problem(capfd, path)
    path.write_text('name = "a plan"', encoding="utf-8")
    assert "something that Blender did not write" in problem(capfd, path)
    path.write_bytes(b"BLENDER17-01v0907" + b"\0" * 100)
    assert "a file of Blender 9.7; expected one that Blender" in problem(capfd, path)
    save(tmp_path / "whole.blend")
    path.write_bytes((tmp_path / "whole.blend").read_bytes()[:3000])
    assert "expected a whole .blend" in problem(capfd, path)


def test_what_a_scene_lacks_is_said(tmp_path, capfd):
    path = save(tmp_path / "empty.blend")
    assert "no plan" in problem(capfd, path)
    bpy.ops.mesh.primitive_plane_add(size=4)
    mark.mark_objects(bpy.context.scene, [bpy.context.object], "screen")
    save(path)
    words = problem(capfd, path)
    assert "cameras: found none; expected a camera" in words
    assert "stage: found nothing to track" in words


def test_no_script_inside_a_file_is_run(by_hand, tmp_path, capfd):
    trace = tmp_path / "trace"
    text = bpy.data.texts.new("start.py")
    text.write(f"open({str(trace)!r}, 'w').close()")
    text.use_module = True
    by_name = bpy.data.objects["camera"].driver_add("location", 2).driver
    by_name.expression = f"1.5 if open({str(trace)!r}, 'w') else 0"
    save(by_hand)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    trace.unlink(missing_ok=True)
    told(capfd, "rehearse", by_hand)
    assert not trace.exists()


def test_a_scene_with_exports(tmp_path, capfd):
    plan = template_folder() / "plans" / "clockwork-attic.toml"
    status, out, err = told(capfd, "scene", plan, "--out", tmp_path / "x.blend", "--export", "usd", "--export", "fbx")
    assert status == 0, err
    assert {p.name for p in tmp_path.iterdir()} == {"x.blend", "x.usd", "x.fbx"}
    assert out.split("\n")[-4:-1] == [str(tmp_path / f"x.{kind}") for kind in ("blend", "usd", "fbx")]
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "x.blend"))
    assert tags.tagged(bpy.context.scene, "shot")
    assert told(capfd, "scene", plan, "--out", tmp_path / "x.blend", "--export", "dae")[0] == 2
