"""Every test in this folder starts from an empty Blender file."""

import pytest

bpy = pytest.importorskip("bpy", reason="needs the blender extra: pip install -e '.[blender]'")


@pytest.fixture(autouse=True)
def empty_file():
    bpy.ops.wm.read_factory_settings(use_empty=True)


@pytest.fixture
def scene():
    return bpy.context.scene
