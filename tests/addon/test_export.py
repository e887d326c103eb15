"""The stage through Blender's own exporters and back through its importers, frame by frame.

Tolerances: places within 0.1 mm (single precision, FBX's matrices taken apart into Euler angles and back), directions
within 0.1 mrad, focal lengths within 0.01 mm.
"""

import re
import struct
from pathlib import Path

import bpy
import numpy as np
import pytest
from scatterproof.plan.read import load_plan
from scatterproof.plan.templates import template_folder
from scatterproof.problems import BadInput
from scatterproof_addon.bridge import tags
from scatterproof_addon.bridge.animation import write_keys
from scatterproof_addon.bridge.export import FORMATS, export_stage
from scatterproof_addon.bridge.scene import build_scene

PLACE_M, DIRECTION, FOCAL_MM = 1e-4, 1e-4, 1e-2
FRAMES = (1, 30, 61, 120)


def read_back(kind, path):
    """The file in an empty scene; returns metres in one unit of what was read."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    if kind == "usd":
        # The importer drops the root that Blender's exporter makes, and with it any scale: units are followed here.
        asks = "apply_unit_conversion_scale" in bpy.ops.wm.usd_import.get_rna_type().properties
        bpy.ops.wm.usd_import(filepath=str(path), **({"apply_unit_conversion_scale": False} if asks else {}))
        said = re.search(rb"metersPerUnit = (\S+)", path.read_bytes())
        return float(said[1]) if said else 1.0
    if kind == "abc":
        bpy.ops.wm.alembic_import(filepath=str(path), as_background_job=False)
    else:
        import addon_utils

        addon_utils.enable("io_scene_fbx")
        bpy.ops.import_scene.fbx(filepath=str(path), anim_offset=0)
    return 1.0


def plain(name):
    return re.sub(r"\W", "_", name)


def vertices(thing, graph, unit):
    evaluated = thing.evaluated_get(graph)
    mesh = evaluated.to_mesh()
    matrix = np.array(evaluated.matrix_world)
    return (np.array([v.co for v in mesh.vertices]) @ matrix[:3, :3].T + matrix[:3, 3]) * unit


def state(scene, names, unit):
    """By plain name: world vertices of meshes; of cameras place, axes, focal length and gate, per frame."""
    found = {}
    scene.frame_set(FRAMES[0])
    graph = bpy.context.evaluated_depsgraph_get()
    things = {plain(t.name): t for t in scene.objects if plain(t.name) in names and t.type in ("MESH", "CAMERA")}
    for name, thing in things.items():
        if thing.type == "MESH":
            found[name] = vertices(thing, graph, unit)
    cameras = {name: thing for name, thing in things.items() if thing.type == "CAMERA"}
    rows = {name: [] for name in cameras}
    for frame in FRAMES:
        scene.frame_set(frame)
        graph = bpy.context.evaluated_depsgraph_get()
        for name, thing in cameras.items():
            evaluated = thing.evaluated_get(graph)
            matrix, data = np.array(evaluated.matrix_world.normalized()), evaluated.data
            wide = data.sensor_width  # the gate is landscape throughout
            rows[name].append((matrix[:3, 3] * unit, matrix[:3, :3], data.lens, wide, (data.shift_x, data.shift_y)))
    return found, rows


@pytest.fixture
def built(scene):
    """Stage, markers, stands, gear, and cameras that move by keys, by an aim, on every frame, and zoom."""
    plan = load_plan(template_folder() / "plans" / "lantern-yard.toml").plan
    build_scene(scene, plan, Path())
    zoom = tags.tagged(scene, "shot")[0].data
    write_keys(zoom, "lens", [1, 120], [28.0, 70.0], ["bezier"] * 2)
    return plan


def exported(scene):
    parts = ("floor", "wall", "cove", "markers", "stand", "gear", "shot")
    return {plain(t.name) for part in parts for t in tags.tagged(scene, part)}


@pytest.mark.parametrize("unit", [1.0, 0.01])
@pytest.mark.parametrize("kind", FORMATS)
def test_everything_comes_back_where_it_was(scene, kind, unit, tmp_path):
    scene.unit_settings.scale_length = unit
    plan = load_plan(template_folder() / "plans" / "lantern-yard.toml").plan
    build_scene(scene, plan, Path())
    write_keys(tags.tagged(scene, "shot")[0].data, "lens", [1, 120], [28.0, 70.0], ["bezier"] * 2)
    names = exported(scene)
    meshes, cameras = state(scene, names, unit)
    frame = scene.frame_current
    path = tmp_path / f"stage.{'usda' if kind == 'usd' else kind}"
    assert export_stage(scene, path, kind) == len(names) == len(meshes) + len(cameras)
    assert scene.frame_current == frame
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    there_unit = read_back(kind, path)
    assert bpy.context.scene.unit_settings.scale_length == 1.0
    there_meshes, there_cameras = state(bpy.context.scene, names, there_unit)
    zooms = kind == "fbx" or (kind == "usd" and bpy.app.version >= (4, 4))  # for others see below
    assert set(there_meshes) == set(meshes)
    assert set(there_cameras) == set(cameras)
    for name, points in meshes.items():
        assert len(there_meshes[name]) == len(points), name
        assert np.abs(there_meshes[name] - points).max() < PLACE_M, name
    for name, rows in cameras.items():
        for row, there in zip(rows, there_cameras[name], strict=True):
            at, axes, focal, wide, shift = row if zooms else (*row[:2], rows[0][2], *row[3:])
            assert np.abs(there[0] - at).max() < PLACE_M, name
            assert np.abs(there[1] - axes).max() < DIRECTION, name
            assert there[2] == pytest.approx(focal, abs=FOCAL_MM), name
            assert there[3] == pytest.approx(wide, rel=1e-4), name
            assert there[4] == pytest.approx(shift, abs=1e-4), name
    moves = {name: np.ptp([row[0] for row in rows], axis=0).max() for name, rows in cameras.items()}
    assert max(moves.values()) > 0.5
    assert np.ptp([row[2] for row in cameras["LY010"]]) > 10


def zoomed(scene):
    """Frames and focal lengths of the first camera."""
    zoom = tags.tagged(scene, "shot")[0]
    for frame in range(1, 121):
        scene.frame_set(frame)
        yield frame, zoom.evaluated_get(bpy.context.evaluated_depsgraph_get()).data.lens


def test_alembic_holds_the_zoom_that_blenders_importer_passes_over(scene, built, tmp_path):
    """Its camera samples are doubles, stored plainly: the focal length of every frame is found in the file."""
    export_stage(scene, tmp_path / "stage.abc", "abc")
    data = (tmp_path / "stage.abc").read_bytes()
    assert all(struct.pack("<d", lens) in data for _, lens in zoomed(scene))
    assert struct.pack("<d", 35.4321) not in data


def test_usd_holds_the_zoom_that_older_importers_pass_over(scene, built, tmp_path):
    export_stage(scene, tmp_path / "stage.usda", "usd")
    text = (tmp_path / "stage.usda").read_text(encoding="utf-8")
    (block,) = re.findall(r"focalLength\.timeSamples = \{(.*?)\}", text, re.DOTALL)
    samples = {int(frame): float(lens) for frame, lens in re.findall(r"(\d+): ([\d.]+),", block)}
    for frame, lens in zoomed(scene):
        assert 100 * samples[frame] == pytest.approx(lens, abs=1e-4)  # USD counts in tenths of its unit, a metre


def test_stand_bands_are_where_the_plan_has_them(scene, built, tmp_path):
    export_stage(scene, tmp_path / "stage.usd", "usd")
    read_back("usd", tmp_path / "stage.usd")
    for stand in built.stands:
        thing = next(t for t in bpy.context.scene.objects if plain(t.name) == plain(stand.name) and t.type == "MESH")
        heights = vertices(thing, bpy.context.evaluated_depsgraph_get(), 1.0)[:, 2] - stand.base
        for band in stand.bands:
            for edge in (band - stand.band_width / 2, band + stand.band_width / 2):
                assert np.abs(heights - edge).min() < PLACE_M


@pytest.mark.parametrize("unit", [1.0, 0.01])
def test_axes_and_units_are_said_as_each_format_says_them(scene, unit, tmp_path):
    """USD in its text form; FBX's global settings from its bytes.

    The bytes: "FBX binary file format specification", code.blender.org, 2013 (from memory).
    """
    scene.unit_settings.scale_length = unit
    build_scene(scene, load_plan(template_folder() / "plans" / "lantern-yard.toml").plan, Path())
    export_stage(scene, tmp_path / "stage.usda", "usd")
    text = (tmp_path / "stage.usda").read_text(encoding="utf-8")
    assert 'upAxis = "Z"' in text
    assert float(re.search(r"metersPerUnit = (\S+)", text)[1]) == pytest.approx(unit)
    export_stage(scene, tmp_path / "stage.fbx", "fbx")
    data = (tmp_path / "stage.fbx").read_bytes()
    assert data.startswith(b"Kaydara FBX Binary")

    def setting(name, form):
        """The fifth property of a P record: after four strings (name, type, label, flags) comes the value."""
        at = data.index(b"S" + struct.pack("<i", len(name)) + name)
        for _ in range(4):
            assert data[at : at + 1] == b"S"
            at += 5 + struct.unpack_from("<i", data, at + 1)[0]
        assert data[at : at + 1] == {"<i": b"I", "<d": b"D"}[form]
        return struct.unpack_from(form, data, at + 1)[0]

    assert setting(b"UpAxis", "<i") == 1  # Y
    assert setting(b"UnitScaleFactor", "<d") == pytest.approx(100.0 * unit)  # centimetres in a unit


def test_an_empty_scene_has_nothing_to_export(scene, tmp_path):
    with pytest.raises(BadInput, match="nothing to export"):
        export_stage(scene, tmp_path / "stage.usd", "usd")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("kind", FORMATS)
def test_a_place_that_cannot_be_written_to_is_said(scene, built, kind, tmp_path):
    with pytest.raises(BadInput, match=r"stage.*a place that can be written to"):
        export_stage(scene, tmp_path / "nowhere" / f"stage.{kind}", kind)


def test_a_blender_without_an_exporter_is_said(scene, built, tmp_path, monkeypatch):
    import addon_utils

    if hasattr(bpy.types, "EXPORT_SCENE_OT_fbx"):
        addon_utils.disable("io_scene_fbx")
    monkeypatch.setattr(addon_utils, "enable", lambda name: None)
    with pytest.raises(BadInput, match="without an exporter for FBX"):
        export_stage(scene, tmp_path / "stage.fbx", "fbx")


def test_the_selection_is_left_as_it_was(scene, built, tmp_path):
    stand = tags.tagged(scene, "stand")[0]
    for thing in scene.objects:
        thing.select_set(thing == stand)
    bpy.context.view_layer.objects.active = stand
    export_stage(scene, tmp_path / "stage.usd", "usd")
    assert [t for t in scene.objects if t.select_get()] == [stand]
    assert bpy.context.view_layer.objects.active == stand


def test_marked_objects_are_exported_too(scene, tmp_path):
    bpy.ops.mesh.primitive_plane_add(size=4)
    from scatterproof_addon.bridge.mark import mark_objects

    mark_objects(scene, [bpy.context.object], "screen")
    assert export_stage(scene, tmp_path / "stage.usd", "usd") == 1
