"""Blender without a window: what the command line asks of it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import bpy
from scatterproof.plan.model import Shot
from scatterproof.plan.read import PlanFile
from scatterproof.problems import one_problem
from scatterproof.readiness.rehearse import Progress, choose_shots, rehearse

from .bridge import tags
from .bridge.bake import bake
from .bridge.cameras import show_gate
from .bridge.light import light_stage
from .bridge.scene import build_scene, timeline

STILL_WIDTH, STILL_SAMPLES = 1280, 32


def write_scene(
    file: PlanFile,
    out: Path,
    stills: Sequence[tuple[str, int]] = (),
    tell: Callable[[Progress], None] | None = None,
) -> list[Path]:
    """Build a plan's scene from an empty file, bake its readiness, save it, render stills beside it.

    stills : (shot name, plan frame)
    Returns what was written: the .blend first. Raises BadInput for a plan that can't be built, for a still that is no
    frame of its shot, and where nothing can be written.
    """
    plan = file.plan
    folder = file.path.parent if file.path else Path()
    frames = [(_shot(plan.shots, name, frame), frame) for name, frame in stills]
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.name = plan.name[:60] or "Stage"
    scene.unit_settings.system = "IMPERIAL" if plan.units in ("ft", "in") else "METRIC"
    build_scene(scene, plan, folder, file.text)
    light_stage(scene, plan)
    bake(scene, tuple(rehearse(plan, (), folder, tell)))
    written = [_save(out)]
    offsets = timeline(plan)
    for shot, frame in frames:
        written.append(_still(scene, plan, shot, frame, offsets[shot.name], out))
    return written


def _shot(shots: tuple[Shot, ...], name: str, frame: int) -> Shot:
    shot = next((s for s in shots if s.name == name), None)
    if shot is None:
        raise one_problem("--render", repr(name), "one of " + ", ".join(repr(s.name) for s in shots))
    if not shot.frames[0] <= frame <= shot.frames[1]:
        raise one_problem("--render", f"frame {frame}", f"{shot.frames[0]} to {shot.frames[1]} for {name!r}")
    return shot


def _save(out: Path) -> Path:
    out.parent.mkdir(parents=True, exist_ok=True)
    try:
        bpy.ops.wm.save_as_mainfile(filepath=str(out.resolve()), compress=True)
    except RuntimeError as error:
        raise one_problem("--out", str(out), f"a file that can be written ({str(error).strip()})") from error
    return out


def _still(scene: bpy.types.Scene, plan: object, shot: Shot, frame: int, offset: int, out: Path) -> Path:
    """Render one frame through its shot's camera with Cycles on the CPU, small."""
    import addon_utils

    addon_utils.enable("cycles")
    render = scene.render
    package = next(camera for camera in plan.cameras if camera.name == shot.camera)  # type: ignore[attr-defined]
    show_gate(scene, package)
    render.engine = "CYCLES"
    scene.cycles.device, scene.cycles.samples, scene.cycles.use_denoising = "CPU", STILL_SAMPLES, False
    render.resolution_percentage = max(1, round(100 * STILL_WIDTH / package.resolution[0]))
    scene.camera = next(t for t in tags.tagged(scene, "shot") if tags.entry_of(t) == shot.name)
    scene.frame_set(frame + offset)
    name = "".join(c if c.isalnum() or c in "-_" else "-" for c in shot.name)
    path = out.with_name(f"{out.stem}-{name}-{frame}.png")
    render.filepath, render.image_settings.file_format = str(path.resolve()), "PNG"
    sys.stdout.flush()
    bpy.ops.render.render(write_still=True)
    return path
