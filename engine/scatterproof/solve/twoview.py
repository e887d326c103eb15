"""Two views of one scene: essential matrix, homography, turn alone, and which of them the sightings ask for.

All positions are undistorted normalised coordinates (right, down, over forward). Convention X2 = R X1 + t: R and t take
the first camera's axes to the second's. The plane is n.X1 = D, so that its homography is R + t n^T / D.

Sources, all from memory: Nister, "An efficient solution to the five-point relative pose problem", PAMI 26(6), 2004;
Stewenius, Engels, Nister, "Recent developments on direct relative orientation", 2006 (the action matrix used here);
Hartley and Zisserman, *Multiple View Geometry*, 2nd ed. 2003; Ma, Soatto, Kosecka, Sastry, *An Invitation to 3-D
Vision*, 2004, section 5.3 (homography decomposition); Torr, "An assessment of information criteria for motion model
selection", CVPR 1997 (GRIC); Torr and Zisserman, "MLESAC", 2000 (the truncated cost of a hypothesis).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement, permutations

import numpy as np

from .normal import cross_matrix

# Degree-three monomials of x, y, z, 1 (exponents as indices 0..3), leading ones first, then the basis of the quotient.
_LEADING = (
    (0, 0, 0),
    (0, 0, 1),
    (0, 1, 1),
    (1, 1, 1),
    (0, 0, 2),
    (0, 1, 2),
    (1, 1, 2),
    (0, 2, 2),
    (1, 2, 2),
    (2, 2, 2),
)
_BASIS = ((0, 0, 3), (0, 1, 3), (1, 1, 3), (0, 2, 3), (1, 2, 3), (2, 2, 3), (0, 3, 3), (1, 3, 3), (2, 3, 3), (3, 3, 3))
_GATHER = np.zeros((64, 20))
for _column, _monomial in enumerate(_LEADING + _BASIS):
    for _i, _j, _k in set(permutations(_monomial)):
        _GATHER[16 * _i + 4 * _j + _k, _column] = 1
assert set(_LEADING + _BASIS) == set(combinations_with_replacement(range(4), 3))


@dataclass(frozen=True, slots=True, eq=False)
class TwoViews:
    """Motions between two views that the sightings allow, the likelier first."""

    rotation: np.ndarray  # (M, 3, 3)
    shift: np.ndarray  # (M, 3) unit length
    inliers: np.ndarray  # (M, n) bool
    plane: bool  # the homography explains the sightings better than the essential matrix
    gric: tuple[float, float, float]  # of the essential matrix, the homography, the turn alone

    @property
    def turn_only(self) -> bool:
        """Whether a turn alone explains the sightings best."""
        return self.gric[2] <= min(self.gric[:2])


def homogeneous(x: np.ndarray) -> np.ndarray:
    """(..., 2) as (..., 3)."""
    return np.concatenate([x, np.ones((*x.shape[:-1], 1))], axis=-1)


def five_point(x1: np.ndarray, x2: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Essential matrices of S samples of five correspondences: (S, 10, 3, 3), and (S, 10) bool which are real.

    ``x1`` and ``x2`` are (S, 5, 2).
    """
    s = len(x1)
    rows = (homogeneous(x2)[..., :, None] * homogeneous(x1)[..., None, :]).reshape(s, -1, 9)
    null = np.linalg.svd(rows)[2][:, 5:].reshape(s, 4, 3, 3)
    # E = x E0 + y E1 + z E2 + E3. With a = (x, y, z, 1), every constraint is a cubic form in a.
    square = np.einsum("siab,sjcb->sijac", null, null)
    trace = np.einsum("sijaa->sij", square)
    cubic = 2 * np.einsum("sijac,skcb->sijkab", square, null) - np.einsum("sij,skab->sijkab", trace, null)
    cross = np.cross(null[:, :, None, 1], null[:, None, :, 2])
    determinant = np.einsum("sia,sjka->sijk", null[:, :, 0], cross)
    forms = (
        np.concatenate([cubic.reshape(s, 64, 9).transpose(0, 2, 1), determinant.reshape(s, 1, 64)], axis=1) @ _GATHER
    )
    try:
        rest = np.linalg.solve(forms[:, :, :10], forms[:, :, 10:])
    except np.linalg.LinAlgError:
        rest = np.linalg.pinv(forms[:, :, :10]) @ forms[:, :, 10:]
    action = np.zeros((s, 10, 10))
    action[:, :6] = -rest[:, [0, 1, 2, 4, 5, 7]]
    action[:, [6, 7, 8, 9], [0, 1, 3, 6]] = 1
    usable = np.asarray(np.isfinite(action).all((1, 2)))
    action = np.where(usable[:, None, None], action, 0.0)
    values, vectors = np.linalg.eig(action)
    real = (np.abs(values.imag) <= 1e-9 * (1 + np.abs(values))) & (np.abs(vectors[:, 9]) > 1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        xyz = (vectors[:, 6:9] / vectors[:, 9:10]).real
    xyz = np.where(real[:, None], xyz, 0.0)
    essential = np.einsum("sij,siab->sjab", xyz, null[:, :3]) + null[:, None, 3]
    return essential / np.linalg.norm(essential, axis=(2, 3), keepdims=True), real


def fit_homography(x1: np.ndarray, x2: np.ndarray, weight: np.ndarray | None = None) -> np.ndarray:
    """(S, 3, 3) homographies x2 ~ H x1 of S samples of four or more correspondences (S, n, 2), linear (DLT)."""
    a, b = homogeneous(x1), homogeneous(x2)
    if weight is not None:
        a = a * weight[..., None]
    zero = np.zeros_like(a)
    rows = np.concatenate(
        [np.concatenate([a, zero, -b[..., :1] * a], -1), np.concatenate([zero, a, -b[..., 1:2] * a], -1)], axis=-2
    )
    return np.asarray(np.linalg.svd(rows)[2][:, 8].reshape(-1, 3, 3))


def sampson(essential: np.ndarray, x1: np.ndarray, x2: np.ndarray) -> np.ndarray:
    """(..., n) first-order distance of correspondences (n, 2) from E (..., 3, 3), in normalised units."""
    a, b = homogeneous(x1), homogeneous(x2)
    line2 = np.einsum("...ij,nj->...ni", essential, a)
    line1 = np.einsum("...ji,nj->...ni", essential, b)
    value = (line2 * b).sum(-1)
    slope = np.sqrt((line2[..., :2] ** 2).sum(-1) + (line1[..., :2] ** 2).sum(-1))
    return np.asarray(np.abs(value) / np.maximum(slope, 1e-300))


def transfer(homography: np.ndarray, x1: np.ndarray, x2: np.ndarray) -> np.ndarray:
    """(..., n) distance of correspondences (n, 2) from H (..., 3, 3): that in the second view, over sqrt 2.

    For near views the two views share the correction equally; then this is the first-order distance.
    """
    image = np.einsum("...ij,nj->...ni", homography, homogeneous(x1))
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = image[..., :2] / image[..., 2:] - x2
    return np.asarray(np.nan_to_num(np.sqrt((gap**2).sum(-1) / 2), nan=np.inf, posinf=np.inf))


def decompose_essential(essential: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The four motions (..., 4, 3, 3) and (..., 4, 3) of essential matrices (..., 3, 3)."""
    u, _, vt = np.linalg.svd(essential)
    u = u * np.linalg.det(u)[..., None, None]
    vt = vt * np.linalg.det(vt)[..., None, None]
    w = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    one, two, t = u @ w @ vt, u @ w.T @ vt, u[..., 2]
    return np.stack([one, one, two, two], axis=-3), np.stack([t, -t, t, -t], axis=-2)


def decompose_homography(homography: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The motions of a homography (3, 3) of normalised coordinates: R (4, 3, 3), t / D (4, 3), n (4, 3).

    Two of the four have the plane before the first camera; for a turn alone t is zero and n arbitrary.
    """
    h = homography / np.linalg.svd(homography, compute_uv=False)[1]
    h = h * np.sign(np.linalg.det(h))
    _, s, vt = np.linalg.svd(h)
    v = vt.T * np.linalg.det(vt)
    s2 = s**2
    spread = s2[0] - s2[2]
    if spread < 1e-14:
        u, _, wt = np.linalg.svd(h)
        turn = u @ wt
        return np.tile(turn, (4, 1, 1)), np.zeros((4, 3)), np.tile([0.0, 0.0, 1.0], (4, 1))
    a, b = np.sqrt(max(1 - s2[2], 0.0)), np.sqrt(max(s2[0] - 1, 0.0))
    turns, shifts, normals = [], [], []
    for sign in (1, -1):
        # A unit vector whose length H keeps, like every vector of the plane spanned with v2.
        kept = (a * v[:, 0] + sign * b * v[:, 2]) / np.sqrt(spread)
        u_basis = np.column_stack([v[:, 1], kept, np.cross(v[:, 1], kept)])
        hv, hk = h @ v[:, 1], h @ kept
        w_basis = np.column_stack([hv, hk, np.cross(hv, hk)])
        turn = w_basis @ u_basis.T
        normal = np.cross(v[:, 1], kept)
        shift = (h - turn) @ normal
        for flip in (1, -1):
            turns.append(turn)
            shifts.append(flip * shift)
            normals.append(flip * normal)
    return np.array(turns), np.array(shifts), np.array(normals)


def gric(distance: np.ndarray, sigma: np.ndarray, dimension: int, parameters: int) -> float:
    """Torr's geometric robust information criterion (smaller is better): ``distance`` (n,) from the model.

    r = 4 coordinates per correspondence; ``dimension`` of the model's manifold (3 for E, 2 for H); its ``parameters``.
    """
    n, r = len(distance), 4
    error = np.minimum((distance / sigma) ** 2, 2.0 * (r - dimension))
    return float(error.sum() + np.log(r) * dimension * n + np.log(r * n) * parameters)


def triangulate_pair(rotation: np.ndarray, shift: np.ndarray, x1: np.ndarray, x2: np.ndarray) -> tuple[np.ndarray, ...]:
    """Depths (..., n) in both views for motions (..., 3, 3), (..., 3): where the two rays pass nearest."""
    a = np.einsum("...ij,nj->...ni", rotation, homogeneous(x1))
    b = homogeneous(x2)
    aa, bb, ab = (a * a).sum(-1), (b * b).sum(-1), (a * b).sum(-1)
    at, bt = np.einsum("...ni,...i->...n", a, shift), np.einsum("ni,...i->...n", b, shift)
    det = np.maximum(aa * bb - ab * ab, 1e-300)
    return (ab * bt - bb * at) / det, (aa * bt - ab * at) / det


def two_views(
    x1: np.ndarray, x2: np.ndarray, sigma: np.ndarray, rng: np.random.Generator, samples: int = 200
) -> TwoViews | None:
    """Motions between two views of n >= 8 correspondences (n, 2) with noise ``sigma`` (n,), blunders among them.

    Five-point and four-point hypotheses from random samples, scored by their truncated cost; the better of essential
    matrix, homography and turn alone by GRIC. A plane allows two motions. None where no hypothesis has half of the
    points before both cameras.
    """
    n = len(x1)
    cut = 2.0
    scale = np.where(np.isfinite(sigma), sigma, 1.0)

    def score(distance: np.ndarray) -> np.ndarray:
        return np.asarray(np.minimum((distance / scale) ** 2, cut**2).sum(-1))

    pick = rng.random((samples, n)).argsort(axis=1)
    fives, real = five_point(x1[pick[:, :5]], x2[pick[:, :5]])
    essentials = fives[real]
    if not len(essentials):
        return None
    best = np.argsort(score(sampson(essentials, x1, x2)), kind="stable")[:5]
    homographies = fit_homography(x1[pick[:, :4]], x2[pick[:, :4]])
    plane = homographies[np.argmin(score(transfer(homographies, x1, x2)))]
    for _ in range(3):
        near = transfer(plane, x1, x2) < 3 * scale
        if near.sum() < 4:
            break
        plane = fit_homography(x1[None, near], x2[None, near], 1 / scale[None, near])[0]
    turn = _turn_alone(x1, x2, scale)
    turns, shifts, _ = decompose_homography(plane)
    rotation, shift = decompose_essential(essentials[best])
    rotation = np.concatenate([rotation.reshape(-1, 3, 3), turns])
    shift = np.concatenate([shift.reshape(-1, 3), shifts / np.maximum(np.linalg.norm(shifts, axis=1), 1e-300)[:, None]])
    distance = sampson(cross_matrix(shift) @ rotation, x1, x2)
    depth1, depth2 = triangulate_pair(rotation, shift, x1, x2)
    good = (distance < 3 * scale) & (depth1 > 0) & (depth2 > 0)
    cost = np.where((depth1 > 0) & (depth2 > 0), np.minimum((distance / scale) ** 2, cut**2), cut**2).sum(1)
    order = np.argsort(cost, kind="stable")
    order = order[good[order].sum(1) * 2 >= n]
    if not len(order):
        return None
    grics = (
        gric(distance[order[0]], scale, 3, 5),
        gric(transfer(plane, x1, x2), scale, 2, 8),
        gric(transfer(turn, x1, x2), scale, 2, 3),
    )
    flat = grics[1] < grics[0]
    keep = _different(rotation, shift, order, 4)
    return TwoViews(rotation[keep], shift[keep], good[keep], flat, grics)


def _different(rotation: np.ndarray, shift: np.ndarray, order: np.ndarray, most: int) -> np.ndarray:
    """The first ``most`` motions of ``order`` that differ from each other by more than two degrees."""
    keep: list[int] = []
    for i in order:
        apart = [
            np.trace(rotation[i].T @ rotation[j]) < 1 + 2 * np.cos(0.035) or shift[i] @ shift[j] < np.cos(0.035)
            for j in keep
        ]
        if all(apart):
            keep.append(int(i))
        if len(keep) == most:
            break
    return np.array(keep)


def _turn_alone(x1: np.ndarray, x2: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """(3, 3) the rotation that takes the first view's rays to the second's, blunders weighed down."""
    a, b = homogeneous(x1), homogeneous(x2)
    a, b = a / np.linalg.norm(a, axis=1)[:, None], b / np.linalg.norm(b, axis=1)[:, None]
    weight = np.ones(len(a))
    for _ in range(10):
        rotation = best_turn(a, b, weight)
        gap = np.linalg.norm(a @ rotation.T - b, axis=1)
        width = max(float(np.median(gap)), float(np.median(sigma))) * 2
        weight = 1 / (1 + (gap / width) ** 2)
    return rotation


def best_turn(a: np.ndarray, b: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """(..., 3, 3) rotations R with R a = b in the least-squares sense (Kabsch 1976): (..., n, 3), weights (..., n)."""
    u, _, vt = np.linalg.svd(np.einsum("...n,...ni,...nj->...ij", weight, b, a))
    u = u.copy()
    u[..., 2] *= (np.linalg.det(u) * np.linalg.det(vt))[..., None]
    return np.asarray(u @ vt)
