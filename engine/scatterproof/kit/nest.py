"""Nesting: which way round and where pieces go on tape or sheets, so that little is wasted.

A board is a strip ``width`` wide that is filled from its left end. What is taken is kept as one frontier per row of
the strip: a piece slides left until it touches the frontier, so that hollows and slanted edges interlock, while gaps
behind the frontier stay empty. Every piece is tried in many turns and heights, some pieces ahead; the one that
reaches least far goes in. All lengths in millimetres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ..stage import polygons
from ..stage.placing import turned

ROW_MM = 1.0  # height of a row of the frontier; pieces are taken at their widest in it
MOST_ROWS = 150
TURNS = 12  # directions tried for each piece, besides those that lay an edge along the strip
AHEAD = 5  # pieces looked at before one is laid
OPEN = 2  # boards that are still filled


@dataclass(frozen=True, slots=True, eq=False)
class Nesting:
    """Where P pieces lie: piece corners turn counter-clockwise by ``turn_rad``, then move by ``at_mm``."""

    board: np.ndarray  # (P,) int
    turn_rad: np.ndarray  # (P,)
    at_mm: np.ndarray  # (P, 2)
    used_mm: np.ndarray  # (B,) length of each board that is taken
    length_mm: np.ndarray  # (B,) length of each board

    def laid(self, piece: int, corners_mm: np.ndarray) -> np.ndarray:
        """(K, 2) corners of a piece on its board."""
        corners: np.ndarray = turned(corners_mm, float(self.turn_rad[piece])) + self.at_mm[piece]
        return corners


def least_width(corners_mm: np.ndarray) -> tuple[float, float]:
    """The narrowest strip that holds a piece, and the turn that lays it along one.

    A convex shape is narrowest with an edge along the strip (Houle & Toussaint 1988, from memory), and so is its hull.
    """
    edge = (corners_mm[:, None] - corners_mm).reshape(-1, 2)
    edge = edge[(edge**2).sum(axis=1) > 0]
    edge /= np.hypot(*edge.T)[:, None]
    across = corners_mm @ np.column_stack([-edge[:, 1], edge[:, 0]]).T
    extent = np.ptp(across, axis=0)
    best = int(extent.argmin())
    return float(extent[best]), -math.atan2(edge[best, 1], edge[best, 0])


@dataclass(frozen=True, slots=True, eq=False)
class _Pose:
    """One piece in one turn: per row its leftmost and rightmost reach, with the gap around it."""

    turn_rad: float
    low_mm: np.ndarray  # (2,) least corner after the turn
    left: np.ndarray  # (H,)
    right: np.ndarray  # (H,)


@dataclass(slots=True)
class _Board:
    front: np.ndarray  # (R,) how far each row is taken
    length: float


def nest(pieces: Sequence[np.ndarray], width_mm: float, length_mm: float, gap_mm: float = 2.0) -> Nesting:
    """Lay pieces, (K, 2) corners each, on boards; a piece longer than a board gets a longer one of its own.

    Raises ValueError for a piece that no turn fits into the width.
    """
    rows = min(MOST_ROWS, max(1, round((width_mm + gap_mm) / ROW_MM)))
    row_mm = (width_mm + gap_mm) / rows  # half a gap may stick out on either side: edges of tape need no knife
    order = sorted(range(len(pieces)), key=lambda i: (-float(abs(polygons.signed_area(pieces[i]))), i))
    boards: list[_Board] = []
    board, turn, at = np.zeros(len(pieces), int), np.zeros(len(pieces)), np.zeros((len(pieces), 2))
    poses: dict[int, list[_Pose]] = {}
    waiting = list(order)
    while waiting:
        ahead = waiting[:AHEAD]
        for piece in ahead:
            if piece not in poses:
                poses[piece] = _poses(pieces[piece], row_mm, rows, gap_mm)
                if not poses[piece]:
                    raise ValueError(f"piece {piece} fits no strip {width_mm:g} mm wide")
        first = max(0, len(boards) - OPEN)
        found = [
            (*fit, piece, index)
            for index in range(first, len(boards))
            for piece in ahead
            if (fit := _best(boards[index], poses[piece]))
        ]
        if not found:
            need = min(float(p.right.max() - p.left.min()) for p in poses[ahead[0]]) - gap_mm
            boards.append(_Board(np.full(rows, -gap_mm / 2), max(length_mm, math.ceil(need)) + gap_mm / 2))
            continue
        _, x, y, pose, piece, index = min(found, key=lambda f: (f[0], f[1], f[4]))
        height = len(pose.left)
        boards[index].front[y : y + height] = x + pose.right
        board[piece], turn[piece] = index, pose.turn_rad
        at[piece] = np.array([x, y * row_mm]) - pose.low_mm
        waiting.remove(piece)
        del poses[piece]
    used = np.array([float(b.front.max()) for b in boards]) - gap_mm / 2
    return Nesting(board, turn, at, used, np.array([b.length for b in boards]) - gap_mm / 2)


def _best(board: _Board, poses: Sequence[_Pose]) -> tuple[float, float, int, _Pose] | None:
    """Cost, place and pose of the best way to lay a piece on a board; None where it does not fit."""
    best: tuple[float, float, int, _Pose] | None = None
    rows = len(board.front)
    for pose in poses:
        height = len(pose.left)
        if height > rows:
            continue
        window = sliding_window_view(board.front, height)
        x = (window - pose.left).max(axis=1)
        # As far left as may be, by the mean of its right side; of equals, the one that leaves less behind it.
        behind = (x[:, None] + pose.left - window).sum(axis=1)
        cost_at = x + pose.right.mean() + 1e-3 * behind / height
        cost_at = np.where(x + pose.right.max() <= board.length + 1e-6, cost_at, np.inf)
        y = int(cost_at.argmin())
        cost = float(cost_at[y])
        if math.isfinite(cost) and (best is None or cost < best[0] - 1e-9):
            best = (cost, float(x[y]), y, pose)
    return best


def fits(corners_mm: np.ndarray, width_mm: float, length_mm: float) -> bool:
    """Whether some turn lays a piece into a rectangle."""
    for angle in _turns(corners_mm):
        length, width = np.ptp(turned(corners_mm, float(angle)), axis=0)
        if width <= width_mm + 1e-6 and length <= length_mm + 1e-6:
            return True
    return False


def _turns(corners: np.ndarray) -> np.ndarray:
    """Angles to be tried: all around, and those that lay an edge or the narrowest width along the strip."""
    edges = np.roll(corners, -1, axis=0) - corners
    along = -np.arctan2(edges[:, 1], edges[:, 0])
    narrow = least_width(corners)[1] + np.array([0.0, np.pi])
    angles = np.concatenate([np.arange(TURNS) * (2 * np.pi / TURNS), along, along + np.pi, narrow])
    return np.unique(np.round(angles % (2 * np.pi), 9))


def _poses(corners: np.ndarray, row_mm: float, rows: int, gap_mm: float) -> list[_Pose]:
    made = (_pose(corners, float(angle), row_mm, gap_mm) for angle in _turns(corners))
    return [pose for pose in made if len(pose.left) <= rows]


def _pose(corners: np.ndarray, angle: float, row_mm: float, gap_mm: float) -> _Pose:
    """Reach of a turned piece row by row, half the gap all around."""
    shape = turned(corners, angle)
    low = shape.min(axis=0)
    start = shape - low
    end = np.roll(start, -1, axis=0)
    half = gap_mm / 2
    height = float(start[:, 1].max())
    count = max(1, math.ceil((height + gap_mm) / row_mm - 1e-6))
    # Each row sees the piece as far as half a gap above and below it.
    bottom = np.arange(count) * row_mm - gap_mm
    top = bottom + row_mm + gap_mm
    y0, y1 = start[:, 1], end[:, 1]
    least, most = np.minimum(y0, y1), np.maximum(y0, y1)
    a = np.clip(least, bottom[:, None], top[:, None])
    b = np.clip(most, bottom[:, None], top[:, None])
    slope = np.where(most > least, (end[:, 0] - start[:, 0]) / np.where(most > least, y1 - y0, 1.0), 0.0)
    xa, xb = (start[:, 0] + (y - y0) * slope for y in (a, b))
    level = most <= least
    xa, xb = np.where(level, start[:, 0], xa), np.where(level, end[:, 0], xb)
    touches = (least <= top[:, None]) & (most >= bottom[:, None])
    left = np.where(touches, np.minimum(xa, xb), np.inf).min(axis=1)
    right = np.where(touches, np.maximum(xa, xb), -np.inf).max(axis=1)
    return _Pose(angle, low, left - half, right + half)
