"""Preferences, keys and tooltips: what they change, and that no key is one of Blender's own."""

import importlib.util
import sys
from pathlib import Path

import bpy
import pytest
import scatterproof_addon
from scatterproof_addon import keys, preferences, props, readme
from scatterproof_addon.bridge.scene import read_plan
from scatterproof_addon.flows import staging

MODULE = "scatterproof_addon"


@pytest.fixture
def chosen():
    scatterproof_addon.register()
    entry = bpy.context.preferences.addons.new()
    entry.module = MODULE
    yield entry.preferences
    bpy.context.preferences.addons.remove(entry)
    scatterproof_addon.unregister()


def blenders_keys():
    """(key, ctrl, alt, shift) of every entry of every keymap that Blender comes with, for both mouse buttons."""
    local = Path(bpy.utils.resource_path("LOCAL"))
    folder = local / "scripts" / "presets" / "keyconfig" / "keymap_data"
    sys.path.insert(0, str(folder))
    try:
        spec = importlib.util.spec_from_file_location("blender_default", folder / "blender_default.py")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(folder))
    taken = set()
    for mouse in ("LEFT", "RIGHT"):
        for _, _, content in module.generate_keymaps(module.Params(select_mouse=mouse)):
            for _, event, *_ in content["items"]:
                held = tuple(bool(event.get(name)) for name in ("ctrl", "alt", "shift"))
                taken |= {(event["type"], *held)} | ({(event["type"], True, True, True)} if event.get("any") else set())
    return taken


def test_no_key_is_one_of_blenders():
    taken = blenders_keys()
    assert len(taken) > 400
    assert ("G", False, False, False) in taken
    for _, key, _ in keys.KEYS:
        assert (key, False, True, True) not in taken


def test_without_preferences_everything_has_a_default():
    assert (preferences.units_for("ft"), preferences.strong_contrast(), preferences.window_px()) == ("ft", False, None)


def test_a_tracking_window_is_written_into_new_stages(chosen, scene):
    chosen.window = 31
    staging.build_from_template(scene, "stages", "corner")
    assert read_plan(scene).criteria.window == 31
    chosen.window = 1  # smaller than a plan takes
    staging.build_from_template(scene, "stages", "corner")
    assert read_plan(scene).criteria.window == 3


def test_units_and_contrast(chosen, scene):
    chosen.units, chosen.contrast = "ft", "STRONG"
    assert preferences.units_for("m") == "ft"
    assert scene.scatterproof_rig_kit.options().units == "ft"
    assert preferences.strong_contrast()


def test_everything_has_a_name_and_a_tooltip(chosen):
    kinds = [getattr(bpy.types, n) for n in dir(bpy.types) if n.startswith("SCATTERPROOF_OT_")]
    kinds += [preferences.ScatterproofPreferences, *(group for group, _ in props.GROUPS)]
    assert len(kinds) > 15
    checked = 0
    for kind in kinds:
        assert len(kind.__doc__) > 10, kind
        for name, text in vars(kind).get("__annotations__", {}).items():
            told = eval(text, vars(sys.modules[kind.__module__])) if isinstance(text, str) else text
            if not hasattr(told, "keywords"):
                continue
            if "HIDDEN" in told.keywords.get("options", ()):
                continue
            checked += 1
            assert told.keywords.get("name"), (kind, name)
            assert told.keywords.get("description"), (kind, name)
    assert checked > 10


def test_help_knows_its_sections(chosen):
    for title in readme.SECTIONS:
        text = readme.section(title)
        assert len(" ".join(text)) > 100
        assert not any(mark in " ".join(text) for mark in ("```", "](", "|--"))
        assert bpy.ops.scatterproof.help(title=title) == {"FINISHED"}
    with pytest.raises(RuntimeError, match="a section of the README"):
        bpy.ops.scatterproof.help(title="nothing of the kind")
