"""The rig kit from the sidebar: looked at before it is written, given up without a trace, of what the scene shows."""

from pathlib import Path

import bpy
import numpy as np
import pytest
import scatterproof_addon
from scatterproof.kit.build import KitOptions, build_kit
from scatterproof.kit.picture import page_pixels
from scatterproof.problems import BadInput
from scatterproof_addon.bridge import tags
from scatterproof_addon.bridge.folders import plan_folder
from scatterproof_addon.bridge.scene import read_plan
from scatterproof_addon.flows import kitting
from scatterproof_addon.flows.kitting import KITS, PREVIEW_PX

NAME = "tabletop"


@pytest.fixture
def ops(scene):
    scatterproof_addon.register()
    yield bpy.ops.scatterproof
    scatterproof_addon.unregister()


@pytest.fixture
def built(ops):
    assert ops.build_stage(template=f"stages/{NAME}") == {"FINISHED"}
    return ops


def test_a_preview_writes_nothing_and_shows_the_very_sheets(built, scene, tmp_path):
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "stage.blend"))
    scene = bpy.context.scene
    assert built.preview_kit() == {"FINISHED"}
    made = KITS.of(scene)
    wanted = build_kit(read_plan(scene), plan_folder(scene), KitOptions())
    assert [page.title for page in made.kit.pages] == [page.title for page in wanted.pages]
    assert made.kit.lists == wanted.lists
    assert made.kit.warnings == wanted.warnings
    assert {p.name for p in tmp_path.iterdir()} == {"stage.blend"}
    assert sum(section.count for section in made.sections) == len(made.kit.pages)
    for section in made.sections:
        titles = {page.title for page in made.kit.pages[section.first : section.first + section.count]}
        assert titles == {section.title}


def test_the_picture_of_a_sheet_is_the_sheet(built, scene):
    built.preview_kit()
    made = KITS.of(scene)
    wide = next(row for row, page in enumerate(made.kit.pages) if page.width > page.height)
    assert built.turn_sheet(sheet=wide + 1) == {"FINISHED"}
    page = made.kit.pages[wide]
    preview = KITS.pictures[f"{scene.session_uid} {wide}"]
    square = np.array(preview.image_pixels_float[:]).reshape(PREVIEW_PX, PREVIEW_PX, 4)[::-1]
    assert tuple(preview.image_size) == (PREVIEW_PX, PREVIEW_PX)
    drawn = page_pixels(page, PREVIEW_PX / page.width)
    edge = (PREVIEW_PX - drawn.shape[0]) // 2
    np.testing.assert_allclose(square[edge : edge + len(drawn), :, :3], drawn, atol=1 / 200)
    assert square[: edge - 1, :, 3].max() == 0
    assert 0.005 < 1 - drawn.mean() < 0.5


def test_sheets_turn_and_stop_at_the_ends(built, scene):
    with pytest.raises(RuntimeError, match="poll"):
        built.turn_sheet(sheet=2)
    built.preview_kit()
    made = KITS.of(scene)
    assert made.shown == 0
    built.turn_sheet(sheet=3)
    assert made.shown == 2
    built.turn_sheet(sheet=10_000)
    assert made.shown == len(made.kit.pages) - 1
    assert built.open_sheet() == {"FINISHED"}
    image = bpy.data.images[kitting.SHEET]
    page = made.kit.pages[-1]
    assert tuple(image.size) == (round(page.width * 150 / 25.4), round(page.height * 150 / 25.4))
    pixels = np.array(image.pixels[:]).reshape(image.size[1], image.size[0], 4)
    np.testing.assert_allclose(pixels[::-1, :, :3], page_pixels(page, 150 / 25.4), atol=1 / 200)


@pytest.mark.parametrize(("paper", "units"), [("A4", "PLAN"), ("Letter", "ft")])
def test_a_kit_is_written_in_the_chosen_paper_and_units(built, scene, tmp_path, paper, units):
    pypdfium2 = pytest.importorskip("pypdfium2")
    choices = scene.scatterproof_rig_kit
    choices.paper, choices.units, choices.folder = paper, units, str(tmp_path / "é kit")
    assert built.write_kit() == {"FINISHED"}
    out = tmp_path / "é kit"
    pdf = pypdfium2.PdfDocument(out / "kit.pdf")
    made = KITS.of(scene)
    assert len(pdf) == len(made.kit.pages) == len(list((out / "sheets").glob("*.svg")))
    short = min(pdf[0].get_size()) / 72 * 25.4
    assert short == pytest.approx({"A4": 210, "Letter": 215.9}[paper], abs=0.01)
    for name, text in made.kit.lists.items():
        assert (out / name).read_text(encoding="utf-8") == text.replace("\r\n", "\n")


def test_what_was_changed_by_hand_is_in_the_kit(built, scene, tmp_path):
    scene.scatterproof_rig_kit.folder = str(tmp_path)
    built.preview_kit()
    first = KITS.of(scene)
    assert built.write_kit() == {"FINISHED"}
    assert KITS.of(scene) is first  # not made twice
    scene.cursor.location = (0.3, 0.2, 0.0)
    built.add_stand()
    (thing,) = [t for t in tags.tagged(scene, "stand") if t.name == bpy.context.object.name]
    thing.scale = (1, 1, 0.5)
    assert built.write_kit() == {"FINISHED"}
    assert KITS.of(scene) is not first
    rows = (tmp_path / "stands.csv").read_text(encoding="utf-8").splitlines()
    assert any(thing.name in row and ",1.1," in row for row in rows)


def test_poll_messages_and_refusals(ops, scene, tmp_path):
    with pytest.raises(RuntimeError, match="poll"):
        ops.write_kit()
    ops.build_stage(template=f"stages/{NAME}")
    with pytest.raises(RuntimeError, match="poll"):  # the .blend is not saved, the folder lies beside it
        ops.write_kit()
    (tmp_path / "taken").write_text("a file")
    scene.scatterproof_rig_kit.folder = str(tmp_path / "taken")
    with pytest.raises(RuntimeError, match="folder that can be written to"):
        ops.write_kit()
    assert (tmp_path / "taken").read_text() == "a file"
    ops.clear()
    bpy.ops.mesh.primitive_plane_add(size=4)
    ops.mark(part="screen")
    with pytest.raises(RuntimeError, match="neither markers nor stands"):
        ops.preview_kit()


def test_given_up_half_way_nothing_has_changed(built, scene):
    steps = kitting.preview(scene, KitOptions())
    frame, before = scene.frame_current, str(scene[tags.PLAN])
    for _ in range(3):
        next(steps)
    steps.close()
    assert KITS.of(scene) is None
    assert scene.frame_current == frame
    assert str(scene[tags.PLAN]) == before
    with pytest.raises(BadInput, match="none made yet"):
        kitting.sheet_image(scene)


def test_another_file_forgets_the_kit(built, scene, tmp_path):
    built.preview_kit()
    bpy.ops.wm.read_factory_settings(use_empty=True)
    assert KITS.kept == {}
    assert KITS.pictures is None
    assert not Path(tmp_path / "rig-kit").exists()
