"""Poses of frames from known points, and points from known poses: batched, with blunders among the sightings.

Positions ``xy`` are undistorted normalised coordinates. Sources, from memory: Grunert 1841 in the form of Haralick,
Lee, Ottenberg, Noelle, "Review and analysis of solutions of the three point perspective pose estimation problem", IJCV
13(3), 1994; Fischler and Bolles, "Random sample consensus", 1981.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..camera.axes import pose
from .network import Scene, Tracks, Unknowns
from .normal import CHUNK, Layout, Loss, State, Tile, linearise, residual_of, rotation_of, scene_of, state_of, tile_of
from .twoview import best_turn, homogeneous

SAMPLES = 40  # random triples tried per frame
CHECKED = 60  # points that score a hypothesis
CUT = 3.0  # sigmas at which a sighting stops counting against a hypothesis


def three_point(points_m: np.ndarray, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Poses from three points: (S, 4, 3, 4) camera-from-world [R | t], and (S, 4) bool which exist.

    ``points_m`` (S, 3, 3) world, ``xy`` (S, 3, 2).
    """
    ray = homogeneous(xy)
    ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
    p1, p2, p3 = points_m[:, 0], points_m[:, 1], points_m[:, 2]
    a2, b2, c2 = (((p - q) ** 2).sum(-1) for p, q in ((p2, p3), (p1, p3), (p1, p2)))
    ca, cb, cg = ((ray[:, i] * ray[:, j]).sum(-1) for i, j in ((1, 2), (0, 2), (0, 1)))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        k = (a2 - c2) / b2
        ab, cc, sum_ = a2 / b2, c2 / b2, (a2 + c2) / b2
        quartic = np.stack([
            (k - 1) ** 2 - 4 * cc * ca**2,
            4 * (k * (1 - k) * cb - (1 - sum_) * ca * cg + 2 * cc * ca**2 * cb),
            2 * (k**2 - 1 + 2 * k**2 * cb**2 + 2 * (1 - cc) * ca**2 - 4 * sum_ * ca * cb * cg + 2 * (1 - ab) * cg**2),
            4 * (-k * (1 + k) * cb + 2 * ab * cg**2 * cb - (1 - sum_) * ca * cg),
            (1 + k) ** 2 - 4 * ab * cg**2,
        ], axis=-1)  # fmt: skip
        companion = np.zeros((len(k), 4, 4))
        companion[:, 0] = -quartic[:, 1:] / quartic[:, :1]
        companion[:, [1, 2, 3], [0, 1, 2]] = 1
        usable = np.asarray(np.isfinite(companion).all((1, 2)))
        roots = np.linalg.eigvals(np.where(usable[:, None, None], companion, 0.0))
        v = roots.real
        k, cb, cg, ca, b2 = k[:, None], cb[:, None], cg[:, None], ca[:, None], b2[:, None]
        u = ((k - 1) * v**2 - 2 * k * cb * v + 1 + k) / (2 * (cg - v * ca))
        s1 = np.sqrt(b2 / (1 + v**2 - 2 * v * cb))
        depth = np.stack([s1, u * s1, v * s1], axis=-1)  # (S, 4, 3)
    good = (np.abs(roots.imag) < 1e-6 * (1 + np.abs(v))) & (depth > 0).all(-1) & usable[:, None]
    good &= np.isfinite(depth).all(-1)
    cam = np.where(good[..., None], depth, 1.0)[..., None] * ray[:, None]
    middle_w, middle_c = points_m.mean(1), cam.mean(2)
    turn = best_turn((points_m - middle_w[:, None])[:, None], cam - middle_c[:, :, None], np.ones((len(k), 1, 3)))
    shift = middle_c - np.einsum("shij,sj->shi", turn, middle_w)
    return np.concatenate([turn, shift[..., None]], axis=-1), good


def resect(
    points_m: np.ndarray, xy: np.ndarray, sigma: np.ndarray, seen: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Poses (F, 4, 4) world-from-camera of F frames by random sample consensus, and (F,) the share that agrees.

    ``points_m`` (N, 3), ``xy`` (F, N, 2), ``sigma`` (F, N) in normalised units, ``seen`` (F, N) bool: sightings of
    known points. A share of 0: no pose (fewer than four sightings, or no hypothesis). Refine with :func:`refine_poses`.
    """
    f, n = seen.shape
    count = seen.sum(1)
    listed = np.argsort(~seen, axis=1, kind="stable")  # a frame's own points first
    drawn = (rng.random((f, SAMPLES, 3)) * count[:, None, None]).astype(int)
    pick = np.take_along_axis(listed[:, None], drawn, axis=2)
    row = np.arange(f)[:, None, None]
    motion, real = three_point(points_m[pick].reshape(-1, 3, 3), xy[row, pick].reshape(-1, 3, 2))
    motion, real = motion.reshape(f, -1, 3, 4), real.reshape(f, -1)
    most = min(CHECKED, n)
    spaced = (np.arange(most) * np.maximum(count, 1)[:, None] / most).astype(int)
    check = np.take_along_axis(listed, np.minimum(spaced, n - 1), axis=1)  # (F, most)
    known = homogeneous(points_m)[check]
    poses, share = np.tile(np.eye(4), (f, 1, 1)), np.zeros(f)
    for i in range(f):  # memory: one frame's hypotheses at a time
        some = motion[i][real[i]]
        if count[i] < 4 or not len(some):
            continue
        cam = np.einsum("hij,mj->hmi", some, known[i])
        with np.errstate(divide="ignore", invalid="ignore"):
            gap = ((cam[..., :2] / cam[..., 2:] - xy[i, check[i]]) ** 2).sum(-1) / sigma[i, check[i]] ** 2
        gap = np.where((cam[..., 2] > 0) & (gap < 2 * CUT**2), gap, 2 * CUT**2)
        best = int(np.argmin(gap.sum(1)))
        turn, shift = some[best, :, :3], some[best, :, 3]
        poses[i] = pose(turn.T, -turn.T @ shift)
        share[i] = np.mean(gap[best] < 2 * CUT**2)
    return poses, share


def refine_poses(tracks: Tracks, scene: Scene, loss: Loss, iterations: int = 15, tolerance: float = 1e-8) -> Scene:
    """Each frame's pose fitted to the points as they stand, robustly; many frames at once, Levenberg-Marquardt each.

    A frame is done when a step lowers its cost by less than ``tolerance`` of it.
    """
    f, n = tracks.frames, tracks.points
    layout = Layout(np.arange(f), np.arange(n), Unknowns(), True, (), len(tracks), f, n)
    state = state_of(scene, layout)
    order = np.argsort(tracks.frame, kind="stable")
    start = np.searchsorted(tracks.frame[order], np.arange(f + 1))
    step = max(1, CHUNK // n)
    for a in range(0, f, step):
        b = min(a + step, f)
        rows = order[start[a] : start[b]]
        tile = tile_of(tracks, rows, tracks.frame[rows] - a, tracks.point[rows], slice(a, b), slice(None), b - a, n)
        state.rotation[a:b], state.centre[a:b] = _refined(tile, state, loss, iterations, tolerance)
    return scene_of(scene, layout, state)


def _refined(tile: Tile, state: State, loss: Loss, iterations: int, tolerance: float) -> tuple[np.ndarray, np.ndarray]:
    u, here = Unknowns(), tile.frames
    state = replace(state, rotation=state.rotation.copy(), centre=state.centre.copy())
    damping = np.full(len(tile.uv_px), 1e-6)
    cost = _frame_cost(residual_of(tile, state), loss)
    for _ in range(iterations):
        jacobian = linearise(tile, state, u, loss)
        flat = jacobian.reshape(len(jacobian), 7, -1)
        square = flat @ flat.transpose(0, 2, 1)
        diagonal = np.einsum("fii->fi", square[:, :6, :6])
        extra = damping[:, None] * diagonal + 1e-12 * diagonal.max(1)[:, None] + 1e-300
        step = -np.linalg.solve(square[:, :6, :6] + np.eye(6) * extra[:, None], square[:, :6, 6:])[..., 0]
        turned = rotation_of(step[:, 3:])
        arm = state.pivot + step[:, :3] - state.centre[here]
        trial = replace(state, rotation=state.rotation.copy(), centre=state.centre.copy())
        trial.rotation[here] = state.rotation[here] @ turned
        trial.centre[here] = state.pivot - np.einsum("fji,fj->fi", turned, arm)
        after = _frame_cost(residual_of(tile, trial), loss)
        better = after < cost
        state.rotation[here] = np.where(better[:, None, None], trial.rotation[here], state.rotation[here])
        state.centre[here] = np.where(better[:, None], trial.centre[here], state.centre[here])
        finished = (better & (cost - after <= tolerance * cost)) | (~better & (damping > 1e3))
        cost = np.where(better, after, cost)
        damping = np.where(better, damping / 10, np.maximum(damping, 1e-6) * 10)
        if finished.all():
            break
    return state.rotation[here], state.centre[here]


def _frame_cost(residual: np.ndarray, loss: Loss) -> np.ndarray:
    return np.asarray(np.nan_to_num(loss.of((residual**2).sum(1))[0].sum(1), nan=np.inf, posinf=np.inf))


def triangulate(
    world_from_cam: np.ndarray, xy: np.ndarray, sigma: np.ndarray, seen: np.ndarray, rounds: int = 6
) -> tuple[np.ndarray, np.ndarray]:
    """Points (N, 3) where the rays of all frames pass nearest, robustly, and (N,) their distances' relative sigma.

    ``world_from_cam`` (F, 4, 4), ``xy`` (F, N, 2), ``sigma`` (F, N) normalised, ``seen`` (F, N) bool. The sigma is inf
    where a point is seen less than twice or lies behind most of its cameras.
    """
    ray = homogeneous(np.where(seen[..., None], xy, 0.0))
    ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
    ray = np.einsum("fij,fnj->fni", world_from_cam[:, :3, :3], ray)
    centre = world_from_cam[:, None, :3, 3]
    weight = np.where(seen, 1 / sigma**2, 0.0)
    depth, robust = np.ones_like(weight), np.ones_like(weight)
    along_centre = (ray * centre).sum(-1)
    for _ in range(rounds):
        w = weight * robust / depth**2
        normal = w.sum(0)[:, None, None] * np.eye(3) - np.einsum("fn,fni,fnj->nij", w, ray, ray)
        right = np.einsum("fn,fni->ni", w, centre - ray * along_centre[..., None])
        ridge = 1e-14 * np.maximum(np.trace(normal, axis1=1, axis2=2), 1e-300)
        point = np.linalg.solve(normal + ridge[:, None, None] * np.eye(3), right[..., None])[..., 0]
        offset = point - centre
        depth = (offset * ray).sum(-1)
        far = np.sqrt((offset**2).sum(-1))
        gap = np.linalg.norm(offset - depth[..., None] * ray, axis=-1) / np.maximum(far * sigma, 1e-300)
        robust = np.where(depth > 0, 1 / (1 + (gap / 2) ** 2), 0.1)
        depth = np.maximum(far, 1e-9)
    weakest = np.linalg.eigvalsh(normal)[:, 0]
    ahead = ((offset * ray).sum(-1) > 0) & seen
    mean = (far * seen).sum(0) / np.maximum(seen.sum(0), 1)
    with np.errstate(divide="ignore"):
        relative = 1 / np.sqrt(np.maximum(weakest, 0)) / np.maximum(mean, 1e-300)
    fine = (seen.sum(0) >= 2) & (ahead.sum(0) > 0.75 * seen.sum(0))
    return point, np.where(fine, relative, np.inf)
