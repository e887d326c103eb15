"""Marker outlines of area 1 about their centre of area; a marker's size is the square root of its area."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .polygons import centroid, signed_area

ARMS = {"thin cross": 1 / 6, "thick cross": 1 / 3}  # width of an arm as a share of the cross's span
DISC_SIDES = 24

# A random polygon, in units of its size. All ours, by trial: corners that a tracker can hold, edges that can be cut.
SHARPEST_COS = math.sqrt(3) / 2  # edges meet at 30 to 150 degrees, inside or outside
SHORTEST_EDGE = 0.30
IRREGULAR = 1.5  # longest edge over shortest, at least
FARTHEST_CORNER = {3: 1.2}  # from the centre
FARTHEST_ELSE = 0.95
BATCH = 512


def is_disc(shape: str) -> bool:
    """Whether the outline stands for a circle: one feature at its centre, and no corners."""
    return shape == "disc"


def farthest_corner(shape: str, corners: tuple[float, float]) -> float:
    """Radius of the circle about the centre that holds the shape, in units of its size (random: the limit)."""
    if shape == "random":
        return FARTHEST_CORNER.get(int(corners[0]), FARTHEST_ELSE)
    return float(np.sqrt((plain_outline(shape) ** 2).sum(axis=1).max()))


def plain_outline(shape: str) -> np.ndarray:
    """Corners (K, 2) of a shape that is always the same, counter-clockwise, unturned, area 1."""
    if shape in ARMS:
        arm = ARMS[shape] / 2
        quarter = np.array([[0.5, -arm], [0.5, arm], [arm, arm]])
        turns = [quarter, quarter[:, ::-1] * [-1, 1], -quarter, quarter[:, ::-1] * [1, -1]]
        return _unit_area(np.concatenate(turns))
    sides = {"square": 4, "triangle": 3, "disc": DISC_SIDES}[shape]
    angle = 2 * np.pi * (np.arange(sides) + 0.5) / sides - np.pi / 2
    return _unit_area(np.stack([np.cos(angle), np.sin(angle)], axis=-1))


def outlines(shape: str, corners: tuple[float, float], seed: Sequence[int], count: int) -> list[np.ndarray]:
    """Outlines of ``count`` markers, each (K, 2): random ones all different, the others one and the same.

    The first outlines do not depend on how many are asked for.
    """
    if shape != "random":
        return [plain_outline(shape)] * count
    fewest, most = (int(n) for n in corners)
    pick = np.random.Generator(np.random.PCG64([*seed, 0])).random(count)
    kind = fewest + np.floor(pick * (most - fewest + 1)).astype(int)
    result = [np.empty((0, 2))] * count
    for n in range(fewest, most + 1):
        rows = np.flatnonzero(kind == n)
        for row, outline in zip(rows, random_polygons(n, [*seed, n], len(rows)), strict=True):
            result[row] = outline
    return result


def random_polygons(corners: int, seed: Sequence[int], count: int) -> np.ndarray:
    """Irregular simple polygons (count, corners, 2) of area 1 about their centres of area, counter-clockwise.

    Corners lie at random distances from a point, each in a sector of its own, so that edges never cross; shapes
    outside the limits above are thrown away. Edges meet at 30 to 150 degrees on one side or the other: a corner that
    points inwards is as well marked as one that points out.
    """
    rng = np.random.Generator(np.random.PCG64(list(seed)))
    nearest = 0.5 if corners < 7 else 0.2  # many corners stay well marked only where some point inwards
    kept: list[np.ndarray] = [np.empty((0, corners, 2))]
    found = 0
    while found < count:
        sector, reach = np.moveaxis(rng.random((BATCH, 2, corners)), 1, 0)
        # Directions as points of a diamond: no sine, so that every machine keeps and drops the same ones.
        way = 4 * (np.arange(corners) + 0.15 + 0.7 * sector) / corners
        x, y = np.abs(way - 2) - 1, 1 - np.abs(way - 1 - 4 * (way > 3))
        distance = (nearest + (1 - nearest) * reach) / np.sqrt(x**2 + y**2)
        shapes = np.stack([x * distance, y * distance], axis=-1)
        shapes = _unit_area(shapes[signed_area(shapes) > 0])
        shapes = shapes[_fit(shapes)]
        kept.append(shapes)
        found += len(shapes)
    return np.concatenate(kept)[:count]


def _fit(shapes: np.ndarray) -> np.ndarray:
    edge = np.roll(shapes, -1, axis=1) - shapes
    length = np.sqrt((edge**2).sum(axis=-1))
    cos = (edge * np.roll(edge, 1, axis=1)).sum(axis=-1) / (length * np.roll(length, 1, axis=1))
    shortest, longest = length.min(axis=1), length.max(axis=1)
    farthest = np.sqrt((shapes**2).sum(axis=-1).max(axis=1))
    fit: np.ndarray = (
        (np.abs(cos) <= SHARPEST_COS).all(axis=1)
        & (shortest >= SHORTEST_EDGE)
        & (longest >= IRREGULAR * shortest)
        & (farthest <= FARTHEST_CORNER.get(shapes.shape[1], FARTHEST_ELSE))
    )
    return fit


def _unit_area(corners: np.ndarray) -> np.ndarray:
    """Moved to the centre of area and scaled to area 1; (..., K, 2)."""
    middle = corners - centroid(corners)[..., None, :]
    scaled: np.ndarray = middle / np.sqrt(signed_area(middle))[..., None, None]
    return scaled
