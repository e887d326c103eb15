"""Even light for a built stage: a soft sky that a key needs, and a gentle sun so that things have shape."""

from __future__ import annotations

import math

import bpy
from scatterproof.plan.model import Plan

from . import tags
from .placing import object_named
from .scene import collection_named


def light_stage(scene: bpy.types.Scene, plan: Plan) -> None:
    """Give the scene a world and a sun of its own."""
    world = bpy.data.worlds.new("even light")
    if world.node_tree is None:
        world.use_nodes = True
    background = next(node for node in world.node_tree.nodes if node.type == "BACKGROUND")
    background.inputs["Color"].default_value = (1.0, 1.0, 1.0, 1.0)
    background.inputs["Strength"].default_value = 0.75
    scene.world = world
    data = bpy.data.lights.new("key light", "SUN")
    data.energy, data.angle = 1.2, math.radians(25)
    sun = object_named(collection_named(scene, "Light"), "key light", data)
    sun.rotation_euler = (math.radians(42), 0.0, math.radians(28))
    sun.location = (0, 0, 6)
    tags.tag(sun, "light", "key light")
    scene.view_settings.view_transform = "Standard"
