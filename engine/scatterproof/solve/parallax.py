"""Parallax: the part of the image motion that no homography explains, and the depths it tells apart.

Between two frames of a moving camera the points of a plane move by a homography, and so does everything when the camera
only turns (Hartley & Zisserman, *Multiple View Geometry*, 2nd ed. 2003, ch. 13). What is left after the best
homography is the only thing that tells a solver how near is near. It is measured here as the amplitude of that rest
over all common features, in units of its own standard deviation: 10 sigma means that the amplitude, and with it the
camera's travel against the scene, is known to a tenth by this pair of frames.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..camera.track import CameraTrack
from ..sources import DEPTH_GAP, NODAL

SMALLEST_STEP = 4  # frames: half the shortest track, so that every track holds a pair
PAIR_CELLS = 50000  # pairs x features worked on at a time, bounds the memory


@dataclass(frozen=True, slots=True, eq=False)
class Parallax:
    """F frames."""

    signal_sigma: np.ndarray  # (F,) out-of-plane signal of the frame's best partner
    partner: np.ndarray  # (F,) int: row of that partner, -1 where there is none
    depths: np.ndarray  # (F,) int: depths that pair tells apart; 1 for a plane, 0 without features


def measure_parallax(
    points_m: np.ndarray, track: CameraTrack, seen: np.ndarray, run_start: np.ndarray, sigma_px: np.ndarray | float,
    most: int | None = None,
) -> Parallax:  # fmt: skip
    """Out-of-plane signal and depths told apart, per frame.

    Each frame is paired with frames before and after it, at distances that double, and keeps the pair with the
    strongest signal. A feature serves a pair when one unbroken track holds it in both frames.

    points_m : (N, 3)
    seen : (F, N) bool, sightings that count
    run_start : (F, N) int, first row of the run of frames each sighting belongs to
    sigma_px : (F, N), or one for all: standard deviation of a feature's position in one frame, recorded pixels
    most : depths are counted no further than this
    """
    frames = len(track)
    ever = np.flatnonzero(seen.any(axis=0))
    sigma_px = np.broadcast_to(np.asarray(sigma_px, np.float32), seen.shape)[:, ever]
    seen, run_start = seen[:, ever], run_start[:, ever]
    image, mean, unit_px = _normalised(points_m[ever], track, seen)
    signal, partner = np.zeros(frames), np.full(frames, -1)
    at_once = max(1, PAIR_CELLS // max(1, len(ever)))
    for first, second in _pairs(frames, at_once):
        common = _common(seen, run_start, first, second)
        trust = _trust(sigma_px, first, second, common)
        rest, _ = homography_rest(image[first], image[second], trust)
        amplitude = np.sqrt(np.einsum("pni,pni,pn->p", rest, rest, trust)) * unit_px[second]
        for row, other in ((first, second), (second, first)):
            better = amplitude > signal[row]
            signal[row[better]], partner[row[better]] = amplitude[better], other[better]
    depths = seen.any(axis=1).astype(int)
    for row, other in _parts(np.flatnonzero(partner >= 0), partner[partner >= 0], at_once):
        common = _common(seen, run_start, row, other)
        trust = _trust(sigma_px, row, other, common)
        rest, _ = homography_rest(image[row], image[other], trust)
        epipole = _epipole(track, row, other)
        # the same point in the other frame's normalised coordinates
        epipole[:, :2] = (epipole[:, :2] - mean[other] * epipole[:, 2:]) / unit_px[other, None]
        towards = epipole[:, None, :2] - image[other] * epipole[:, None, 2:]
        signed = np.copysign(np.linalg.norm(rest, axis=-1), np.einsum("pni,pni->pn", rest, towards))
        depths[row] = levels(signed * unit_px[other, None], trust, most)
    return Parallax(signal, partner, depths)


def pinhole_px(points_m: np.ndarray, track: CameraTrack, frames: slice = slice(None)) -> np.ndarray:
    """(F, N, 2) image positions about the principal point without distortion, pixels."""
    turn = track.world_from_cam[frames, :3, :3]
    local = points_m @ turn - np.einsum("fi,fij->fj", track.centre_m[frames], turn)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        image: np.ndarray = local[..., :2] / local[..., 2:] * track.focal_px[frames, None]
    return image


def is_rotation_only(track: CameraTrack, nearest_m: float, sigma_px: float) -> bool:
    """Whether the move is nodal: over the whole shot not even the nearest feature shifts against infinity."""
    from_mean = np.linalg.norm(track.centre_m - track.centre_m.mean(axis=0), axis=1).max()
    return bool(track.focal_px.max() * 2 * from_mean / nearest_m < NODAL.value * sigma_px)


def homography_rest(first: np.ndarray, second: np.ndarray, trust: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the best homography from the first to the second image leaves, per pair of frames.

    Direct linear transform; two re-weightings turn the algebraic into the geometric error of the second image
    (Hartley & Zisserman 2003, sections 4.1 to 4.4). Wants coordinates of order one, centred (section 4.4.4).

    first, second : (P, N, 2), finite
    trust : (P, N) weights, bool or one over the variance of a rest; zero where the two images do not share the point
    returns rest : (P, N, 2), zero where not shared and for pairs that share fewer than five points;
            homography : (P, 3, 3)
    """
    x, y = first[..., 0], first[..., 1]
    u, v = second[..., 0], second[..., 1]
    ones = np.ones_like(x)
    products = np.stack([x * x, x * y, x, y * y, y, ones], axis=1)
    targets = np.stack([ones, u, v, u * u + v * v], axis=-1)
    common, weight = trust > 0, trust.astype(float)
    for _ in range(3):
        h = _smallest(products @ (targets * weight[..., None]))
        scale = x * h[:, 2, 0, None] + y * h[:, 2, 1, None] + h[:, 2, 2, None]
        safe = np.where(np.abs(scale) > 1e-12, scale, 1.0)
        weight = trust / safe**2
    mapped = (first @ h[:, :2, :2].transpose(0, 2, 1) + h[:, None, :2, 2]) / safe[..., None]
    kept = common & (common.sum(axis=1) >= 5)[:, None]
    return np.where(kept[..., None], second - mapped, 0.0), h


def _pairs(frames: int, at_once: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Frame rows at distances that double, and every row with both ends of the shot."""
    rows, step = np.arange(frames), SMALLEST_STEP
    while step < frames - 1:
        yield from _parts(rows[:-step], rows[step:], at_once)
        step *= 2
    yield from _parts(rows[1:] * 0, rows[1:], at_once)
    yield from _parts(rows[1:-1], rows[1:-1] * 0 + frames - 1, at_once)


def _trust(sigma_px: np.ndarray, first: np.ndarray, second: np.ndarray, common: np.ndarray) -> np.ndarray:
    """(P, N) one over the variance, px^2, of a rest between two frames: it holds the noise of both."""
    variance = np.square(sigma_px[first]) + np.square(sigma_px[second])
    trust: np.ndarray = np.divide(1.0, variance, out=np.zeros(common.shape), where=common & np.isfinite(variance))
    return trust


def _parts(first: np.ndarray, second: np.ndarray, at_once: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    for start in range(0, len(first), at_once):
        yield first[start : start + at_once], second[start : start + at_once]


def _common(seen: np.ndarray, run_start: np.ndarray, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """(P, N) bool: one unbroken track holds the feature in both frames."""
    common: np.ndarray = seen[first] & seen[second] & (run_start[first] == run_start[second])
    return common


def _normalised(points_m: np.ndarray, track: CameraTrack, seen: np.ndarray) -> tuple[np.ndarray, ...]:
    """Pinhole images of seen points about each frame's mean in units of their spread, the others zero: (F, N, 2);
    the means (F, 2) and the units (F,) in pixels. Frame by frame, since the tables are large."""
    image, mean, unit = np.zeros((*seen.shape, 2)), np.zeros((len(seen), 2)), np.ones(len(seen))
    for row in range(len(seen)):
        columns = np.flatnonzero(seen[row])
        if not len(columns):
            continue
        pixels = pinhole_px(points_m[columns], track, slice(row, row + 1))[0]
        mean[row] = pixels.mean(axis=0)
        pixels -= mean[row]
        unit[row] = np.sqrt(np.einsum("ni,ni->", pixels, pixels) / len(columns)) or 1.0
        image[row, columns] = pixels / unit[row]
    return image, mean, unit


def _smallest(sums: np.ndarray) -> np.ndarray:
    """The homographies (P, 3, 3) that minimise the algebraic error, from the (P, 6, 4) weighted sums."""
    full = sums[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3, 4)
    normal = np.zeros((len(sums), 9, 9))
    normal[:, 0:3, 0:3] = normal[:, 3:6, 3:6] = full[..., 0]
    normal[:, 0:3, 6:9] = -full[..., 1]
    normal[:, 3:6, 6:9] = -full[..., 2]
    normal[:, 6:9, 0:3] = -full[..., 1].transpose(0, 2, 1)
    normal[:, 6:9, 3:6] = -full[..., 2].transpose(0, 2, 1)
    normal[:, 6:9, 6:9] = full[..., 3]
    h: np.ndarray = np.linalg.eigh(normal)[1][:, :, 0].reshape(-1, 3, 3)
    return h


def _epipole(track: CameraTrack, row: np.ndarray, other: np.ndarray) -> np.ndarray:
    """(P, 3) homogeneous image, about the principal point, of the camera at ``row`` seen from ``other``."""
    turn = track.world_from_cam[other, :3, :3]
    travel: np.ndarray = np.einsum("pji,pj->pi", turn, track.centre_m[row] - track.centre_m[other])
    travel[:, :2] *= track.focal_px[other]
    return travel


def levels(rest_px: np.ndarray, trust: np.ndarray, most: int | None = None) -> np.ndarray:
    """(P,) greedy count of rests that differ for sure from the level before; no further than ``most``.

    rest_px : (P, N) signed; trust : (P, N) one over their variance, zero where there is none

    The next level is the rest that surely differs from the last one and whose own range ends first.
    """
    own = np.divide(DEPTH_GAP.value**2, trust, out=np.full_like(trust, np.inf), where=trust > 0)
    ends = rest_px + np.sqrt(own / 2)
    count, level, range2 = np.zeros(len(trust), int), np.full(len(trust), -np.inf), np.zeros(len(trust))
    pair = np.arange(len(trust))
    while trust.shape[1] and (most is None or count.max(initial=0) < most):
        step = rest_px - level[:, None]
        beyond = (trust > 0) & (step > 0) & (step * step >= own + range2[:, None])
        going = beyond.any(axis=1)
        if not going.any():
            break
        chosen = np.where(beyond, ends, np.inf).argmin(axis=1)
        level = np.where(going, rest_px[pair, chosen], level)
        range2 = np.where(going, own[pair, chosen], range2)
        count += going
    return count
