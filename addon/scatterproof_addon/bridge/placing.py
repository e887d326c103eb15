"""Where objects are, in metres: the scene's unit scale and float matrices on one side, the plan's on the other."""

from __future__ import annotations

import bpy
import numpy as np
from mathutils import Matrix


def metres_per_unit(scene: bpy.types.Scene) -> float:
    """Metres in one Blender unit of this scene."""
    return float(scene.unit_settings.scale_length) or 1.0


def place(thing: bpy.types.Object, scene: bpy.types.Scene, world_from_object_m: np.ndarray) -> None:
    """Put an unparented object where ``world_from_object_m`` (4, 4), metres, says; its scale becomes 1."""
    matrix = np.array(world_from_object_m, float)
    matrix[:3, 3] /= metres_per_unit(scene)
    thing.rotation_mode = "XYZ"
    thing.matrix_basis = Matrix(matrix.tolist())


def world_from_object_m(
    thing: bpy.types.Object, scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph | None = None
) -> np.ndarray:
    """(4, 4) where an object is now, parents, constraints and drivers included; metres, with its scale."""
    evaluated = thing.evaluated_get(depsgraph) if depsgraph else thing
    matrix = np.array(evaluated.matrix_world, float)
    matrix[:3, 3] *= metres_per_unit(scene)
    return matrix


def frame(origin: np.ndarray, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """(4, 4) from an origin and three unit axes."""
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([x, y, z], axis=1)
    matrix[:3, 3] = origin
    return matrix


def upright(at_m: tuple[float, float, float], turn_rad: float) -> np.ndarray:
    """(4, 4) standing at a point, turned about the vertical."""
    matrix = np.eye(4)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    matrix[:2, :2] = [[c, -s], [s, c]]
    matrix[:3, 3] = at_m
    return matrix


def turn_of(matrix: np.ndarray) -> float:
    """Turn about the vertical of an upright matrix, radians."""
    return float(np.arctan2(matrix[1, 0], matrix[0, 0]))


def scale_of(matrix: np.ndarray) -> np.ndarray:
    """(3,) lengths of the matrix's axes."""
    lengths: np.ndarray = np.linalg.norm(matrix[:3, :3], axis=0)
    return lengths


def is_upright(matrix: np.ndarray, noise: float = 1e-4) -> bool:
    """Whether the object's z axis points straight up."""
    up = matrix[:3, 2] / max(float(np.linalg.norm(matrix[:3, 2])), 1e-12)
    return bool(up[2] > 1 - noise)


def object_named(collection: bpy.types.Collection, name: str, data: bpy.types.ID | None) -> bpy.types.Object:
    """A new object in ``collection``."""
    thing = bpy.data.objects.new(name, data)
    collection.objects.link(thing)
    return thing
