"""Operators about shots: jumping to lost frames, giving cameras moves, writing the report."""

import dataclasses

import bpy
import numpy as np
import pytest
import scatterproof_addon
from scatterproof.camera.track import camera_track
from scatterproof.plan.templates import template_names
from scatterproof.readiness.verdict import LOST
from scatterproof_addon.bridge import tags
from scatterproof_addon.bridge.scene import read_plan, read_scene
from scatterproof_addon.flows.shots import held_back, move_template, starts
from scatterproof_addon.store import STORE


@pytest.fixture
def ops(scene):
    scatterproof_addon.register()
    yield bpy.ops.scatterproof
    scatterproof_addon.unregister()


@pytest.fixture
def built(ops, scene):
    ops.build_stage(template="plans/lantern-yard")
    return ops


def test_jumping_visits_every_lost_stretch_once_and_comes_round(built, scene):
    with pytest.raises(RuntimeError, match="Rehearse first"):
        built.next_lost()
    built.rehearse()
    rng, spoiled = np.random.default_rng(5), []
    for rehearsal in STORE.last(scene):  # stretches of every state, so that there is much to visit
        readiness = rehearsal.readiness
        state = np.repeat(rng.integers(0, 3, len(readiness.state) // 9 + 1), 9)[: len(readiness.state)]
        readiness = dataclasses.replace(readiness, state=state.astype(readiness.state.dtype))
        spoiled.append(dataclasses.replace(rehearsal, readiness=readiness))
    STORE.remember(scene, "", tuple(spoiled))
    runs = starts(held_back(scene, LOST))
    lost = {
        int(f) + read_scene(scene).places[r.shot.name].offset
        for r in STORE.last(scene)
        for f in r.readiness.frame[r.readiness.state == LOST]
    }
    assert len(runs) >= 5
    scene.frame_set(runs[0][0] - 1)
    seen = []
    for _ in range(len(runs) + 1):
        assert built.next_lost() == {"FINISHED"}
        seen.append(scene.frame_current)
    assert seen == [frame for frame, _ in runs] + [runs[0][0]]
    assert set(seen) <= lost
    assert all(frame - 1 not in lost for frame in seen)
    built.next_lost(back=True)
    assert scene.frame_current == runs[-1][0]


@pytest.mark.parametrize("name", template_names("moves"))
def test_a_move_from_a_template_is_made_and_read_back(built, scene, name):
    camera = tags.tagged(scene, "shot")[0]
    place = next(p for p in read_scene(scene).places.values() if p.camera == camera)
    before = read_plan(scene)
    first = before.shots[[s.name for s in before.shots].index(tags.entry_of(camera))].frames[0]
    scene.frame_set(first + place.offset)
    stands, ahead = np.array(camera.matrix_world.translation), -np.array(camera.matrix_world)[:3, 2]
    bpy.context.view_layer.objects.active = camera
    assert built.add_move(move=name) == {"FINISHED"}
    plan = read_plan(scene)
    shot = next(s for s in plan.shots if s.name == tags.entry_of(camera))
    template = move_template(name)
    assert (shot.move.kind, shot.keys, shot.samples) == (template.kind, (), ())
    track = camera_track(plan, shot)
    slack = 4 * template.wander.travel if template.wander else 1e-4  # four sigma of its unrest
    assert np.abs(track.centre_m[0] - stands).max() < slack
    assert np.abs(track.world_from_cam[0, :3, 2] - ahead).max() < slack
    if template.kind in ("push", "pull", "dolly", "crane") and not template.wander:
        assert np.linalg.norm(track.centre_m[-1] - track.centre_m[0]) == pytest.approx(abs(template.distance))
    others = [s for s in before.shots if s.name != shot.name]
    assert [s for s in plan.shots if s.name != shot.name] == others
    assert shot.frames == next(s for s in before.shots if s.name == shot.name).frames


def test_a_camera_in_no_shot_is_refused(built, scene):
    bpy.ops.object.camera_add()
    before = dict(bpy.context.object.items())
    with pytest.raises(RuntimeError, match="in no shot"):
        built.add_move(move="push")
    assert dict(bpy.context.object.items()) == before


def test_a_marked_camera_gets_a_move_too(ops, scene):
    scene.frame_start, scene.frame_end = 11, 60
    bpy.ops.mesh.primitive_plane_add(size=4)
    ops.mark(part="screen")
    bpy.ops.object.camera_add(location=(0, -4, 1.5), rotation=(np.pi / 2, 0, 0))
    camera = bpy.context.object
    ops.mark(part="camera")
    assert ops.add_move(move="push") == {"FINISHED"}
    scene.frame_set(60)
    assert np.allclose(camera.matrix_world.translation, (0, -2.5, 1.5), atol=1e-4)
    scene.frame_set(11)
    assert np.allclose(camera.matrix_world.translation, (0, -4, 1.5), atol=1e-4)


def test_the_report_is_the_command_lines(built, scene, tmp_path):
    with pytest.raises(RuntimeError, match="Rehearse first"):
        built.write_report(directory=str(tmp_path))
    built.rehearse()
    assert built.write_report(directory=str(tmp_path / "größe")) == {"FINISHED"}
    assert {p.name for p in (tmp_path / "größe").iterdir()} == {"readiness.json", "readiness.csv", "report.html"}
