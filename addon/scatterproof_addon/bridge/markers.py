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
MOVED_M = 5e-5  # a corner nearer to its plan than this has not been moved


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
    layout: Layout,
    set_row: int,
    old: MarkerSet,
    name: str,
) -> MarkerSet:
    """The set as its mesh now shows it: itself where nothing was touched, else every marker placed where it is."""
    world = world_from_object_m(thing, scene)
    corners = _vertices_m(mesh_of(thing), scene) @ world[:3, :3].T + world[:3, 3]
    faces = [np.array(polygon.vertices) for polygon in mesh_of(thing).polygons]
    attribute: bpy.types.Attribute | None = mesh_of(thing).attributes.get("marker")
    rows = [item.value for item in held(attribute, "data")] if attribute is not None else [-1] * len(faces)
    planned = list(np.flatnonzero(layout.markers.set_index == set_row)) if old is not None else []
    if rows == planned and all(
        len(face) == len(expected) and np.abs(corners[face] - expected).max() < MOVED_M
        for face, expected in zip(faces, (drawn_outline(layout, int(row)) for row in planned), strict=True)
    ):
        return dataclasses.replace(old, name=name)
    outlines = [corners[face] for face in faces]
    placed = tuple(placed_on(nearest_surface(layout.surfaces, o.mean(axis=0)), o) for o in outlines)
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
