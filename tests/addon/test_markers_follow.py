"""What is scored is what is shown: markers that nobody touched follow the plan, moved ones stay where they were put."""

import bpy
import numpy as np
import pytest
import scatterproof_addon
from mathutils import Vector
from scatterproof.sightings.need import planned_layout
from scatterproof_addon.bridge import tags
from scatterproof_addon.bridge.markers import drawn_outline
from scatterproof_addon.bridge.scene import read_scene
from scatterproof_addon.flows import staging
from scatterproof_addon.store import STORE


@pytest.fixture
def ops(scene):
    scatterproof_addon.register()
    yield bpy.ops.scatterproof
    scatterproof_addon.unregister()


def outlines(thing):
    """World corners of every face, sorted by the face's middle."""
    mesh = thing.data
    found = [np.array([thing.matrix_world @ mesh.vertices[v].co for v in face.vertices]) for face in mesh.polygons]
    return sorted(found, key=lambda o: o.mean(axis=0).round(6).tolist())


def shown(scene):
    return {thing.name: outlines(thing) for thing in tags.tagged(scene, "markers")}


def planned(layout, plan):
    return {
        group.name: sorted(
            (drawn_outline(layout, int(m)) for m in np.flatnonzero(layout.markers.set_index == row)),
            key=lambda o: o.mean(axis=0).round(6).tolist(),
        )
        for row, group in enumerate(plan.markers)
    }


def same(a, b):
    return len(a) == len(b) and all(
        p.shape == q.shape and np.abs(p - q).max() < 1e-4 for p, q in zip(a, b, strict=True)
    )


def drag_a_stand_onto_floor_markers(scene):
    floor = next(t for t in tags.tagged(scene, "markers") if "floor" in t.name)
    stand = tags.tagged(scene, "stand")[0]
    stand.location = outlines(floor)[0].mean(axis=0)
    bpy.context.view_layer.update()
    return floor, stand


def move_faces(thing, faces, by):
    for row in faces:
        for v in thing.data.polygons[row].vertices:
            thing.data.vertices[v].co += Vector(by)


def test_a_dragged_stand_moves_the_scatter_once_it_is_rehearsed(ops, scene):
    ops.build_stage(template="plans/lantern-yard")
    floor, _ = drag_a_stand_onto_floor_markers(scene)
    before = shown(scene)
    read = read_scene(scene)
    layout = planned_layout(read.plan)
    assert {s.layout for s in read.plan.markers} == {"scatter"}  # nothing of it counts as moved by hand
    assert not same(before[floor.name], planned(layout, read.plan)[floor.name])
    ops.rehearse()
    after, wanted = shown(scene), planned(STORE.last(scene)[0].layout, read.plan)
    assert all(same(after[name], wanted[name]) for name in after)
    assert read_scene(scene).plan == read.plan


def test_the_step_can_be_undone(ops, scene):
    ops.build_stage(template="plans/lantern-yard")
    floor, _ = drag_a_stand_onto_floor_markers(scene)
    before = shown(scene)
    bpy.ops.ed.undo_push(message="drag")
    ops.rehearse()
    assert not same(shown(bpy.context.scene)[floor.name], before[floor.name])
    bpy.ops.ed.undo()
    assert all(same(found, before[name]) for name, found in shown(bpy.context.scene).items())
    bpy.ops.ed.redo()
    ops.rehearse()
    read = read_scene(bpy.context.scene)
    assert {s.layout for s in read.plan.markers} == {"scatter"}


def test_giving_up_leaves_the_markers(ops, scene):
    ops.build_stage(template="plans/lantern-yard")
    drag_a_stand_onto_floor_markers(scene)
    before, frame = shown(scene), scene.frame_current
    steps = staging.rehearse_scene(scene)
    for _ in range(3):
        next(steps)
    steps.close()
    assert all(same(found, before[name]) for name, found in shown(scene).items())
    assert scene.frame_current == frame


def test_an_added_stand_clears_its_foot_at_once(ops, scene):
    ops.build_stage(template="plans/lantern-yard")
    floor = next(t for t in tags.tagged(scene, "markers") if "floor" in t.name)
    scene.cursor.location = outlines(floor)[3].mean(axis=0)
    ops.add_stand()
    feet = np.array(scene.cursor.location)[:2]
    assert min(np.abs(o[:, :2] - feet).max() for o in outlines(floor)) > 0.1
    assert len(read_scene(scene).plan.stands) == len(tags.tagged(scene, "stand"))


@pytest.mark.parametrize("count", [1, 3])
def test_a_new_scatter_keeps_what_was_moved_by_hand(ops, scene, count):
    ops.build_stage(template="plans/lantern-yard")
    floor = next(t for t in tags.tagged(scene, "markers") if "floor" in t.name)
    name, total = floor.name, len(floor.data.polygons)
    move_faces(floor, range(count), (0.03, 0.0, 0.0))
    kept = [outlines(floor)[i] for i in range(total)]
    moved = [np.array([floor.data.vertices[v].co for v in floor.data.polygons[i].vertices]) for i in range(count)]
    ops.scatter(seed=77)
    sets = {s.name: s for s in read_scene(scene).plan.markers}
    assert sets[name].layout == "scatter"
    assert sets[f"{name} by hand"].layout == "placed"
    found = shown(scene)
    by_hand = found[f"{name} by hand"]
    assert len(by_hand) == count
    assert all(min(np.abs(m.mean(axis=0) - o.mean(axis=0)).max() for o in by_hand) < 1e-3 for m in moved)
    assert not same(found[name], kept)
    if sets[name].count is not None:
        assert len(found[name]) + count == total
    ops.scatter(seed=78)  # and the next one keeps them too
    assert len(shown(scene)[f"{name} by hand"]) == count
