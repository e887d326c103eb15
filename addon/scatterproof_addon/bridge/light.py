"""Light for a built stage: a soft sky, brighter on the side that the key comes from, and the plan's key light."""

from __future__ import annotations

import math

import bpy
import numpy as np
from scatterproof.plan.model import Light

from . import tags
from .placing import object_named
from .scene import collection_named
from .stubs import feed, put

SKY = (1.0, 2.2)  # of white, away from the key and where it comes from: light level 1 on a wall that faces the audience
BEYOND = 0.045  # what a camera sees past the stage's edges: a dark hall
SOFT_KEY = Light(azimuth=math.radians(145), elevation=math.radians(50), share=0.0)  # where a plan names none


def light_stage(scene: bpy.types.Scene, key: Light | None) -> None:
    """Give a scene without lamps a sky, and a sun where the plan has a key; what somebody lit stays as it is."""
    if any(thing.type == "LIGHT" for thing in scene.objects):
        return
    scene.world = _sky(key or SOFT_KEY)
    put(scene.view_settings, view_transform="Standard")
    if key is None or key.share == 0:
        return
    data = bpy.data.lights.new("key light", "SUN")
    put(data, energy=math.pi * sum(SKY) / 2 * key.share, angle=math.radians(1))
    sun = object_named(collection_named(scene, "Light"), "key light", data)
    sun.rotation_euler = (math.pi / 2 - key.elevation, 0.0, math.pi + key.azimuth)
    sun.location = (8 * _towards(key)).tolist()
    tags.tag(sun, "light", "key light")


def _towards(key: Light) -> np.ndarray:
    """(3,) unit vector to where the light comes from."""
    level = math.cos(key.elevation)
    return np.array([-math.sin(key.azimuth) * level, math.cos(key.azimuth) * level, math.sin(key.elevation)])


def _sky(key: Light) -> bpy.types.World:
    """Light that rises evenly from one side of the sky to the other, seen by surfaces; cameras see a dark hall."""
    world = bpy.data.worlds.get("even light") or bpy.data.worlds.new("even light")
    if world.node_tree is None:
        world.use_nodes = True
    tree = world.node_tree
    tree.nodes.clear()
    new, link = tree.nodes.new, tree.links.new
    where, along, path = new("ShaderNodeTexCoord"), new("ShaderNodeVectorMath"), new("ShaderNodeLightPath")
    rise, choose = new("ShaderNodeMapRange"), new("ShaderNodeMix")
    background, output = new("ShaderNodeBackground"), new("ShaderNodeOutputWorld")
    put(along, operation="DOT_PRODUCT")
    put(along.inputs[1], default_value=_towards(key).tolist())
    feed(rise, From_Min=-1.0, From_Max=1.0, To_Min=SKY[0] * (1 - key.share), To_Max=SKY[1] * (1 - key.share))
    feed(choose, B=BEYOND)
    link(where.outputs["Generated"], along.inputs[0])
    link(along.outputs["Value"], rise.inputs["Value"])
    link(rise.outputs["Result"], choose.inputs["A"])
    link(path.outputs["Is Camera Ray"], choose.inputs["Factor"])
    link(choose.outputs["Result"], background.inputs["Strength"])
    link(background.outputs[0], output.inputs["Surface"])
    return world
