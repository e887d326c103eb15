"""Blender without a window: what the command line asks of it."""

from __future__ import annotations

import ctypes
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, redirect_stdout, suppress
from dataclasses import dataclass
from pathlib import Path

import bpy
from scatterproof.camera.track import CameraTrack
from scatterproof.plan.model import Plan, Shot
from scatterproof.plan.read import PlanFile
from scatterproof.problems import one_problem
from scatterproof.prove.ghost import ghost_of
from scatterproof.readiness.rehearse import Progress, Rehearsal, choose_shots, rehearse
from scatterproof.steps import finish
from scatterproof.survey.solved import SolvedCamera

from .bridge import tags
from .bridge.bake import bake
from .bridge.cameras import show_gate
from .bridge.export import export_stage
from .bridge.ghost import show_solves
from .bridge.light import light_stage
from .bridge.scene import build_scene, timeline
from .bridge.solved import import_scene, solved_camera
from .bridge.stubs import held, put
from .flows import staging

STILL_WIDTH, STILL_SAMPLES = 1280, 8  # denoised: in half the time of 16 that are not, and cleaner
MAGIC = (b"BLENDER", b"\x28\xb5\x2f\xfd", b"\x1f\x8b")  # plain, Zstandard, gzip


@dataclass(frozen=True, slots=True, eq=False)
class SceneRehearsal:
    """A scene that was opened: its plan, its shots one after the other, and what is worth knowing."""

    plan: Plan
    rehearsals: Iterator[Rehearsal]
    notes: tuple[str, ...]


def rehearse_file(
    path: Path, shots: Sequence[str] = (), tell: Callable[[Progress], None] | None = None
) -> SceneRehearsal:
    """Open a .blend and rehearse what it shows: a plan's scene, or any scene with marked objects.

    No script inside the file is run. Raises BadInput for a file that can't be opened, and for a scene without a camera
    or without anything to track.
    """
    with _aside():
        notes = _open(path)
        seen = finish(staging.look(bpy.context.scene), tell)
    chosen = choose_shots(seen.plan, shots)
    names = [shot.name for shot in chosen]
    return SceneRehearsal(seen.plan, rehearse(seen.plan, names, seen.folder, tell, seen.hiders), notes)


def read_solved_camera(path: Path, name: str, track: CameraTrack) -> SolvedCamera:
    """A solved camera from a .blend, USD, Alembic or FBX file. Raises BadInput as the readers of these do."""
    with _aside():
        if path.suffix.lower() == ".blend":
            _open(path)
        else:
            import_scene(path)
        return solved_camera(bpy.context.scene, path, name, track)


def _open(path: Path) -> tuple[str, ...]:
    """Load a .blend without its scripts; returns what may be missing in it."""
    try:
        with path.open("rb") as stream:
            start = stream.read(64)
    except OSError as error:
        raise one_problem("file", (error.strerror or str(error)).lower(), "a .blend", str(path)) from error
    if not start.startswith(MAGIC):
        raise one_problem("file", "something that Blender did not write", "a .blend", str(path))
    ours = bpy.app.version_string
    try:
        bpy.ops.wm.open_mainfile(filepath=str(path.resolve()), load_ui=False, use_scripts=False)
    except RuntimeError as error:
        written = re.search(rb"BLENDER(?:\d\d)?[-_]\d*[vV](\d?\d)(\d\d)", start)
        version = (int(written[1]), int(written[2])) if written else (0, 0)
        if version > bpy.app.version[:2]:
            found = f"a file of Blender {version[0]}.{version[1]}"
            raise one_problem("file", found, f"one that Blender {ours} can open", str(path)) from error
        reason = str(error).strip().rpartition(": ")[2]
        raise one_problem("file", reason.lower(), f"a whole .blend that Blender {ours} can open", str(path)) from error
    if tuple(held(bpy.data, "version"))[:2] > bpy.app.version[:2]:
        newer = ".".join(map(str, tuple(held(bpy.data, "version"))[:2]))
        return (f"{path.name} was saved by Blender {newer}; Blender {ours} may not see all of it",)
    return ()


@contextmanager
def _aside() -> Iterator[None]:
    """What Blender itself prints goes to standard error: standard output belongs to results."""
    _flush()
    kept = os.dup(1)
    os.dup2(2, 1)
    try:
        with redirect_stdout(sys.stderr):
            yield
    finally:
        _flush()
        os.dup2(kept, 1)
        os.close(kept)


def _flush() -> None:
    """Empty the buffers of Python and of the C library, which Blender prints through."""
    sys.stdout.flush()
    with suppress(OSError, AttributeError):
        library = ctypes.CDLL("ucrtbase" if sys.platform == "win32" else None)
        library.fflush(None)


def write_scene(
    file: PlanFile,
    out: Path,
    stills: Sequence[tuple[str, int]] = (),
    tell: Callable[[Progress], None] | None = None,
    exports: Sequence[str] = (),
    take: int = 0,
) -> list[Path]:
    """Build a plan's scene from an empty file, bake its readiness, save it, render stills and export it beside it.

    stills : (shot name, plan frame)
    exports : formats, as :data:`bridge.export.FORMATS` has them
    take : seed of a simulated take of every shot that is solved and shown beside the planned camera; 0: none
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
    light_stage(scene, plan.stage.key_light)
    rehearsals = tuple(rehearse(plan, (), folder, tell))
    bake(scene, rehearsals)
    if take:
        show_solves(scene, ((r, ghost_of(r.network, r.track, take)) for r in rehearsals))
    written = [_save(out)]
    offsets = timeline(plan)
    for shot, frame in frames:
        written.append(_still(scene, plan, shot, frame, offsets[shot.name], out))
    for kind in exports:
        with _aside():
            export_stage(scene, out.with_suffix(f".{kind}"), kind)
        written.append(out.with_suffix(f".{kind}"))
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
    put(render, engine="CYCLES")
    cycles = held(scene, "cycles")
    cycles.device, cycles.samples, cycles.use_denoising = "CPU", STILL_SAMPLES, True
    cycles.denoiser, cycles.denoising_input_passes = "OPENIMAGEDENOISE", "RGB_ALBEDO"
    cycles.denoising_prefilter = "FAST"
    render.resolution_percentage = max(1, round(100 * STILL_WIDTH / package.resolution[0]))
    scene.camera = next(t for t in tags.tagged(scene, "shot") if tags.entry_of(t) == shot.name)
    scene.frame_set(frame + offset)
    name = "".join(c if c.isalnum() or c in "-_" else "-" for c in shot.name)
    path = out.with_name(f"{out.stem}-{name}-{frame}.png")
    render.filepath, render.image_settings.file_format = str(path.resolve()), "PNG"
    sys.stdout.flush()
    bpy.ops.render.render(write_still=True)
    return path
