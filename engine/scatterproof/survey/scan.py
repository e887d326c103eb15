"""A plan's points among the many of a scan: levelled, of known scale, and hardly any of them a marker.

A levelled scan is right but for a turn about the vertical and a shift, which one pair of points fixes. Points of the
scan are drawn at random; each with each of its neighbours is compared with the plan's rarest pairs (by level distance
and difference in height); where they agree, the plan's next neighbours are looked up in the scan. What survives is
refitted and asked for ever more of the plan. (Consensus after Fischler & Bolles 1981; from memory.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .match import LEAST_PAIRS, LEAST_SHARE, MARGIN, MARGIN_SHARE, SIGMAS, Match, align_pairs, lengths, symmetries

RARE_PAIRS = 600  # of the plan, that starts are made from
DRAWN = 1500  # points of the scan per round
ROUNDS = 10
REACH = 1.8  # of the spacing: how far the partners of a pair are apart
STAGES = ((6, 3), (12, 5), (30, 11), (80, 30))  # neighbours looked up, and how many must be there
MOST_STARTS = 4_000_000
BITS = 8  # of each coordinate of the look-up table, which wraps around
CHUNK = 200_000


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Which point of a cloud is near a place: one per cell of ``step_m``, the nearest to its centre."""

    points: np.ndarray  # (N, 3)
    step_m: float
    row: np.ndarray  # (2 ** (3 BITS),) int32, -1 where there is none

    @staticmethod
    def of(points: np.ndarray, step_m: float) -> _Table:
        fine = points / step_m - 0.5
        low = np.floor(fine).astype(np.int64)
        keys, rows, away = [], [], []
        for corner in range(8):
            cell = low + np.array([corner & 1, corner >> 1 & 1, corner >> 2 & 1])
            keys.append(_key(cell))
            rows.append(np.arange(len(points)))
            away.append(((fine - cell) ** 2).sum(axis=1))
        order = np.argsort(-np.concatenate(away), kind="stable")
        table = np.full(1 << 3 * BITS, -1, dtype=np.int32)
        table[np.concatenate(keys)[order]] = np.concatenate(rows)[order]  # of equal keys the last one stays
        return _Table(points, step_m, table)

    def find(self, places: np.ndarray, within_m: float | np.ndarray) -> np.ndarray:
        """Rows (...) of points near places (..., 3), -1 where there is none within the distance."""
        row = self.row[_key(np.floor(places / self.step_m).astype(np.int64))]
        away = places - self.points[row]
        near = (away * away).sum(axis=-1) <= np.square(within_m)
        return np.where((row >= 0) & near, row, -1)


def _key(cell: np.ndarray) -> np.ndarray:
    mask = (1 << BITS) - 1
    packed: np.ndarray = ((cell[..., 0] & mask) << 2 * BITS) | ((cell[..., 1] & mask) << BITS) | (cell[..., 2] & mask)
    return packed


def match_scan(plan_m: np.ndarray, scan_m: np.ndarray, sigma_m: float, seed: int = 0) -> Match | None:
    """Find the plan's points (M, 3) in a scan (N, 3) in metres whose z points up, in any direction and place.

    sigma_m : standard deviation per axis of a marker in the scan, metres
    returns : None where nothing believable is found
    """
    m = len(plan_m)
    if min(m, len(scan_m)) < LEAST_PAIRS:
        return None
    rng = np.random.default_rng(seed)
    apart = lengths(plan_m)
    order = np.argsort(apart, axis=1)  # nearest first, itself at 0
    spacing = float(np.median(apart[np.arange(m), order[:, 1]]))
    slack = 3 * math.sqrt(2) * sigma_m
    pairs = _rare_pairs(plan_m, apart, REACH * spacing, slack)
    if not len(pairs):
        return None
    table = _Table.of(scan_m, max(4 * sigma_m, 0.005))
    cells, near = _Cells.of(scan_m, REACH * spacing + slack), _Cells.of(scan_m, 3 * SIGMAS * sigma_m)
    drawn = rng.permutation(len(scan_m))
    found: list[_Pose] = []
    for first in range(0, min(ROUNDS * DRAWN, len(drawn)), DRAWN):
        starts = _starts(plan_m, scan_m, pairs, cells, drawn[first : first + DRAWN], slack)
        poses = _sieve(plan_m, table, order, starts, sigma_m)
        found += [pose for pose in (_settled(plan_m, scan_m, near, s.place(plan_m[None])[0]) for s in poses) if pose]
        if found and max(len(pose.target) for pose in found) >= LEAST_SHARE * m:
            break
    found.sort(key=lambda pose: -len(pose.target))
    if not found or len(found[0].target) < max(LEAST_PAIRS, LEAST_SHARE * m):
        return None
    best = found[0]
    similarity = align_pairs(scan_m[best.point], plan_m[best.target], True, False)
    left = similarity.apply(scan_m[best.point]) - plan_m[best.target]
    rivals = _rivals(plan_m, scan_m, near, best, sigma_m, rng)
    return Match(similarity, False, best.target, best.point, float(np.sqrt((left * left).mean())), rivals)


def _rivals(
    plan_m: np.ndarray, scan_m: np.ndarray, near: _Cells, best: _Pose, sigma_m: float, rng: np.random.Generator
) -> int:
    """In how many other ways, by the plan's own near-symmetries, about as much of it is found."""
    scan_from_plan = align_pairs(plan_m[best.target], scan_m[best.point], True, False)
    close = len(best.target) - max(MARGIN, MARGIN_SHARE * len(best.target))
    poses = (
        _settled(plan_m, scan_m, near, scan_from_plan.apply(plan_m @ turn.T + shift))
        for turn, shift, mirror in symmetries(plan_m, sigma_m, rng)
        if not mirror
    )
    pairs = set(zip(best.target.tolist(), best.point.tolist(), strict=True))
    return sum(
        pose is not None
        and len(pose.target) >= close
        and len(pairs & set(zip(pose.target.tolist(), pose.point.tolist(), strict=True))) < 0.5 * len(pairs)
        for pose in poses
    )


def _rare_pairs(plan_m: np.ndarray, apart: np.ndarray, reach_m: float, slack: float) -> np.ndarray:
    """(B, 2) directed pairs of plan points near each other whose level distance and rise few others share."""
    a, b = np.nonzero((apart < reach_m) & (apart > 8 * slack))
    away = plan_m[b] - plan_m[a]
    level, rise = np.hypot(away[:, 0], away[:, 1]), away[:, 2]
    a, b, level, rise = (x[level > 6 * slack] for x in (a, b, level, rise))  # upright pairs tell no direction
    bins = np.floor(np.stack([level, rise], axis=1) / (2 * slack)).astype(int)
    bins -= bins.min(axis=0, initial=0)
    width = int(bins[:, 1].max(initial=0)) + 3
    key = (bins[:, 0] + 1) * width + bins[:, 1] + 1
    count = np.bincount(key, minlength=(int(bins[:, 0].max(initial=0)) + 3) * width)
    crowd = sum(count[key + i * width + j] for i in (-1, 0, 1) for j in (-1, 0, 1))
    rarest = np.argsort(crowd, kind="stable")[:RARE_PAIRS]
    return np.column_stack([a[rarest], b[rarest]])


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """A cloud sorted into cells, for all neighbours of a point."""

    size_m: float
    low: np.ndarray  # (3,)
    count: np.ndarray  # (3,) int
    order: np.ndarray  # (N,) rows by cell
    key: np.ndarray  # (N,) sorted

    @staticmethod
    def of(points: np.ndarray, size_m: float) -> _Cells:
        low = points.min(axis=0)
        cell = np.floor((points - low) / size_m).astype(np.int64) + 1
        count = cell.max(axis=0) + 2
        key = (cell[:, 0] * count[1] + cell[:, 1]) * count[2] + cell[:, 2]
        order = np.argsort(key, kind="stable")
        return _Cells(size_m, low, count, order, key[order])

    def around(self, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(index of place, row of point) of all points in the 27 cells about places (P, 3)."""
        cell = np.floor((places - self.low) / self.size_m).astype(np.int64) + 1
        which, rows = [], []
        for i in (-1, 0, 1):
            for j in (-1, 0, 1):
                column = ((cell[:, 0] + i) * self.count[1] + cell[:, 1] + j) * self.count[2] + cell[:, 2]
                start = np.searchsorted(self.key, column - 1)
                number = np.searchsorted(self.key, column + 1, side="right") - start
                index = np.repeat(np.arange(len(places)), number)
                offset = np.arange(len(index)) - np.repeat(np.cumsum(number) - number, number)
                which.append(index)
                rows.append(self.order[np.repeat(start, number) + offset])
        return np.concatenate(which), np.concatenate(rows)


@dataclass(frozen=True, slots=True, eq=False)
class _Starts:
    """H poses of the plan in the scan: x -> R(cos, sin) x + shift, about the vertical."""

    target: np.ndarray  # (H,) plan point they start from
    cos: np.ndarray
    sin: np.ndarray
    shift: np.ndarray  # (H, 3)

    def only(self, rows: np.ndarray) -> _Starts:
        return _Starts(self.target[rows], self.cos[rows], self.sin[rows], self.shift[rows])

    def place(self, points: np.ndarray) -> np.ndarray:
        """(H, K, 3) of plan points (H, K, 3)."""
        cos, sin = self.cos[:, None], self.sin[:, None]
        x, y, z = np.moveaxis(points, -1, 0)
        turned: np.ndarray = np.stack([cos * x - sin * y, sin * x + cos * y, z], axis=-1) + self.shift[:, None]
        return turned


def _starts(
    plan_m: np.ndarray, scan_m: np.ndarray, pairs: np.ndarray, cells: _Cells, drawn: np.ndarray, slack: float
) -> _Starts:
    """Poses in which one of the plan's rare pairs lies on a drawn point and one of its neighbours."""
    which, q = cells.around(scan_m[drawn])
    p = drawn[which]
    away = scan_m[q] - scan_m[p]
    level = np.hypot(away[:, 0], away[:, 1])
    plan_away = plan_m[pairs[:, 1]] - plan_m[pairs[:, 0]]
    plan_level = np.hypot(plan_away[:, 0], plan_away[:, 1])
    near = (level < plan_level.max() + slack) & (level > plan_level.min() - slack)
    near &= (away[:, 2] < plan_away[:, 2].max() + slack) & (away[:, 2] > plan_away[:, 2].min() - slack)
    p, q, away, level = p[near], q[near], away[near], level[near]
    # Both sides on a lattice of half-open squares as wide as the slack: equals lie in the same square or beside it.
    size = 2 * slack
    origin = np.array([plan_level.min(), plan_away[:, 2].min()]) - size
    own = np.floor((np.stack([plan_level, plan_away[:, 2]], axis=1) - origin) / size).astype(int)
    width = int(own[:, 1].max()) + 3
    order = np.argsort(own[:, 0] * width + own[:, 1], kind="stable")
    sorted_key = (own[:, 0] * width + own[:, 1])[order]
    fine = (np.stack([level, away[:, 2]], axis=1) - origin) / size
    side = np.where(fine - np.floor(fine) < 0.5, -1, 1)
    rows, bases = [], []
    for i in (0, 1):
        for j in (0, 1):
            cell = np.floor(fine).astype(int) + side * [i, j]
            key = cell[:, 0] * width + np.clip(cell[:, 1], -1, width - 1)
            start = np.searchsorted(sorted_key, key)
            number = np.searchsorted(sorted_key, key, side="right") - start
            index = np.repeat(np.arange(len(key)), number)
            offset = np.arange(len(index)) - np.repeat(np.cumsum(number) - number, number)
            base = order[np.repeat(start, number) + offset]
            same = np.abs(level[index] - plan_level[base]) < slack
            same &= np.abs(away[index, 2] - plan_away[base, 2]) < slack
            rows.append(index[same])
            bases.append(base[same])
    row, base = np.concatenate(rows)[:MOST_STARTS], np.concatenate(bases)[:MOST_STARTS]
    turn = np.arctan2(away[row, 1], away[row, 0]) - np.arctan2(plan_away[base, 1], plan_away[base, 0])
    start = _Starts(pairs[base, 0], np.cos(turn), np.sin(turn), np.zeros((len(row), 3)))
    middle = start.place((plan_m[pairs[base]].sum(axis=1) / 2)[:, None])[:, 0]
    return _Starts(start.target, start.cos, start.sin, (scan_m[p[row]] + scan_m[q[row]]) / 2 - middle)


def _sieve(plan_m: np.ndarray, table: _Table, order: np.ndarray, starts: _Starts, sigma_m: float) -> list[_Starts]:
    """The starts about which ever more of the plan is found, refitted on the way; the best few."""
    hits = np.zeros(len(starts.target), int)
    for count, wanted in STAGES:
        count = min(count, len(plan_m) - 1)
        wanted = min(wanted, count // 2)
        parts, scores = [], []
        for first in range(0, len(starts.target), max(1, CHUNK * 6 // count)):
            chunk = starts.only(np.arange(first, min(first + max(1, CHUNK * 6 // count), len(starts.target))))
            around = plan_m[order[chunk.target, 1 : count + 1]]
            row = table.find(chunk.place(around), SIGMAS * sigma_m)
            enough = (row >= 0).sum(axis=1) >= wanted
            chunk, row, around = chunk.only(enough), row[enough], around[enough]
            parts.append(_refitted(chunk, around, table.points, row) if count > 6 else chunk)
            scores.append((row >= 0).sum(axis=1))
        if not parts:
            return []
        starts = _Starts(*(np.concatenate([getattr(x, n) for x in parts]) for n in ("target", "cos", "sin", "shift")))
        hits = np.concatenate(scores)
    best = np.argsort(-hits, kind="stable")[:8]
    return [starts.only(best[i : i + 1]) for i in range(len(best))]


def _refitted(starts: _Starts, plan: np.ndarray, cloud: np.ndarray, row: np.ndarray) -> _Starts:
    """Turn about the vertical and shift that fit each start's found pairs (H, K) best (Umeyama in two dimensions)."""
    weight = (row >= 0)[..., None] / np.maximum((row >= 0).sum(axis=1), 1)[:, None, None]
    seen = cloud[row]
    mean_p, mean_s = (weight * plan).sum(axis=1), (weight * seen).sum(axis=1)
    p, s = plan - mean_p[:, None], seen - mean_s[:, None]
    w = weight[..., 0]
    cos = (w * (p[..., 0] * s[..., 0] + p[..., 1] * s[..., 1])).sum(axis=1)
    sin = (w * (p[..., 0] * s[..., 1] - p[..., 1] * s[..., 0])).sum(axis=1)
    size = np.maximum(np.hypot(cos, sin), 1e-12)
    turned = _Starts(starts.target, cos / size, sin / size, np.zeros_like(starts.shift))
    return _Starts(starts.target, turned.cos, turned.sin, mean_s - turned.place(mean_p[:, None])[:, 0])


@dataclass(frozen=True, slots=True, eq=False)
class _Pose:
    target: np.ndarray
    point: np.ndarray


def _settled(plan_m: np.ndarray, scan_m: np.ndarray, near: _Cells, placed: np.ndarray) -> _Pose | None:
    """A plan placed in the scan, (M, 3), refined in all six degrees of freedom; it looks as far as a cell is wide."""
    for within in (near.size_m, near.size_m / 2, near.size_m / 3, near.size_m / 3):
        target, point = near.around(placed)
        distance = np.sqrt(((scan_m[point] - placed[target]) ** 2).sum(axis=1))
        target, point, distance = (x[distance <= within] for x in (target, point, distance))
        # One to one, the nearest first.
        for side in (0, 1):
            order = np.argsort(distance, kind="stable")
            _, first = np.unique((target, point)[side][order], return_index=True)
            target, point, distance = (x[order][first] for x in (target, point, distance))
        if len(target) < LEAST_PAIRS:
            return None
        placed = align_pairs(plan_m[target], scan_m[point], True, False).apply(plan_m)
    return _Pose(target, point)
