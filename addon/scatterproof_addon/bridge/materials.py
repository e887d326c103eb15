"""Paint as Blender materials: matt, in linear light, one per paint, shared by name within a scene's plan."""

from __future__ import annotations

from collections.abc import Sequence

import bpy
import numpy as np

from .stubs import feed, held, put


def paint_material(name: str, linear: Sequence[float]) -> bpy.types.Material:
    """The matt material of a paint, made or brought up to date; viewport colour included.

    name : the paint's name in the plan
    linear : (3,) reflectance in linear light
    """
    full = f"paint {name}"
    material = bpy.data.materials.get(full) or bpy.data.materials.new(full)
    colour = (*linear, 1.0)
    put(material, diffuse_color=colour)
    material.roughness = 1.0
    shader = principled(material)
    feed(shader, Base_Color=colour, Roughness=1.0, Specular_IOR_Level=0.0)
    return material


def paint_name_of(material: bpy.types.Material) -> str:
    """The paint's name that a material shows; for one that a person made the material's own."""
    return str(material.name).removeprefix("paint ")


def shown_colour(material: bpy.types.Material) -> np.ndarray:
    """(3,) linear colour: the surface shader's where it is plain, else the one that the viewport shows."""
    has_nodes = bpy.app.version >= (5, 0) or material.use_nodes  # from 5.0 on all have, and asking is a warning
    tree = material.node_tree if has_nodes else None
    for node in tree.nodes if tree is not None else ():
        if node.type == "BSDF_PRINCIPLED" and not node.inputs["Base Color"].is_linked:
            return np.array(held(node.inputs["Base Color"], "default_value")[:3], float)
    return np.array(held(material, "diffuse_color")[:3], float)


def glow_material(name: str, linear: Sequence[float]) -> bpy.types.Material:
    """A material that shows one colour whatever the light: readouts, strips."""
    known: bpy.types.Material | None = bpy.data.materials.get(name)
    if known is not None:
        return known
    material = bpy.data.materials.new(name)
    colour = (*linear, 1.0)
    put(material, diffuse_color=colour)
    shader = principled(material)
    feed(shader, Base_Color=(0.0, 0.0, 0.0, 1.0), Specular_IOR_Level=0.0)
    feed(shader, Emission_Color=colour, Emission_Strength=1.0)
    return material


def principled(material: bpy.types.Material) -> bpy.types.Node:
    """The material's one surface shader, made where it is missing."""
    if material.node_tree is None:
        material.use_nodes = True
    for node in material.node_tree.nodes:
        if node.type == "BSDF_PRINCIPLED":
            return node
    tree = material.node_tree
    shader = tree.nodes.new("ShaderNodeBsdfPrincipled")
    output = tree.nodes.new("ShaderNodeOutputMaterial")
    tree.links.new(shader.outputs[0], output.inputs["Surface"])
    return shader
