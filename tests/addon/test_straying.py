"""How far takes may stray, asked in the sidebar: the engine's own answer, kept in the scene, stale after changes."""

import bpy
import pytest
import scatterproof_addon
from scatterproof.advise.tolerance import tolerance_of
from scatterproof.report.advice import nearest_limit
from scatterproof_addon.bridge.scene import read_plan, read_scene
from scatterproof_addon.flows import straying
from scatterproof_addon.store import STORE


@pytest.fixture
def built(scene):
    scatterproof_addon.register()
    bpy.ops.scatterproof.build_stage(template="plans/lantern-yard")
    read = read_scene(scene)
    scene.frame_set(read.scene_frames([read.plan.shots[0]])[3])
    yield bpy.ops.scatterproof
    scatterproof_addon.unregister()


def finished(steps):
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value


def test_it_is_the_engines_answer_and_goes_stale(built, scene):
    assert built.stray() == {"FINISHED"}
    first = read_plan(scene).shots[0].name
    ((shot, lines, holds),) = straying.said(scene)
    assert (shot, holds) == (first, True)
    rehearsal = next(r for r in STORE.last(scene) if r.shot.name == first)
    found = finished(tolerance_of(rehearsal, straying.TAKES))
    assert lines[0].lower() == found.text.lower()
    assert f"of {straying.TAKES} takes" in lines[0]
    assert nearest_limit(found, rehearsal.plan.units) in lines[1] or lines[1] == "No limit within reach"
    stand = next(t for t in scene.objects if t.get("scatterproof_part") == "stand")
    stand.location.x += 0.3
    built.rehearse()  # the shot is another one now
    assert [holds for *_, holds in straying.said(scene)] == [False]


def test_words_outlive_the_file_and_are_told_as_old(built, scene, tmp_path):
    built.stray()
    lines = straying.said(scene)[0][1]
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "a.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "a.blend"))
    ((_, kept, holds),) = straying.said(bpy.context.scene)
    assert (kept, holds) == (lines, False)


def test_giving_up_and_no_shot_leave_nothing(built, scene):
    steps = straying.stray(scene)
    for _ in range(4):
        next(steps)
    steps.close()
    assert straying.SAID not in scene
    scene.frame_set(scene.frame_end + 500)
    with pytest.raises(RuntimeError, match="a frame of the shot"):
        built.stray()
