"""Even light for a built stage: a soft sky that a key needs, and a gentle sun so that things have shape."""

from __future__ import annotations

import math

import bpy

from . import tags
from .placing import object_named
from .scene import collection_named

SKY, BEYOND = 0.75, 0.045  # what lights the stage; what a camera sees past its edges: a dark hall


def light_stage(scene: bpy.types.Scene) -> None:
    """Give a scene without lamps a sky and a sun of its own; a scene that somebody has lit keeps its light."""
    if any(thing.type == "LIGHT" for thing in scene.objects):
        return
    scene.world = bpy.data.worlds.get("even light") or _sky()
    data = bpy.data.lights.new("key light", "SUN")
    data.energy, data.angle = 1.2, math.radians(25)
    sun = object_named(collection_named(scene, "Light"), "key light", data)
    sun.rotation_euler = (math.radians(42), 0.0, math.radians(28))
    sun.location = (0, 0, 6)
    tags.tag(sun, "light", "key light")
    scene.view_settings.view_transform = "Standard"


def _sky() -> bpy.types.World:
    world = bpy.data.worlds.new("even light")
    if world.node_tree is None:
        world.use_nodes = True
    new, link = world.node_tree.nodes.new, world.node_tree.links.new
    background = next(node for node in world.node_tree.nodes if node.type == "BACKGROUND")
    path, strength = new("ShaderNodeLightPath"), new("ShaderNodeMapRange")
    strength.inputs["To Min"].default_value, strength.inputs["To Max"].default_value = SKY, BEYOND
    link(path.outputs["Is Camera Ray"], strength.inputs["Value"])
    link(strength.outputs["Result"], background.inputs["Strength"])
    background.inputs["Color"].default_value = (1.0, 1.0, 1.0, 1.0)
    return world
