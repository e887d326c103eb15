"""Marker sets as one mesh each, and back: a face per marker, so that they can be moved, removed and copied by hand."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

import bpy
import numpy as np
from scatterproof.plan.model import MarkerSet, PlacedMarker
from scatterproof.stage.layout import Layout
from scatterproof.stage.surfaces import Surface, to_surface, to_world

from .meshes import add_attribute, fill_mesh
from .placing import metres_per_unit, object_named, place, world_from_object_m
from .stubs import held, mesh_of
from .tags import tag

LIFT_M = 0.0015  # drawn this far off the surface, so that neither hides the other
MOVED_M = 5e-5  # a corner nearer to where it was put than this has not been moved
HOME = ("home_x", "home_y", "home_z")  # attributes: where a corner was put, Blender units
COUNT = "scatterproof_count"  # on the mesh: how many markers were put there


def make_markers(
    collection: bpy.types.Collection,
    scene: bpy.types.Scene,
    layout: Layout,
    set_row: int,
    marker_set: MarkerSet,
    material: bpy.types.Material,
) -> bpy.types.Object:
    """All markers of a set as one object in world space; each face knows its marker's row in the layout."""
    thing = object_named(collection, marker_set.name, bpy.data.meshes.new(marker_set.name))
    fill_markers(thing, scene, layout, set_row, material)
    place(thing, scene, np.eye(4))
    tag(thing, "markers", marker_set.name)
    return thing


def fill_markers(
    thing: bpy.types.Object, scene: bpy.types.Scene, layout: Layout, set_row: int, material: bpy.types.Material
) -> None:
    """Give a set's object the markers of the layout."""
    rows = np.flatnonzero(layout.markers.set_index == set_row)
    outlines = [drawn_outline(layout, int(row)) for row in rows]
    starts = np.concatenate([[0], np.cumsum([len(o) for o in outlines])]).astype(int)
    vertices = np.concatenate(outlines) if outlines else np.zeros((0, 3))
    faces = [np.arange(a, b) for a, b in itertools.pairwise(starts)]
    fill_mesh(mesh_of(thing), vertices / metres_per_unit(scene), faces, [material])
    add_attribute(mesh_of(thing), "marker", "FACE", rows.astype(int))
    add_attribute(mesh_of(thing), "marker_row", "POINT", np.repeat(rows, np.diff(starts)).astype(float))
    for axis, values in zip(HOME, vertices.T / metres_per_unit(scene), strict=True):
        add_attribute(mesh_of(thing), axis, "POINT", values.astype(float))
    mesh_of(thing)[COUNT] = len(rows)


def drawn_outline(layout: Layout, row: int) -> np.ndarray:
    """(K, 3) a marker's corners lifted off its surface, on a cove as far as its flat face would sink into the curve."""
    markers = layout.markers
    outline = markers.outline_m[markers.first[row] : markers.first[row + 1]]
    radius = layout.surfaces[markers.surface[row]].radius_m
    reach = np.linalg.norm(outline - markers.centre_m[row], axis=1).max()
    sinks = reach**2 / (2 * radius) if radius else 0.0
    lifted: np.ndarray = outline + (LIFT_M + sinks) * markers.normal[row]
    return lifted


def read_markers(
    thing: bpy.types.Object,
    scene: bpy.types.Scene,
    surfaces: Sequence[Surface],
    old: MarkerSet,
    name: str,
    apart: bool = False,
) -> tuple[MarkerSet, ...]:
    """The set as its mesh now shows it: itself where nothing was touched, else every marker placed where it is.

    apart : keep what can be scattered as it is, and read only the markers that somebody moved as a set beside it
    """
    outlines, moved, untouched = _faces_now(thing, scene)
    if untouched:
        return (dataclasses.replace(old, name=name),)
    if not apart or old.layout == "placed":
        return (_placed(old, name, outlines, surfaces),)
    kept = _placed(old, f"{name} by hand", [o for o, was in zip(outlines, moved, strict=True) if was], surfaces)
    left = None if old.count is None else old.count - len(kept.placed)
    free = () if left is not None and left <= 0 else (dataclasses.replace(old, name=name, count=left),)
    return (*free, *((kept,) if kept.placed else ()))


def _faces_now(thing: bpy.types.Object, scene: bpy.types.Scene) -> tuple[list[np.ndarray], list[bool], bool]:
    """World outlines of a set's faces in metres, which of them somebody moved, and whether the set is untouched."""
    mesh, world = mesh_of(thing), world_from_object_m(thing, scene)
    corners = _vertices_m(mesh, scene) @ world[:3, :3].T + world[:3, 3]
    home = np.full((len(HOME), len(corners)), np.inf, np.float32)
    for axis, values in zip(HOME, home, strict=True):
        known: bpy.types.Attribute | None = mesh.attributes.get(axis)
        if known is not None and known.domain == "POINT":
            held(known, "data").foreach_get("value", values)
    off = np.abs(corners - home.T.astype(float) * metres_per_unit(scene)).max(axis=1, initial=0.0) >= MOVED_M
    faces = [np.array(polygon.vertices) for polygon in mesh.polygons]
    moved = [bool(off[face].any()) for face in faces]
    whole = mesh.get(COUNT) == len(faces) and len(corners) == sum(map(len, faces))
    return [corners[face] for face in faces], moved, whole and not any(moved)


def is_as_planned(thing: bpy.types.Object, scene: bpy.types.Scene, layout: Layout, set_row: int) -> bool:
    """Whether a set that nobody touched stands where this layout has it; True also for a set that somebody touched."""
    outlines, _, untouched = _faces_now(thing, scene)
    rows = np.flatnonzero(layout.markers.set_index == set_row)
    if not untouched:
        return True
    return len(rows) == len(outlines) and all(
        len(outline) == len(drawn) and np.abs(outline - drawn).max() < MOVED_M
        for outline, drawn in zip(outlines, (drawn_outline(layout, int(row)) for row in rows), strict=True)
    )


def _placed(old: MarkerSet, name: str, outlines: Sequence[np.ndarray], surfaces: Sequence[Surface]) -> MarkerSet:
    """A set of markers put down by hand."""
    placed = tuple(placed_on(nearest_surface(surfaces, o.mean(axis=0)), o) for o in outlines)
    return dataclasses.replace(
        old,
        name=name,
        layout="placed",
        placed=placed,
        surfaces=tuple(dict.fromkeys(p.surface for p in placed)) or old.surfaces,
        spacing=None,
        count=None,
        density=None,
        area=(),
    )


def nearest_surface(surfaces: Sequence[Surface], point_m: np.ndarray) -> Surface:
    """The surface that a point is nearest to."""
    return min(surfaces, key=lambda surface: off_surface(surface, point_m))


def off_surface(surface: Surface, point_m: np.ndarray) -> float:
    """How far a point is from a surface, within the rectangle around it; metres."""
    uv = to_surface(surface, point_m)
    low, high = surface.outline_uv.min(axis=0), surface.outline_uv.max(axis=0)
    return float(np.linalg.norm(to_world(surface, np.clip(uv, low, high)) - point_m))


def placed_on(surface: Surface, outline_m: np.ndarray) -> PlacedMarker:
    """A marker on a surface with its own outline (K, 3), world."""
    uv = to_surface(surface, outline_m)
    area, middle = _area_and_centroid(uv)
    size = float(np.sqrt(abs(area)))
    own = uv - middle
    if area < 0:  # mirrored by a negative scale, or seen from behind: keep it counter-clockwise
        own = own[::-1]
    return PlacedMarker(
        surface=surface.name,
        at=(float(middle[0]), float(middle[1])),
        size=max(size, 0.002),
        outline=tuple((float(u), float(v)) for u, v in own),
    )


def _area_and_centroid(uv: np.ndarray) -> tuple[float, np.ndarray]:
    after = np.roll(uv, -1, axis=0)
    cross = uv[:, 0] * after[:, 1] - uv[:, 1] * after[:, 0]
    area = float(cross.sum() / 2)
    if abs(area) < 1e-9:
        return area, uv.mean(axis=0)
    centroid: np.ndarray = ((uv + after) * cross[:, None]).sum(axis=0) / (6 * area)
    return area, centroid


def _vertices_m(mesh: bpy.types.Mesh, scene: bpy.types.Scene) -> np.ndarray:
    flat = np.empty(len(mesh.vertices) * 3, np.float32)
    mesh.vertices.foreach_get("co", flat)
    points: np.ndarray = flat.reshape(-1, 3).astype(float) * metres_per_unit(scene)
    return points
