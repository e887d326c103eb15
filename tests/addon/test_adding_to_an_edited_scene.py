"""Adding to a scene that was edited by hand: what objects show must not count twice, and no edit may be forgotten."""

import dataclasses
import math

import bpy
import numpy as np
import pytest
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example, template_folder
from scatterproof_addon.bridge import tags
from scatterproof_addon.bridge.scene import build_scene, read_plan
from scatterproof_addon.flows import staging

PLAN = """
schema = 2
name = "kinds"
[[paint]]
name = "screen"
srgb = [38, 136, 69]
[[paint]]
name = "tape"
srgb = [90, 190, 110]
[stage]
paint = "screen"
[[stage.floor]]
name = "floor"
x = ["-4 m", "4 m"]
y = ["-6 m", "3 m"]
[[stage.wall]]
name = "wall"
start = ["-4 m", "3 m"]
end = ["4 m", "3 m"]
height = "4 m"
[[stage.panel]]
name = "flag"
corner = ["-5 m", "0 m", "0 m"]
across = ["1 m", "1 m", "0 m"]
up = ["0 m", "0 m", "2 m"]
[[markers]]
name = "taped"
surfaces = ["wall"]
count = 12
size = ["80 mm", "120 mm"]
paint = "tape"
[[stand]]
name = "near stand"
at = ["-1 m", "-1 m"]
height = "2 m"
bands = ["0.5 m", "1.5 m"]
paint = "tape"
[[gear]]
name = "crate"
paint = "tape"
size = ["0.6 m", "0.5 m", "0.4 m"]
at = ["2 m", "0 m", "0 m"]
[[blocker]]
name = "column"
kind = "box"
size = ["0.4 m", "0.3 m", "2 m"]
at = ["-2 m", "1 m", "0 m"]
[[blocker]]
name = "walker"
[[blocker.key]]
frame = 1
at = ["0 m", "0 m", "0 m"]
[[blocker.key]]
frame = 20
at = ["1 m", "0 m", "0 m"]
[[camera]]
name = "unit"
film_back = [24.0, 13.5]
resolution = [1920, 1080]
focal_length = 24.0
delivery_aspect = 1.7778
[[shot]]
name = "one"
camera = "unit"
frames = [1, 20]
[[shot.key]]
frame = 1
at = ["0 m", "-5 m", "1.6 m"]
aim = ["0 m", "3 m", "1.5 m"]
[[shot.key]]
frame = 20
at = ["0 m", "-3 m", "1.6 m"]
aim = ["0 m", "3 m", "1.5 m"]
"""
ADD = [staging.add_stand, staging.add_performer]


@pytest.fixture
def things(scene):
    """The objects of a plan with one of every kind, by plan entry."""
    build_scene(scene, parse_plan(PLAN, "kinds").plan, template_folder())
    return {tags.entry_of(t): t for t in scene.objects if tags.part_of(t) not in ("shot", "action point", "aim")}


EDITS = {
    "stand": ("near stand", {"scale": (2, 2, 1.5)}),
    "gear": ("crate", {"scale": (1.5, 2, 3)}),
    "still blocker": ("column", {"scale": (2, 1, 1.2), "location": (1, 1, 0)}),
    "moving blocker": ("walker", {"scale": (1.4, 1.4, 1.1)}),
    "wall": ("wall", {"scale": (0.5, 0.75, 1)}),
    "panel": ("flag", {"scale": (2, 3, 1)}),
    "floor": ("floor", {"location": (0.5, 0.25, 0.1), "scale": (1.5, 1.25, 1)}),
    "markers": ("taped", {"location": (0.1, 0, 0.05)}),
    "renamed stand": ("near stand", {"name": "tall stand", "scale": (1, 1, 1.2)}),
    "renamed wall": ("wall", {"name": "back wall", "scale": (0.9, 1, 1)}),
}


@pytest.mark.parametrize("add", ADD)
@pytest.mark.parametrize("edit", EDITS)
def test_an_edit_by_hand_counts_once_however_much_is_added(scene, things, edit, add):
    entry, change = EDITS[edit]
    for name, value in change.items():
        setattr(things[entry], name, value)
    before = read_plan(scene)
    added = [add(scene).name, add(scene).name]
    after = read_plan(scene)
    assert [s.name for s in (*after.stands, *after.blockers) if s.name in added] == added
    kept = dataclasses.replace(
        after,
        stands=tuple(s for s in after.stands if s.name not in added),
        blockers=tuple(b for b in after.blockers if b.name not in added),
    )
    assert kept == before
    assert before != parse_plan(PLAN, "kinds").plan


@pytest.mark.parametrize("add", ADD)
def test_copies_and_deletions_stay_so(scene, things, add):
    copy = things["near stand"].copy()
    scene.collection.objects.link(copy)
    copy.name, copy.location, copy.scale = "second stand", (1.5, 0, 0), (1, 1, 0.5)
    bpy.data.objects.remove(things["crate"])
    before = read_plan(scene)
    add(scene)
    after = read_plan(scene)
    assert [s.height for s in before.stands] == pytest.approx([2, 1])
    assert {s for s in after.stands if s.name in ("near stand", "second stand")} == set(before.stands)
    assert after.gear == before.gear == ()


def test_a_performer_is_of_the_shot_at_the_playhead_though_its_camera_was_renamed(scene):
    build_scene(scene, parse_plan(example("lantern-yard"), "yard").plan, template_folder() / "plans")
    camera = tags.tagged(scene, "shot")[0]
    origin = tags.entry_of(camera)
    start = next(pin.frame for pin in scene.timeline_markers if pin.camera == camera)
    camera.name = "first try"
    scene.frame_set(start + 2)
    thing = staging.add_performer(scene)
    plan = read_plan(scene)
    (performer,) = (b for b in plan.blockers if b.name == thing.name)
    assert performer.shots == ("first try",)
    assert origin not in {shot.name for shot in plan.shots}
    np.testing.assert_allclose(performer.keys[0].turn, -math.pi / 2)
    assert thing.animation_data.action is not None


def test_an_added_stand_is_an_object_of_its_own(scene, things):
    things["near stand"].name = "stand 1"
    first, second = staging.add_stand(scene), staging.add_stand(scene)
    assert len({first.name, second.name, "stand 1"}) == 3
    first.scale = (1, 1, 2)
    heights = {s.name: s.height for s in read_plan(scene).stands}
    assert heights == pytest.approx({"stand 1": 2, first.name: 4.4, second.name: 2.2})
