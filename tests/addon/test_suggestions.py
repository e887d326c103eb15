"""Suggested stands: ghosts until somebody accepts them, gone when dismissed, no part of the plan."""

import bpy
import pytest
import scatterproof_addon
from scatterproof.readiness.verdict import FIRM
from scatterproof_addon.bridge import tags
from scatterproof_addon.bridge.scene import read_plan, read_scene
from scatterproof_addon.flows import suggesting
from scatterproof_addon.store import STORE

LOST = "LY020"  # the example's push on one flat wall


@pytest.fixture
def built(scene):
    scatterproof_addon.register()
    bpy.ops.scatterproof.build_stage(template="plans/lantern-yard")
    scene.frame_set(int(read_scene(scene).scene_frames([s for s in read_plan(scene).shots if s.name == LOST])[5]))
    yield bpy.ops.scatterproof
    scatterproof_addon.unregister()


def test_ghosts_are_no_stands_until_they_are_accepted(built, scene):
    with pytest.raises(RuntimeError, match="Suggest stands first"):
        built.accept_stand()
    before, blocks = read_plan(scene), (len(bpy.data.objects), len(bpy.data.meshes), len(bpy.data.collections))
    assert built.suggest_stands() == {"FINISHED"}
    found = suggesting.ghosts(scene)
    assert found
    assert read_plan(scene) == before
    assert built.dismiss_stand() == {"FINISHED"}
    assert (len(bpy.data.objects), len(bpy.data.meshes), len(bpy.data.collections)) == blocks
    built.suggest_stands()
    for thing in suggesting.ghosts(scene):
        places = (thing.location.x, thing.location.y)
        assert built.accept_stand(target=thing.name) == {"FINISHED"}
        newest = read_plan(scene).stands[-1]
        assert newest.at == pytest.approx(places, abs=1e-5)
    plan = read_plan(scene)
    assert len(plan.stands) == len(before.stands) + len(found)
    assert len(tags.tagged(scene, "stand")) == len(plan.stands)
    assert not suggesting.ghosts(scene)
    built.rehearse()
    state = next(r.readiness.state for r in STORE.last(scene) if r.readiness.name == LOST)
    assert (state == FIRM).all()


def test_away_from_every_shot_it_says_so(built, scene):
    scene.frame_set(scene.frame_end + 500)
    with pytest.raises(RuntimeError, match="a frame of the shot"):
        built.suggest_stands()
