"""The normal equations of a bundle adjustment, reduced to the smaller side by the Schur complement.

Either the frames are eliminated (a stage: more frames than points) or the points (few frames, many points). The
sightings lie in small dense grids, tiles: every sighting of an eliminated frame, or point, stands in one tile, and the
columns of a tile are only those points, or frames, that its rows see. So all algebra is batched and dense.

Internal unknowns of a frame: a shift v and a turn w about a pivot of the world against the camera (the camera turns
by -w, its centre c moves by -v - w x (c - pivot), world axes), then its own inner parameters. Kept unknowns stand in
one matrix: points as all x, then all y, all z; or frames one after the other; then the shared inner parameters.

Sources: Triggs, McLauchlan, Hartley, Fitzgibbon, "Bundle Adjustment: A Modern Synthesis", 2000 (Schur complement,
gauge); Brown, "Close-range camera calibration", 1971 (distortion). Both from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from .network import FOCAL, K1, K2, K3, P1, P2, Scene, Survey, Tracks, Unknowns

CHUNK = 8192  # sightings linearised at a time: about what the second-level cache holds
SLAB = 4_000_000  # numbers in one eliminated slab, so that the symmetric product is one large call
FILL = 0.5  # a tile of points is closed when it would be emptier than this


@dataclass(frozen=True, slots=True)
class Loss:
    """A robust loss of a sighting's whitened length: "huber" or "cauchy", quadratic up to ``scale`` sigma."""

    kind: str
    scale: float

    def __post_init__(self) -> None:
        if self.kind not in ("huber", "cauchy") or not self.scale > 0:
            raise ValueError(f"Loss({self.kind!r}, {self.scale}); wanted 'huber' or 'cauchy' and a positive scale")

    def of(self, square: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Loss rho and its slope rho' at the squared length (any shape); both equal the quadratic's near zero."""
        c = self.scale**2
        if self.kind == "cauchy":
            return c * np.log1p(square / c), 1 / (1 + square / c)
        length = np.sqrt(np.maximum(square, c))
        return np.where(square <= c, square, 2 * self.scale * length - c), self.scale / length


@dataclass(slots=True, eq=False)
class State:
    """The current values, in the order of a :class:`Layout`."""

    rotation: np.ndarray  # (F, 3, 3)  camera from world
    centre: np.ndarray  # (F, 3)
    point: np.ndarray  # (3, N)
    inner: np.ndarray  # (F, 6)
    centre_px: np.ndarray  # (2,)
    aspect: float
    distorted: bool
    pivot: np.ndarray  # (3,)  about which the turns w go


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """A dense grid of sightings: m frames by k points, holes have weight zero."""

    frames: slice | np.ndarray
    points: slice | np.ndarray
    uv_px: np.ndarray  # (m, 2, k)
    white: np.ndarray  # (m, 1 or 3, k)
    holes: np.ndarray | None  # (m, k) bool


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Which frames and points take part, in which order, and the tiles."""

    frame_ids: np.ndarray  # (F,) numbers of the frames that take part
    point_ids: np.ndarray  # (N,) numbers of the points that take part, in the layout's order
    unknowns: Unknowns
    keeps_points: bool  # frames are eliminated
    slabs: tuple[tuple[Tile, ...], ...]
    sightings: int
    frames: int  # of the tracks, those that take no part included
    points: int

    @property
    def kept(self) -> int:
        """Kept unknowns: those of the kept side, and the shared ones."""
        side = 3 * len(self.point_ids) if self.keeps_points else len(self.frame_ids) * self.unknowns.per_frame
        return side + len(self.unknowns.shared)


def lay_out(
    tracks: Tracks, unknowns: Unknowns, survey: Survey | None = None, keep_points: bool | None = None
) -> Layout:
    """Order the unknowns and cut the sightings into tiles.

    Points seen once (and not surveyed) and frames with too few sightings fix nothing and are left out. Unless
    ``keep_points`` says which side to keep, the cheaper one is eliminated; a survey whose errors are correlated
    between points needs the points kept. Raises ValueError where ``keep_points`` contradicts that.
    """
    surveyed = np.zeros(tracks.points, bool)
    if survey is not None:
        surveyed[survey.point] = True
    use = _determined(tracks, unknowns, surveyed)
    used = tracks.only(use)
    frame_ids, frame = np.unique(used.frame, return_inverse=True)
    point_ids, point = np.unique(used.point, return_inverse=True)
    f, n, c = len(frame_ids), len(point_ids), unknowns.per_frame
    if survey is not None and not survey.by_point:
        if keep_points is False:
            raise ValueError("a survey with correlated points needs the points kept")
        keep_points = True
    if keep_points is None:
        keep_points = c * f * (3 * n) ** 2 + (3 * n) ** 3 / 3 < 3 * n * (c * f) ** 2 + (c * f) ** 3 / 3
    if not len(used):
        return Layout(frame_ids, point_ids, unknowns, bool(keep_points), (), 0, tracks.frames, tracks.points)
    if keep_points:
        first, last = np.full(n, f), np.zeros(n, int)
        np.minimum.at(first, point, frame)
        np.maximum.at(last, point, frame)
        order = np.argsort(first + last, kind="stable")
    else:
        seen = np.zeros((n, f), bool)
        seen[point, frame] = True
        packed = np.packbits(seen, axis=1)
        order = np.lexsort(packed.T[::-1])
    rank = np.empty(n, int)
    rank[order] = np.arange(n)
    point = rank[point]
    slabs = _frame_slabs(used, frame, point, f, c) if keep_points else _point_slabs(used, frame, point, seen[order])
    return Layout(frame_ids, point_ids[order], unknowns, keep_points, slabs, len(used), tracks.frames, tracks.points)


def _determined(tracks: Tracks, unknowns: Unknowns, surveyed: np.ndarray) -> np.ndarray:
    """(K,) bool: sightings of points seen at least twice or surveyed, in frames with enough of those."""
    need = -(-unknowns.per_frame // 2)
    use: np.ndarray = np.ones(len(tracks), bool)
    while True:
        per_point = np.bincount(tracks.point[use], minlength=tracks.points)
        good: np.ndarray = use & ((per_point >= 2) | surveyed)[tracks.point]
        per_frame = np.bincount(tracks.frame[good], minlength=tracks.frames)
        good &= (per_frame >= need)[tracks.frame]
        if good.sum() == use.sum():
            return good
        use = good


def tile_of(
    tracks: Tracks, rows: np.ndarray, frame: np.ndarray, point: np.ndarray, frames: slice | np.ndarray,
    points: slice | np.ndarray, m: int, k: int,
) -> Tile:  # fmt: skip
    """Sightings ``rows`` at places ``frame``, ``point`` (counted within the tile) as a grid of m by k."""
    uv, white = np.zeros((m, 2, k)), np.zeros((m, tracks.white.shape[1], k))
    uv[frame, :, point] = tracks.uv_px[rows]
    white[frame, :, point] = tracks.white[rows]
    holes = white[:, 0] == 0 if len(rows) < m * k else None
    return Tile(frames, points, uv, white, holes)


def _frame_slabs(tracks: Tracks, frame: np.ndarray, point: np.ndarray, f: int, c: int) -> tuple[tuple[Tile, ...], ...]:
    """Slabs of consecutive frames; their points are one range of the order, so that no index is needed."""
    order = np.argsort(frame, kind="stable")
    start = np.searchsorted(frame[order], np.arange(f + 1))
    lowest = np.minimum.reduceat(point[order], start[:-1])
    highest = np.maximum.reduceat(point[order], start[:-1]) + 1
    widths = np.concatenate([[0], np.cumsum(highest - lowest)])
    slabs = []
    a = 0
    while a < f:
        b, lo, hi = a, f + int(point.max()), 0
        while b < f:
            lo2, hi2 = min(lo, int(lowest[b])), max(hi, int(highest[b]))
            grown = (hi2 - lo2) * (b + 1 - a)
            narrow = grown > 1.5 * (widths[b + 1] - widths[a])
            if b > a and (3 * c * grown > SLAB or (narrow and b - a >= 16)):
                break
            b, lo, hi = b + 1, lo2, hi2
        step = max(1, CHUNK // (hi - lo))
        tiles = []
        for i in range(a, b, step):
            j = min(i + step, b)
            rows = order[start[i] : start[j]]
            tiles.append(
                tile_of(tracks, rows, frame[rows] - i, point[rows] - lo, slice(i, j), slice(lo, hi), j - i, hi - lo)
            )
        slabs.append(tuple(tiles))
        a = b
    return tuple(slabs)


def _point_slabs(
    tracks: Tracks, frame: np.ndarray, point: np.ndarray, seen: np.ndarray
) -> tuple[tuple[Tile, ...], ...]:
    """One tile per slab: neighbouring points of the order, and just the frames that see one of them."""
    n, f = seen.shape
    order = np.argsort(point, kind="stable")
    start = np.searchsorted(point[order], np.arange(n + 1))
    changes = np.flatnonzero((seen[1:] != seen[:-1]).any(1)) + 1
    edges = np.concatenate([[0], changes, [n]])
    slabs = []
    a = 0
    union, filled = np.zeros(f, bool), 0
    for i in range(len(edges) - 1):
        b, e = int(edges[i]), int(edges[i + 1])
        grown = union | seen[b]
        area = int(grown.sum()) * (e - a)
        more = filled + int(seen[b].sum()) * (e - b)
        if b > a and (area > 2 * CHUNK or (more < FILL * area and filled > CHUNK // 8)):
            slabs.append((_point_tile(tracks, order, start, frame, point, union, a, b),))
            a, grown, more = b, seen[b].copy(), int(seen[b].sum()) * (e - b)
        union, filled = grown, more
        while e - a > 1 and int(union.sum()) * (e - a) > 4 * CHUNK:  # one long run of equal rows
            cut = a + max(1, 2 * CHUNK // int(union.sum()))
            slabs.append((_point_tile(tracks, order, start, frame, point, union, a, cut),))
            a = cut
            union, filled = seen[b].copy(), int(seen[b].sum()) * (e - a)
    if a < n:
        slabs.append((_point_tile(tracks, order, start, frame, point, union, a, n),))
    return tuple(slabs)


def _point_tile(
    tracks: Tracks, order: np.ndarray, start: np.ndarray, frame: np.ndarray, point: np.ndarray, union: np.ndarray,
    a: int, b: int,
) -> Tile:  # fmt: skip
    rows = order[start[a] : start[b]]
    frames = np.flatnonzero(union)
    place = np.cumsum(union) - 1
    return tile_of(tracks, rows, place[frame[rows]], point[rows] - a, frames, slice(a, b), len(frames), b - a)


def state_of(scene: Scene, layout: Layout) -> State:
    """The scene's values in the layout's order."""
    inner = scene.inner[layout.frame_ids]
    centre = scene.centres_m[layout.frame_ids].copy()
    point = np.ascontiguousarray(scene.points_m[layout.point_ids].T)
    # Turning the world about the points' middle leaves them in the picture: shift and turn are then nearly
    # independent, and long steps keep their shape. Turned about the camera, the two would nearly cancel.
    pivot = centre[0] if layout.unknowns.rotation_only else np.median(point, axis=1)
    return State(
        scene.cam_from_world_rotation[layout.frame_ids],
        centre,
        point,
        inner,
        scene.centre_px,
        scene.aspect,
        bool(inner[:, 1:].any()) or bool(layout.unknowns.distortion),
        pivot,
    )


def _distort(xy: np.ndarray, coefficients: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Brown-Conrady: ``xy`` (m, 2, k), ``coefficients`` (m, 5) -> distorted (m, 2, k), slopes (m, 3, k), r^2 (m, k).

    Slopes: d x' / d x, d x' / d y = d y' / d x, d y' / d y.
    """
    k1, k2, p1, p2, k3 = (coefficients[:, i, None] for i in range(5))
    x, y = xy[:, 0], xy[:, 1]
    xx, yy, xy2 = x * x, y * y, 2 * x * y
    r2 = xx + yy
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2 * (k1 + r2 * (2 * k2 + 3 * k3 * r2))
    out, slopes = np.empty_like(xy), np.empty((len(xy), 3, xy.shape[2]))
    out[:, 0] = x * radial + p1 * xy2 + p2 * (r2 + 2 * xx)
    out[:, 1] = y * radial + p1 * (r2 + 2 * yy) + p2 * xy2
    slopes[:, 0] = radial + xx * slope + 2 * p1 * y + 6 * p2 * x
    slopes[:, 1] = 0.5 * xy2 * slope + 2 * (p1 * x + p2 * y)
    slopes[:, 2] = radial + yy * slope + 6 * p1 * y + 2 * p2 * x
    return out, slopes, r2


def _whiten(white: np.ndarray, pair: np.ndarray) -> np.ndarray:
    """``white`` (m, 1 or 3, k) applied to ``pair`` (m, 2, k)."""
    if white.shape[1] == 1:
        return np.asarray(pair * white)
    out = np.empty_like(pair)
    out[:, 0] = white[:, 0] * pair[:, 0] + white[:, 1] * pair[:, 1]
    out[:, 1] = white[:, 2] * pair[:, 1]
    return out


@dataclass(slots=True, eq=False)
class _Seen:
    """A tile projected: what the residual and its Jacobian share."""

    ray: np.ndarray  # (m, 3, k) point minus camera centre, world axes
    inverse_depth: np.ndarray  # (m, k)
    xy: np.ndarray  # (m, 2, k) undistorted
    bent: np.ndarray  # (m, 2, k) distorted
    slopes: np.ndarray | None  # (m, 3, k)
    r2: np.ndarray | None  # (m, k)
    scale: np.ndarray  # (m, 2, 1) focal length across and down
    residual: np.ndarray  # (m, 2, k) whitened


def _see(tile: Tile, state: State) -> _Seen:
    ray = state.point[None, :, tile.points] - state.centre[tile.frames, :, None]
    cam = state.rotation[tile.frames] @ ray
    depth = cam[:, 2]
    if tile.holes is not None:
        inverse = np.divide(1.0, depth, out=np.zeros_like(depth), where=~tile.holes)
    else:
        inverse = 1.0 / depth
    xy = cam[:, :2] * inverse[:, None]
    inner = state.inner[tile.frames]
    scale = inner[:, FOCAL, None, None] * np.array([[1.0], [state.aspect]])
    bent, slopes, r2 = _distort(xy, inner[:, 1:]) if state.distorted else (xy, None, None)
    residual = _whiten(tile.white, scale * bent + (state.centre_px[:, None] - tile.uv_px))
    return _Seen(ray, inverse, xy, bent, slopes, r2, scale, residual)


def cost_of(layout: Layout, state: State, loss: Loss | None, survey: Survey | None) -> float:
    """Half the sum of squared whitened residuals (or their losses), the survey's included."""
    total = 0.0
    for slab in layout.slabs:
        for tile in slab:
            r = _see(tile, state).residual
            total += float(np.vdot(r, r)) if loss is None else float(loss.of((r * r).sum(1))[0].sum())
    if survey is not None:
        prior = Prior.of(layout, survey)
        total += prior.square(state)
    return total / 2


def linearise(tile: Tile, state: State, unknowns: Unknowns, loss: Loss | None) -> np.ndarray:
    """(m, rows, 2, k) whitened Jacobian of a tile, row by row, and at last the whitened residual.

    Rows: the point's three coordinates (which are also the frame's shift v), the frame's turn w, the frame's own inner
    parameters, the shared ones, the residual. A robust loss enters as a weight (iteratively reweighted least squares).
    """
    s = _see(tile, state)
    white = tile.white
    residual = s.residual
    if loss is not None:
        weight = np.sqrt(loss.of((residual * residual).sum(1))[1])[:, None]
        white, residual = white * weight, residual * weight
    columns = (*unknowns.of_frame, *unknowns.shared)
    m, _, k = residual.shape
    out = np.empty((m, 7 + len(columns), 2, k))
    rotation = state.rotation[tile.frames]
    # Slopes of the undistorted x and y by the ray, times depth: R0 - x R2 and R1 - y R2.
    ray_slope = rotation[:, :2].transpose(0, 2, 1)[..., None] - rotation[:, 2, :, None, None] * s.xy[:, None]
    unit = s.scale * s.inverse_depth[:, None]
    if s.slopes is None and white.shape[1] == 1:
        np.multiply(ray_slope, (unit * white)[:, None], out=out[:, :3])
    else:
        if s.slopes is None:
            k00, k01, k10, k11 = unit[:, 0], None, None, unit[:, 1]
        else:
            k00, k01 = unit[:, 0] * s.slopes[:, 0], unit[:, 0] * s.slopes[:, 1]
            k10, k11 = unit[:, 1] * s.slopes[:, 1], unit[:, 1] * s.slopes[:, 2]
        if white.shape[1] == 1:
            w00, w01, w11 = white[:, 0], None, white[:, 0]
        else:
            w00, w01, w11 = white[:, 0], white[:, 1], white[:, 2]
        c00 = w00 * k00
        c01 = None if k01 is None else w00 * k01
        c11 = w11 * k11
        c10 = None if k10 is None else w11 * k10
        if w01 is not None:
            c00 = c00 if k10 is None else c00 + w01 * k10
            c01 = w01 * k11 if c01 is None else c01 + w01 * k11
        a0, a1 = ray_slope[:, :, 0], ray_slope[:, :, 1]
        out[:, :3, 0] = c00[:, None] * a0
        if c01 is not None:
            out[:, :3, 0] += c01[:, None] * a1
        out[:, :3, 1] = c11[:, None] * a1
        if c10 is not None:
            out[:, :3, 1] += c10[:, None] * a0
    # d(w x arm) . j = w . (arm x j)
    arm = state.point[:, tile.points] - state.pivot[:, None]
    for i, (a, b) in enumerate(((1, 2), (2, 0), (0, 1))):
        np.multiply(out[:, b], arm[a], out=out[:, 3 + i])
        out[:, 3 + i] -= out[:, a] * arm[b]
    for i, column in enumerate(columns):
        out[:, 6 + i] = _whiten(white, _inner_slope(column, s, state.aspect))
    out[:, -1] = residual
    return out


def _inner_slope(column: int, s: _Seen, aspect: float) -> np.ndarray:
    """(m, 2, k) slope of the pixel by one inner parameter."""
    if column == FOCAL:
        return np.asarray(s.bent * np.array([[1.0], [aspect]]))
    assert s.r2 is not None  # a solved coefficient makes the state distorted
    if column in (K1, K2, K3):
        power = {K1: 1, K2: 2, K3: 3}[column]
        return np.asarray(s.scale * s.xy * (s.r2**power)[:, None])
    x, y = s.xy[:, 0], s.xy[:, 1]
    both, own = 2 * x * y, {P1: y, P2: x}[column]
    pair = (both, s.r2 + 2 * own * own) if column == P1 else (s.r2 + 2 * own * own, both)
    return np.asarray(s.scale * np.stack(pair, axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """A survey in the layout's order."""

    place: np.ndarray  # (S,) places of the surveyed points in the order
    at: np.ndarray  # (S, 3)
    weight: np.ndarray  # (3 S, 3 S) inverse covariance

    @staticmethod
    def of(layout: Layout, survey: Survey) -> Prior:
        """Only points that take part count; the others are integrated out (their rows of the covariance drop)."""
        place_of = np.full(max(int(layout.point_ids.max()), int(survey.point.max())) + 1, -1)
        place_of[layout.point_ids] = np.arange(len(layout.point_ids))
        place = place_of[survey.point]
        there = np.flatnonzero(place >= 0)
        rows = (3 * there[:, None] + np.arange(3)).ravel()
        return Prior(place[there], survey.at_m[there], np.linalg.inv(survey.covariance_m2[np.ix_(rows, rows)]))

    def offset(self, state: State) -> np.ndarray:
        """(3 S,) points less their surveyed places."""
        return np.asarray(state.point[:, self.place].T - self.at).ravel()

    def add_gradient(self, gradient: Unknown, state: State) -> None:
        """Add the survey's part to a gradient."""
        gradient.points[:, self.place] += (self.weight @ self.offset(state)).reshape(-1, 3).T

    def square(self, state: State) -> float:
        """The squared length of the offset in sigmas."""
        d = self.offset(state)
        return float(d @ self.weight @ d)


@dataclass(frozen=True, slots=True, eq=False)
class Unknown:
    """One number for every unknown: a gradient, or a step."""

    frames: np.ndarray  # (F, c)
    points: np.ndarray  # (3, N)
    shared: np.ndarray  # (g,)


@dataclass(slots=True, eq=False)
class Eliminated:
    """What is needed to get the eliminated unknowns of one slab back."""

    own: slice | np.ndarray  # frames or points eliminated
    columns: np.ndarray  # kept unknowns of the slab, the shared ones included
    factor: np.ndarray  # (m, c, c) inverse Cholesky factors of frames, or (3, 3, k) of points
    rows: np.ndarray  # Z = factor x coupling: (m c, columns), or (columns, 3 k)


@dataclass(slots=True, eq=False)
class Factor:
    """A Cholesky factor that solves by blocks, whose diagonal blocks are inverted once."""

    lower: np.ndarray  # (n, n)
    blocks: list[tuple[int, int, np.ndarray]]

    @staticmethod
    def of(matrix: np.ndarray, block: int = 96) -> Factor:
        """Raises LinAlgError where the matrix is not positive definite."""
        lower = np.linalg.cholesky(matrix)
        edges = [(a, min(a + block, len(lower))) for a in range(0, len(lower), block)]
        return Factor(lower, [(a, b, np.linalg.inv(lower[a:b, a:b])) for a, b in edges])

    def solve(self, right: np.ndarray) -> np.ndarray:
        """The solution for a right-hand side (n,)."""
        x = right.copy()
        for a, b, inverse in self.blocks:
            x[a:b] = inverse @ (x[a:b] - self.lower[a:b, :a] @ x[:a])
        for a, b, inverse in reversed(self.blocks):
            x[a:b] = inverse.T @ (x[a:b] - self.lower[b:, a:b].T @ x[b:])
        return x


@dataclass(slots=True, eq=False)
class Reduced:
    """Normal equations of the kept unknowns, and the way back to the others."""

    layout: Layout
    matrix: np.ndarray  # (n, n)
    slabs: list[Eliminated]
    gradient: Unknown
    frame_weight: np.ndarray  # (F, c, c) the frames' diagonal blocks before the elimination, undamped
    point_weight: np.ndarray  # (3, N) the points' diagonal elements
    shared_weight: np.ndarray  # (g,)
    gauge: np.ndarray = field(default_factory=lambda: np.empty((0, 0)))  # (n, d) orthonormal free freedoms, kept side
    factor: Factor | None = None

    def system(self) -> np.ndarray:
        """(n, n) the kept unknowns' matrix, the free gauge freedoms held by inner constraints.

        The matrix is singular along them, so the strength of the constraints matters for nothing but rounding.
        """
        strength = np.trace(self.matrix) / max(len(self.matrix), 1)
        return np.asarray(self.matrix + (strength * self.gauge) @ self.gauge.T)

    def solve(self, gradient: Unknown) -> tuple[Unknown, float]:
        """The step -H^-1 gradient, and its squared length in sigmas. The factor is kept for further gradients.

        Raises LinAlgError where the system is not positive definite.
        """
        if self.factor is None:
            self.factor = Factor.of(self.system())
        keeps_points = self.layout.keeps_points
        right, inner = self.on_kept_side(gradient)
        square = sum(float(half @ half) for half in inner)
        side = gradient.points if keeps_points else gradient.frames
        gone = np.empty_like(gradient.frames if keeps_points else gradient.points)
        kept = -self.factor.solve(right)
        for e, half in zip(self.slabs, inner, strict=True):
            if keeps_points:
                half = (half + e.rows @ kept[e.columns]).reshape(-1, gone.shape[1])
                gone[e.own] = -np.einsum("fji,fj->fi", e.factor, half)
            else:
                half = (half + kept[e.columns] @ e.rows).reshape(3, -1)
                gone[:, e.own] = -np.einsum("jik,jk->ik", e.factor, half)
        side, shared = kept[: side.size].reshape(side.shape), kept[side.size :]
        step = Unknown(gone, side, shared) if keeps_points else Unknown(side, gone, shared)
        return step, square - float(right @ kept)

    def on_kept_side(self, gradient: Unknown) -> tuple[np.ndarray, list[np.ndarray]]:
        """A gradient (n,) by the kept unknowns, the others eliminated; and what each slab of these took off."""
        keeps_points = self.layout.keeps_points
        side = gradient.points if keeps_points else gradient.frames
        gone_gradient = gradient.frames if keeps_points else gradient.points
        right, inner = np.concatenate([side.ravel(), gradient.shared]), []
        for e in self.slabs:
            if keeps_points:
                half = np.einsum("fij,fj->fi", e.factor, gone_gradient[e.own]).ravel()
                right[e.columns] -= half @ e.rows
            else:
                half = np.einsum("ijk,jk->ik", e.factor, gone_gradient[:, e.own]).ravel()
                right[e.columns] -= e.rows @ half
            inner.append(half)
        return right, inner


def _products(left: np.ndarray, right: np.ndarray, out: np.ndarray) -> None:
    """out[f, a, b, p] = sum over r of left[f, a, r, p] right[f, b, r, p]."""
    np.multiply(left[:, :, None, 0], right[:, None, :, 0], out=out)
    out += left[:, :, None, 1] * right[:, None, :, 1]


def reduce(
    layout: Layout, state: State, loss: Loss | None = None, survey: Survey | None = None, damping: float = 0.0
) -> Reduced:
    """Linearise every sighting and eliminate one side. Raises LinAlgError where an eliminated block is singular."""
    prior = None if survey is None else Prior.of(layout, survey)
    reduced = (_reduce_frames if layout.keeps_points else _reduce_points)(layout, state, loss, prior, damping)
    frames, points = free_modes(layout, state, prior)
    side = points if layout.keeps_points else frames
    side = side.reshape(side.shape[0] * side.shape[1], -1) if side.size else np.empty((0, 0))
    reduced.gauge = np.zeros((layout.kept, side.shape[1]))
    reduced.gauge[: len(side)] = np.linalg.qr(side / np.maximum(np.linalg.norm(side, axis=0), 1e-300))[0]
    return reduced


def _reduce_frames(layout: Layout, state: State, loss: Loss | None, prior: Prior | None, damping: float) -> Reduced:
    u = layout.unknowns
    f, n, g, c = len(layout.frame_ids), len(layout.point_ids), len(u.shared), u.per_frame
    first = 3 if u.rotation_only else 0
    own, shared = slice(first, first + c), slice(first + c, first + c + g)
    matrix = np.zeros((3 * n + g, 3 * n + g))
    diagonal = np.zeros((3, 3, n))  # of the points, and their coupling with the shared unknowns
    coupling = np.zeros((g, 3, n))
    gradient = Unknown(np.empty((f, c)), np.zeros((3, n)), np.zeros(g))
    corner = np.zeros((g, g))
    frame_weight = np.empty((f, c, c))
    slabs = []
    for slab in layout.slabs:
        lo, hi = slab[0].points.start, slab[0].points.stop  # type: ignore[union-attr]
        k, a, b = hi - lo, slab[0].frames.start, slab[-1].frames.stop  # type: ignore[union-attr]
        rows = np.empty((b - a, c, 3 * k + g))
        factor = np.empty((b - a, c, c))
        for tile in slab:
            jacobian = linearise(tile, state, u, loss)
            m = len(jacobian)
            flat = jacobian.reshape(m, -1, 2 * k)
            square = flat[:, first:] @ flat[:, first:].transpose(0, 2, 1)
            block = frame_weight[tile.frames] = square[:, :c, :c]
            if damping:
                block = block.copy()
                block[:, np.arange(c), np.arange(c)] *= 1 + damping
            inverse = np.linalg.inv(np.linalg.cholesky(block))
            at = slice(tile.frames.start - a, tile.frames.stop - a)  # type: ignore[union-attr]
            factor[at] = inverse
            left = (inverse @ flat[:, own]).reshape(m, c, 2, k)
            point = jacobian[:, :3]
            _products(left, point, rows[at, :, : 3 * k].reshape(m, c, 3, k))
            rows[at, :, 3 * k :] = inverse @ square[:, :c, c:-1]
            for i in range(3):
                for j in range(i + 1):
                    diagonal[i, j, lo:hi] += np.einsum("mrk,mrk->k", point[:, i], point[:, j])
            coupling[:, :, lo:hi] += np.einsum("mark,mbrk->abk", jacobian[:, shared], point)
            gradient.frames[tile.frames] = square[:, :c, -1]
            gradient.points[:, lo:hi] += np.einsum("mark,mrk->ak", point, jacobian[:, -1])
            gradient.shared[:] += square[:, c:-1, -1].sum(0)
            corner += square[:, c:-1, c:-1].sum(0)
        flat_rows = rows.reshape(-1, 3 * k + g)
        gone = flat_rows.T @ flat_rows
        columns = np.arange(3 * n + g)
        if k == n:
            matrix -= gone
        else:
            columns = np.concatenate([np.arange(lo, hi) + i * n for i in range(3)] + [np.arange(3 * n, 3 * n + g)])
            matrix[np.ix_(columns, columns)] -= gone
        slabs.append(Eliminated(slice(a, b), columns, factor, flat_rows))
    for i, j in ((0, 1), (0, 2), (1, 2)):
        diagonal[i, j] = diagonal[j, i]
    if u.rotation_only:
        diagonal += distance_held(diagonal, state.point)
    each = np.arange(n)
    for i in range(3):
        for j in range(3):
            matrix[i * n + each, j * n + each] += diagonal[i, j] * (1 + damping * (i == j))
    flat_coupling = coupling.reshape(g, 3 * n)
    matrix[3 * n :, : 3 * n] += flat_coupling
    matrix[: 3 * n, 3 * n :] += flat_coupling.T
    shared_weight = np.diag(corner).copy()
    corner[np.arange(g), np.arange(g)] *= 1 + damping
    matrix[3 * n :, 3 * n :] += corner
    point_weight = np.einsum("iik->ik", diagonal).copy()
    if prior is not None:
        place = (prior.place[:, None] + n * np.arange(3)).ravel()
        matrix[np.ix_(place, place)] += prior.weight
        prior.add_gradient(gradient, state)
        point_weight[:, prior.place] += np.diag(prior.weight).reshape(-1, 3).T
    return Reduced(layout, matrix, slabs, gradient, frame_weight, point_weight, shared_weight)


def _reduce_points(layout: Layout, state: State, loss: Loss | None, prior: Prior | None, damping: float) -> Reduced:
    u = layout.unknowns
    f, n, g, c = len(layout.frame_ids), len(layout.point_ids), len(u.shared), u.per_frame
    first = 3 if u.rotation_only else 0
    own, shared = slice(first, first + c), slice(first + c, first + c + g)
    size = c * f + g
    matrix = np.zeros((size, size))
    gradient = Unknown(np.zeros((f, c)), np.zeros((3, n)), np.zeros(g))
    frame_weight, point_weight, shared_weight = np.zeros((f, c, c)), np.empty((3, n)), np.zeros(g)
    add_block = None
    if prior is not None:
        add_block = np.zeros((3, 3, n))
        s = np.arange(len(prior.place))
        blocks = prior.weight.reshape(len(s), 3, len(s), 3)[s, :, s]
        add_block[:, :, prior.place] = blocks.transpose(1, 2, 0)
        prior.add_gradient(gradient, state)
    slabs = []
    for (tile,) in layout.slabs:
        jacobian = linearise(tile, state, u, loss)
        m, k = len(jacobian), jacobian.shape[3]
        flat = jacobian.reshape(m, -1, 2 * k)
        square = flat[:, first:] @ flat[:, first:].transpose(0, 2, 1)
        frames = np.asarray(tile.frames)
        of_frame = frames[:, None] * c + np.arange(c)
        frame_weight[frames] += square[:, :c, :c]
        shared_weight += square[:, np.arange(c, c + g), np.arange(c, c + g)].sum(0)
        gradient.frames[frames] += square[:, :c, -1]
        gradient.shared[:] += square[:, c:-1, -1].sum(0)
        square[:, np.arange(c + g), np.arange(c + g)] *= 1 + damping
        at_shared = np.arange(c * f, size)
        matrix[of_frame[:, :, None], of_frame[:, None, :]] += square[:, :c, :c]
        matrix[of_frame[:, :, None], at_shared] += square[:, :c, c:-1]
        matrix[at_shared[:, None], of_frame[:, None, :]] += square[:, :c, c:-1].transpose(0, 2, 1)
        matrix[c * f :, c * f :] += square[:, c:-1, c:-1].sum(0)
        point = jacobian[:, :3]
        gradient.points[:, tile.points] += np.einsum("mark,mrk->ak", point, jacobian[:, -1])
        block = np.empty((3, 3, k))
        for i in range(3):
            for j in range(i + 1):
                block[i, j] = block[j, i] = np.einsum("mrk,mrk->k", point[:, i], point[:, j])
        if add_block is not None:
            block += add_block[:, :, tile.points]
        if u.rotation_only:
            block += distance_held(block, state.point[:, tile.points])
        point_weight[:, tile.points] = block[np.arange(3), np.arange(3)]
        block[np.arange(3), np.arange(3)] *= 1 + damping
        inverse = _inverse_factor(block)
        right = np.empty((m, 3, 2, k))
        for i in range(3):
            np.multiply(point[:, 0], inverse[i, 0], out=right[:, i])
            for j in range(1, i + 1):
                right[:, i] += point[:, j] * inverse[i, j]
        rows = np.empty((c * m + g, 3, k))
        _products(jacobian[:, own], right, rows[: c * m].reshape(m, c, 3, k))
        rows[c * m :] = np.einsum("mark,mbrk->abk", jacobian[:, shared], right)
        columns = np.concatenate([of_frame.ravel(), at_shared])
        flat_rows = rows.reshape(len(rows), 3 * k)
        matrix[np.ix_(columns, columns)] -= flat_rows @ flat_rows.T
        slabs.append(Eliminated(tile.points, columns, inverse, flat_rows))
    return Reduced(layout, matrix, slabs, gradient, frame_weight, point_weight, shared_weight)


def gradient_of(layout: Layout, state: State, loss: Loss | None = None, survey: Survey | None = None) -> Unknown:
    """The gradient alone, a small part of the work of :func:`reduce`."""
    u = layout.unknowns
    first = 3 if u.rotation_only else 0
    c, g = u.per_frame, len(u.shared)
    out = Unknown(np.zeros((len(layout.frame_ids), c)), np.zeros_like(state.point), np.zeros(g))
    for slab in layout.slabs:
        for tile in slab:
            jacobian = linearise(tile, state, u, loss)
            flat = jacobian.reshape(len(jacobian), jacobian.shape[1], -1)
            frames = (flat[:, first:-1] @ flat[:, -1, :, None])[..., 0]
            out.frames[tile.frames] += frames[:, :c]
            out.shared[:] += frames[:, c:].sum(0)
            out.points[:, tile.points] += np.einsum("mark,mrk->ak", jacobian[:, :3], jacobian[:, -1])
    if survey is not None:
        Prior.of(layout, survey).add_gradient(out, state)
    return out


def distance_held(block: np.ndarray, point: np.ndarray) -> np.ndarray:
    """(3, 3, N) weight that holds each point's distance: along its ray only, so directions are untouched."""
    strength = np.einsum("iik->k", block) / (point * point).sum(0)
    return np.asarray(point[:, None] * point[None] * strength)


def _inverse_factor(block: np.ndarray) -> np.ndarray:
    """(3, 3, k) inverse of the lower Cholesky factor of symmetric 3 x 3 blocks. Raises LinAlgError."""
    l00 = np.sqrt(np.maximum(block[0, 0], 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        l10, l20 = block[1, 0] / l00, block[2, 0] / l00
        l11 = np.sqrt(block[1, 1] - l10 * l10)
        l21 = (block[2, 1] - l20 * l10) / l11
        l22 = np.sqrt(block[2, 2] - l20 * l20 - l21 * l21)
        out = np.zeros_like(block)
        out[0, 0], out[1, 1], out[2, 2] = 1 / l00, 1 / l11, 1 / l22
        out[1, 0] = -l10 * out[0, 0] * out[1, 1]
        out[2, 1] = -l21 * out[1, 1] * out[2, 2]
        out[2, 0] = (l10 * l21 / l11 - l20) * out[0, 0] * out[2, 2]
    if not np.isfinite(out).all():
        raise np.linalg.LinAlgError("a point's block is singular")
    return out


def gauge_modes(layout: Layout, state: State) -> tuple[np.ndarray, np.ndarray]:
    """Freedoms of the whole network that no sighting sees: (F, c, g) of the frames' unknowns, (3, N, g) of the points.

    Three shifts, three turns and one scale about the pivot; for rotation only just the turns.
    """
    u = layout.unknowns
    f, n, c = len(layout.frame_ids), len(layout.point_ids), u.per_frame
    turn_row = 0 if u.rotation_only else 3
    frames, points = np.zeros((f, c, 7)), np.zeros((3, n, 7))
    frames[:, turn_row : turn_row + 3, 3:6] = -np.eye(3)
    axes = np.eye(3)
    from_pivot = state.point.T - state.pivot
    points[:, :, :3] = axes[:, None, :]
    points[:, :, 3:6] = np.cross(axes[:, None], from_pivot[None]).transpose(2, 1, 0)
    points[:, :, 6] = from_pivot.T
    if u.rotation_only:
        return frames[:, :, 3:6], points[:, :, 3:6]
    frames[:, :3, :3] = -axes
    frames[:, :3, 6] = state.pivot - state.centre
    return frames, points


def free_modes(layout: Layout, state: State, prior: Prior | None) -> tuple[np.ndarray, np.ndarray]:
    """The gauge freedoms that a survey leaves, as :func:`gauge_modes` gives them: (F, c, d) and (3, N, d)."""
    frames, points = gauge_modes(layout, state)
    if prior is None or not len(prior.place):
        return frames, points
    size = np.linalg.norm(points, axis=(0, 1))
    seen = (points[:, prior.place] / size).reshape(-1, len(size))
    values, vectors = np.linalg.eigh(seen.T @ seen)
    free = (vectors / size[:, None])[:, values < 1e-10 * max(float(values[-1]), 1e-300)]
    return frames @ free, points @ free


def cross_matrix(v: np.ndarray) -> np.ndarray:
    """(..., 3, 3) matrices [v] of the cross product with v (..., 3)."""
    x, y, z = np.moveaxis(v, -1, 0)
    o = np.zeros_like(x)
    return np.asarray(np.stack([o, -z, y, z, o, -x, -y, x, o], -1)).reshape(*v.shape, 3)


def rotation_of(vector: np.ndarray) -> np.ndarray:
    """Rotation vectors (..., 3), radians, as matrices (..., 3, 3) (Rodrigues)."""
    angle2 = (vector * vector).sum(-1)
    angle = np.sqrt(angle2)
    small = angle2 < 1e-8
    safe = np.where(small, 1.0, angle)
    a = np.where(small, 1 - angle2 / 6, np.sin(safe) / safe)
    b = np.where(small, 0.5 - angle2 / 24, (1 - np.cos(safe)) / safe**2)
    skew = cross_matrix(vector)
    return np.asarray(np.eye(3) + a[..., None, None] * skew + b[..., None, None] * (skew @ skew))


def moved(layout: Layout, state: State, step: Unknown) -> State:
    """The state after a step."""
    frames, points, shared = step.frames, step.points, step.shared
    u = layout.unknowns
    turn = 0 if u.rotation_only else 3
    inner = state.inner.copy()
    inner[:, list(u.of_frame)] += frames[:, turn + 3 :]
    inner[:, list(u.shared)] += shared
    turned = rotation_of(frames[:, turn : turn + 3])
    rotation = state.rotation @ turned
    # Two Newton steps' worth of rounding would otherwise pile up over many iterations.
    rotation = 1.5 * rotation - 0.5 * rotation @ rotation.transpose(0, 2, 1) @ rotation
    centre = state.centre
    if not u.rotation_only:
        arm = state.pivot + frames[:, :3] - centre
        centre = state.pivot - np.einsum("fji,fj->fi", turned, arm)
    return replace(state, rotation=rotation, centre=centre, point=state.point + points, inner=inner)


def scene_of(scene: Scene, layout: Layout, state: State) -> Scene:
    """The scene with the layout's frames and points replaced by the state's values."""
    pose, points = scene.world_from_cam.copy(), scene.points_m.copy()
    inner = scene.inner.copy()
    pose[layout.frame_ids, :3, :3] = state.rotation.transpose(0, 2, 1)
    pose[layout.frame_ids, :3, 3] = state.centre
    points[layout.point_ids] = state.point.T
    inner[layout.frame_ids] = state.inner
    for column in layout.unknowns.shared:  # frames that took no part share the lens all the same
        inner[:, column] = state.inner[0, column]
    return scene.with_parts(world_from_cam=pose, points_m=points, focal_px=inner[:, 0], distortion=inner[:, 1:])


def residual_of(tile: Tile, state: State) -> np.ndarray:
    """(m, 2, k) whitened residuals of a tile."""
    return _see(tile, state).residual


def residuals_of(layout: Layout, state: State) -> Iterator[tuple[Tile, np.ndarray]]:
    """Tile by tile the whitened residuals (m, 2, k)."""
    for slab in layout.slabs:
        for tile in slab:
            yield tile, residual_of(tile, state)
