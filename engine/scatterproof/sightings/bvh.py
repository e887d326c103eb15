"""Does a line of sight meet a triangle mesh: a tree of boxes over the triangles, walked by all rays at once.

The tree is complete: every node has ``WIDE`` children and every leaf the same number of triangles, so that each
level is a plain array and the children of node i are nodes ``WIDE * i`` and on. Triangles are shared out by median
splits along the longest side, which needs no loop over nodes, only over levels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..problems import require_shape

WIDE = 4  # children per node, a power of two: fewer and larger array operations than a binary tree
LEAF = 4  # triangles in a leaf, within a factor of two
BLOCK = 2048  # (ray, node) pairs in one go: fits the cache (twice as fast as 16384), and bounds the memory
SLACK = 1e-12  # of a triangle's size: a ray through a shared edge must not slip between its two triangles
TINY = 1e-30  # m, stands for a zero direction


@dataclass(frozen=True, slots=True, eq=False)
class Bvh:
    """Boxes of the children of every node, level by level from the root, and the triangles by leaf."""

    order: np.ndarray  # (leaves, K) rows of the triangles it was built over
    centre_m: tuple[np.ndarray, ...]  # per level (3, WIDE^level, WIDE)
    half_m: tuple[np.ndarray, ...]  # per level (3, WIDE^level, WIDE) half the sides
    corners_m: np.ndarray  # (3 corners, 3 axes, leaves, K)


def build_bvh(vertices_m: np.ndarray, triangles: np.ndarray) -> Bvh:
    """The tree over ``vertices_m`` (V, 3) and ``triangles`` (T, 3) int, T at least 1."""
    corners = require_shape("vertices_m", vertices_m, (None, 3))[require_shape("triangles", triangles, (None, 3))]
    levels = 0
    while WIDE ** (levels + 1) * LEAF <= 2 * len(corners):
        levels += 1
    leaves = WIDE**levels
    each = -(-len(corners) // leaves)
    corners = np.take(corners, np.arange(leaves * each), axis=0, mode="wrap")  # filled up with copies

    order = np.arange(leaves * each)[None]
    middle = corners.min(axis=1) + corners.max(axis=1)
    while len(order) < leaves:
        spot = middle[order]  # (nodes, triangles in each, 3)
        longest = np.argmax(np.ptp(spot, axis=1), axis=1)
        key = np.take_along_axis(spot, longest[:, None, None], axis=2)[..., 0]
        order = np.take_along_axis(order, np.argsort(key, axis=1), axis=1).reshape(len(order) * 2, -1)
    return _boxed(corners[order], order % len(triangles))


def refitted(bvh: Bvh, vertices_m: np.ndarray, triangles: np.ndarray) -> Bvh:
    """The tree of the same triangles with their vertices moved: the same sharing out, boxes anew.

    As right as a new tree, built three to ten times faster, and slower to walk the more the mesh has changed its shape.
    """
    return _boxed(vertices_m[triangles[bvh.order]], bvh.order)


def _boxed(corners: np.ndarray, order: np.ndarray) -> Bvh:
    """Boxes over triangles by leaf: corners (leaves, K, 3 corners, 3 axes)."""
    corners = np.ascontiguousarray(corners.transpose(2, 3, 0, 1))
    low, high = corners.min(axis=(0, 3)), corners.max(axis=(0, 3))  # (3, leaves)
    boxes = []
    while low.shape[1] > 1:
        low, high = (side.reshape(3, -1, WIDE) for side in (low, high))
        boxes.append(((low + high) / 2, (high - low) / 2 * (1 + 1e-9) + 1e-9))
        low, high = low.min(axis=2), high.max(axis=2)
    boxes.reverse()
    return Bvh(order, tuple(c for c, _ in boxes), tuple(h for _, h in boxes), corners)


def crossed(bvh: Bvh, start_m: np.ndarray, end_m: np.ndarray) -> np.ndarray:
    """Which segments meet a triangle, from either side.

    start_m, end_m : (R, 3)
    returns (R,) bool

    The test is exact: T. Möller and B. Trumbore, "Fast, Minimum Storage Ray/Triangle Intersection", 1997 (from memory),
    without its divisions.
    """
    step = end_m - start_m

    def test(ray: np.ndarray, leaf: np.ndarray) -> np.ndarray:
        a, b, c = bvh.corners_m[:, :, leaf]  # each (3, P, K)
        d, o = step[ray].T[..., None], start_m[ray].T[..., None]
        ab, ac, ao = b - a, c - a, o - a
        across = _cross(d, ac)
        volume = _dot(ab, across)
        sign, size = np.sign(volume), np.abs(volume)
        least = -SLACK * size
        beta = sign * _dot(ao, across)
        turned = _cross(ao, ab)
        gamma = sign * _dot(d, turned)
        depth = sign * _dot(ac, turned)
        inside = (beta >= least) & (gamma >= least) & (beta + gamma <= size - least)
        out: np.ndarray = np.any(inside & (depth >= 0) & (depth <= size) & (size > 0), axis=1)
        return out

    return _walk(bvh, start_m, step, np.zeros(len(step)), test)


def grazed(bvh: Bvh, start_m: np.ndarray, end_m: np.ndarray, window_rad: np.ndarray) -> np.ndarray:
    """Which segments pass an edge of the mesh within an angle, seen from their start; see :func:`in_cone`.

    start_m, end_m : (R, 3); window_rad : (R,)
    returns (R,) bool; a segment that crosses a triangle amid its edges is the matter of :func:`crossed`
    """
    step = end_m - start_m
    length = np.linalg.norm(step, axis=1)

    def test(ray: np.ndarray, leaf: np.ndarray) -> np.ndarray:
        corner = bvh.corners_m[:, :, leaf] - start_m[ray].T[..., None]
        edge = np.roll(corner, -1, axis=0) - corner
        d = (step[ray] / length[ray, None]).T[..., None]
        sides = [in_cone(corner[i], edge[i], d, length[ray, None], window_rad[ray, None]) for i in range(3)]
        out: np.ndarray = np.any(sides, axis=(0, 2))
        return out

    return _walk(bvh, start_m, step, window_rad * length, test)


def in_cone(
    at_m: np.ndarray, edge_m: np.ndarray, direction: np.ndarray, length_m: np.ndarray, window_rad: np.ndarray
) -> np.ndarray:
    """Which edges come within ``window_rad`` of a line of sight, before its end. Exact for small angles.

    at_m, edge_m : (3, ...) start of the edge relative to the eye, and the edge as a vector
    direction, length_m, window_rad : (3, ...) unit, (...), (...) the line of sight from the eye

    The cone about the line and the slice before its end leave a part of the edge; the point of it that is nearest
    to the cone's axis, measured in units of the cone's width there, makes a quadratic smallest.
    """
    depth, rise = _dot(at_m, direction), _dot(edge_m, direction)
    slope = 1 + window_rad**2
    # (distance from the eye)^2 - slope depth^2 = a s^2 + 2 b s + c is not positive inside the cone
    a = _dot(edge_m, edge_m) - slope * rise**2
    b = _dot(at_m, edge_m) - slope * depth * rise
    c = _dot(at_m, at_m) - slope * depth**2
    rise = np.where(np.abs(rise) < TINY, TINY, rise)
    enter, leave = -depth / rise, (length_m - depth) / rise
    low = np.maximum(np.minimum(enter, leave), 0)
    high = np.minimum(np.maximum(enter, leave), 1)
    best = np.where(a > 0, np.clip(-b / np.where(a > 0, a, 1), low, high), low)
    inside = ((a * best + 2 * b) * best + c <= 0) | ((a * high + 2 * b) * high + c <= 0)
    out: np.ndarray = (low <= high) & inside
    return out


def pace_of(step_m: np.ndarray) -> np.ndarray:
    """(3, R) inverse of the steps (R, 3) along the axes, finite, for :func:`meets_box`."""
    return np.ascontiguousarray(1 / np.where(np.abs(step_m.T) < TINY, TINY, step_m.T))


def meets_box(centre_m: Iterable[np.ndarray], half_m: Iterable[np.ndarray], pace: Iterable[np.ndarray]) -> np.ndarray:
    """Which segments meet a box, its centre given from their start, by axis; the arrays broadcast.

    The test of three slabs: T. L. Kay and J. T. Kajiya, "Ray Tracing Complex Scenes", 1986 (from memory).
    """
    enter, leave = np.zeros(1), np.ones(1)
    for c, h, p in zip(centre_m, half_m, pace, strict=True):
        middle, reach = c * p, h * np.abs(p)
        enter, leave = np.maximum(enter, middle - reach), np.minimum(leave, middle + reach)
    out: np.ndarray = enter <= leave
    return out


def _walk(
    bvh: Bvh,
    start_m: np.ndarray,
    step_m: np.ndarray,
    margin_m: np.ndarray,
    leaf_test: Callable[[np.ndarray, np.ndarray], np.ndarray],
) -> np.ndarray:
    """Rays for which ``leaf_test(ray (P,), leaf (P,)) -> (P,) bool`` holds in any leaf whose box they meet.

    Boxes are grown by ``margin_m`` (R,). Blocks of pairs go down the tree depth first, so that memory stays bounded and
    a ray that was stopped leaves the blocks still to come.
    """
    start, inverse = np.ascontiguousarray(start_m.T), pace_of(step_m)
    stopped = np.zeros(len(start_m), bool)
    stack = [(0, np.arange(len(start_m)), np.zeros(len(start_m), np.int64))]
    while stack:
        level, ray, node = stack.pop()
        if len(ray) > BLOCK:
            stack += [(level, ray[BLOCK:], node[BLOCK:]), (level, ray[:BLOCK], node[:BLOCK])]
            continue
        going = ~stopped[ray]
        ray, node = ray[going], node[going]
        if level == len(bvh.centre_m):
            stopped[ray[leaf_test(ray, node)]] = True
            continue
        hit = meets_box(
            [centre[node] - o[ray, None] for centre, o in zip(bvh.centre_m[level], start, strict=True)],
            [half[node] + margin_m[ray, None] for half in bvh.half_m[level]],
            [pace[ray, None] for pace in inverse],
        )
        pair, child = np.nonzero(hit)
        stack.append((level + 1, ray[pair], node[pair] * WIDE + child))
    return stopped


def _dot(a: Any, b: Any) -> Any:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _cross(a: Any, b: Any) -> Any:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
