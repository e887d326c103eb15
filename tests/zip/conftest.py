import os
import sys

import pytest
from extension_zip import build_zip

collect_ignore = ["walk.py"]  # run by a Python of its own
pytest.importorskip("bpy", reason="needs the blender extra: pip install -e '.[blender]'")


@pytest.fixture(scope="session")
def built(tmp_path_factory):
    """The extension's zip, built once."""
    return build_zip(tmp_path_factory.mktemp("dist"))


def pytest_generate_tests(metafunc):
    """Every Blender that is to be tried: SCATTERPROOF_BPY_PYTHONS names Pythons with bpy, else the running one."""
    if "bpy_python" in metafunc.fixturenames:
        pythons = os.environ.get("SCATTERPROOF_BPY_PYTHONS", "").split(os.pathsep)
        named = [python for python in pythons if python] or [sys.executable]
        metafunc.parametrize("bpy_python", named, ids=[f"bpy{row}" for row in range(len(named))], scope="session")
