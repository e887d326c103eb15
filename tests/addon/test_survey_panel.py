"""A survey taken in from the sidebar: shown before anything changes, accepted all at once or one by one, undone."""

import csv
import dataclasses

import bpy
import numpy as np
import pytest
import scatterproof_addon
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example, template_folder
from scatterproof.sightings.need import planned_layout
from scatterproof.survey.found import NOT_SURVEYED
from scatterproof.survey.targets import targets_of
from scatterproof_addon.bridge import arrows
from scatterproof_addon.bridge.export import export_stage
from scatterproof_addon.bridge.scene import read_plan
from scatterproof_addon.flows import surveying

NAME = "lantern-yard"
MISSING = 5


@pytest.fixture
def ops(scene):
    scatterproof_addon.register()
    assert bpy.ops.scatterproof.build_stage(template=f"plans/{NAME}") == {"FINISHED"}
    yield bpy.ops.scatterproof
    scatterproof_addon.unregister()


@pytest.fixture(scope="module")
def stage():
    """Targets, and where each really stands: 3 mm of noise, marker 3 moved by 60 mm, stand 1 by 40 mm."""
    plan = parse_plan(example(NAME), NAME).plan
    targets = targets_of(plan, planned_layout(plan, template_folder() / "plans"))
    real = targets.position_m + np.random.default_rng(4).normal(0, 0.001, targets.position_m.shape)
    real[2] += [0.06, 0, 0]
    real[np.char.startswith(targets.number, "S1")] += [0, -0.04, 0]
    return targets, real


def written(folder, targets, real, head=("point", "x_m", "y_m", "z_m", "sigma_m"), skip=MISSING):
    """A list of all but one planned thing, in axes of its own, and an extra point."""
    path = folder / "survey.csv"
    turned = np.column_stack([real[:, 1], -real[:, 0], real[:, 2]]) + np.array([100, 200, 10])
    with path.open("w", newline="") as out:
        table = csv.writer(out)
        table.writerow(head)
        rows = zip(targets.number, turned, strict=True)
        table.writerows([n, *at.round(5), 0.002] for row, (n, at) in enumerate(rows) if row != skip)
        table.writerow(["tripod", 101, 201, 10, 0.002])
    return path


def read(ops, path):
    return ops.read_survey(directory=str(path.parent), files=[{"name": path.name}])


def marks(scene):
    return [thing for thing in scene.objects if arrows.TARGET in thing]


def ends(thing):
    """Where an arrow begins, and its farthest vertex."""
    points = np.array([v.co for v in thing.data.vertices], float)
    return np.array(thing.location), points[np.linalg.norm(points, axis=1).argmax()] + np.array(thing.location)


def test_reading_shows_what_moved_and_changes_nothing(ops, scene, stage, tmp_path):
    before = read_plan(scene)
    assert read(ops, written(tmp_path, *stage)) == {"FINISHED"}
    assert read_plan(scene) == before
    seen = surveying.SURVEYS.of(scene)
    assert [i for i, s in enumerate(seen.found.state) if s == NOT_SURVEYED] == [MISSING]
    assert seen.found.extra_label == ("tripod",)
    targets, real = stage
    thing = next(t for t in marks(scene) if t[arrows.TARGET] == targets.name[2])
    assert thing.name.startswith("3: ")
    assert thing.show_name
    assert thing.hide_render
    start, tip = ends(thing)
    np.testing.assert_allclose(start, targets.position_m[2], atol=1e-4)
    factor = arrows.exaggeration(seen.found)
    np.testing.assert_allclose((tip - start) / factor, real[2] - targets.position_m[2], atol=0.004)
    kinds = [t.name.partition(": ")[2] for t in marks(scene)]
    assert kinds.count("not surveyed") == kinds.count("extra") == 1
    assert {t.users_collection[0].name for t in marks(scene)} == {"Survey"}


def test_one_by_one_then_all(ops, scene, stage, tmp_path):
    targets, real = stage
    read(ops, written(tmp_path, *stage))
    planned = read_plan(scene)
    count = len(marks(scene))
    assert ops.accept_one(target=targets.name[2]) == {"FINISHED"}
    assert len(marks(scene)) == count - 1
    built = read_plan(scene)
    folder = template_folder() / "plans"
    at = targets_of(built, planned_layout(built, folder)).position_m
    np.testing.assert_allclose(at[2], real[2], atol=0.006)  # it stays on its surface
    np.testing.assert_allclose(np.delete(at, 2, axis=0), np.delete(targets.position_m, 2, axis=0), atol=1e-3)
    assert built.stands == planned.stands

    arrow = next(t for t in marks(scene) if t[arrows.TARGET].startswith(planned.stands[0].name))
    for thing in bpy.context.selected_objects:
        thing.select_set(False)
    arrow.select_set(True)
    assert ops.accept_selected() == {"FINISHED"}
    built = read_plan(scene)
    np.testing.assert_allclose(np.subtract(built.stands[0].at, planned.stands[0].at), [0, -0.04], atol=0.003)
    assert built.stands[1:] == planned.stands[1:]
    assert not any(t[arrows.TARGET].startswith(planned.stands[0].name) for t in marks(scene))

    assert ops.accept_survey() == {"FINISHED"}
    built = read_plan(scene)
    at = targets_of(built, planned_layout(built, folder)).position_m
    surveyed = np.arange(len(at)) != MISSING
    np.testing.assert_allclose(at[surveyed], real[surveyed], atol=0.008)
    np.testing.assert_allclose(at[MISSING], targets.position_m[MISSING], atol=1e-3)
    assert sorted(t.name.partition(": ")[2] for t in marks(scene)) == ["extra", "not surveyed"]
    assert ops.discard_survey() == {"FINISHED"}
    assert not marks(scene)
    assert "Survey" not in bpy.data.collections
    assert read_plan(scene) == built


def test_every_step_is_undone(ops, scene, stage, tmp_path):
    bpy.ops.ed.undo_push(message="built")
    steps = [
        lambda: read(ops, written(tmp_path, *stage)),
        lambda: ops.accept_one(target=stage[0].name[2]),
        lambda: ops.accept_survey(),
    ]
    states = [now()]
    for step in steps:
        step()
        bpy.ops.ed.undo_push(message="step")
        states.append(now())
    assert len({str(s) for s in states}) == 4
    for state in reversed(states[:-1]):
        bpy.ops.ed.undo()
        assert now() == state
    for state in states[1:]:
        bpy.ops.ed.redo()
        assert now() == state


def now():
    scene = bpy.context.scene
    seen = surveying.SURVEYS.of(scene)
    return read_plan(scene), sorted(t.name for t in marks(scene)), seen and seen.summary


def test_what_files_leave_open_is_asked_in_the_panels_words(ops, scene, stage, tmp_path):
    path = written(tmp_path, *stage, head=("point", "x", "y", "z", "sigma"))
    with pytest.raises(RuntimeError, match="not said in the file"):
        read(ops, path)
    (question,) = surveying.SURVEYS.asked(scene)
    assert "Units: m, cm" in question
    assert "--" not in question
    assert "would fit m" in question
    assert surveying.SURVEYS.of(scene) is None
    assert not marks(scene)
    scene.scatterproof_taking_in.units = "m"
    assert ops.match_survey() == {"FINISHED"}
    assert not surveying.SURVEYS.asked(scene)
    assert surveying.SURVEYS.of(scene).found.extra_label == ("tripod",)


def test_marks_by_hand_stay_and_are_told(ops, scene, stage, tmp_path):
    read(ops, written(tmp_path, *stage))
    read_scene = surveying.read_scene
    group = read_plan(scene).markers[0].name
    live = frozenset({("markers", group)})
    try:
        surveying.read_scene = lambda s: dataclasses.replace(read_scene(s), live=live)
        text = surveying.accept_all(scene)
    finally:
        surveying.read_scene = read_scene
    assert "modelled by hand stay" in text


def test_a_stage_that_changed_since_is_refused(ops, scene, stage, tmp_path):
    read(ops, written(tmp_path, *stage))
    bpy.data.objects.remove(scene.objects[read_plan(scene).stands[0].name])
    before = read_plan(scene)
    with pytest.raises(RuntimeError, match="read again"):
        ops.accept_survey()
    assert read_plan(scene) == before


def test_without_files_plan_or_survey_the_buttons_say_so(scene):
    scatterproof_addon.register()
    ops = bpy.ops.scatterproof
    for name in ("read_survey", "match_survey", "accept_survey", "accept_selected", "discard_survey"):
        assert not getattr(ops, name).poll()
    ops.build_stage(template=f"plans/{NAME}")
    assert ops.read_survey.poll()
    assert not ops.match_survey.poll()
    assert not ops.accept_survey.poll()
    scatterproof_addon.unregister()


def test_camera_reports_alone_are_no_survey(ops, scene, tmp_path):
    path = tmp_path / "report.csv"
    path.write_text("shot,take,good\nLY010,1,y\n")
    with pytest.raises(RuntimeError):
        read(ops, path)
    assert not marks(scene)


@pytest.mark.parametrize("again", ["build_stage", "scatter", "clear"])
def test_another_stage_takes_the_survey_away(ops, scene, stage, tmp_path, again):
    read(ops, written(tmp_path, *stage))
    settings = {"build_stage": {"template": "stages/corner"}, "scatter": {"seed": 9}}.get(again, {})
    assert getattr(ops, again)(**settings) == {"FINISHED"}
    assert not marks(scene)
    assert surveying.SURVEYS.of(scene) is None
    assert not surveying.files_of(scene)
    assert "Survey" not in bpy.data.collections


def test_marks_are_no_part_of_the_stage_for_other_programs(ops, scene, stage, tmp_path):
    """They are not exported, cannot be marked, and a deleted one changes nothing."""
    exported = export_stage(scene, tmp_path / "before.usd", "usd")
    read(ops, written(tmp_path, *stage))
    before = read_plan(scene)
    mark = marks(scene)[0]
    mark.select_set(True)
    with pytest.raises(RuntimeError, match="built from the plan as survey"):
        ops.mark(part="gear")
    assert export_stage(scene, tmp_path / "after.usd", "usd") == exported
    bpy.data.objects.remove(mark)
    assert read_plan(scene) == before
