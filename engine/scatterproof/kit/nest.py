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
BEHIND = 1e-3  # how little the gap behind a piece counts against how far it reaches
WALL, FREE = 1e8, 1e9  # farther than any board: beyond the strip's edge, beyond the piece's


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
class _Poses:
    """One piece in A turns: per row its leftmost and rightmost reach, with the gap around it."""

    turn_rad: np.ndarray  # (A,)
    low_mm: np.ndarray  # (A, 2) least corner after the turn
    height: np.ndarray  # (A,) int   rows it takes
    left: np.ndarray  # (A, H) FREE beyond its height
    right: np.ndarray  # (A, H)
    left_sum: np.ndarray  # (A,) over its height
    right_mean: np.ndarray  # (A,)
    right_most: np.ndarray  # (A,)


@dataclass(slots=True)
class _Board:
    front: np.ndarray  # (R,) how far each row is taken
    length: float


_Fit = tuple[float, float, int, int]  # cost, place along, first row, turn


def nest(pieces: Sequence[np.ndarray], width_mm: float, length_mm: float, gap_mm: float = 2.0) -> Nesting:
    """Lay pieces, (K, 2) corners each, on boards; a piece longer than a board gets a longer one of its own.

    Raises ValueError for a piece that no turn fits into the width.
    """
    rows = min(MOST_ROWS, max(1, round((width_mm + gap_mm) / ROW_MM)))
    row_mm = (width_mm + gap_mm) / rows  # half a gap may stick out on either side: edges of tape need no knife
    waiting = sorted(range(len(pieces)), key=lambda i: (-float(abs(polygons.signed_area(pieces[i]))), i))
    boards: list[_Board] = []
    board, turn, at = np.zeros(len(pieces), int), np.zeros(len(pieces)), np.zeros((len(pieces), 2))
    poses: dict[int, _Poses] = {}
    known: dict[tuple[int, int], _Fit | None] = {}  # how a piece fits a board, until the board changes
    while waiting:
        ahead = waiting[:AHEAD]
        for piece in ahead:
            if piece not in poses:
                poses[piece] = _poses(pieces[piece], row_mm, rows, gap_mm)
                if not len(poses[piece].turn_rad):
                    raise ValueError(f"piece {piece} fits no strip {width_mm:g} mm wide")
        found = []
        for index in range(max(0, len(boards) - OPEN), len(boards)):
            for piece in ahead:
                if (index, piece) not in known:
                    known[index, piece] = _best(boards[index], poses[piece])
                if fit := known[index, piece]:
                    found.append((fit[0], index, piece, fit))
        if not found:
            first = poses[ahead[0]]
            need = float((first.right_most - first.left.min(axis=1)).min()) - gap_mm
            boards.append(_Board(np.full(rows, -gap_mm / 2), max(length_mm, math.ceil(need)) + gap_mm / 2))
            continue
        _, index, piece, (_, x, y, pose) = min(found)
        mine = poses.pop(piece)
        height = int(mine.height[pose])
        boards[index].front[y : y + height] = x + mine.right[pose, :height]
        board[piece], turn[piece] = index, mine.turn_rad[pose]
        at[piece] = np.array([x, y * row_mm]) - mine.low_mm[pose]
        waiting.remove(piece)
        known = {key: fit for key, fit in known.items() if piece not in key[1:] and key[0] != index}
    used = np.array([float(b.front.max()) for b in boards]) - gap_mm / 2
    return Nesting(board, turn, at, used, np.array([b.length for b in boards]) - gap_mm / 2)


def _best(board: _Board, poses: _Poses) -> _Fit | None:
    """The best way to lay a piece on a board; None where it does not fit."""
    rows, most = len(board.front), poses.left.shape[1]
    window = sliding_window_view(np.concatenate([board.front, np.full(most, WALL)]), most)[:rows]
    x = (window - poses.left[:, None]).max(axis=2)
    # As far left as may be, by its tip and the mean of its right side; of equals, what leaves less behind it. By trial:
    # the mean alone turns squares askew, the tip alone interlocks less.
    total = np.concatenate([[0.0], np.cumsum(board.front)])
    until = np.minimum(np.arange(rows) + poses.height[:, None], rows)
    behind = (x * poses.height[:, None] + poses.left_sum[:, None] - (total[until] - total[:-1])) / poses.height[:, None]
    cost = x + (poses.right_mean + poses.right_most)[:, None] / 2 + BEHIND * behind
    cost = np.where(x + poses.right_most[:, None] <= board.length + 1e-6, cost, np.inf)
    pose, y = np.unravel_index(int(cost.argmin()), cost.shape)
    least = float(cost[pose, y])
    return (least, float(x[pose, y]), int(y), int(pose)) if math.isfinite(least) else None


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


def _poses(corners: np.ndarray, row_mm: float, rows: int, gap_mm: float) -> _Poses:
    """Every turn in which a piece is no higher than the strip."""
    angles = _turns(corners)
    made = [_pose(corners, float(angle), row_mm, gap_mm) for angle in angles]
    kept = [i for i, (_, left, _) in enumerate(made) if len(left) <= rows]
    height = np.array([len(made[i][1]) for i in kept], int)
    most = int(height.max(initial=1))
    left, right = np.full((len(kept), most), FREE), np.full((len(kept), most), -FREE)
    for row, i in enumerate(kept):
        left[row, : height[row]], right[row, : height[row]] = made[i][1:]
    inside = np.arange(most) < height[:, None]
    return _Poses(
        angles[kept],
        np.array([made[i][0] for i in kept]).reshape(-1, 2),
        height,
        left,
        right,
        (left * inside).sum(axis=1),
        (right * inside).sum(axis=1) / height,
        right.max(axis=1, initial=-FREE),
    )


def _pose(corners: np.ndarray, angle: float, row_mm: float, gap_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Least corner of a turned piece, and its reach row by row, half the gap all around."""
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
    return low, left - half, right + half
