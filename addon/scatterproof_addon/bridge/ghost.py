"""A solved take in the scene: its camera beside the planned one, and the insert where the solve draws it.

Plain keys on plain objects: whoever opens the file sees them without the extension.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from typing import Any

import bpy
import numpy as np
from scatterproof.camera.axes import flip_camera_axes
from scatterproof.prove.ghost import Ghost
from scatterproof.readiness.rehearse import Rehearsal

from . import animation, tags
from .bake import WHITE, state_material, unlit
from .cameras import key_every_frame, key_lens
from .materials import glow_material
from .meshes import fill_mesh, joined
from .placing import metres_per_unit, object_named, place
from .scene import ShotPlace, collection_named, shot_places
from .stubs import camera_of, mesh_of, put

PART = "solved"
FACTOR = "slide_exaggerated"  # custom property of the insert
POLE, BAR, LINE = 0.3, 0.08, 0.046  # of the delivery frame's height: the insert's pole, the bars at its foot, a line
THICK, THIN = 0.006, 0.003  # likewise, of bars: the coloured ones show beside white ones that they coincide with
BOX = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) / 2
BOX_FACES = np.array([[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]])


def show_solves(scene: bpy.types.Scene, solves: Iterable[tuple[Rehearsal, Ghost]]) -> None:
    """Show one take of each shot; what was shown before goes.

    Two poles with a cross at their foot stand at the action point: a white one where the insert belongs, and one in the
    colour of the shot's worst frame where the solve draws it, off by the factor that is written above times its slide.
    Shots that the scene no longer has are left out.
    """
    clear_solves(scene)
    places = shot_places(scene)
    for rehearsal, ghost in solves:
        if rehearsal.shot.name in places:
            _show(scene, rehearsal, ghost, places[rehearsal.shot.name])


def clear_solves(scene: bpy.types.Scene) -> None:
    """Remove the solves that are shown."""
    for thing in tags.tagged(scene, PART):
        data = thing.data
        for owner in (thing, data):
            if owner is not None:
                animation.clear_animation(owner)
        bpy.data.objects.remove(thing, do_unlink=True)
        if data is not None and data.users == 0:
            bpy.data.batch_remove([data])


def said_of(ghost: Ghost) -> str:
    """What stands above the insert."""
    take = ghost.take
    if ghost.camera is None:
        return f"take {take.seed} does not solve: {take.why}"
    if not np.isfinite(ghost.worst_px):
        return f"take {take.seed} solves; no insert is in view"
    return f"slide \u00d7 {ghost.factor:g}\ntake {take.seed}: {ghost.worst_px:.2g} px at most"


def _show(scene: bpy.types.Scene, rehearsal: Rehearsal, ghost: Ghost, where: ShotPlace) -> None:
    track, action = rehearsal.track, rehearsal.network.action_m
    shown = np.isfinite(ghost.insert_m).all(-1)
    if ghost.camera is not None:
        _camera(scene, ghost, where)
    if not shown.any():
        shown = np.ones(len(track), bool)  # the words are, where nothing else is
    depth = np.abs(((action - track.centre_m) * track.world_from_cam[:, :3, 2]).sum(-1))[shown]
    high = track.delivery_px[3] - track.delivery_px[1]
    size_m = float(np.median(depth * high / track.focal_px[shown, 1]))
    state = int(rehearsal.readiness.state.max())
    frames = [int(frame) + where.offset for frame in track.frame]
    white = glow_material("readout white", WHITE)
    things = [_pole(scene, f"{ghost.name}: where the insert belongs", action, size_m, THIN, white)]
    if np.isfinite(ghost.worst_px):
        insert = _pole(scene, f"{ghost.name}: insert as solved", action, size_m, THICK, state_material(state))
        insert[FACTOR] = ghost.factor
        at = (ghost.insert_m[shown] / metres_per_unit(scene)).tolist()
        rows = np.flatnonzero(shown)
        animation.write_keys(insert, "location", [frames[row] for row in rows], at, ["linear"] * len(rows))
        things.append(insert)
    things.append(_words(scene, ghost, where.camera, action + np.array([0, 0, POLE * size_m]), LINE * size_m))
    for thing in things:
        tags.tag(thing, PART, ghost.name)
        _show_in(thing, frames, shown)


def _camera(scene: bpy.types.Scene, ghost: Ghost, where: ShotPlace) -> None:
    assert ghost.camera is not None
    data: Any = camera_of(where.camera).copy()
    data.name = f"{ghost.name}: solved camera"
    animation.clear_animation(data)
    data.pop(tags.SHARP, None)
    data.dof.use_dof = False
    data.lens = float(ghost.camera.focal_mm[0])
    thing = object_named(collection_named(scene, "Solve preview"), data.name, data)
    place(thing, scene, np.array(flip_camera_axes(ghost.camera.world_from_cam[0])))
    key_every_frame(thing, scene, ghost.camera, where.offset)
    key_lens(data, scene, ghost.camera, None, where.offset)
    tags.tag(thing, PART, ghost.name)


def _pole(
    scene: bpy.types.Scene, name: str, at_m: np.ndarray, size_m: float, thick: float, material: bpy.types.Material
) -> bpy.types.Object:
    """An upright pole, and two bars across its foot; ``size_m``: height of the delivery frame there."""
    size = size_m / metres_per_unit(scene)
    sizes = np.array([[BAR, thick, thick], [thick, BAR, thick], [thick, thick, POLE]]) * size
    middles = np.array([[0, 0, 0], [0, 0, 0], [0, 0, POLE / 2]]) * size
    bars = [(BOX * long + middle, list(BOX_FACES)) for long, middle in zip(sizes, middles, strict=True)]
    thing = object_named(collection_named(scene, "Solve preview"), name, bpy.data.meshes.new(name))
    fill_mesh(mesh_of(thing), *joined(bars)[:2], [material])
    matrix = np.eye(4)
    matrix[:3, 3] = at_m
    place(thing, scene, matrix)
    return unlit(thing)


def _words(
    scene: bpy.types.Scene, ghost: Ghost, camera: bpy.types.Object, at_m: np.ndarray, line_m: float
) -> bpy.types.Object:
    """Turned to the planned camera."""
    curve: Any = bpy.data.curves.new(f"{ghost.name}: slide", "FONT")
    curve.body, curve.size = said_of(ghost), line_m / metres_per_unit(scene)
    curve.align_x, curve.align_y = "CENTER", "BOTTOM"
    curve.materials.append(glow_material("readout white", WHITE))
    thing = object_named(collection_named(scene, "Solve preview"), curve.name, curve)
    matrix = np.eye(4)
    matrix[:3, 3] = at_m
    place(thing, scene, matrix)
    put(thing.constraints.new("COPY_ROTATION"), target=camera)
    return unlit(thing)


def _show_in(thing: bpy.types.Object, frames: list[int], shown: np.ndarray) -> None:
    """Key a thing to be there in the frames (F,) that are ``shown``, and nowhere else."""
    told = [(frames[0] - 1, False), *zip(frames, shown.tolist(), strict=True), (frames[-1] + 1, False)]
    turns = [told[0], *(after for before, after in itertools.pairwise(told) if before[1] != after[1])]
    for path in ("hide_viewport", "hide_render"):
        values = [float(not there) for _, there in turns]
        animation.write_keys(thing, path, [frame for frame, _ in turns], values, ["constant"] * len(turns))
