"""Where markers go: blue noise and lattices on one surface, the same on every machine, bit for bit.

Positions are whole numbers of a tenth of a millimetre, as fine as anybody tapes. Everything that decides (distances,
margins, which candidate comes first) is worked out from them with + - * / and square roots, element by element, which
give the same bits everywhere; sines and the linear algebra libraries don't. Random numbers are the bare doubles of
PCG64, whose stream numpy keeps.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterator, Sequence, Sized
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from .polygons import ray_crosses, segment_distance2

PER_M = 10_000  # units in a metre
TRIES = 30  # candidates about a marker before it is given up: the k of Bridson 2007
STARTS = 4  # places per square of the spacing where growth may start afresh
TURN = 64  # markers that grow at a time
SPARSEST = 4.0  # how many times wider than the smallest the spacing gets where nothing is needed
DENSITY = 0.62  # markers per square of the spacing, about what the scatter reaches: only a first guess
PROBES = 1 << 12  # points by which free area is counted
FAR = -(1 << 30)  # farther off than any stage; its square still fits 64 bits

Found = TypeVar("Found", bound=Sized)
Mask = Callable[[np.ndarray], np.ndarray]  # points (P, 2) in units -> (P,) bool


def units(value_m: np.ndarray | float) -> np.ndarray:
    """Metres to the nearest whole units. Values half-way go down, a hair's breadth beyond it up.

    Lengths that people write never lie a hair beyond the half; so the last bit of a computed one doesn't matter.
    """
    return np.floor(np.asarray(value_m, dtype=float) * PER_M + (0.5 - 1e-6)).astype(np.int64)


def units_up(value_m: float) -> int:
    """Metres to whole units, never less."""
    return math.ceil(value_m * PER_M - 1e-6)


def seed_of(seed: int, *names: str) -> list[int]:
    """A seed for one purpose: the plan's own, and stable hashes of names."""
    return [seed, *(zlib.crc32(name.encode()) for name in names)]


def generator(seed: Sequence[int]) -> np.random.Generator:
    """The only kind of random source here."""
    return np.random.Generator(np.random.PCG64(list(seed)))


def _crossings(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Every pair of a column and a row (X * Y, 2)."""
    return np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).reshape(-1, 2)


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """Where centres may lie on one surface: inside some polygons and outside others, clear of all their edges.

    Built by :func:`region`; all lengths in units.
    """

    start: np.ndarray  # (E, 2) float
    end: np.ndarray  # (E, 2)
    clear2: np.ndarray  # (E,) squared clearance
    first: np.ndarray  # (G,) row of the first edge of each polygon
    inside: np.ndarray  # (G,) bool
    low: np.ndarray  # (2,) int: corner of the box that holds the region
    high: np.ndarray  # (2,) int

    def holds(self, points: np.ndarray) -> np.ndarray:
        """Which of the points (P, 2) a centre may take -> (P,) bool."""
        points = points.astype(float)
        clear = (segment_distance2(self.start, self.end - self.start, points) >= self.clear2).all(axis=1)
        odd = np.logical_xor.reduceat(ray_crosses(self.start, self.end, points), self.first, axis=1)
        held: np.ndarray = clear & (odd == self.inside).all(axis=1)
        return held

    def free_m2(self) -> float:
        """Area that centres may take, counted on a fixed lattice of about 4,000 points."""
        size = self.high - self.low + 1
        if (size <= 0).any():
            return 0.0
        rows = np.clip(np.sqrt(PROBES * size / size[::-1]).astype(int), 1, size)
        middles = [self.low[i] + (2 * np.arange(rows[i]) + 1) * size[i] // (2 * rows[i]) for i in (0, 1)]
        points = _crossings(*middles)
        return float(self.holds(points).mean() * size[0] * size[1]) / PER_M**2


def region(inside: Sequence[tuple[np.ndarray, float]], outside: Sequence[tuple[np.ndarray, float]] = ()) -> Region:
    """Polygons to be inside of and outside of, each with the clearance to keep from its edges, metres.

    One unit more is kept, for the rounding of the corners.
    """
    polygons = [(units(corners), units_up(clear) + 1, True) for corners, clear in inside]
    polygons += [(units(corners), units_up(clear) + 1, False) for corners, clear in outside]
    counts = np.array([len(corners) for corners, _, _ in polygons])
    within = [(corners, clear) for corners, clear, inner in polygons if inner]
    return Region(
        start=np.concatenate([corners for corners, _, _ in polygons]).astype(float),
        end=np.concatenate([np.roll(corners, -1, axis=0) for corners, _, _ in polygons]).astype(float),
        clear2=np.repeat([float(clear) ** 2 for _, clear, _ in polygons], counts),
        first=np.concatenate([[0], np.cumsum(counts)[:-1]]),
        inside=np.array([inner for _, _, inner in polygons]),
        low=np.max([corners.min(axis=0) + clear for corners, clear in within], axis=0),
        high=np.min([corners.max(axis=0) - clear for corners, clear in within], axis=0),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Ease:
    """How many times wider than the smallest the spacing is, in square cells over a region."""

    low: np.ndarray  # (2,) int, units
    cell: int  # units
    factor: np.ndarray  # (X, Y) 1 to SPARSEST

    def __call__(self, points: np.ndarray) -> np.ndarray:
        """The factor at each of the points (P, 2) -> (P,)."""
        at = np.clip((points - self.low) // self.cell, 0, np.array(self.factor.shape) - 1)
        factor: np.ndarray = self.factor[at[:, 0], at[:, 1]]
        return factor


def ease(where: Region, need: Callable[[np.ndarray], np.ndarray], strength: float, cell_m: float = 0.1) -> Ease:
    """Spacing that follows need.

    need : surface coordinates (P, 2) in metres -> (P,) 0 to 1; nan counts as 0
    strength : 0 even; 1 the number of markers per area is proportional to need, down to a sixteenth
    """
    cell = int(max(units(cell_m), (where.high - where.low).max() // 400, 1))
    rows = np.maximum((where.high - where.low) // cell + 1, 1)
    middles = [where.low[i] + cell * np.arange(rows[i]) + cell // 2 for i in (0, 1)]
    wanted = 1.0 - strength * (1.0 - np.clip(np.nan_to_num(need(_crossings(*middles) / PER_M)), 0.0, 1.0))
    factor = 1.0 / np.sqrt(np.maximum(wanted, SPARSEST**-2))
    # Three digits: what a need is worth, and too coarse for its last bits to matter.
    return Ease(where.low, cell, np.round(factor, 3).reshape(tuple(rows)))


def blue_noise(
    where: Region, spacing: int, seed: Sequence[int], clear: Mask | None = None, eased: Ease | None = None
) -> np.ndarray:
    """Points (N, 2) in units, no two nearer than ``spacing``, in the order in which they came.

    Bridson, "Fast Poisson disk sampling in arbitrary dimensions", SIGGRAPH sketches 2007: from points that still
    grow, picked at random, up to 30 candidates between one and two spacings away; the first that keeps its distance
    joins; where none does, the point is done. Here 64 points grow at a time, and a candidate too near to one of an
    earlier point of the same turn waits for the next. Where keep-outs part the region, growth starts again on every
    island that a few points in every square of one spacing find.

    clear : further condition on candidates
    eased : with it, two points keep the mean of their own spacings
    """
    if (where.high < where.low).any():
        return np.empty((0, 2), dtype=np.int64)
    rng = generator(seed)
    field = _Field(where, spacing, clear, eased)
    rings = _rings(rng)
    starts = np.concatenate([_starts(where, spacing, rng) for _ in range(STARTS)])
    while len(starts := starts[field.free(starts)]):
        field.add(starts[:1])
        active = np.array([field.count - 1])
        while len(active):
            active = active[np.argsort(rng.random(len(active)), kind="stable")]
            parents = active[:TURN]
            reach = 2.0 * field.spacing_at(field.points[parents])
            ring = np.stack([next(rings) for _ in parents]) * reach[:, None, None]
            candidates = (field.points[parents][:, None] + np.rint(ring).astype(np.int64)).reshape(-1, 2)
            rows = field.free(candidates)
            grown, first = np.unique(rows // TRIES, return_index=True)
            new = candidates[rows[first]]
            before = field.count
            field.add(new[field.in_turn(new)])
            active = np.concatenate([parents[grown], active[TURN:], np.arange(before, field.count)])
    return field.points[: field.count].copy()


def _rings(rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Endlessly TRIES points (TRIES, 2), even over the ring between radius 1/2 and 1."""
    while True:
        square = 2.0 * rng.random((256 * TRIES, 2)) - 1.0
        radius2 = square[:, 0] ** 2 + square[:, 1] ** 2
        ring = square[(radius2 >= 0.25) & (radius2 <= 1.0)]
        yield from ring[: len(ring) // TRIES * TRIES].reshape(-1, TRIES, 2)


def _starts(where: Region, spacing: int, rng: np.random.Generator) -> np.ndarray:
    """One point in every square of a lattice of one spacing, shuffled; those that the region holds (S, 2)."""
    size = where.high - where.low + 1
    rows = -(-size // spacing)
    corner = _crossings(*map(np.arange, rows))
    draw = rng.random((len(corner), 3))
    points = where.low + np.floor((corner + draw[:, :2]) * size / rows).astype(np.int64)
    points = points[np.argsort(draw[:, 2], kind="stable")]
    held: np.ndarray = points[where.holds(points)]
    return held


class _Field:
    """The points so far, in a grid with at most one point per cell."""

    def __init__(self, where: Region, spacing: int, clear: Mask | None, eased: Ease | None) -> None:
        self.where, self.clear, self.eased, self.spacing = where, clear, eased, spacing
        self.cell = max(int(spacing / math.sqrt(2)), 1)
        widest = spacing * (float(eased.factor.max()) if eased else 1.0)
        self.pad = math.ceil(widest / self.cell) + 1
        columns, self.rows = ((where.high - where.low) // self.cell + 1 + 2 * self.pad).tolist()
        cells = columns * self.rows
        self.u, self.v, self.own = np.full(cells, FAR), np.full(cells, FAR), np.full(cells, float(spacing))
        self.points, self.count = np.empty((cells, 2), dtype=np.int64), 0
        around = np.arange(-self.pad, self.pad + 1)
        gap = self.cell * np.maximum(np.abs(around) - 1, 0)  # cells farther off hold nothing too near
        near = gap[:, None] ** 2 + gap[None, :] ** 2 < widest**2
        self.around = (around[:, None] * self.rows + around[None, :])[near]

    def spacing_at(self, points: np.ndarray) -> np.ndarray:
        """(P,) the spacing of each of the points (P, 2)."""
        own = self.eased(points) if self.eased else np.ones(len(points))
        return self.spacing * own

    def free(self, points: np.ndarray) -> np.ndarray:
        """Rows of the points (P, 2) that keep every distance, in order. The cheap conditions come first."""
        rows: np.ndarray = np.flatnonzero(((points >= self.where.low) & (points <= self.where.high)).all(axis=1))
        near = self._cells(points[rows])[:, None] + self.around
        away2 = (self.u[near] - points[rows, :1]) ** 2 + (self.v[near] - points[rows, 1:]) ** 2
        apart: float | np.ndarray = float(self.spacing)
        if self.eased:
            apart = 0.5 * (self.own[near] + self.spacing_at(points[rows])[:, None])
        rows = rows[(away2 >= apart**2).all(axis=1)]
        for holds in (self.where.holds, self.clear):
            if holds and len(rows):
                rows = rows[holds(points[rows])]
        return rows

    def in_turn(self, points: np.ndarray) -> np.ndarray:
        """Rows of the points (P, 2) that keep their distance from those before them that do."""
        own = self.spacing_at(points)
        away = points[:, None] - points
        apart = 0.5 * (own[:, None] + own)
        near = away[..., 0] ** 2 + away[..., 1] ** 2 < apart**2
        kept: list[int] = []
        for row in range(len(points)):
            if not near[row, kept].any():
                kept.append(row)
        return np.array(kept, dtype=int)

    def add(self, points: np.ndarray) -> None:
        """Takes in points (P, 2) that are free and free of each other."""
        cells = self._cells(points)
        self.u[cells], self.v[cells] = points.T
        self.own[cells] = self.spacing_at(points)
        self.points[self.count : self.count + len(points)] = points
        self.count += len(points)

    def _cells(self, points: np.ndarray) -> np.ndarray:
        at = (points - self.where.low) // self.cell + self.pad
        cells: np.ndarray = at[:, 0] * self.rows + at[:, 1]
        return cells


def lattice(where: Region, pitch: int, clear: Mask | None = None) -> np.ndarray:
    """A square lattice (N, 2) in units, in the middle of the region's box, without the points it doesn't hold."""
    span = where.high - where.low
    if (span < 0).any():
        return np.empty((0, 2), dtype=np.int64)
    first = where.low + span % pitch // 2
    rows = span // pitch + 1
    points: np.ndarray = first + pitch * _crossings(*map(np.arange, rows))
    for holds in (where.holds, clear):
        if holds and len(points):
            points = points[holds(points)]
    return points


def search_spacing(place: Callable[[int], Found], wanted: int, smallest: int, guess: int) -> Found:
    """What fits at the widest spacing found at which at least ``wanted`` do; what fits at ``smallest`` if fewer.

    Bisection, helped by number going with the inverse square of spacing. It ends within one marker and a fiftieth
    of ``wanted``: too many can be thinned out evenly, too few can't be filled up.
    """
    best: Found | None = None
    narrow, wide = smallest, 0  # between them the answer; 0: no end yet
    spacing = max(guess, smallest)
    for _ in range(16):
        found = place(spacing)
        if len(found) >= wanted:
            best, narrow = found, spacing
            if len(found) <= wanted + 1 + wanted // 50:
                break
        elif spacing == smallest:
            return found
        else:
            wide = spacing
        following = int(spacing * math.sqrt(max(len(found), 1) / (1.005 * wanted)))
        end = wide or 4 * spacing
        spacing = following if narrow < following < end else (narrow + end) // 2
        if spacing == narrow:
            break
    return place(smallest) if best is None else best
