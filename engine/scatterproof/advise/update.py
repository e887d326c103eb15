"""What adding or taking away features does to a solve, by updates of its reduced normal matrix.

A feature that is seen in some frames tells the camera something only through what its own unknown place leaves over:
eliminated by the Schur complement it changes the reduced camera matrix H by ``sum A^T A - Z^T Z``, A its slopes by the
cameras' unknowns and Z (three rows) what fixes its place. It is never negative, and of a rank of twice its sightings
less three at most. So no feature that was there before is looked at again: candidates come as a batch of such changes,
and one batched Cholesky factorisation of ``[[H + D, F^T], [F, big]]`` gives slide and information of each (F: slide as
linear forms of the unknowns; the lower left block of the factor is the root of their covariance).

Sources: Triggs, McLauchlan, Hartley, Fitzgibbon, "Bundle Adjustment: A Modern Synthesis", 2000 (Schur complement);
Golub & Van Loan, *Matrix Computations* (updates of factorisations). Both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..prove.shot import ShotNetwork
from ..solve.network import Tracks, Unknowns
from ..solve.normal import Layout, State, distance_held, lay_out, linearise, reduce, state_of, tile_of
from ..solve.slide import picture_rows, range_of

KEYS = 16  # frames of a shot that stand for all
AT_ONCE = 64  # candidates of a batch: what it works on stays in the cache
BIG = 1e30  # px^2, above any slide that could be told from no solve at all
FLAT_BLOCK = 1e-13  # part of a point's largest eigenvalue below which a direction of its place is not seen at all


@dataclass(frozen=True, slots=True, eq=False)
class Core:
    """The cameras of K key frames of a shot with everything else eliminated.

    Every key frame stands for the frames around it: its sightings weigh as much as theirs together.
    """

    rows: np.ndarray  # (K,) int  rows of the shot
    share: float  # frames that a key frame stands for
    layout: Layout
    state: State
    place: np.ndarray  # (K,) int  where each key frame stands in the layout, -1 where too little is seen to take part
    matrix: np.ndarray  # (n, n)  reduced normal matrix of cameras and lens, gauge held
    pull: np.ndarray  # (n,)  right-hand side that goes with it: of what tracks are off by in every take alike
    forms: np.ndarray  # (2 A, n)  x and y of the slide at the asked key frames, delivery pixels
    asked: np.ndarray  # (A,) int  these, as rows of ``rows``
    own: np.ndarray  # (A, 2, c)  the same by the frame's own unknowns, no placement taken off
    weight: np.ndarray  # (A, c, c)  what the sightings of one such frame say of its camera, points known


@dataclass(frozen=True, slots=True, eq=False)
class Extra:
    """Q points as seen in K key frames, belonging to S candidates."""

    point_m: np.ndarray  # (Q, 3)
    group: np.ndarray  # (Q,) int  its candidate, rising
    groups: int  # S
    uv_px: np.ndarray  # (K, Q, 2)
    seen: np.ndarray  # (K, Q) bool
    covariance_px2: np.ndarray  # (K, Q, 2, 2)  of one frame's sighting
    beside_px: np.ndarray  # (K, Q, 2)  by which it is off in every take alike


@dataclass(frozen=True, slots=True, eq=False)
class Changed:
    """What S changes leave; infinite, or minus infinity, where nothing is fixed any more."""

    slide_px2: np.ndarray  # (S, A, 2, 2)  mean square at the asked key frames, delivery pixels squared
    information: np.ndarray  # (S,)  log determinant of the reduced matrix, nats
    own_px2: np.ndarray  # (S, A)  variance that one frame's own sightings leave there, points known


def key_rows(frames: int, most: int = KEYS) -> np.ndarray:
    """(K,) rows that stand for all, each in the middle of its share of the frames.

    >>> key_rows(9, 3).tolist(), key_rows(2).tolist()
    ([1, 4, 7], [0, 1])
    """
    k = min(frames, most)
    return np.asarray((np.arange(k) + 0.5) * frames / k, int)


def core_of(network: ShotNetwork, rows: np.ndarray | None = None, unknowns: Unknowns | None = None) -> Core | None:
    """The core of a shot; None where the action point is out of view, or too little is seen to fix any camera.

    rows : key frames; every frame of the shot gives the exact solve
    unknowns : instead of the shot's own
    """
    rows = key_rows(len(network.frame)) if rows is None else rows
    share = len(network.frame) / len(rows)
    u = network.unknowns if unknowns is None else unknowns
    truth = network.truth
    scene = truth.with_parts(
        world_from_cam=truth.world_from_cam[rows], focal_px=truth.focal_px[rows],
        distortion=np.asarray(truth.distortion)[rows],
    )  # fmt: skip
    seen, beside = network.seen[rows], np.broadcast_to(network.errors.offset_px, network.uv_px.shape)[rows]
    tracks = Tracks.from_grid(network.uv_px[rows] + beside, seen, network.covariance_px2[rows] / share)
    layout = lay_out(tracks, u, keep_points=False)
    if not layout.sightings:
        return None
    state = state_of(scene, layout)
    with np.errstate(all="ignore"):
        try:
            reduced = reduce(layout, state)
        except np.linalg.LinAlgError:
            return None
    place = np.full(len(rows), -1)
    place[layout.frame_ids] = np.arange(len(layout.frame_ids))
    depth = ((network.action_m - state.centre) * state.rotation[:, 2]).sum(1)
    at = np.flatnonzero(network.in_view[rows][layout.frame_ids] & (depth > 0))
    if not len(at):
        return None
    scale = network.delivery_scale
    by_place, by_frame, by_shared = picture_rows(u, state, network.action_m, at)
    m, c, f, g = len(at), u.per_frame, len(layout.frame_ids), len(u.shared)
    basis = range_of(by_place.reshape(-1, 3))
    taken_off = np.eye(2 * m) - basis @ basis.T
    forms = np.zeros((2 * m, f * c + g))
    columns = (at[:, None] * c + np.arange(c)).ravel()
    forms[:, columns] = np.einsum("rma,mac->rmc", taken_off.reshape(-1, m, 2), by_frame).reshape(-1, m * c)
    forms[:, f * c :] = taken_off @ by_shared.reshape(2 * m, -1)
    pull = -reduced.on_kept_side(reduced.gradient)[0]
    if u.rotation_only:  # a band is one point from one place; what the camera travels is left out of such a solve
        pull[:] = 0
    return Core(
        rows, share, layout, state, place, reduced.system(), pull, forms * scale, layout.frame_ids[at],
        by_frame * scale, reduced.frame_weight[at] / share,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Delta:
    """S changes of a core: of its matrix per key frame, of the lens, and by the rows that fix points; of its pull."""

    frames: np.ndarray  # (S, f, c, c)
    cross: np.ndarray  # (S, f, c, g)
    shared: np.ndarray  # (S, g, g)
    taken: np.ndarray  # (S, 3 P, n)
    pull: np.ndarray  # (S, n)

    def __len__(self) -> int:
        return len(self.frames)

    def __getitem__(self, rows: slice | np.ndarray) -> Delta:
        return Delta(self.frames[rows], self.cross[rows], self.shared[rows], self.taken[rows], self.pull[rows])

    def matrices(self) -> np.ndarray:
        """(S, n, n)."""
        s, f, c, g = self.cross.shape
        out: np.ndarray = -(self.taken.transpose(0, 2, 1) @ self.taken)
        side = out[:, : f * c, : f * c].reshape(s, f, c, f, c)
        each = np.arange(f)
        side[:, each, :, each] += self.frames.transpose(1, 0, 2, 3)
        out[:, : f * c, f * c :] += self.cross.reshape(s, f * c, g)
        out[:, f * c :, : f * c] += self.cross.reshape(s, f * c, g).transpose(0, 2, 1)
        out[:, f * c :, f * c :] += self.shared
        return out


def delta_of(core: Core, extra: Extra) -> Delta:
    """How each candidate's points change the core's matrix; points seen in fewer than two key frames change nothing."""
    u = core.layout.unknowns
    f, c, g, s = len(core.layout.frame_ids), u.per_frame, len(u.shared), extra.groups
    q = len(extra.point_m)
    there = core.layout.frame_ids
    seen = extra.seen[there]
    seen = seen & (seen.sum(0) >= 2)
    if not q or not seen.any():
        return _no_delta(core, s)
    uv = np.where(seen[..., None], extra.uv_px[there], 0.0)
    tracks = Tracks.from_grid(uv, seen, extra.covariance_px2[there] / core.share)
    tile = tile_of(tracks, np.arange(len(tracks)), tracks.frame, tracks.point, slice(None), slice(None), f, q)
    state = replace(core.state, point=np.ascontiguousarray(extra.point_m.T))
    jacobian = linearise(tile, state, u, None).transpose(3, 0, 1, 2)  # (Q, f, rows, 2)
    jacobian = np.where(seen.T[..., None, None], jacobian, 0.0)
    first = 3 if u.rotation_only else 0
    point, own = jacobian[:, :, :3], jacobian[:, :, first : first + c]
    shared = jacobian[:, :, first + c : first + c + g]
    block = np.einsum("qfar,qfbr->qab", point, point, optimize=True)
    if u.rotation_only:
        block += distance_held(block.transpose(1, 2, 0), state.point).transpose(2, 0, 1)
    values, vectors = np.linalg.eigh(block)
    known = values > FLAT_BLOCK * values[:, -1:]
    root = np.where(known, 1 / np.sqrt(np.where(known, values, 1.0)), 0.0)[:, None] * vectors
    coupling = np.empty((q, 3, f * c + g))
    coupling[:, :, : f * c] = (point @ own.transpose(0, 1, 3, 2)).transpose(0, 2, 1, 3).reshape(q, 3, f * c)
    coupling[:, :, f * c :] = np.einsum("qfar,qfbr->qab", point, shared, optimize=True)
    rows = root.transpose(0, 2, 1) @ coupling
    off = np.where(seen[..., None], extra.beside_px[there], 0.0)
    pulls = np.zeros((q, f * c + g))
    if off.any():
        off = _whitened(off, tile.white).transpose(1, 0, 2)[..., None]  # (Q, f, 2, 1)
        pulls[:, : f * c] = (own @ off)[..., 0].reshape(q, f * c)
        pulls[:, f * c :] = (shared @ off)[..., 0].sum(axis=1)
        by_point = (point @ off)[..., 0].sum(axis=1)
        pulls -= np.einsum("qan,qba,qb->qn", rows, root, by_point, optimize=True)
    edge = np.searchsorted(extra.group, np.arange(s + 1))
    inside = np.arange(q) - edge[extra.group]
    taken = np.zeros((s, int(np.diff(edge).max()), 3, f * c + g))
    taken[extra.group, inside] = rows
    return Delta(
        _summed(own @ own.transpose(0, 1, 3, 2), edge),
        _summed(own @ shared.transpose(0, 1, 3, 2), edge),
        _summed(np.einsum("qfar,qfbr->qab", shared, shared, optimize=True), edge),
        taken.reshape(s, -1, f * c + g),
        _summed(pulls, edge),
    )


def _summed(values: np.ndarray, edge: np.ndarray) -> np.ndarray:
    """Sums of ``values`` (Q, ...) between the edges (S + 1,)."""
    out = np.zeros((len(edge) - 1, *values.shape[1:]))
    some = np.flatnonzero(np.diff(edge))
    if len(some):
        out[some] = np.add.reduceat(values, edge[some], axis=0)
    return out


def _whitened(uv_px: np.ndarray, white: np.ndarray) -> np.ndarray:
    """(f, Q, 2) offsets in sigmas, by ``white`` (f, 1 or 3, Q)."""
    if white.shape[1] == 1:
        return np.asarray(uv_px * white[:, 0, :, None])
    x, y = np.moveaxis(uv_px, -1, 0)
    return np.stack([white[:, 0] * x + white[:, 1] * y, white[:, 2] * y], axis=-1)


def changed(core: Core, delta: Delta, sign: float = 1.0) -> Changed:
    """Slide and information after each change by itself: added (``sign`` 1) or taken away (-1)."""
    s, a = len(delta), len(core.asked)
    slide, information = np.full((s, a, 2, 2), np.nan), np.full(s, -np.inf)
    for start in range(0, s, AT_ONCE):
        part = slice(start, min(start + AT_ONCE, s))
        slide[part], information[part] = _factored(
            core.matrix + sign * delta[part].matrices(), core.forms, core.pull + sign * delta.pull[part]
        )
    own = np.zeros((s, a))
    places = core.place[core.asked]
    weight = core.weight + sign * delta.frames[:, places] / core.share
    with np.errstate(all="ignore"):
        try:
            solved = np.linalg.solve(weight, np.broadcast_to(core.own.transpose(0, 2, 1), (s, a, weight.shape[-1], 2)))
            own = np.einsum("aic,saci->sa", core.own, solved)
        except np.linalg.LinAlgError:
            own = np.einsum("aic,sacd,aid->sa", core.own, np.linalg.pinv(weight, hermitian=True), core.own)
    return Changed(slide, information, np.where(own > 0, own, np.inf))


def standing_still(core: Core) -> Changed:
    """The core as it is, as one change that changes nothing."""
    return changed(core, _no_delta(core, 1))


def _no_delta(core: Core, s: int) -> Delta:
    u = core.layout.unknowns
    f, c, g = len(core.layout.frame_ids), u.per_frame, len(u.shared)
    n = f * c + g
    return Delta(
        np.zeros((s, f, c, c)), np.zeros((s, f, c, g)), np.zeros((s, g, g)), np.zeros((s, 0, n)), np.zeros((s, n))
    )


def _factored(matrices: np.ndarray, forms: np.ndarray, pull: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(S, A, 2, 2) slide and (S,) log determinants of (S, n, n) matrices; infinite where one is not positive."""
    s, n, r = len(matrices), matrices.shape[1], len(forms)
    whole = np.zeros((s, n + r + 1, n + r + 1))
    whole[:, :n, :n] = matrices
    whole[:, n:-1, :n] = forms
    whole[:, -1, :n] = pull
    whole[:, np.arange(n, n + r + 1), np.arange(n, n + r + 1)] = BIG
    try:
        lower = np.linalg.cholesky(whole)
    except np.linalg.LinAlgError:
        if s == 1:
            return np.broadcast_to(np.diag([np.inf, np.inf]), (1, r // 2, 2, 2)), np.array([-np.inf])
        h = s // 2
        parts = _factored(matrices[:h], forms, pull[:h]), _factored(matrices[h:], forms, pull[h:])
        return np.concatenate([parts[0][0], parts[1][0]]), np.concatenate([parts[0][1], parts[1][1]])
    root = lower[:, n:-1, :n].reshape(s, r // 2, 2, n)
    alike = root @ lower[:, -1, None, :n, None]  # (S, A, 2, 1)
    each = np.arange(n)
    slide = root @ root.transpose(0, 1, 3, 2) + alike @ alike.transpose(0, 1, 3, 2)
    return slide, 2 * np.log(lower[:, each, each]).sum(1)
