"""Where files that a plan names lie, kept in the .blend relative to it, so that both can move to another machine."""

from __future__ import annotations

import os
from pathlib import Path

import bpy
from scatterproof.plan.model import Plan

from .stubs import has
from .tags import FOLDER


def names_files(plan: Plan) -> bool:
    """Whether anything in the plan is a file beside it."""
    return any(piece.file for piece in plan.gear) or any(blocker.file for blocker in plan.blockers)


def keep_folder(scene: bpy.types.Scene, plan: Plan, folder: Path) -> None:
    """Remember where the plan's files lie; nothing where it names none, for then it does not matter."""
    scene.pop(FOLDER, None)
    if names_files(plan):
        scene[FOLDER] = relative(folder.resolve(), bpy.data.filepath)


def plan_folder(scene: bpy.types.Scene) -> Path:
    """Where files that the scene's plan names are looked for: where it came from, else beside the saved .blend."""
    kept = Path(absolute(str(scene.get(FOLDER, "")), bpy.data.filepath))
    if has(scene, FOLDER) and kept.is_dir():
        return kept
    return Path(bpy.data.filepath).parent if bpy.data.filepath else Path.cwd()


def relative(folder: Path, blend: str) -> str:
    """A folder as seen from a .blend, after Blender's ``//``; as it is where that cannot be said (another drive)."""
    if not blend:
        return str(folder)
    try:
        return "//" + Path(os.path.relpath(folder, Path(blend).resolve().parent)).as_posix()
    except ValueError:
        return str(folder)


def absolute(kept: str, blend: str) -> str:
    """The folder that :func:`relative` wrote down for this .blend."""
    if kept.startswith("//") and blend:
        return os.path.normpath(Path(blend).resolve().parent / kept[2:])
    return kept


def follow_save(target: str, before: str) -> None:
    """Write every scene's folder as seen from ``target``; it was written as seen from ``before``."""
    for scene in bpy.data.scenes:
        if has(scene, FOLDER) and scene.library is None:
            scene[FOLDER] = relative(Path(absolute(str(scene[FOLDER]), before)), target)
