"""Mesh data blocks from the engine's arrays."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import bpy
import numpy as np

from .stubs import held


def fill_mesh(
    mesh: bpy.types.Mesh,
    vertices: np.ndarray,
    faces: Sequence[np.ndarray] | np.ndarray,
    materials: Sequence[bpy.types.Material],
    face_material: np.ndarray | None = None,
    smooth: bool = False,
) -> bpy.types.Mesh:
    """Replace a mesh's geometry.

    vertices : (V, 3) object space, Blender units
    faces : rows of vertex numbers, any number of corners each
    face_material : (len(faces),) int rows of ``materials``
    """
    mesh.clear_geometry()
    sizes = np.array([len(face) for face in faces], np.int32)
    corners = np.concatenate([np.asarray(face, np.int32) for face in faces]) if len(faces) else np.zeros(0, np.int32)
    mesh.vertices.add(len(vertices))
    mesh.vertices.foreach_set("co", np.asarray(vertices, np.float32).ravel())
    mesh.loops.add(len(corners))
    mesh.loops.foreach_set("vertex_index", corners)
    mesh.polygons.add(len(sizes))
    mesh.polygons.foreach_set("loop_start", np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int32)[: len(sizes)])
    mesh.polygons.foreach_set("use_smooth", np.full(len(sizes), smooth))
    mesh.materials.clear()
    for material in materials:
        mesh.materials.append(material)
    if face_material is not None:
        mesh.polygons.foreach_set("material_index", np.asarray(face_material, np.int32))
    mesh.update(calc_edges=True)
    mesh.validate()
    return mesh


def tube(radius: float, low: float, high: float, around: int = 16) -> tuple[np.ndarray, list[np.ndarray]]:
    """An upright closed cylinder about the z axis: vertices (2 around, 3) and its faces."""
    turn = np.arange(around) * (2 * np.pi / around)
    ring = np.stack([np.cos(turn) * radius, np.sin(turn) * radius], axis=1)
    vertices = np.concatenate([np.column_stack([ring, np.full(around, z)]) for z in (low, high)])
    i, j = np.arange(around), (np.arange(around) + 1) % around
    sides = np.stack([i, j, j + around, i + around], axis=1)
    return vertices, [*sides, i[::-1], i + around]


def joined(parts: Sequence[tuple[np.ndarray, Sequence[np.ndarray]]]) -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """Several meshes as one: vertices, faces, and the part each face came from."""
    offset, vertices, faces, origin = 0, [], [], []
    for number, (points, polygons) in enumerate(parts):
        vertices.append(points)
        faces += [np.asarray(face) + offset for face in polygons]
        origin += [number] * len(polygons)
        offset += len(points)
    return np.concatenate(vertices), faces, np.array(origin)


def add_attribute(mesh: bpy.types.Mesh, name: str, domain: Literal["POINT", "FACE"], values: np.ndarray) -> None:
    """A named number on every vertex ("POINT") or face ("FACE"): whole numbers as INT, others as FLOAT."""
    whole = np.issubdtype(values.dtype, np.integer)
    old: bpy.types.Attribute | None = mesh.attributes.get(name)
    if old is not None:
        mesh.attributes.remove(old)
    attribute = mesh.attributes.new(name, "INT" if whole else "FLOAT", domain)
    held(attribute, "data").foreach_set("value", values.astype(np.int32 if whole else np.float32))
