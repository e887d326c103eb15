"""Stage surfaces as objects: local x across, y up, z towards the stage, so that moving and scaling them reads back."""

from __future__ import annotations

import dataclasses
from typing import Any

import bpy
import numpy as np
from scatterproof.plan.model import Cove, Floor, Panel, Stage, Wall
from scatterproof.stage.surfaces import Surface, mesh

from .meshes import fill_mesh
from .placing import frame, metres_per_unit, object_named, place, world_from_object_m
from .settle import settle
from .stubs import mesh_of
from .tags import tag

MESH_STEP_M = 0.04  # arc length of one facet of a cove: sags 0.2 mm at a radius of 1 m


def make_surface(
    collection: bpy.types.Collection, scene: bpy.types.Scene, surface: Surface, material: bpy.types.Material
) -> bpy.types.Object:
    """One surface as a mesh object; coves are world-fixed, flat ones carry their own axes."""
    vertices, triangles = mesh(surface, MESH_STEP_M)
    thing = object_named(collection, surface.name, bpy.data.meshes.new(surface.name))
    local = np.asarray(vertices)
    if surface.kind != "cove":
        matrix = frame(surface.origin, surface.across, surface.up, surface.normal)
        place(thing, scene, matrix)
        local = (local - surface.origin) @ matrix[:3, :3]
    fill_mesh(mesh_of(thing), local / metres_per_unit(scene), triangles, [material], smooth=surface.kind == "cove")
    tag(thing, surface.kind, surface.name)
    return thing


def read_floor(thing: bpy.types.Object, scene: bpy.types.Scene, old: Floor, name: str) -> Floor | Panel:
    """The floor an object now shows; a panel once it is no longer level and square to the axes."""
    matrix = world_from_object_m(thing, scene)
    axes, origin = matrix[:3, :3], matrix[:3, 3]
    x, y = np.array(old.x), np.array(old.y)
    straight = np.abs(axes[:2, :2] - np.diag(np.diag(axes)[:2])).max() < 1e-5 and np.abs(axes[2, :2]).max() < 1e-5
    if straight and axes[0, 0] > 0 and axes[1, 1] > 0:
        left, right = x * axes[0, 0] + origin[0]
        near, far = y * axes[1, 1] + origin[1]
        moved = dataclasses.replace(old, x=(float(left), float(right)), y=(float(near), float(far)), z=float(origin[2]))
        return dataclasses.replace(settle(old, moved), name=name)
    corner = origin + axes[:, 0] * x[0] + axes[:, 1] * y[0]
    return _panel(old, name, corner, axes[:, 0] * (x[1] - x[0]), axes[:, 1] * (y[1] - y[0]))


def read_wall(thing: bpy.types.Object, scene: bpy.types.Scene, old: Wall, name: str) -> Wall | Panel:
    """The wall an object now shows; a panel once its lower edge is no longer level."""
    matrix = world_from_object_m(thing, scene)
    start = matrix[:3, 3]
    across = matrix[:3, 0] * float(np.hypot(*np.subtract(old.end, old.start)))
    up = matrix[:3, 1] * old.height
    if abs(across[2]) > 1e-5 * np.linalg.norm(across) or up[2] <= 0:
        return _panel(old, name, start, across, up)
    back = np.array([-across[1], across[0], 0.0]) / np.linalg.norm(across)
    moved = dataclasses.replace(
        old,
        start=(float(start[0]), float(start[1])),
        end=(float(start[0] + across[0]), float(start[1] + across[1])),
        base=float(start[2]),
        height=float(np.linalg.norm(up)),
        lean=float(np.arctan2(up @ back, up[2])),
    )
    return dataclasses.replace(settle(old, moved), name=name)


def read_panel(thing: bpy.types.Object, scene: bpy.types.Scene, old: Panel, name: str) -> Panel:
    """The panel an object now shows."""
    matrix = world_from_object_m(thing, scene)
    across = matrix[:3, 0] * np.linalg.norm(old.across)
    up = matrix[:3, 1] * np.linalg.norm(old.up)
    return dataclasses.replace(settle(old, _panel(old, old.name, matrix[:3, 3], across, up)), name=name)


def _panel(old: Floor | Wall | Panel, name: str, corner: np.ndarray, across: np.ndarray, up: np.ndarray) -> Panel:
    three: Any = [tuple(float(v) for v in row) for row in (corner, across, up)]
    return Panel(name=name, corner=three[0], across=three[1], up=three[2], paint=old.paint, light=old.light)


def flat_surfaces(stage: Stage) -> list[Floor | Wall | Panel]:
    """The stage's flat surfaces in the plan's order."""
    return [*stage.floors, *stage.walls, *stage.panels]


def with_surfaces(stage: Stage, flat: list[Floor | Wall | Panel], coves: list[Cove]) -> Stage:
    """The stage with these surfaces, each in its own table."""
    return dataclasses.replace(
        stage,
        floors=tuple(s for s in flat if isinstance(s, Floor)),
        walls=tuple(s for s in flat if isinstance(s, Wall)),
        panels=tuple(s for s in flat if isinstance(s, Panel)),
        coves=tuple(coves),
    )
