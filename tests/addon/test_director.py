"""The director's sheet from Blender: written as a whole beside the .blend, and told in names beside the rings."""

import re

import bpy
import numpy as np
import pytest
import scatterproof_addon
from scatterproof.advise.critical import ALL_STANDS, STANDS, Critical
from scatterproof.readiness.verdict import FIRM, LOST
from scatterproof.steps import finish
from scatterproof_addon.flows import staging
from scatterproof_addon.overlay.live import LIVES, named_now, new_live
from scatterproof_addon.store import STORE


@pytest.fixture
def ops(scene):
    scatterproof_addon.register()
    assert bpy.ops.scatterproof.build_stage(template="plans/lantern-yard") == {"FINISHED"}
    yield bpy.ops.scatterproof
    scatterproof_addon.unregister()


def test_the_sheet_is_written_where_it_is_asked_for(ops, scene, tmp_path):
    with pytest.raises(RuntimeError, match="saved"):
        ops.director_sheet()
    assert ops.director_sheet(filepath=str(tmp_path / "yard.html")) == {"FINISHED"}
    page = (tmp_path / "yard.html").read_text(encoding="utf-8")
    for rehearsal in STORE.last(scene):
        assert rehearsal.shot.name in page
    numbers = [int(n) for n in re.findall(r"class='number'>(\d+)<", page)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) >= 3 * len(STORE.last(scene))
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "yard.blend"))
    assert ops.director_sheet() == {"FINISHED"}
    assert (tmp_path / "what-must-stay.html").exists()


def test_names_stand_at_the_top_of_what_is_seen(ops, scene):
    seen = finish(staging.look(scene))
    done = finish(staging.rehearse_scene(scene))
    live = LIVES.kept[scene.session_uid] = new_live(scene, seen.read, seen.solids, seen.folder, done)
    name = live.view.shot
    rehearsal = live.shots[name].rehearsal
    frame = int(rehearsal.track.frame[live.place(scene)[1]])
    assert live.view.names == ()
    live.name_critical(scene, {name: (Critical(name, ALL_STANDS, STANDS, frame, frame, FIRM, LOST),)})
    shown = dict(live.view.names)
    assert shown
    assert set(shown) <= {stand.name for stand in rehearsal.plan.stands}
    for stand in rehearsal.plan.stands:
        if stand.name in shown:
            np.testing.assert_allclose(shown[stand.name][:2], stand.at, atol=1e-6)
    assert named_now(rehearsal, live.shots[name].critical, frame + 1) == ()
