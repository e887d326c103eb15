"""How well the sightings fix poses, points and lens: exact covariances of the whole network, and its weakest freedom.

The covariance of all unknowns is kept in factored form, ``own + root root^T``: ``own`` is block-diagonal (what the
sightings of one frame, or point, leave by themselves), ``root`` carries what all share. Every marginal and every joint
covariance is a product of rows. The form costs about one elimination and one triangular inverse.

Without a survey seven freedoms (three shifts, three turns, one scale) are free: a sigma means nothing
without its datum.
Sources: Triggs, McLauchlan, Hartley, Fitzgibbon, "Bundle Adjustment: A Modern Synthesis", 2000, gauge section (inner
constraints, change of datum); Baarda, "S-transformations and criterion matrices", 1973. Both from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .network import Scene, Survey, Tracks, Unknowns
from .normal import Layout, Prior, Reduced, State, Unknown, cross_matrix, free_modes, lay_out, reduce, state_of

INNER, FIRST_CAMERA = "inner constraints", "first camera"
# K of the frames (F, c, d) and of the points (N, 3, d), in the layout's order: K^T (change of the unknowns) = 0.
Constraints = tuple[np.ndarray, np.ndarray]
LEAF = 64  # triangles no larger than this are inverted directly


@dataclass(frozen=True, slots=True, eq=False)
class Information:
    """The factored covariance of everything, in a datum of convenience: see :func:`marginals` for a proper one.

    Frames and points in the layout's order, a frame's c unknowns as in :mod:`.normal`; n columns; d free freedoms.
    """

    layout: Layout
    state: State
    frame_own: np.ndarray | None  # (F, c, c)
    frame_root: np.ndarray  # (F, c, n)
    point_own: np.ndarray | None  # (N, 3, 3)
    point_root: np.ndarray  # (N, 3, n)
    shared_root: np.ndarray  # (g, n)
    frame_gauge: np.ndarray  # (F, c, d)
    point_gauge: np.ndarray  # (N, 3, d)
    frame_weight: np.ndarray  # (F, c, c)  diagonal blocks of the normal matrix
    point_weight: np.ndarray  # (N, 3)     its diagonal elements
    shared_weight: np.ndarray  # (g,)

    def apply(self, frames: np.ndarray, points: np.ndarray, shared: np.ndarray) -> tuple[np.ndarray, ...]:
        """The covariance times stacked vectors (F, c, k), (N, 3, k), (g, k)."""
        n, k = self.frame_root.shape[2], frames.shape[2]
        common = self.frame_root.reshape(-1, n).T @ frames.reshape(-1, k)
        common += self.point_root.reshape(-1, n).T @ points.reshape(-1, k) + self.shared_root.T @ shared
        return (
            self.frame_root @ common + (0 if self.frame_own is None else self.frame_own @ frames),
            self.point_root @ common + (0 if self.point_own is None else self.point_own @ points),
            self.shared_root @ common,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Covariance:
    """Marginal covariances in one datum. Rows of frames and points that nothing fixes are nan.

    ``pose``: camera centre (metres, world axes), turn about the centre (radians, world axes), then the frame's own
    inner parameters if it has any. For rotation only the centre's part is zero.
    """

    pose: np.ndarray  # (F, 6 + own, 6 + own)
    point_m2: np.ndarray  # (N, 3, 3)
    shared: np.ndarray  # (g, g)  focal length (px) and distortion of the shot, as far as unknown
    datum: str

    @property
    def centre_sigma_m(self) -> np.ndarray:
        """(F,) root of the summed variances of the camera centre."""
        return np.asarray(np.sqrt(np.trace(self.pose[:, :3, :3], axis1=1, axis2=2)))

    @property
    def turn_sigma_rad(self) -> np.ndarray:
        """(F,) root of the summed variances of the camera's turn."""
        return np.asarray(np.sqrt(np.trace(self.pose[:, 3:6, 3:6], axis1=1, axis2=2)))


@np.errstate(over="ignore", invalid="ignore", divide="ignore")  # what is singular ends as None
def inform(
    tracks: Tracks, scene: Scene, unknowns: Unknowns, survey: Survey | None = None, keep_points: bool | None = None
) -> Information | None:
    """The information of ``tracks`` at ``scene`` (a plan's truth, or a solution).

    Only which points are seen in which frames, and how well, plays a part; not where. None where the
    sightings do not fix the unknowns at all: too few, or singular to rounding.
    """
    layout = lay_out(tracks, unknowns, survey, keep_points)
    if not layout.sightings:
        return None
    state = state_of(scene, layout)
    try:
        reduced = reduce(layout, state, None, survey)
        root = _inverse_triangle(np.linalg.cholesky(reduced.system()))
    except np.linalg.LinAlgError:
        return None
    frame_gauge, point_gauge = free_modes(layout, state, None if survey is None else Prior.of(layout, survey))
    return Information(
        layout,
        state,
        *_roots(layout, reduced, root),
        frame_gauge,
        point_gauge.transpose(1, 0, 2),
        reduced.frame_weight,
        reduced.point_weight.T,
        reduced.shared_weight,
    )


def _roots(
    layout: Layout, reduced: Reduced, root: np.ndarray
) -> tuple[np.ndarray | None, np.ndarray, np.ndarray | None, np.ndarray, np.ndarray]:
    """Own parts and roots of all unknowns, from the inverse factor ``root`` (n, n) of the kept ones."""
    f, n, c = len(layout.frame_ids), len(layout.point_ids), layout.unknowns.per_frame
    side = len(root) - len(layout.unknowns.shared)
    kept, shared = root.T[:side], root.T[side:]
    if layout.keeps_points:
        gone_own, gone_root = np.empty((f, c, c)), np.empty((f, c, len(root)))
    else:
        gone_own, gone_root = np.empty((n, 3, 3)), np.empty((n, 3, len(root)))
    for e in reduced.slabs:
        if layout.keeps_points:
            spread = _times_triangle(e.rows, root, e.columns).reshape(-1, c, len(root))
            back = e.factor.transpose(0, 2, 1)
        else:
            spread = e.rows.T @ root.T[e.columns]
            spread = spread.reshape(3, -1, len(root)).transpose(1, 0, 2)
            back = e.factor.transpose(2, 1, 0)
        np.matmul(-back, spread, out=gone_root[e.own])
        gone_own[e.own] = back @ back.transpose(0, 2, 1)
    if layout.keeps_points:
        return gone_own, gone_root, None, kept.reshape(3, n, -1).transpose(1, 0, 2), shared
    return None, kept.reshape(f, c, -1), gone_own, gone_root, shared


def _inverse_triangle(lower: np.ndarray) -> np.ndarray:
    """The inverse of a lower triangle, by halves."""
    n = len(lower)
    if n <= LEAF:
        return np.linalg.inv(lower)
    h = n // 2
    out = np.zeros_like(lower)
    out[:h, :h], out[h:, h:] = _inverse_triangle(lower[:h, :h]), _inverse_triangle(lower[h:, h:])
    out[h:, :h] = -out[h:, h:] @ (lower[h:, :h] @ out[:h, :h])
    return out


def _times_triangle(rows: np.ndarray, root: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """``rows`` (m, k), which stand in ``columns`` (k,) rising, times the upper triangle ``root``^T: (m, n)."""
    n = len(root)
    out = np.empty((len(rows), n))
    step = max(LEAF, -(-n // 8))
    for a in range(0, n, step):  # what lies right of the block is zero
        b = min(a + step, n)
        k = int(np.searchsorted(columns, b))
        here = slice(k) if len(columns) == n else columns[:k]
        np.matmul(rows[:, :k], root[a:b, here].T, out=out[:, a:b])
    return out


def marginals(information: Information, datum: str | np.ndarray | Constraints = INNER) -> Covariance:
    """Exact marginals of every pose, every point and the shared inner parameters.

    ``datum`` holds the freedoms that are left: "inner constraints" over all camera centres and points (the smallest
    summed variance of all positions; to first order what aligning a solve onto the truth by least squares gives); the
    numbers of some points (inner constraints over these alone, as for surveyed points); or "first camera" (its pose,
    and its distance from the camera that is farthest from it); or constraints of one's own. A
    survey that fixes everything leaves it without effect.

    Raises ValueError for an unknown datum, for points that do not take part, and for "first camera" beside a survey
    that fixes a part.
    """
    i = information
    layout = i.layout
    turn = natural_turn(information)
    cov_frame = i.frame_root @ i.frame_root.transpose(0, 2, 1) + (0 if i.frame_own is None else i.frame_own)
    cov_point = i.point_root @ i.point_root.transpose(0, 2, 1) + (0 if i.point_own is None else i.point_own)
    cov_shared = i.shared_root @ i.shared_root.T
    held = pinned(information, datum)
    if held:
        for cov, gauge, a in ((cov_frame, i.frame_gauge, held.frame), (cov_point, i.point_gauge, held.point)):
            cross = gauge @ a.transpose(0, 2, 1)
            cov += gauge @ held.own @ gauge.transpose(0, 2, 1) - cross - cross.transpose(0, 2, 1)
    cov_frame = turn @ cov_frame @ turn.transpose(0, 2, 1)
    own = cov_frame.shape[1]
    pose = np.full((layout.frames, own, own), np.nan)
    point = np.full((layout.points, 3, 3), np.nan)
    pose[layout.frame_ids], point[layout.point_ids] = cov_frame, cov_point
    name = datum if isinstance(datum, str) else "chosen constraints" if isinstance(datum, tuple) else "chosen points"
    return Covariance(pose, point, cov_shared, name)


def _largest_eigenpair(
    operator: Callable[[np.ndarray], np.ndarray], size: int, tolerance: float, steps: int
) -> tuple[float, np.ndarray]:
    """Value and unit vector of a symmetric operator that is not negative, by Lanczos with full reorthogonalisation."""
    x = np.random.default_rng(0).normal(size=size)
    basis = [x / np.linalg.norm(x)]
    alpha: list[float] = []
    beta: list[float] = []
    for _ in range(min(steps, size)):
        y = operator(basis[-1])
        alpha.append(float(basis[-1] @ y))
        known = np.array(basis)
        y = y - known.T @ (known @ y)
        y = y - known.T @ (known @ y)
        beta.append(float(np.linalg.norm(y)))
        small = np.diag(alpha) + np.diag(beta[:-1], 1) + np.diag(beta[:-1], -1)
        values, vectors = np.linalg.eigh(small)
        if beta[-1] * abs(vectors[-1, -1]) <= tolerance * abs(values[-1]):
            break
        basis.append(y / beta[-1])
    return float(values[-1]), known.T @ vectors[:, -1]


@dataclass(frozen=True, slots=True, eq=False)
class Pinned:
    """A change of datum, S = I - G (K^T G)^-1 K^T, as S C S^T = C - A G^T - G A^T + G own G^T and C S^T = C - A G^T."""

    frame: np.ndarray  # (F, c, d) of A
    point: np.ndarray  # (N, 3, d)
    shared: np.ndarray  # (g, d)
    own: np.ndarray  # (d, d)


def pinned(information: Information, datum: str | np.ndarray | Constraints = INNER) -> Pinned | None:
    """How a datum (see :func:`marginals`) changes the covariance; None where nothing is left free."""
    i = information
    hold_frame, hold_point = _hold(i, datum)
    if not i.frame_gauge.shape[2]:
        return None
    held = i.apply(hold_frame, hold_point, np.zeros((len(i.shared_root), i.frame_gauge.shape[2])))
    inverse = np.linalg.inv(
        np.einsum("fid,fie->de", i.frame_gauge, hold_frame) + np.einsum("nid,nie->de", i.point_gauge, hold_point)
    )
    frame, point, shared = (part @ inverse for part in held)
    own = np.einsum("fid,fie->de", hold_frame, frame) + np.einsum("nid,nie->de", hold_point, point)
    return Pinned(frame, point, shared, inverse.T @ own)


def natural_turn(information: Information) -> np.ndarray:
    """(F, 6 + own, c): from a frame's unknowns (v, w, inner) to centre, turn about the centre, inner."""
    i = information
    u = i.layout.unknowns
    f, c, own = len(i.layout.frame_ids), u.per_frame, len(u.of_frame)
    out = np.zeros((f, 6 + own, c))
    w = c - own - 3
    out[:, 3:6, w : w + 3] = -np.eye(3)
    out[:, 6:, w + 3 :] = np.eye(own)
    if not u.rotation_only:
        out[:, :3, :3] = -np.eye(3)
        # The centre moves by -v - w x arm = -v + arm x w.
        out[:, :3, 3:6] = cross_matrix(i.state.centre - i.state.pivot)
    return out


def _hold(information: Information, datum: str | np.ndarray | Constraints) -> Constraints:
    """The constraints of a datum."""
    i = information
    if isinstance(datum, tuple):
        return datum
    d = i.frame_gauge.shape[2]
    frames, points = np.zeros_like(i.frame_gauge), np.zeros_like(i.point_gauge)
    if isinstance(datum, str) and datum == INNER:
        turn = natural_turn(i)
        points[:] = i.point_gauge
        if i.layout.unknowns.rotation_only:
            return frames, points
        centre = turn[:, :3]
        return centre.transpose(0, 2, 1) @ (centre @ i.frame_gauge), points
    if isinstance(datum, str) and datum == FIRST_CAMERA:
        if d == 0:
            return frames, points
        if i.layout.unknowns.rotation_only:
            frames[0, :3] = np.eye(3)
            return frames, points
        if d != 7:
            raise ValueError("a survey already fixes a part of the datum: 'first camera' would contradict it")
        away = i.state.centre - i.state.centre[0]
        far = int(np.argmax((away * away).sum(1)))
        turn = natural_turn(i)
        frames[0, :, :6] = turn[0, :6].T
        frames[far, :, 6] = turn[far, :3].T @ away[far]
        return frames, points
    if isinstance(datum, str):
        raise ValueError(f"datum is {datum!r}; wanted {INNER!r}, {FIRST_CAMERA!r} or the numbers of points")
    place = np.flatnonzero(np.isin(i.layout.point_ids, datum))
    if len(place) < len(np.unique(datum)):
        raise ValueError("some points of the datum are not fixed by the sightings")
    points[place] = i.point_gauge[place]
    return frames, points


def solvability(information: Information | None, tolerance: float = 1e-3, steps: int = 200) -> float:
    """The smallest eigenvalue, gauge freedoms apart, of the normal matrix scaled to a unit diagonal; 0 where hopeless.

    Unknowns: camera centres, turns about them, inner parameters, points. By Lanczos iteration on the inverse to the
    relative ``tolerance``. Small values say that some combination of unknowns is hardly seen.
    """
    return 0.0 if information is None else weakest(information, tolerance, steps)[0]


def weakest(information: Information, tolerance: float = 1e-3, steps: int = 200) -> tuple[float, Unknown]:
    """That eigenvalue, and its freedom as a step of one sigma."""
    i = information
    turn = natural_turn(i)
    if i.layout.unknowns.rotation_only:
        turn = turn[:, 3:]
    # H in natural unknowns is T^-T H T^-1, its inverse T C T^T.
    back = np.linalg.inv(turn)
    weight = back.transpose(0, 2, 1) @ i.frame_weight @ back
    scales = [
        np.sqrt(np.einsum("fii->fi", weight))[..., None],
        np.sqrt(i.point_weight)[..., None],
        np.sqrt(i.shared_weight)[:, None],
    ]
    f, c = turn.shape[:2]
    n, g, d = len(i.point_weight), len(i.shared_weight), i.frame_gauge.shape[2]
    null = np.zeros((f * c + 3 * n + g, d))
    null[: f * c] = (scales[0] * (turn @ i.frame_gauge)).reshape(f * c, d)
    null[f * c : f * c + 3 * n] = (scales[1] * i.point_gauge).reshape(3 * n, d)
    null = np.linalg.qr(null)[0]

    def parts(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return x[: f * c].reshape(f, c, 1), x[f * c : f * c + 3 * n].reshape(n, 3, 1), x[f * c + 3 * n :, None]

    def inverse(x: np.ndarray) -> np.ndarray:
        frames, points, shared = (s * part for s, part in zip(scales, parts(x - null @ (null.T @ x)), strict=True))
        frames, points, shared = i.apply(turn.transpose(0, 2, 1) @ frames, points, shared)
        y = np.concatenate([
            (scales[0] * (turn @ frames)).ravel(), (scales[1] * points).ravel(), (scales[2] * shared).ravel()
        ])  # fmt: skip
        return np.asarray(y - null @ (null.T @ y))

    largest, vector = _largest_eigenpair(inverse, len(null), tolerance, steps)
    value = 1 / largest if np.isfinite(largest) and largest > 0 else 0.0
    frames, points, shared = (
        part / s * np.sqrt(max(largest, 0)) for s, part in zip(scales, parts(vector), strict=True)
    )
    return value, Unknown((back @ frames)[..., 0], points[..., 0].T, shared[:, 0])
