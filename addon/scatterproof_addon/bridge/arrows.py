"""A survey in the viewport: arrows from where things were planned to where they stand, marks for missing and extra.

They are ordinary objects in a collection of their own, so that one can be looked at, selected and accepted; they show
in front of walls, are left out of renders, and are read back as nothing but the name of what they point at.
"""

from __future__ import annotations

from collections.abc import Sequence

import bpy
import numpy as np
from scatterproof.plan.units import format_length
from scatterproof.survey.found import NOT_SURVEYED, OFF, SWAPPED, Found

from .materials import glow_material
from .meshes import fill_mesh, joined, tube
from .placing import metres_per_unit, object_named
from .scene import collection_named
from .stubs import has, mesh_of
from .tags import tag

TARGET = "scatterproof_survey"  # on an object: the name of the planned thing, or of an extra point
COLLECTION = "Survey"
# Okabe and Ito's palette in linear light, and never colour alone: arrows, crosses and diamonds.
MOVED, ELSEWHERE, MISSING, EXTRA = (0.665, 0.112, 0.0), (0.604, 0.191, 0.386), (0.9, 0.9, 0.9), (0.093, 0.456, 0.815)
NAMED = 8  # the largest offsets that carry their size in the view
FACTORS = (1, 2, 5, 10, 20, 50)
LONG = 0.08  # of the stage: about how long the larger arrows are drawn


def exaggeration(found: Found) -> int:
    """How many times as long as the offset an arrow is drawn, so that millimetres show on a stage of metres."""
    size = np.sqrt((found.offset_m[found.state == OFF] ** 2).sum(axis=1))
    if not len(size):
        return 1
    wanted = LONG * found.targets.across_m / max(float(np.percentile(size, 90)), 1e-6)
    return max((factor for factor in FACTORS if factor <= wanted), default=1)


def draw_arrows(scene: bpy.types.Scene, found: Found, left: np.ndarray, units: str) -> int:
    """Replace the scene's survey marks by those of the targets that are left, (T,) bool; returns how many arrows."""
    clear_arrows(scene)
    factor, unit = exaggeration(found), metres_per_unit(scene)
    thick = float(np.clip(0.0025 * found.targets.across_m, 0.003, 0.03))
    size = np.sqrt((np.nan_to_num(found.offset_m) ** 2).sum(axis=1))
    order = by_size(found, left)
    named = one_each(found, order)[:NAMED]
    for row in order:
        swapped = found.state[row] == SWAPPED
        reach = found.offset_m[row] * (1 if swapped else factor)
        word = "swapped" if swapped else f"{offset_text(float(size[row]), units)} off"
        colour = ("survey elsewhere", ELSEWHERE) if swapped else ("survey moved", MOVED)
        thing = _mark(scene, f"{found.targets.number[row]}: {word}", found.targets.name[row], colour)
        _shape(thing, found.targets.position_m[row], arrow(reach, thick), unit)
        thing.show_name = bool(row in named or swapped)
    for row in np.flatnonzero(left & (found.state == NOT_SURVEYED)).tolist():
        name = f"{found.targets.number[row]}: not surveyed"
        thing = _mark(scene, name, found.targets.name[row], ("survey missing", MISSING))
        _shape(thing, found.targets.position_m[row], cross(7 * thick), unit)
    for label, at in zip(found.extra_label, found.extra_m, strict=True):
        thing = _mark(scene, f"{label or 'point'}: extra", "", ("survey extra", EXTRA))
        _shape(thing, at, diamond(5 * thick), unit)
    return len(order)


def by_size(found: Found, left: np.ndarray) -> list[int]:
    """Rows of moved and swapped targets that are left, (T,) bool, the farthest first."""
    moved = np.flatnonzero(left & np.isin(found.state, (OFF, SWAPPED)))
    return [int(row) for row in moved[np.argsort(-(found.offset_m[moved] ** 2).sum(axis=1), kind="stable")]]


def one_each(found: Found, rows: Sequence[int]) -> list[int]:
    """The first row of each thing: the bands of a stand move together."""
    first = dict[int, int]()
    for row in rows:
        first.setdefault(int(found.targets.owner[row]), row)
    return list(first.values())


def offset_text(size_m: float, units: str) -> str:
    """An offset as people say it: millimetres, or feet and inches."""
    return f"{1000 * size_m:.0f} mm" if units in ("m", "cm", "mm") else format_length(round(size_m, 4), units)


def clear_arrows(scene: bpy.types.Scene) -> None:
    """Remove every mark of a survey, and their collection where nothing else is in it."""
    for thing in [thing for thing in scene.objects if has(thing, TARGET)]:
        mesh = thing.data
        bpy.data.objects.remove(thing, do_unlink=True)
        if mesh is not None and mesh.users == 0:
            bpy.data.batch_remove([mesh])
    for child in list(scene.collection.children):
        if child.get("scatterproof_part") == COLLECTION and not child.objects and not child.children:
            bpy.data.collections.remove(child)


def pointed_at(objects: Sequence[bpy.types.Object]) -> set[str]:
    """Names of the planned things that these objects are marks of."""
    return {str(thing[TARGET]) for thing in objects if thing.get(TARGET)}


# --- shapes, metres about the planned place ----------------------------------------------------------------------


def arrow(reach: np.ndarray, thick: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """An arrow from the origin along ``reach`` (3,); the head is never longer than the arrow."""
    long = max(float(np.linalg.norm(reach)), 1e-6)
    head = min(6 * thick, 0.6 * long)
    wide = head / 2.4
    shaft = tube(min(thick, wide / 2), 0.0, long - head, 8)
    turn = np.arange(12) * (2 * np.pi / 12)
    ring = np.column_stack([wide * np.cos(turn), wide * np.sin(turn), np.full(12, long - head)])
    around = np.arange(12)
    sides = np.column_stack([around, np.roll(around, -1), np.full(12, 12)])
    vertices, faces, _ = joined([shaft, (np.vstack([ring, [0, 0, long]]), [*sides, around[::-1]])])
    return vertices @ _upwards(reach / long).T, faces


def cross(size: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """Three thin bars across each other: something is not there."""
    bar, faces = tube(size / 10, -size, size, 6)
    vertices, faces, _ = joined([(bar[:, np.roll([0, 1, 2], turn)], faces) for turn in range(3)])
    slant = _upwards(np.array([0.577, 0.577, 0.577]))
    return vertices @ slant.T, faces


def diamond(size: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """An octahedron: something is there that was not planned."""
    vertices = np.vstack([size * np.eye(3), -size * np.eye(3)])
    faces = [[0, 1, 2], [1, 3, 2], [3, 4, 2], [4, 0, 2], [1, 0, 5], [3, 1, 5], [4, 3, 5], [0, 4, 5]]
    return vertices, [np.array(face) for face in faces]


def _upwards(axis: np.ndarray) -> np.ndarray:
    """(3, 3) a rotation that brings z onto a unit axis."""
    side = np.cross([0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0.0, 0.0], axis)
    side /= np.linalg.norm(side)
    return np.column_stack([side, np.cross(axis, side), axis])


def _mark(
    scene: bpy.types.Scene, name: str, target: str, colour: tuple[str, tuple[float, float, float]]
) -> bpy.types.Object:
    mesh = bpy.data.meshes.new(name)
    mesh.materials.append(glow_material(*colour))
    thing = object_named(collection_named(scene, COLLECTION), name, mesh)
    tag(thing, COLLECTION.lower(), target)
    thing[TARGET] = target
    thing.show_in_front = thing.hide_render = True
    return thing


def _shape(thing: bpy.types.Object, at_m: np.ndarray, shape: tuple[np.ndarray, list[np.ndarray]], unit: float) -> None:
    vertices, faces = shape
    fill_mesh(mesh_of(thing), vertices / unit, faces, list(mesh_of(thing).materials))
    thing.location = (np.asarray(at_m) / unit).tolist()
