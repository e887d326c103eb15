"""How well a tracker places what it sees: covariances of one match between two frames, from paint to pixels.

The tracker is the pyramidal one of Lucas and Kanade as Bouguet wrote it down and OpenCV ships it: a flat square window,
Scharr derivatives, samples by bilinear interpolation, translation only. Both frames carry noise of variance v, and its
estimate solves ``T d = sum over the window of gradient times difference``, so

    Cov = 2 v (T^-1 + r v T^-2),   r = GRADIENT_NOISE window^2:

the Cramer-Rao bound of registration (Robinson & Milanfar 2004, Pham et al. 2005), and the second frame's noise met
by the noise in the first one's gradients. T is the structure tensor of ``pattern``. Half of it is one frame's share.
Both constants are derived from the tracker's kernels in tests/outside/test_localisation_published.py, not fitted; the
whole is measured against the tracker by tests/outside/corner_bench.py.

Positions are pixels, contrasts and noise code values; leading axes (...) are free and broadcast against each other.
Input that is not finite, and patterns that hold a point in one direction only, have an infinite covariance and no
track.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import numpy as np

from ..problems import require_shape
from ..sources import GRADIENT_NOISE, PIXEL_BLUR, TRACKED, WINDOW
from .pattern import FLAT, blur_tensor, exact_tensor, fast_tensor, ring

Tensor = Callable[..., tuple[np.ndarray, np.ndarray]]

FARTHEST_PX = 1e5  # outlines are cut off there
SOFTEST_PX = 1e3  # a blur of this sigma leaves nothing
STRONGEST = 1e6  # code values
BATCH = 1 << 16
fast_tensor_with_moments = partial(fast_tensor, moments=True)
MATRIX = np.array([[0, 1], [1, 2]])  # places of xx, xy, yy
ROUND = np.array([[1], [0], [1]], np.float32)
TWO_RINGS = np.array([1, 2, 3, 0, 5, 6, 7, 4])
DISC_SIDES = 16
POINT_TURNS = 8


def corner_covariance(
    outline_px: np.ndarray,
    contrast: np.ndarray | float,
    noise: np.ndarray | float,
    defocus_px: np.ndarray | float = 0.0,
    motion_px: np.ndarray | Sequence[float] = (0.0, 0.0),
    window_px: float = WINDOW.value,
    *,
    at_px: np.ndarray | None = None,
    following: np.ndarray | None = None,
    level: np.ndarray | None = None,
    code_step: float = 1.0,
    limit_px: float = TRACKED.value,
    smallest_edge_px: float = 0.0,
    tensor: Tensor = fast_tensor,
) -> tuple[np.ndarray, np.ndarray]:
    """Covariance of a frame-to-frame match of a corner, and whether a tracker holds it.

    outline_px : (..., K, 2) the marker's outline in the picture, in order, either way round; fewer corners than K:
        the last one repeated
    contrast : (...) code values of the marker above (or below) what is around it
    noise : (...) standard deviation of the sensor's noise, code values
    defocus_px : (...) diameter of the defocus disc
    motion_px : (..., 2) image motion while the shutter is open
    window_px : side of the tracker's window
    at_px : (..., 2) the tracked point; absent: the outline's first corner
    following : (K,) the point after each, where there are several outlines (neighbours, holes), all the same way round
    level : (..., K) step across the edge from each point to the next, as a part of the contrast; absent: 1
    code_step : rounding of the recording, code values (1: eight bits)
    limit_px : largest sigma of a match that counts as tracked
    smallest_edge_px : shortest edge at the first corner that keeps it apart from the next one

    Returns (..., 2, 2) px^2 and (...) bool. Where a tracker holds the corner, the quick tensor's sigmas are those of
    :func:`corner_covariance_exact` within 1.5 % in 98 of 100 sharp cases; with defocus to 10 px and motion to 16 px
    within 5 % in nine of ten cases and within 10 % in 97 of 100 (tests/engine/test_sightings_corner.py). The rest are
    pointed corners smeared across as far as the window reaches.

    >>> square = np.array([[0, 0], [40, 0], [40, 40], [0, 40]])
    >>> covariance, trackable = corner_covariance(square, contrast=25, noise=2, defocus_px=2)
    >>> float(np.sqrt(np.linalg.eigvalsh(covariance)[1]).round(3)), bool(trackable)
    (0.073, True)
    """
    points, shape = _about(outline_px, at_px, contrast, noise, defocus_px, np.asarray(motion_px)[..., 0])
    if following is None and at_px is not None:
        following = ring(points.shape[1])
    if level is not None:
        level = _rows(np.moveaxis(np.asarray(level, float), -1, 0), shape, 1)
    motion = _rows(np.moveaxis(np.asarray(motion_px, float), -1, 0), shape, 1)
    found, _ = _structure(points, _rows(defocus_px, shape), motion, window_px, following, level, tensor)
    packed, sigma2 = _match(found, _rows(contrast, shape), _rows(noise, shape), window_px, code_step)
    trackable = sigma2 < limit_px**2
    if smallest_edge_px > 0:
        ends = (-1, 1) if following is None else (int(np.argmin(following)), int(following[0]))
        edges2 = np.square(points[:, ends] - points[:, :1]).sum(axis=0)
        trackable &= edges2.min(axis=0) >= smallest_edge_px**2
    return packed[[0, 1, 1, 2]].T.reshape(*shape, 2, 2), trackable.reshape(shape)


corner_covariance_exact = partial(corner_covariance, tensor=exact_tensor)
"""As :func:`corner_covariance` without its approximations: slow, to compare with."""


def corner_covariances(
    uv_px: np.ndarray,
    rings: Sequence[np.ndarray],
    wanted: np.ndarray,
    contrast: np.ndarray | float,
    noise: np.ndarray | float,
    defocus_px: np.ndarray | float,
    motion_px: np.ndarray,
    window_px: float = WINDOW.value,
    *,
    code_step: float = 1.0,
    limit_px: float = TRACKED.value,
) -> tuple[np.ndarray, np.ndarray]:
    """:func:`corner_covariance` for the corners of a whole layout over F frames.

    uv_px : (F, N, 2) pictures of N points; rings : markers of K corners each as (M, K) columns of these, in order
    wanted : (F, N) bool; contrast, noise, defocus_px : (F, N), or what broadcasts to it; motion_px : (F, N, 2)
    Returns (F, N, 3) float32: xx, xy, yy in px^2, infinite (xy 0) where not wanted; and (F, N) bool.
    """
    f, n = require_shape("wanted", wanted, (None, None)).shape
    u, v = (_table(z, f, n) for z in np.moveaxis(require_shape("uv_px", uv_px, (f, n, 2)), -1, 0))
    given = [_table(z, f, n) for z in (contrast, noise, defocus_px, motion_px[..., 0], motion_px[..., 1])]
    packed = np.full((3, f * n), np.inf, np.float32)
    packed[1] = 0
    trackable = np.zeros(f * n, bool)
    for columns in rings:
        m, k = columns.shape
        # Every corner with its marker's outline from itself on.
        turned = columns[:, (np.arange(k)[:, None] + np.arange(k)) % k].reshape(m * k, k).T
        frame, corner = np.divmod(np.flatnonzero(wanted[:, turned[0]]), m * k)
        for some in (np.s_[i : i + BATCH] for i in range(0, len(frame), BATCH)):
            rows = turned.take(corner[some], 1) + frame[some] * n
            here = rows[0]
            points = np.stack([u.take(rows) - u.take(here), v.take(rows) - v.take(here)])
            strength, sigma, disc, *motion = (z.take(here) if z.ndim else z for z in given)
            found, _ = _structure(points, disc, np.stack(motion), window_px, None, None, fast_tensor)
            match, sigma2 = _match(found, strength, sigma, window_px, code_step)
            for whole, part in zip(packed, match, strict=True):
                whole[here] = part
            trackable[here] = sigma2 < limit_px**2
    return np.moveaxis(packed.reshape(3, f, n), 0, -1), trackable.reshape(f, n)


def deformation_drift(
    outline_px: np.ndarray,
    deformation: np.ndarray,
    defocus_px: np.ndarray | float = 0.0,
    motion_px: np.ndarray | Sequence[float] = (0.0, 0.0),
    window_px: float = WINDOW.value,
    *,
    at_px: np.ndarray | None = None,
    following: np.ndarray | None = None,
    tensor: Tensor = fast_tensor_with_moments,
) -> np.ndarray:
    """How far a translation-only match lands from the point where the picture deforms (..., 2), px per frame.

    deformation : (..., 2, 2) A of the map x -> p' + A (x - p) of the picture about the point, to the next frame

    ``T^-1 integral of grad grad^T (A - I) (x - p)`` over the window: no noise in it, the same in every take, and it
    adds up over frames. Infinite where there is nothing to match. The quick tensor is off by less than 0.015 px in nine
    of ten cases, blurred ones, at deformations of 1 % that shift a match by 0.05 px.
    """
    bend = np.asarray(deformation, float) - np.eye(2)
    points, shape = _about(outline_px, at_px, bend[..., 0, 0], defocus_px, np.asarray(motion_px)[..., 0])
    if following is None and at_px is not None:
        following = ring(points.shape[1])
    motion = _rows(np.moveaxis(np.asarray(motion_px, float), -1, 0), shape, 1)
    (xx, xy, yy), moment = _structure(points, _rows(defocus_px, shape), motion, window_px, following, None, tensor)
    bent = _rows(np.moveaxis(bend, (-2, -1), (0, 1)), shape, 2)
    fit = np.isfinite(bent).all(axis=(0, 1)) & (xx * yy - xy * xy > FLAT * (xx + yy) ** 2)
    pull = np.einsum("icdr,cdr->ir", moment[MATRIX], np.where(fit, bent, 0.0))
    det = np.where(fit, xx * yy - xy * xy, 1.0)
    drift = np.stack([yy * pull[0] - xy * pull[1], xx * pull[1] - xy * pull[0]], axis=-1) / det[:, None]
    return np.where(fit[:, None], drift, np.inf).reshape(*shape, 2)


def deformation_between(before_px: np.ndarray, after_px: np.ndarray) -> np.ndarray:
    """A (..., 2, 2) of the affine map that takes an outline (..., K, 2) about its first corner to its next picture.

    Least squares over the corners; nan where they lie on a line.
    """
    a = before_px[..., 1:, :] - before_px[..., :1, :]
    b = after_px[..., 1:, :] - after_px[..., :1, :]
    aa, ba = np.swapaxes(a, -1, -2) @ a, np.swapaxes(b, -1, -2) @ a
    xx, xy, yy = aa[..., 0, 0], aa[..., 0, 1], aa[..., 1, 1]
    det = xx * yy - xy * xy
    det = np.where(det > FLAT**2 * (xx + yy) ** 2, det, np.nan)
    adjugate = np.stack([yy, -xy, -xy, xx], axis=-1).reshape(aa.shape)
    result: np.ndarray = ba @ adjugate / det[..., None, None]
    return result


def disc_covariance(
    axes_px: np.ndarray,
    contrast: np.ndarray | float,
    noise: np.ndarray | float,
    defocus_px: np.ndarray | float = 0.0,
    motion_px: np.ndarray | Sequence[float] = (0.0, 0.0),
    window_px: float = WINDOW.value,
    **options: Any,
) -> tuple[np.ndarray, np.ndarray]:
    """As :func:`corner_covariance` for a round marker tracked by its centre.

    axes_px : (..., 2, 2) pictures of two radii at right angles, one a row

    The ellipse is a polygon of 16 sides and the same area. Its rim has to lie in the window to count.
    """
    turn = 2 * np.pi * np.arange(DISC_SIDES) / DISC_SIDES
    reach = np.sqrt(2 * np.pi / (DISC_SIDES * np.sin(2 * np.pi / DISC_SIDES)))
    outline = reach * np.stack([np.cos(turn), np.sin(turn)], axis=-1) @ np.asarray(axes_px, float)
    return corner_covariance(outline, contrast, noise, defocus_px, motion_px, window_px, at_px=np.zeros(2), **options)


def band_covariance(
    along_px: np.ndarray,
    width_px: np.ndarray | float,
    contrast: np.ndarray | float,
    side_contrast: np.ndarray | float,
    noise: np.ndarray | float,
    defocus_px: np.ndarray | float = 0.0,
    motion_px: np.ndarray | Sequence[float] = (0.0, 0.0),
    window_px: float = WINDOW.value,
    **options: Any,
) -> tuple[np.ndarray, np.ndarray]:
    """As :func:`corner_covariance` for the middle of a tape band around a stand's pole.

    along_px : (..., 2) from the band's lower edge to its upper one; width_px : (...) of the pole across that
    contrast : (...) band against pole: the two edges across
    side_contrast : (...) pole and band alike against what stands behind them: the two sides, all through the window

    What stands behind is seldom known: the pole crosses screen and markers as the camera moves. Give the typical step;
    with 0 the band is held along the pole alone, and so not tracked.
    """
    along = np.asarray(along_px, float)
    width, across, side = (np.asarray(z, float)[..., None] for z in (width_px, contrast, side_contrast))
    length = np.sqrt(np.square(along).sum(axis=-1, keepdims=True))
    unit = along / np.where(length > 0, length, np.nan)
    half = 0.5 * width * np.stack([-unit[..., 1], unit[..., 0]], axis=-1)
    tall = unit * (0.5 * length + 3 * window_px)
    corners = [-half - along / 2, half - along / 2, half + along / 2, along / 2 - half]
    pole = [-half - tall, half - tall, half + tall, tall - half]
    outline = np.stack(np.broadcast_arrays(*corners, *pole), axis=-2)
    strongest = np.maximum(np.maximum(np.abs(across), np.abs(side)), 1e-12)
    over, beside = np.broadcast_arrays(across / strongest, side / strongest)
    none = np.zeros_like(over)
    level = np.concatenate([over, none, over, none, none, beside, none, beside], axis=-1)
    return corner_covariance(
        outline, strongest[..., 0], noise, defocus_px, motion_px, window_px,
        at_px=np.zeros(2), following=TWO_RINGS, level=level, **options,
    )  # fmt: skip


def point_covariance(
    size_px: np.ndarray | float,
    contrast: np.ndarray | float,
    noise: np.ndarray | float,
    defocus_px: np.ndarray | float = 0.0,
    motion_px: np.ndarray | Sequence[float] = (0.0, 0.0),
    window_px: float = WINDOW.value,
    *,
    code_step: float = 1.0,
    limit_px: float = TRACKED.value,
) -> tuple[np.ndarray, np.ndarray]:
    """As :func:`corner_covariance` for a hard point of gear, whose look the plan does not tell.

    size_px : (...) length of the edges that meet in it

    Taken for a square corner that may point anywhere: the mean structure tensor over its turns.
    """
    turn = 2 * np.pi * np.arange(POINT_TURNS) / POINT_TURNS
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    turned = np.stack([np.cos(turn), -np.sin(turn), np.sin(turn), np.cos(turn)], axis=-1).reshape(-1, 1, 2, 2)
    outline = np.asarray(size_px, float)[..., None, None, None] * (turned @ square[..., None])[..., 0]
    motion = np.asarray(motion_px, float)
    points, shape = _about(
        outline, None, *(np.asarray(z)[..., None] for z in (contrast, noise, defocus_px, motion[..., 0]))
    )
    view = partial(_rows, shape=shape)
    moved = view(np.moveaxis(motion[..., None, :], -1, 0), axes=1)
    found, _ = _structure(points, view(np.asarray(defocus_px)[..., None]), moved, window_px, None, None, fast_tensor)
    mean = found.reshape(3, -1, POINT_TURNS).mean(axis=-1)
    strength, sigma = (view(np.asarray(z)[..., None]).reshape(-1, POINT_TURNS)[:, 0] for z in (contrast, noise))
    packed, sigma2 = _match(mean, strength, sigma, window_px, code_step)
    return packed[[0, 1, 1, 2]].T.reshape(*shape[:-1], 2, 2), (sigma2 < limit_px**2).reshape(shape[:-1])


def _about(outline_px: np.ndarray, at_px: np.ndarray | None, *others: Any) -> tuple[np.ndarray, tuple[int, ...]]:
    """Outlines about the tracked point as (2, K, R), and the common shape (...) of all arguments."""
    outline = np.asarray(outline_px, float)
    if outline.ndim < 2 or outline.shape[-1] != 2:
        raise ValueError(f"outline_px has shape {outline.shape}; wanted (..., K, 2)")
    at = outline[..., :1, :] if at_px is None else np.asarray(at_px, float)[..., None, :]
    with np.errstate(invalid="ignore", over="ignore"):
        outline = outline - at
    shape = np.broadcast_shapes(outline.shape[:-2], *map(np.shape, others))
    return _rows(np.moveaxis(outline, (-1, -2), (0, 1)), shape, 2), shape


def _rows(value: np.ndarray | float, shape: tuple[int, ...], axes: int = 0) -> np.ndarray:
    """``value`` broadcast to ``shape`` behind its first ``axes``, that shape made one axis of R."""
    value = np.asarray(value, float)
    lead = value.shape[:axes]
    value = value.reshape((*lead, *(1,) * (len(shape) - value.ndim + axes), *value.shape[axes:]))
    return np.broadcast_to(value, (*lead, *shape)).reshape(*lead, -1)


def _table(value: np.ndarray | float, f: int, n: int) -> np.ndarray:
    """One number as it is, anything else as (F * N,) side by side: quick to take from."""
    with np.errstate(over="ignore"):
        array = np.asarray(value, np.float32)
    return np.ascontiguousarray(np.broadcast_to(array, (f, n))).reshape(-1) if array.ndim else array


def _structure(
    points: np.ndarray,
    defocus: np.ndarray,
    motion: np.ndarray,
    window_px: float,
    following: np.ndarray | None,
    level: np.ndarray | None,
    tensor: Tensor,
) -> tuple[np.ndarray, np.ndarray]:
    """Tensor (3, R) and moments (3, 2, R) at contrast 1; 0 where something is not finite or the blur leaves nothing."""
    with np.errstate(invalid="ignore", over="ignore"):
        blur = np.ascontiguousarray(blur_tensor(defocus, motion, PIXEL_BLUR.value), np.float32)
        points = np.ascontiguousarray(points, np.float32)
        fit = (np.abs(points).max(axis=(0, 1)) < np.inf) & (blur[0] + blur[2] < SOFTEST_PX**2)
    points = np.minimum(np.maximum(points, np.float32(-FARTHEST_PX)), np.float32(FARTHEST_PX))
    if fit.all():
        return tensor(points, blur, window_px / 2, following, level)
    points, blur = np.where(fit, points, np.float32(0)), np.where(fit, blur, ROUND)
    found, moments = tensor(points, blur, window_px / 2, following, level)
    return found * fit, moments * fit


def _match(
    found: np.ndarray, contrast: np.ndarray, noise: np.ndarray, window_px: float, code_step: float
) -> tuple[np.ndarray, np.ndarray]:
    """Covariance (3, R) of a match and its larger axis squared (R,), from the tensor at contrast 1."""
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        v = noise * noise + code_step**2 / 12
        xx, xy, yy = found * np.square(np.minimum(np.abs(contrast), STRONGEST))
        det, trace = xx * yy - xy * xy, xx + yy
        # The inverse T' has trace / det for its trace and 1 / det for its determinant, so T'^2 = (trace T' - 1) / det.
        more = GRADIENT_NOISE.value * window_px**2 * v / det
        packed = 2 * v / det * np.stack([yy, -xy, xx]) * (1 + more * trace)
        packed[::2] -= 2 * v * more
        lost = ~(det > FLAT * trace * trace) | ~np.isfinite(packed).all(axis=0)
        if lost.any():
            packed[:, lost] = [[np.inf], [0.0], [np.inf]]
        a, b, c = packed
        sigma2 = 0.5 * (a + c) + np.sqrt(0.25 * np.square(a - c) + b * b)
    return packed, np.where(lost, np.inf, sigma2)
