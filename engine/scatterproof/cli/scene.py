"""``scatterproof scene PLAN --out FILE.blend``: the plan as a Blender file with readiness and a solve baked in."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ..plan.read import load_plan
from ..problems import one_problem
from .output import ProgressBar, tell_warnings, whole_number


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("scene", help="write the stage, cameras, readiness and a solve as a .blend")
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file")
    verb.add_argument("--out", type=Path, metavar="FILE.blend", help="default: the plan's name with .blend")
    verb.add_argument(
        "--render",
        action="append",
        default=[],
        metavar="SHOT:FRAME",
        help="also render this frame beside it (may be repeated)",
    )
    verb.add_argument(
        "--take",
        type=whole_number,
        default=1,
        metavar="SEED",
        help="the simulated take whose solved camera stands beside the planned one; 0: none; default: 1",
    )
    verb.add_argument(
        "--export",
        action="append",
        default=[],
        choices=("usd", "abc", "fbx"),
        metavar="FORMAT",
        help="also export stage, markers, stands and cameras beside it: usd, abc or fbx (may be repeated)",
    )
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Build, bake, save, render, export."""
    stills = [_still(text) for text in arguments.render]
    out = arguments.out or arguments.plan.with_suffix(".blend")
    if out.suffix != ".blend":
        raise one_problem("--out", str(out), "a name that ends in .blend")
    file = load_plan(arguments.plan)
    tell_warnings(file.warnings)
    blender = blender_layer()
    with ProgressBar() as bar:
        written = blender.write_scene(
            file, out, stills, lambda p: bar.show(p.shot, p.done, p.total), tuple(dict.fromkeys(arguments.export)),
            arguments.take,
        )  # fmt: skip
    for path in written:
        print(path)
    return 0


def blender_layer() -> Any:
    """The Blender side, imported only here. Raises BadInput where there is no Blender for this Python."""
    try:
        from scatterproof_addon import headless
    except ModuleNotFoundError as error:
        if error.name != "bpy":
            raise
        wanted = "Blender as a Python module: pip install 'scatterproof[blender]' with Python 3.11"
        raise one_problem("bpy", "not installed", wanted) from None
    return headless


def _still(text: str) -> tuple[str, int]:
    shot, colon, frame = text.rpartition(":")
    if not colon or not frame.lstrip("-").isdigit():
        raise one_problem("--render", repr(text), "SHOT:FRAME, for example 'wide push:1001'")
    return shot, int(frame)
