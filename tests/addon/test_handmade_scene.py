"""Scenes that no plan built: marked objects become a plan that holds together, and are rehearsed as one."""

import dataclasses
import math
from pathlib import Path

import bmesh
import bpy
import numpy as np
import pytest
from scatterproof.camera.track import camera_track
from scatterproof.plan.paint import linear_of
from scatterproof.plan.read import load_plan, parse_plan
from scatterproof.plan.templates import template_folder
from scatterproof.plan.write import dump_plan
from scatterproof.problems import BadInput
from scatterproof.readiness.rehearse import rehearse
from scatterproof.sightings.sighting import HIDDEN
from scatterproof.stage.layout import build_layout
from scatterproof.steps import finish
from scatterproof_addon.bridge import mark, tags
from scatterproof_addon.bridge.animation import write_keys
from scatterproof_addon.bridge.mark import mark_objects
from scatterproof_addon.bridge.scene import build_scene, clear_scene, read_plan, read_scene
from scatterproof_addon.flows import staging

SQUARE = [(-1, -1, 0), (1, -1, 0), (1, 1, 0), (-1, 1, 0)]
UPRIGHT = (math.pi / 2, 0, 0)


def add(scene, name, vertices, faces=(), **pose):
    data = bpy.data.meshes.new(name)
    data.from_pydata(vertices, [], faces)
    thing = bpy.data.objects.new(name, data)
    scene.collection.objects.link(thing)
    for key, value in pose.items():
        setattr(thing, key, value)
    bpy.context.view_layer.update()
    return thing


def add_camera(scene, name="camera", **pose):
    thing = bpy.data.objects.new(name, bpy.data.cameras.new(name))
    scene.collection.objects.link(thing)
    thing.location, thing.rotation_euler = pose.get("at", (0, -5, 1.6)), pose.get("turn", UPRIGHT)
    scene.camera = scene.camera or thing
    return thing


def tape(scene, name, centres, normal_axis, radius=0.1, lift=0.002):
    """Squares of tape before a wall (axis y) or on a floor (axis z), each turned by its own angle."""
    vertices, faces = [], []
    for number, centre in enumerate(np.asarray(centres, float)):
        angle = number + np.arange(4) * math.pi / 2 * 0.97
        flat = radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        own = np.zeros((4, 3))
        own[:, [0, 2] if normal_axis == "y" else [0, 1]] = flat
        own[:, 1 if normal_axis == "y" else 2] = -lift if normal_axis == "y" else lift
        faces.append(tuple(range(len(vertices), len(vertices) + 4)))
        vertices += (own + centre).tolist()
    return add(scene, name, vertices, faces)


def corners_of(panel):
    corner, across, up = (np.array(v) for v in (panel.corner, panel.across, panel.up))
    return np.array([corner, corner + across, corner + across + up, corner + up])


def same_points(a, b, tolerance=2e-5):
    """Whether two sets of points are the same in any order."""
    away = np.linalg.norm(np.asarray(a)[:, None] - np.asarray(b)[None], axis=2)
    return a.shape == np.shape(b) and away.min(axis=0).max() < tolerance and away.min(axis=1).max() < tolerance


def world_of(thing, unit=1.0):
    matrix = np.array(thing.matrix_world)
    return (np.array([v.co for v in thing.data.vertices]) @ matrix[:3, :3].T + matrix[:3, 3]) * unit


@pytest.fixture
def stage(scene):
    """A wall, a floor, tape on both, a camera that pushes; nothing marked yet."""
    wall = add(scene, "wall", SQUARE, [(0, 1, 2, 3)], location=(0, 5, 2), rotation_euler=UPRIGHT, scale=(4, 2, 1))
    floor = add(scene, "floor", SQUARE, [(0, 1, 2, 3)], scale=(5, 5, 1))
    on_wall = [(x, 5, z) for x in np.arange(-3.5, 3.6, 0.8) for z in np.arange(0.4, 3.8, 0.8)]
    on_floor = [(x, y, 0) for x in np.arange(-3, 3.1, 1.2) for y in np.arange(0, 4.5, 1.2)]
    wall_tape, floor_tape = tape(scene, "wall tape", on_wall, "y"), tape(scene, "floor tape", on_floor, "z")
    camera = add_camera(scene)
    scene.frame_start, scene.frame_end = 1, 40
    write_keys(camera, "location", [1, 40], [(0.1, -5, 1.6), (0.3, -3.5, 1.6)], ["bezier", "bezier"])
    bpy.context.view_layer.update()
    return dataclasses.make_dataclass("Made", ["wall", "floor", "wall_tape", "floor_tape", "camera"])(
        wall, floor, wall_tape, floor_tape, camera
    )


@pytest.fixture
def marked(scene, stage):
    mark_objects(scene, [stage.wall, stage.floor], "screen")
    mark_objects(scene, [stage.wall_tape, stage.floor_tape], "markers")
    return stage


def holds_together(plan):
    return parse_plan(dump_plan(plan)).plan == plan


# --- screens ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", [1.0, 0.01])
@pytest.mark.parametrize("seed", range(5))
def test_a_plane_anywhere_is_a_panel(scene, unit, seed):
    """Turned, scaled, mirrored, below a turned parent, in scenes of other units."""
    rng = np.random.default_rng(seed)
    scene.unit_settings.scale_length = unit
    carrier = add(scene, "carrier", [(0, 0, 0)], location=rng.normal(size=3), rotation_euler=rng.uniform(-3, 3, 3))
    carrier.scale = (2.5, 2.5, 2.5)
    wide, high = rng.uniform(1, 5, 2)
    thing = add(scene, "flat", SQUARE, [(0, 1, 2, 3)], scale=(wide, -high if seed % 2 else high, 1))
    thing.parent, thing.rotation_euler, thing.location = carrier, rng.uniform(-3, 3, 3), rng.normal(size=3)
    bpy.context.view_layer.update()
    mark_objects(scene, [thing], "screen")
    (panel,) = read_plan(scene).stage.panels
    assert same_points(corners_of(panel), world_of(thing, unit))
    normal = np.array(thing.matrix_world.to_3x3().inverted().transposed() @ thing.data.polygons[0].normal)
    (surface,) = build_layout(read_plan(scene)).surfaces
    np.testing.assert_allclose(surface.normal, normal / np.linalg.norm(normal), atol=1e-5)


def test_a_bent_wall_is_one_panel_per_flat_part(scene):
    """Three parts at right angles, each of many faces; the plain name is kept for single parts."""
    vertices = [(x, y, z) for z in (0, 1, 2) for x, y in ((-2, 0), (-2, 3), (0, 3), (2, 3), (2, 0))]
    faces = [(row + i, row + i + 1, row + i + 6, row + i + 5) for row in (0, 5) for i in range(4)]
    thing = add(scene, "bend", vertices, faces)
    assert mark_objects(scene, [thing], "screen") == "Marked 1 object as screen: 3 flat parts"
    panels = read_plan(scene).stage.panels
    assert [panel.name for panel in panels] == ["bend 1", "bend 2", "bend 3"]
    areas = [np.linalg.norm(p.across) * np.linalg.norm(p.up) for p in panels]
    np.testing.assert_allclose(areas, [8, 6, 6])
    assert {tuple(np.round(np.cross(p.across, p.up) / a).astype(int)) for p, a in zip(panels, areas, strict=True)} == {
        (0, -1, 0), (1, 0, 0), (-1, 0, 0)
    }  # fmt: skip


def test_modifiers_count(scene):
    thing = add(scene, "flats", SQUARE, [(0, 1, 2, 3)], rotation_euler=UPRIGHT)
    array = thing.modifiers.new("again", "ARRAY")
    array.count, array.relative_offset_displace = 3, (1.5, 0, 0)
    bpy.context.view_layer.update()
    mark_objects(scene, [thing], "screen")
    panels = read_plan(scene).stage.panels
    assert sorted(p.corner[0] for p in panels) == pytest.approx([-1, 2, 5], abs=1e-5)


def test_of_a_thick_wall_what_no_camera_sees_is_no_screen(scene):
    bpy.ops.mesh.primitive_cube_add(scale=(3, 0.05, 1.5), location=(0, 4, 1.5))
    wall = bpy.context.object
    add_camera(scene)
    mark_objects(scene, [wall], "screen")
    (surface,) = (s for s in build_layout(read_plan(scene)).surfaces if abs(s.normal[1]) > 0.9)
    np.testing.assert_allclose(surface.normal, [0, -1, 0], atol=1e-6)


def test_the_rectangle_round_an_outline_is_the_smallest(scene):
    outline = np.array([(0, 0), (2.2, 0.3), (2.0, 1.4), (0.9, 1.9), (-0.2, 1.0)])
    turn = 0.4
    flat = outline @ [[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]
    thing = add(scene, "rock", [(x, 0, z) for x, z in flat], [tuple(range(5))])
    mark_objects(scene, [thing], "screen")
    (panel,) = read_plan(scene).stage.panels
    area = np.linalg.norm(panel.across) * np.linalg.norm(panel.up)
    around = [
        np.ptp(flat @ [math.cos(a), math.sin(a)]) * np.ptp(flat @ [-math.sin(a), math.cos(a)])
        for a in np.linspace(0, math.pi / 2, 20001)
    ]
    assert min(around) * (1 - 1e-4) < area <= min(around)  # the search goes by steps


# --- markers ----------------------------------------------------------------------------------------------------


def test_every_face_is_a_marker_on_the_screen_it_lies_on(scene, marked):
    plan = read_plan(scene)
    assert holds_together(plan)
    by_name = {s.name: s for s in plan.markers}
    assert {s.surfaces for s in plan.markers} == {("wall",), ("floor",)}
    layout = build_layout(plan)
    for thing, axis, plane in ((marked.wall_tape, 1, 5.0), (marked.floor_tape, 2, 0.0)):
        assert len(by_name[thing.name].placed) == len(thing.data.polygons)
        row = [s.name for s in plan.markers].index(thing.name)
        mine = np.flatnonzero(layout.markers.set_index == row)
        found = np.concatenate(
            [layout.markers.outline_m[layout.markers.first[m] : layout.markers.first[m + 1]] for m in mine]
        )
        drawn = world_of(thing)
        drawn[:, axis] = plane  # it is taped to the screen, not before it
        assert same_points(found, drawn)


def test_paint_comes_from_the_material(scene, marked):
    def material(name, colour, textured=False):
        made = bpy.data.materials.new(name)
        if made.node_tree is None:
            made.use_nodes = True
        base = made.node_tree.nodes["Principled BSDF"].inputs["Base Color"]
        if textured:
            made.node_tree.links.new(made.node_tree.nodes.new("ShaderNodeTexNoise").outputs["Color"], base)
        base.default_value, made.diffuse_color = ((1, 0, 1, 1), (*colour, 1))[:: 1 if textured else -1]
        return made

    marked.wall.data.materials.append(material("chroma", (0.05, 0.3, 0.06)))
    marked.wall_tape.data.materials.append(material("orange", (0.8, 0.2, 0.02), textured=True))
    marked.wall_tape.data.materials.append(material("white", (0.9, 0.9, 0.9)))
    marked.wall_tape.data.polygons[3].material_index = 1
    plan = read_plan(scene)
    paints = {paint.name: linear_of(paint) for paint in plan.paints}
    np.testing.assert_allclose(paints["chroma"], (0.05, 0.3, 0.06), atol=1e-6)
    np.testing.assert_allclose(paints["orange"], (0.8, 0.2, 0.02), atol=1e-6)
    assert {p.name: p.paint for p in plan.stage.panels} == {"wall": "chroma", "floor": ""}
    sets = {s.name: s for s in plan.markers}
    assert (sets["wall tape"].paint, sets["wall tape 2"].paint, len(sets["wall tape 2"].placed)) == (
        "orange",
        "white",
        1,
    )
    assert (sets["floor tape"].paint, plan.stage.paint) == ("marker", "screen")
    assert holds_together(plan)


def test_markers_that_stand_free_get_planes_of_their_own(scene, marked):
    """Two on a flag two metres before the wall, one askew on a board: they are features where they are."""
    flag = [(-1, 3, 1), (-0.8, 3, 1), (-0.8, 3, 1.2), (-1, 3, 1.2), (-1, 3, 1.6), (-0.8, 3, 1.6), (-0.9, 3, 1.8)]
    board = [(1, 2, 1), (1.2, 2.2, 1), (1.2, 2.2, 1.2), (1, 2, 1.2)]
    loose = add(scene, "loose", flag + board, [(0, 1, 2, 3), (4, 5, 6), (7, 8, 9, 10)])
    mark_objects(scene, [loose], "markers")
    plan = read_plan(scene)
    (found,) = (s for s in plan.markers if s.name == "loose")
    assert len(set(found.surfaces)) == 2
    layout = build_layout(plan)
    owners = [i for i, name in enumerate(layout.owner_names) if name.startswith("loose ")]
    assert same_points(
        layout.features.position_m[np.isin(layout.features.owner, owners)], np.array(flag + board, float)
    )
    assert holds_together(plan)


def test_only_markers_and_a_camera_are_enough(scene, stage):
    mark_objects(scene, [stage.wall_tape, stage.floor_tape], "markers")
    (done,) = finish(staging.rehearse_scene(scene))
    assert done.readiness.features.min() > 50


# --- gear -------------------------------------------------------------------------------------------------------


def test_gear_has_its_corners_and_loose_vertices(scene, marked):
    bpy.ops.mesh.primitive_cube_add(size=0.8, location=(2, 2, 0.4), rotation=(0, 0, 0.4))
    case = bpy.context.object
    case.name = "case"
    edit = bmesh.new()
    edit.from_mesh(case.data)
    bmesh.ops.subdivide_edges(edit, edges=edit.edges, cuts=2, use_grid_fill=True)  # flat faces cut up: no new corners
    edit.verts.new((0, 0, 1.0))
    edit.to_mesh(case.data)
    bpy.context.view_layer.update()
    assert mark_objects(scene, [case], "gear") == "Marked 1 object as gear: 9 hard points"
    plan = read_plan(scene)
    (gear,) = plan.gear
    assert gear.turn == pytest.approx(0.4, abs=1e-6)
    assert gear.size == pytest.approx((0.8, 0.8, 1.4), abs=1e-5)
    layout = build_layout(plan)
    points = layout.features.position_m[layout.features.owner == layout.owner_names.index("case")]
    cube = np.array([(x, y, z) for x in (-0.4, 0.4) for y in (-0.4, 0.4) for z in (-0.4, 0.4)] + [(0, 0, 1.0)])
    matrix = np.array(case.matrix_world)
    assert same_points(points, cube @ matrix[:3, :3].T + matrix[:3, 3])
    assert holds_together(plan)


def test_gear_has_at_most_64_points_well_apart(scene, marked):
    grid = [(x, y, 0.0) for x in np.linspace(0, 3, 20) for y in np.linspace(0, 3, 20)]
    thing = add(scene, "pegs", grid)
    mark_objects(scene, [thing], "gear")
    (gear,) = read_plan(scene).gear
    points = np.array(gear.points)
    assert len(points) == 64
    apart = np.linalg.norm(points[:, None] - points[None], axis=2) + 9 * np.eye(64)
    assert apart.min() > 0.3


def test_a_smooth_ball_is_no_gear(scene):
    bpy.ops.mesh.primitive_uv_sphere_add()
    with pytest.raises(BadInput, match="no corners"):
        mark_objects(scene, [bpy.context.object], "gear")


def test_gear_does_not_hide_its_own_points_but_what_is_behind(scene, marked):
    """A pyramid: its box would hide the tip's surroundings, its mesh does not."""
    base = [(-0.6, 2, 1), (0.6, 2, 1), (0.6, 3.2, 1), (-0.6, 3.2, 1), (0, 2.6, 2.2)]
    thing = add(scene, "pyramid", base, [(0, 1, 4), (1, 2, 4), (2, 3, 4), (3, 0, 4), (3, 2, 1, 0)])
    mark_objects(scene, [thing], "gear")
    (done,) = finish(staging.rehearse_scene(scene))
    owner = done.layout.owner_names.index("pyramid")
    mine = np.flatnonzero(done.layout.features.owner == owner)
    position = done.layout.features.position_m[mine]
    seen = done.sightings.seen[:, mine]
    front, tip = position[:, 1] < 2.1, position[:, 2] > 2
    assert seen[:, front | tip].all()
    assert not seen[:, ~front & ~tip].any()


# --- cameras ----------------------------------------------------------------------------------------------------


def evaluated(scene, camera, frame):
    scene.frame_set(frame)
    return camera.evaluated_get(bpy.context.evaluated_depsgraph_get())


@pytest.mark.parametrize("how", ["still", "keys", "parent"])
def test_any_camera_shoots_the_scenes_frames(scene, marked, how):
    from scatterproof.camera.axes import flip_camera_axes

    camera, data = marked.camera, marked.camera.data
    if how != "keys":
        camera.animation_data_clear()
        camera.location = (0.2, -4, 1.5)
    if how == "parent":
        dolly = add(scene, "dolly", [(0, 0, 0)], scale=(2, 2, 2))
        write_keys(dolly, "location", [1, 40], [(0, 0, 0), (0.5, 0.2, 0)], ["sine", "sine"])
        camera.parent = dolly
    data.sensor_fit, data.sensor_height, data.lens, data.shift_y = "VERTICAL", 18.0, 31.0, 0.07
    data.dof.use_dof, data.dof.aperture_fstop, data.dof.focus_distance = True, 2.8, 5.5
    scene.render.fps, scene.render.fps_base = 24, 1.001
    plan = read_plan(scene)
    (shot,) = plan.shots
    assert (shot.frames, shot.rate) == ((1, 40), pytest.approx(24 / 1.001))
    assert bool(shot.samples) == (how == "parent")
    assert len(shot.keys) == {"still": 1, "keys": 2, "parent": 0}[how]
    track = camera_track(plan, shot)
    for row, frame in enumerate(track.frame):
        there = np.array(evaluated(scene, camera, int(frame)).matrix_world.normalized())
        assert np.abs(flip_camera_axes(track.world_from_cam[row]) - there).max() < 2e-4
    assert track.stop[0] == pytest.approx(2.8)
    np.testing.assert_allclose(track.focus_m, 5.5, rtol=1e-6)
    assert holds_together(plan)


def test_a_zoom_and_a_rack_come_along(scene, marked):
    data = marked.camera.data
    data.dof.use_dof = True
    write_keys(data, "lens", [1, 40], [35.0, 50.0], ["linear"] * 2)
    write_keys(data, "dof.focus_distance", [5, 30], [4.0, 6.0], ["bezier"] * 2)
    plan = read_plan(scene)
    track = camera_track(plan, plan.shots[0])
    for row, frame in enumerate(track.frame):
        there = evaluated(scene, marked.camera, int(frame)).data
        assert track.focal_mm[row] == pytest.approx(there.lens, abs=1e-3)
        assert track.focus_m[row] == pytest.approx(there.dof.focus_distance, abs=1e-4)


def test_the_timeline_says_who_shoots_when(scene, marked):
    other = add_camera(scene, "other", at=(1, -4, 2))
    for camera, frame in ((marked.camera, 1), (other, 15), (marked.camera, 31)):
        scene.timeline_markers.new(f"cut {frame}", frame=frame).camera = camera
    shots = {shot.name: shot.frames for shot in read_plan(scene).shots}
    assert shots == {"camera": (1, 14), "camera 2": (31, 40), "other": (15, 30)}


def test_two_marked_cameras_shoot_the_same_frames(scene, marked):
    other = add_camera(scene, "witness", at=(2, -4, 2), turn=(1.5, 0, 0.3))
    mark_objects(scene, [marked.camera, other], "camera")
    read = read_scene(scene)
    assert {shot.name: shot.frames for shot in read.plan.shots} == {"camera": (1, 40), "witness": (1, 40)}
    assert {place.offset for place in read.places.values()} == {0}
    finish(staging.bake_scene(scene))  # slates hang in both cameras
    assert {t.parent.name for t in scene.objects if t.parent and t.parent.type == "CAMERA"} == {"camera", "witness"}


# --- marks and plans --------------------------------------------------------------------------------------------


def test_marks_are_taken_back(scene, marked):
    assert mark_objects(scene, [marked.wall, marked.camera], "nothing") == "1 object no longer marked"
    assert [p.name for p in read_plan(scene).stage.panels if "plane" not in p.name] == ["floor"]


def test_what_cannot_be_a_part_is_said(scene, marked):
    lamp = bpy.data.objects.new("lamp", bpy.data.lights.new("lamp", "SUN"))
    scene.collection.objects.link(lamp)
    with pytest.raises(BadInput, match="no mesh but a light"):
        mark_objects(scene, [lamp], "screen")
    assert mark.MARK not in lamp
    words = mark_objects(scene, [lamp, marked.floor], "screen")
    assert words == "Marked 1 object as screen: 1 flat part; 'lamp' left out: no mesh but a light"
    marked.camera.data.type = "ORTHO"
    with pytest.raises(BadInput, match="without perspective"):
        mark_objects(scene, [marked.camera], "camera")


def told(scene):
    with pytest.raises(BadInput) as caught:
        finish(staging.rehearse_scene(scene))
    return str(caught.value)


def test_what_is_missing_is_said(scene, stage):
    assert "no plan" in told(scene)
    mark_objects(scene, [stage.wall], "screen")
    scene.camera = None
    words = told(scene)
    assert "cameras: found none" in words
    assert "nothing to track" in words


def test_what_moves_stands_askew_or_is_switched_off_is_said(scene, marked):
    write_keys(marked.wall, "location", [1, 20], [(0, 5, 2), (0, 6, 2)], ["linear"] * 2)
    marked.floor.hide_viewport = True
    first, second, third, fourth = marked.wall_tape.data.vertices[:4]
    halfway = (third.co + fourth.co) / 2
    second.co = halfway + (halfway - first.co) * 0.3  # its edge now crosses the one opposite
    words = told(scene)
    assert "screen 'wall': found something that moves" in words
    assert "screen 'floor': found switched off" in words
    assert "markers 'wall tape': found face 0: the edges" in words


def test_a_rebuilt_plan_leaves_marked_objects_alone(scene, marked):
    """Marked screens in a plan that scatters on them: nothing is built twice, and moving them moves the plan."""
    plan = read_plan(scene)
    scattered = dataclasses.replace(
        plan.markers[0], name="scatter", layout="scatter", placed=(), surfaces=("wall",), spacing=0.5
    )
    mark_objects(scene, [marked.wall_tape], "nothing")
    read = read_scene(scene)
    more = dataclasses.replace(read.plan, markers=(*read.plan.markers, scattered))
    staging.store_plan(scene, more, read.live)
    build_scene(scene, more, Path(), str(scene[tags.PLAN]), read.live)
    assert len(tags.tagged(scene, "markers")) == 1
    assert not tags.tagged(scene, "panel")
    staging.scatter_again(scene, 6)
    before = {t.name for t in scene.objects}
    staging.scatter_again(scene, 7)
    assert {t.name for t in scene.objects} == before
    marked.wall.name = "rear wall"
    again = read_plan(scene)
    assert {s.name: s.surfaces for s in again.markers} == {"scatter": ("rear wall",), "floor tape": ("floor",)}
    assert clear_scene(scene) > 0
    assert not tags.tagged(scene, "markers")
    assert marked.wall.name in scene.objects


def test_a_built_plan_takes_marked_objects_in(scene):
    built = load_plan(template_folder() / "plans" / "lantern-yard.toml").plan
    build_scene(scene, built, Path())
    board = add(scene, "board", SQUARE, [(0, 1, 2, 3)], location=(0, 4, 1), rotation_euler=UPRIGHT, scale=(0.5, 0.5, 1))
    mark_objects(scene, [board], "screen")
    plan = read_plan(scene)
    assert [p.name for p in plan.stage.panels] == ["board"]
    assert plan.shots == built.shots
    assert dataclasses.replace(plan, stage=built.stage) == built
    assert holds_together(plan)


def test_a_built_scene_marked_by_hand_is_judged_as_its_plan(scene):
    """A plan's scene, forgotten and marked again, gives the verdict that the plan gives: features frame by frame."""
    plan = load_plan(template_folder() / "plans" / "lantern-yard.toml").plan
    flat_floor = dataclasses.replace(plan.stage.floors[0], light=1.0)
    package = dataclasses.replace(plan.cameras[0], distortion=(0.0,) * 5)
    shots = tuple(s for s in plan.shots if s.camera == package.name and s.name == "LY010")
    plan = dataclasses.replace(
        plan,
        stage=dataclasses.replace(plan.stage, floors=(flat_floor,), coves=(), shadows=()),
        cameras=(package,),
        shots=shots,
        stands=(),
        blockers=tuple(b for b in plan.blockers if not b.shots or "LY010" in b.shots),
    )
    build_scene(scene, plan, Path())
    parts = {}
    for thing in scene.objects:
        parts.setdefault(tags.part_of(thing), []).append(thing)
        for key in (tags.PART, tags.ENTRY, tags.SHOWN):
            thing.pop(key, None)
    for key in (tags.PLAN, tags.LIVE):
        scene.pop(key, None)
    for pin in list(scene.timeline_markers):
        scene.timeline_markers.remove(pin)
    for part, names in {
        "screen": ("wall", "floor"),
        "markers": ("markers",),
        "gear": ("gear",),
        "blocker": ("blocker",),
    }.items():
        mark_objects(scene, [thing for name in names for thing in parts.get(name, ())], part)
    mark_objects(scene, parts["shot"], "camera")
    (by_hand,) = finish(staging.rehearse_scene(scene))
    (by_plan,) = rehearse(plan)
    assert by_hand.plan.gear
    assert (
        np.abs(by_hand.readiness.features - by_plan.readiness.features).max() <= 0.02 * by_plan.readiness.features.max()
    )
    np.testing.assert_array_equal(by_hand.readiness.state, by_plan.readiness.state)
    np.testing.assert_allclose(by_hand.readiness.nearest_m, by_plan.readiness.nearest_m, atol=5e-3)
    hidden = by_plan.sightings.seen.sum() < rehearsed_without_blockers(plan).sightings.seen.sum()
    assert hidden  # the performer matters here


def rehearsed_without_blockers(plan):
    return next(rehearse(dataclasses.replace(plan, blockers=())))


# --- files ------------------------------------------------------------------------------------------------------


def walker(scene, name="walker"):
    """A rigid head that flies and turns about the vertical, tilted and stretched all the while."""
    bpy.ops.mesh.primitive_monkey_add(size=1.2)
    thing = bpy.context.object
    thing.name = name
    carrier = add(scene, f"{name} carrier", [(0, 0, 0)])
    write_keys(carrier, "location", [1, 40], [(-1.5, 1, 1.2), (1.5, 0.5, 1.2)], ["sine"] * 2)
    write_keys(carrier, "rotation_euler", [1, 40], [(0, 0, 0), (0, 0, 2)], ["sine"] * 2)
    thing.parent, thing.rotation_euler, thing.scale = carrier, (0.5, 0.2, 0), (1, 0.8, 1.3)
    return thing


def test_a_saved_plan_stands_by_itself(scene, marked, tmp_path):
    bpy.ops.mesh.primitive_cone_add(radius1=0.5, depth=1, location=(1.5, 1, 0.5), vertices=5)
    cone = bpy.context.object
    cone.name = "Kegel / grün"
    mark_objects(scene, [cone], "gear")
    mark_objects(scene, [walker(scene)], "blocker")
    (by_scene,) = finish(staging.rehearse_scene(scene))
    path = tmp_path / "plan.toml"
    assert staging.save_plan(scene, path) == "Saved plan.toml and 2 mesh files beside it"
    assert {p.name for p in tmp_path.iterdir()} == {"plan.toml", "plan-walker.obj", "plan-Kegel---grün.obj"}
    file = load_plan(path)
    assert not file.warnings
    (by_file,) = rehearse(file.plan, (), tmp_path)
    differ = by_scene.sightings.why != by_file.sightings.why
    assert differ.mean() < 1e-3
    assert (by_scene.sightings.why == HIDDEN).sum() > 100  # something is hidden
    staging.save_plan(scene, path)  # again, over its own files
    assert len(list(tmp_path.iterdir())) == 3


def test_what_a_plan_cannot_hold_is_said(scene, marked, tmp_path):
    tumbler, dancer = walker(scene, "tumbler"), walker(scene, "dancer")
    write_keys(tumbler, "rotation_euler", [1, 40], [(0, 0, 0), (2, 0, 0)], ["linear"] * 2)
    dancer.shape_key_add(name="rest")
    tall = dancer.shape_key_add(name="tall")
    for point in tall.data:
        point.co.z *= 2
    write_keys(dancer.data.shape_keys, 'key_blocks["tall"].value', [1, 40], [0.0, 1.0], ["linear"] * 2)
    mark_objects(scene, [tumbler, dancer], "blocker")
    words = staging.save_plan(scene, tmp_path / "plan.toml")
    assert "'tumbler' leans over as it moves" in words
    assert "'dancer' deforms" in words
    assert load_plan(tmp_path / "plan.toml").plan.blockers == ()


def test_a_persons_own_mesh_file_is_not_overwritten(scene, marked, tmp_path):
    mine = tmp_path / "plan-walker.obj"
    mine.write_text("# mine\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", encoding="utf-8")
    mark_objects(scene, [walker(scene)], "blocker")
    staging.save_plan(scene, tmp_path / "plan.toml")
    assert mine.read_text(encoding="utf-8").startswith("# mine")
    assert {b.file for b in load_plan(tmp_path / "plan.toml").plan.blockers} == {"plan-walker-2.obj"}


def test_mesh_blockers_and_gear_of_a_plan_come_back_as_they_are_now(scene, marked, tmp_path):
    """Saved, built in an empty scene, stretched there, saved again: the mesh file follows what hides."""
    mark_objects(scene, [walker(scene)], "blocker")
    staging.save_plan(scene, tmp_path / "plan.toml")
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    plan = staging.open_plan(scene, tmp_path / "plan.toml")
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "scene.blend"))
    (thing,) = tags.tagged(scene, "blocker")
    assert read_plan(scene) == plan
    (before,) = finish(staging.rehearse_scene(scene))
    (by_file,) = rehearse(plan, (), tmp_path)
    assert (before.sightings.why != by_file.sightings.why).mean() < 1e-4
    for vertex in thing.data.vertices:
        vertex.co.z *= 1.5
    bpy.context.view_layer.update()
    (after,) = finish(staging.rehearse_scene(scene))
    assert (after.sightings.why == HIDDEN).sum() > (before.sightings.why == HIDDEN).sum()
    words = staging.save_plan(scene, tmp_path / "taller.toml")
    assert words == "Saved taller.toml and 1 mesh files beside it"
    (again,) = rehearse(load_plan(tmp_path / "taller.toml").plan, (), tmp_path)
    assert (again.sightings.why != after.sightings.why).mean() < 1e-3


# --- performers -------------------------------------------------------------------------------------------------


def test_a_performer_walks_two_metres_on_the_floor_under_the_cursor(scene):
    built = load_plan(template_folder() / "plans" / "lantern-yard.toml").plan
    build_scene(scene, built, Path())
    shot = built.shots[2]
    place = read_scene(scene).places[shot.name]
    scene.frame_set(shot.frames[0] + place.offset + 3)
    scene.cursor.location = (-0.4, 2.0, 0.7)
    thing = staging.add_performer(scene)
    plan = read_plan(scene)
    (performer,) = (b for b in plan.blockers if b.name == thing.name)
    assert (performer.name, performer.kind, performer.shots) == ("performer 1", "capsule", (shot.name,))
    assert [key.frame for key in performer.keys] == list(shot.frames)
    np.testing.assert_allclose([k.at for k in performer.keys], [(-0.4, 2, 0), (1.6, 2, 0)], atol=1e-6)
    assert dataclasses.replace(plan, blockers=built.blockers) == built
    assert staging.add_performer(scene).name == "performer 2"
    outline = world_of(thing)
    assert np.ptp(outline, axis=0) == pytest.approx([0.4, 0.55, 1.8], abs=0.02)  # turned to walk to the right


def test_a_performer_joins_a_handmade_scene(scene, marked):
    scene.cursor.location = (-1, 1, 0.1)
    thing = staging.add_performer(scene)
    first = finish(staging.rehearse_scene(scene))[0]
    assert [o.name for o in first.occluders] == [thing.name]
    write_keys(thing, "location", [1, 40], [(-1, 1, 0), (-1, 4, 0)], ["linear"] * 2)
    (performer,) = read_plan(scene).blockers
    np.testing.assert_allclose(performer.keys[-1].at, (-1, 4, 0), atol=1e-6)
