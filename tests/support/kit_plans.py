"""A small stage with every kind of join, for the tests of the rig kit; a production that does not exist."""

from __future__ import annotations

from scatterproof.plan.model import Plan
from scatterproof.plan.read import parse_plan

STAGE = """
schema = 2
name = "{name}"
units = "m"

[[paint]]
name = "screen"
srgb = [70, 148, 73]
[[paint]]
name = "light"
srgb = [83, 173, 87]
[[paint]]
name = "dark"
srgb = [59, 126, 61]
[[paint]]
name = "band"
srgb = [232, 119, 34]

[[patch]]
name = "coat"
srgb = [20, 66, 24]
[[patch]]
name = "scarf"
srgb = [190, 30, 60]
use = "costume"

[stage]
[[stage.floor]]
name = "floor"
x = [-4, 4]
y = [-2, 4]
[[stage.wall]]
name = "back wall"
start = [-4, 4]
end = [4, 4]
height = 4
[[stage.wall]]
name = "left wall"
start = [-4, -2]
end = [-4, 4]
height = 4
[[stage.cove]]
name = "cove"
between = ["floor", "back wall"]
radius = 0.8
[[stage.cove]]
name = "left cove"
between = ["left wall", "floor"]
radius = 0.8
[[stage.cove]]
name = "corner"
between = ["left wall", "back wall"]
radius = 0.8

[[markers]]
name = "squares"
surfaces = ["back wall", "cove", "corner"]
shape = "square"
size = [{square}, {square}]
paint = "light"
count = {squares}
margin = 0.05
[[markers]]
name = "scatter"
surfaces = ["floor", "left wall", "left cove"]
shape = "random"
size = {random}
paint = "dark"
count = {randoms}
margin = 0.05
seed = 5

[[stand]]
name = "near stand"
at = [-1.2, 1.1]
height = 2.0
bands = [0.6, 1.2, 1.8]
[[stand]]
name = "far stand"
at = [1.4, 2.3]
height = 2.4
bands = [0.7, 1.5, 2.2]

[[camera]]
name = "A"
film_back = [24.892, 18.669]
resolution = [2048, 1536]
delivery_aspect = 1.85
focal_length = 25

[[shot]]
name = "push"
camera = "A"
frames = [1, 16]
wants = "the whole wall"
[shot.move]
kind = "push"
start = [0, -1.8, 1.6]
aim = [0, 4, 1.6]
distance = 0.6
"""


def kit_plan(
    squares: int = 60, randoms: int = 40, square: float = 0.04, random: str = "[0.04, 0.06]", name: str = "Kite yard"
) -> Plan:
    """A plan with two walls, coves between all that meet, squares and random shapes, two stands, one push."""
    text = STAGE.format(squares=squares, randoms=randoms, square=square, random=random, name=name)
    return parse_plan(text, "kit.toml").plan
