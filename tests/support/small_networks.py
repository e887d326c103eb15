"""A small shot with every difficulty, and its normal equations put together densely."""

from __future__ import annotations

import numpy as np
from scatterproof.solve.network import K1, K2, K3, P1, P2, Tracks, Unknowns
from scatterproof.solve.normal import linearise
from staged_shot import seen_by, staged_shot

ALL = (K1, K2, P1, P2, K3)
KINDS = {
    "fixed": Unknowns(),
    "shared": Unknowns("shared"),
    "zoom": Unknowns("frame"),
    "lens": Unknowns("shared", ALL),
    "published": Unknowns("frame", (K1, K2), distortion_per_frame=True),
    "mixed": Unknowns("frame", (K1, P2)),
}


def gappy_shot(seed=0, frames=12, points=30):
    """A shot with holes, oblong errors, a lens and non-square pixels; noise-free tracks beside it."""
    rng = np.random.default_rng(seed)
    truth, _ = staged_shot(frames, points, 0.0, seed)
    truth = truth.with_parts(aspect=1.02)
    uv = seen_by(truth)
    seen = rng.random(uv.shape[:2]) < 0.8
    root = rng.normal(0, 0.3, (*uv.shape[:2], 2, 2)) + np.eye(2) * 0.5
    cov = root @ root.transpose(0, 1, 3, 2) + 0.01 * np.eye(2)
    noisy = uv + np.einsum("fnij,fnj->fni", np.linalg.cholesky(cov), rng.normal(size=uv.shape))
    return truth, Tracks.from_grid(noisy, seen, cov), rng


def dense(layout, state, loss=None, survey=None):
    """Dense Jacobian and residual, columns: frames, points (x y z of each), shared; by an assembly of its own."""
    u = layout.unknowns
    f, n, c, g = len(layout.frame_ids), len(layout.point_ids), u.per_frame, len(u.shared)
    first = 3 if u.rotation_only else 0
    rows, right = [], []
    for slab in layout.slabs:
        for tile in slab:
            jac = linearise(tile, state, u, loss)
            frames, points = np.arange(f)[tile.frames], np.arange(n)[tile.points]
            for i, frame in enumerate(frames):
                for j, point in enumerate(points):
                    if tile.white[i, 0, j] == 0:
                        continue
                    row = np.zeros((2, c * f + 3 * n + g))
                    row[:, c * frame : c * frame + c] = jac[i, first : first + c, :, j].T
                    row[:, c * f + 3 * point : c * f + 3 * point + 3] = jac[i, :3, :, j].T
                    row[:, c * f + 3 * n :] = jac[i, first + c : first + c + g, :, j].T
                    rows.append(row)
                    right.append(jac[i, -1, :, j])
    jacobian, residual = np.concatenate(rows), np.concatenate(right)
    if survey is not None:
        place = {int(p): i for i, p in enumerate(layout.point_ids)}
        root = np.linalg.cholesky(np.linalg.inv(survey.covariance_m2)).T
        extra, offset = np.zeros((len(root), jacobian.shape[1])), []
        for s, point in enumerate(survey.point):
            at = c * f + 3 * place[int(point)]
            extra[:, at : at + 3] = root[:, 3 * s : 3 * s + 3]
            offset.append(state.point[:, place[int(point)]] - survey.at_m[s])
        jacobian = np.vstack([jacobian, extra])
        residual = np.append(residual, root @ np.concatenate(offset))
    return jacobian, residual
