"""Shapes of meshes that people made: their flat parts with the rectangles around them, and their corners.

World metres throughout; vertices (V, 3), faces as rows of vertex numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scatterproof.report.drawing import hull

WELD_M = 1e-5  # corners nearer than this are one
FLAT_M = 2e-3  # farther than this off a part's plane, a face is not part of it
FLAT_RAD = np.radians(1.0)
SHARPEST_LEFT = np.radians(20.0)  # an angle defect below this is a bend, not a corner that a tracker holds on to


@dataclass(frozen=True, slots=True, eq=False)
class FlatPart:
    """Connected coplanar faces and the smallest rectangle around them, seen from the side of their normals."""

    faces: np.ndarray  # rows of the mesh's faces
    corner: np.ndarray  # (3,) lower left
    across: np.ndarray  # (3,) the whole lower edge
    up: np.ndarray  # (3,) the whole left edge
    normal: np.ndarray  # (3,) unit


def face_normals(vertices: np.ndarray, faces: Sequence[np.ndarray]) -> np.ndarray:
    """(N, 3) area vectors of polygons (Newell's sums: twice the area would be their length; here the area is)."""
    found = np.empty((len(faces), 3))
    for row, face in enumerate(faces):
        corners = vertices[face] - vertices[face[0]]
        found[row] = np.cross(corners, np.roll(corners, -1, axis=0)).sum(axis=0) / 2
    return found


def welded(vertices: np.ndarray) -> np.ndarray:
    """(V,) a number per place: vertices at one place share it."""
    _, number = np.unique(np.round(vertices / WELD_M), axis=0, return_inverse=True)
    out: np.ndarray = number.reshape(-1)
    return out


def flat_parts(vertices: np.ndarray, faces: Sequence[np.ndarray]) -> list[FlatPart]:
    """The flat parts of a mesh, the largest first; faces without area belong to none."""
    normals = face_normals(vertices, faces)
    area = np.linalg.norm(normals, axis=1)
    unit = normals / np.maximum(area, 1e-12)[:, None]
    beside = _neighbours([welded(vertices)[face] for face in faces])
    free = area > 1e-8
    parts = []
    for seed in np.argsort(-area, kind="stable"):
        if not free[seed]:
            continue
        origin = vertices[faces[seed][0]]
        free[seed], found, ahead = False, [seed], [seed]
        while ahead:
            for other in beside[ahead.pop()]:
                if not free[other] or unit[other] @ unit[seed] < np.cos(FLAT_RAD):
                    continue
                if np.abs((vertices[faces[other]] - origin) @ unit[seed]).max() > FLAT_M:
                    continue
                free[other] = False
                found.append(other)
                ahead.append(other)
        rows = np.sort(np.array(found))
        corners = vertices[np.unique(np.concatenate([faces[row] for row in rows]))]
        parts.append(FlatPart(rows, *rectangle(corners, normals[rows].sum(axis=0))))
    parts.sort(key=lambda part: -np.linalg.norm(part.across) * np.linalg.norm(part.up))
    return parts


def _neighbours(faces: Sequence[np.ndarray]) -> list[list[int]]:
    """Of every face the faces that share an edge with it."""
    edges: dict[tuple[int, int], list[int]] = {}
    for row, face in enumerate(faces):
        for a, b in zip(face.tolist(), np.roll(face, -1).tolist(), strict=True):
            edges.setdefault((min(a, b), max(a, b)), []).append(row)
    beside: list[list[int]] = [[] for _ in faces]
    for rows in edges.values():
        for row in rows:
            beside[row] += [other for other in rows if other != row]
    return beside


def rectangle(points: np.ndarray, normal: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(corner, across, up, unit normal) of the smallest rectangle around points (P, 3) of a plane.

    One of its sides lies along one of the hull's (H. Freeman and R. Shapira, 1975); a level one wins a tie.
    """
    normal = normal / np.linalg.norm(normal)
    upward = upright_in(normal)
    level = np.cross(upward, normal)
    flat = np.stack([points @ level, points @ upward], axis=1)
    outline = hull(flat)
    sides = np.roll(outline, -1, axis=0) - outline
    turns = np.concatenate([[0.0], np.arctan2(sides[:, 1], sides[:, 0])])
    turns = (turns + np.pi / 4) % (np.pi / 2) - np.pi / 4  # the same rectangle, its up nearest to upward
    c, s = np.cos(turns)[:, None], np.sin(turns)[:, None]
    x, y = outline[:, 0], outline[:, 1]
    areas = np.ptp(c * x + s * y, axis=1) * np.ptp(c * y - s * x, axis=1)
    best = 0 if areas[0] <= areas.min() * 1.001 + 1e-9 else int(areas.argmin())
    c, s = np.cos(turns[best]), np.sin(turns[best])
    across, up = c * level + s * upward, c * upward - s * level
    low_x, high_x = (points @ across).min(), (points @ across).max()
    low_y, high_y = (points @ up).min(), (points @ up).max()
    corner = low_x * across + low_y * up + np.mean(points @ normal) * normal
    return corner, (high_x - low_x) * across, (high_y - low_y) * up, normal


def upright_in(normal: np.ndarray) -> np.ndarray:
    """The unit direction in a plane that is nearest to the world's up; upstage in a level one."""
    wanted = np.array([0.0, 1.0, 0.0] if abs(normal[2]) > 0.9 else [0.0, 0.0, 1.0])
    up = wanted - (wanted @ normal) * normal
    unit: np.ndarray = up / np.linalg.norm(up)
    return unit


def hard_corners(vertices: np.ndarray, faces: Sequence[np.ndarray], most: int) -> np.ndarray:
    """(P, 3) what a tracker can hold on to: vertices without faces, and corners; at most ``most``, well apart.

    A corner is a vertex whose faces' angles miss a full turn by more than a bend does (Descartes' angle defect; on an
    open edge half a turn): three on a cube's corner, none on a ridge, hardly any on a ball.
    """
    number = welded(vertices)
    count = number.max() + 1 if len(number) else 0
    place = np.zeros((count, 3))
    place[number] = vertices
    turn, used = np.zeros(count), np.zeros(count, bool)
    edges: dict[tuple[int, int], int] = {}
    for face in faces:
        own = number[face]
        used[own] = True
        corner = place[own]
        after, before = np.roll(corner, -1, axis=0) - corner, np.roll(corner, 1, axis=0) - corner
        lengths = np.linalg.norm(after, axis=1) * np.linalg.norm(before, axis=1)
        angle = np.arccos(np.clip(np.einsum("ki,ki->k", after, before) / np.maximum(lengths, 1e-18), -1, 1))
        inward = np.einsum("ki,i->k", np.cross(after, before), face_normals(place, [own])[0])
        np.add.at(turn, own, np.where(inward < 0, 2 * np.pi - angle, angle))
        for a, b in zip(own.tolist(), np.roll(own, -1).tolist(), strict=True):
            edges[min(a, b), max(a, b)] = edges.get((min(a, b), max(a, b)), 0) + 1
    rim = np.zeros(count, bool)
    for (a, b), faces_there in edges.items():
        if faces_there == 1:
            rim[[a, b]] = True
    defect = np.where(rim, np.pi, 2 * np.pi) - turn
    loose = np.flatnonzero(~used)
    sharp = np.flatnonzero(used & (np.abs(defect) > SHARPEST_LEFT))
    chosen: np.ndarray = place[spread(place, loose, sharp, most)]
    return chosen


def spread(points: np.ndarray, first: np.ndarray, rest: np.ndarray, most: int) -> np.ndarray:
    """Rows of ``first``, then of ``rest``, at most ``most``: each next one is the farthest from all taken before.

    Farthest-point sampling: T. F. Gonzalez, "Clustering to minimize the maximum intercluster distance", 1985.
    """
    chosen: list[int] = []
    away = np.full(len(points), np.inf)
    middle = points[np.concatenate([first, rest])].mean(axis=0) if len(first) + len(rest) else np.zeros(3)
    for group in (first, rest):
        left = group
        while len(left) and len(chosen) < most:
            score = away[left] if chosen else np.linalg.norm(points[left] - middle, axis=1)
            row = int(left[np.argmax(score)])
            chosen.append(row)
            left = left[left != row]
            away = np.minimum(away, np.linalg.norm(points - points[row], axis=1))
    return np.sort(np.array(chosen, int))
