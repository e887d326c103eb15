"""A walk through a real Blender window with the zip as it is built now, and how its pictures are read.

Needs a window: a Blender that SCATTERPROOF_BLENDER names and a screen, or the folder that ``blender-window setup``
makes (root, about 4 minutes). SCATTERPROOF_PICTURES names a folder that keeps the pictures.
"""

import json
import os
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from extension_zip import build_zip, stamp_of, without_checkout

HERE = Path(__file__).resolve().parents[1] / "window"


def walk_through(tmp_path_factory, name, told, size="1600x900"):
    """Run a walk with the zip as it is built now; what it tells, with its folder of pictures."""
    kept = os.environ.get("SCATTERPROOF_PICTURES")
    out = Path(kept).resolve() if kept else tmp_path_factory.mktemp("pictures")
    out.mkdir(parents=True, exist_ok=True)
    (out / told).unlink(missing_ok=True)
    command, environment = window_command(tmp_path_factory, name, size)
    zip_path = build_zip(tmp_path_factory.mktemp("dist"))
    environment["BLENDER_WINDOW_BIND"] = os.pathsep.join([str(out), str(zip_path.parent)])
    words = [*command, str(zip_path), str(out)]
    run = subprocess.run(words, cwd=HERE, env=environment, capture_output=True, text=True, timeout=600)
    assert run.returncode == 0, run.stdout[-3000:] + run.stderr[-3000:]
    facts = json.loads((out / told).read_text(encoding="utf-8"))
    return facts | {"folder": out, "wanted stamp": stamp_of(zip_path), "log": run.stdout + run.stderr}


def window_command(tmp_path_factory, name="walk.py", size="1600x900"):
    """How to run the walk in a window here, and the environment for it; skips where there is none."""
    walk, own = str(HERE / name), os.environ.get("SCATTERPROOF_BLENDER")
    if own and (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        place = ["--window-geometry", "0", "0", *size.split("x")]
        command = [own, "--factory-startup", *place, "--python-use-system-env", "--python-exit-code", "1"]
        command.append("--enable-event-simulate")
        home = str(tmp_path_factory.mktemp("home"))
        return [*command, "--python", walk, "--"], without_checkout(PYTHONPATH=str(HERE), BLENDER_USER_RESOURCES=home)
    folder = HERE / "blender-window"
    if subprocess.run(["bash", folder, "ready"], check=False).returncode == 0 and os.geteuid() == 0:
        return ["bash", str(folder), "run", walk, "--"], without_checkout(
            BLENDER_WINDOW_SIZE=size, BLENDER_WINDOW_TIMEOUT="570"
        )
    pytest.skip("no Blender window: name a Blender with SCATTERPROOF_BLENDER, or run tests/window/blender-window setup")


def picture(walked, name):
    """(H, W, 3) int RGB, rows from above."""
    return cv2.imread(str(walked["folder"] / name))[..., ::-1].astype(int)


def around(values):
    """(H, W) the smallest value within a pixel: thin rims are blended at both edges."""
    return cv2.erode(values.astype(np.float32), np.ones((3, 3)))
