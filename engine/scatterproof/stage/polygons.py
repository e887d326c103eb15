"""Polygons in surface coordinates: K corners (K, 2), metres, counter-clockwise, the last joined to the first.

Only + - * / and square roots act on coordinates here, each element on its own: their results are the same on every
machine, which the scatter relies on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

Half = tuple[float, float, float]  # (a, b, c): the half-plane a u + b v + c >= 0

SNAP_M = 1e-7  # corners nearer than this are one: far above rounding, far below what anybody builds


def signed_area(corners: np.ndarray) -> np.ndarray:
    """Areas of polygons (..., K, 2) -> (...): positive where counter-clockwise.

    >>> float(signed_area(np.array([[0, 0], [3, 0], [3, 2], [0, 2]])))
    6.0
    """
    area: np.ndarray = 0.5 * _cross(corners, np.roll(corners, -1, axis=-2)).sum(axis=-1)
    return area


def centroid(corners: np.ndarray) -> np.ndarray:
    """Centres of area of polygons (..., K, 2) -> (..., 2)."""
    following = np.roll(corners, -1, axis=-2)
    weight = _cross(corners, following)[..., None]
    centre: np.ndarray = ((corners + following) * weight).sum(axis=-2) / (3.0 * weight.sum(axis=-2))
    return centre


def contains(corners: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Which of the points (P, 2) lie inside, by the even-odd rule -> (P,) bool."""
    inside: np.ndarray = np.logical_xor.reduce(ray_crosses(corners, np.roll(corners, -1, axis=0), points), axis=-1)
    return inside


def ray_crosses(start: np.ndarray, end: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Whether the ray from each point (P, 2) towards +u crosses each edge (E, 2) -> (P, E) bool.

    Heights are compared as they stand, so that a ray through a corner crosses one of its edges or both, never none.
    """
    above_start, above_end = (points[:, None, 1] >= corner[:, 1] for corner in (start, end))
    left = _cross(end - start, points[:, None, :] - start) > 0
    crossed: np.ndarray = (above_start != above_end) & (left == (end[:, 1] > start[:, 1]))
    return crossed


def edge_distance(corners: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Distance of each point (P, 2) from the nearest edge -> (P,)."""
    edge = np.roll(corners, -1, axis=0) - corners
    distance: np.ndarray = np.sqrt(segment_distance2(corners, edge, points).min(axis=-1))
    return distance


def segment_distance2(start: np.ndarray, edge: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Squared distances of points (P, 2) from segments (E, 2) given by start and vector -> (P, E)."""
    away = points[:, None, :] - start
    length2 = edge[:, 0] ** 2 + edge[:, 1] ** 2
    along = (away[..., 0] * edge[:, 0] + away[..., 1] * edge[:, 1]) / np.where(length2 > 0, length2, 1.0)
    along = np.clip(along, 0.0, 1.0)
    distance2: np.ndarray = (away[..., 0] - along * edge[:, 0]) ** 2 + (away[..., 1] - along * edge[:, 1]) ** 2
    return distance2


def is_simple(corners: np.ndarray) -> bool:
    """Whether no two edges cross and no corner comes twice."""
    return bool(are_simple(np.asarray(corners, dtype=float)[None])[0])


def are_simple(corners: np.ndarray) -> np.ndarray:
    """Whether each of the polygons (B, K, 2) is simple -> (B,) bool. Edges that touch count as crossing."""
    count = corners.shape[1]
    first, second = np.triu_indices(count, k=1)
    apart = (second - first > 1) & (second - first < count - 1)
    first, second = first[apart], second[apart]
    after = np.roll(corners, -1, axis=1)
    a, b, c, d = corners[:, first], after[:, first], corners[:, second], after[:, second]
    boxes = (np.maximum(a, b) >= np.minimum(c, d)) & (np.maximum(c, d) >= np.minimum(a, b))
    met = boxes.all(axis=-1) & (_turn(a, b, c) * _turn(a, b, d) <= 0) & (_turn(c, d, a) * _turn(c, d, b) <= 0)
    edge = after - corners
    real = ((edge**2).sum(axis=-1) > 0).all(axis=1)
    simple: np.ndarray = real & ~met.any(axis=1)
    return simple


def clip(corners: np.ndarray, half: Half) -> np.ndarray:
    """What of a convex polygon lies in the half-plane; (0, 2) where nothing (Sutherland & Hodgman 1974)."""
    a, b, c = half
    if not len(corners):
        return corners
    level = a * corners[:, 0] + b * corners[:, 1] + c
    level = np.where(np.abs(level) < SNAP_M, 0.0, level)
    kept = []
    for i in range(len(corners)):
        j = (i + 1) % len(corners)
        if level[i] >= 0:
            kept.append(corners[i])
        if level[i] * level[j] < 0:
            kept.append(corners[i] + (corners[j] - corners[i]) * (level[i] / (level[i] - level[j])))
    result = np.array(kept).reshape(-1, 2)
    return result if len(result) > 2 and signed_area(result) > SNAP_M**2 else np.empty((0, 2))


def subtract(pieces: Iterable[np.ndarray], halves: Sequence[Half]) -> list[np.ndarray]:
    """Convex pieces without the part in all the half-planes, as convex pieces again."""
    left = []
    for piece in pieces:
        rest = piece
        for a, b, c in halves:
            left.append(clip(rest, (-a, -b, -c)))
            rest = clip(rest, (a, b, c))
    return [piece for piece in left if len(piece)]


def largest_outline(pieces: Sequence[np.ndarray]) -> np.ndarray:
    """The outline of the largest connected part of touching convex pieces -> (K, 2); (0, 2) for no pieces.

    Edges shared by two pieces cancel; what is left is traced with the inside on the left. The part may have no
    holes (the outline of the largest part alone is returned).
    """
    points, edges = _boundary(pieces)
    onward: dict[int, list[int]] = {}
    for start, end in edges:
        onward.setdefault(start, []).append(end)
    best = np.empty((0, 2))
    while onward:
        start = next(iter(onward))
        loop, here = [start], onward[start].pop()
        while here != start and (choices := onward.get(here, [])):
            came = points[loop[-1]] - points[here]
            # Where parts touch in one corner, the leftmost way stays on this part.
            chosen = min(choices, key=lambda end: _clockwise(came, points[end] - points[here]))
            choices.remove(chosen)
            loop.append(here)
            here = chosen
        onward = {point: ends for point, ends in onward.items() if ends}
        outline = _without_straight_corners(points[loop])
        if here == start and signed_area(outline) > (signed_area(best) if len(best) else 0.0):
            best = outline
    return best


def _boundary(pieces: Sequence[np.ndarray]) -> tuple[np.ndarray, list[tuple[int, int]]]:
    """Distinct corners (N, 2) and the directed edges between them that no other piece runs back."""
    corners = np.concatenate([*pieces, np.empty((0, 2))])
    near = np.abs(corners[:, None] - corners).max(axis=-1) < 2 * SNAP_M if len(corners) else np.empty((0, 0))
    label = np.array([row.argmax() for row in near], dtype=int)
    edges: set[tuple[int, int]] = set()
    first = 0
    for piece in pieces:
        rows = label[first : first + len(piece)]
        first += len(piece)
        for start, end in zip(rows, np.roll(rows, -1), strict=True):
            stops = _stops(corners, label, int(start), int(end))
            for leg in pairwise(stops):
                if leg[::-1] in edges:
                    edges.remove(leg[::-1])
                else:
                    edges.add(leg)
    return corners, sorted(edges)


def _stops(corners: np.ndarray, label: np.ndarray, start: int, end: int) -> list[int]:
    """Corners of any piece on the way from one corner to another, both included, in order."""
    way = corners[end] - corners[start]
    length = float(np.sqrt((way**2).sum()))
    if length < SNAP_M:
        return []
    known = np.unique(label)
    away = corners[known] - corners[start]
    along = (away * way).sum(axis=1) / length
    beside = np.abs(_cross(way / length, away))
    on = (beside < 2 * SNAP_M) & (along > SNAP_M) & (along < length - SNAP_M)
    between = known[on][np.argsort(along[on], kind="stable")]
    return [start, *map(int, between), end]


def _clockwise(from_way: np.ndarray, to_way: np.ndarray) -> float:
    """Clockwise turn between two directions, above 0 and up to 2 pi."""
    turn = float(np.arctan2(_cross(to_way, from_way), (from_way * to_way).sum()))
    return turn if turn > 1e-12 else turn + 2 * np.pi


def _without_straight_corners(corners: np.ndarray) -> np.ndarray:
    before, after = np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0)
    span = np.sqrt(((after - before) ** 2).sum(axis=1))
    kept: np.ndarray = corners[np.abs(_turn(before, corners, after)) > SNAP_M * np.maximum(span, SNAP_M)]
    return kept


def triangulate(corners: np.ndarray) -> np.ndarray:
    """Triangles of a simple polygon as rows of corner numbers (K - 2, 3), counter-clockwise, by cutting ears."""
    left = list(range(len(corners)))
    triangles = []
    while len(left) > 3:
        ears = [at for at in range(len(left)) if _is_ear(corners, left, at)]
        # A simple polygon always has two ears (Meisters 1975); the fattest keeps slivers away.
        at = max(ears or range(len(left)), key=lambda i: _corner_area(corners, left, i))
        triangles.append((left[at - 1], left[at], left[(at + 1) % len(left)]))
        del left[at]
    return np.array([*triangles, tuple(left)], dtype=int)


def _corner_area(corners: np.ndarray, left: list[int], at: int) -> float:
    return float(_turn(corners[left[at - 1]], corners[left[at]], corners[left[(at + 1) % len(left)]]))


def _is_ear(corners: np.ndarray, left: list[int], at: int) -> bool:
    if _corner_area(corners, left, at) <= 0:
        return False
    ear = [left[at - 1], left[at], left[(at + 1) % len(left)]]
    others = corners[[i for i in left if i not in ear]]
    a, b, c = corners[ear]
    within = (_turn(a, b, others) >= 0) & (_turn(b, c, others) >= 0) & (_turn(c, a, others) >= 0)
    return not within.any()


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    product: np.ndarray = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return product


def _turn(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Twice the area of the triangle, positive where a, b, c turn left."""
    return _cross(b - a, c - a)
