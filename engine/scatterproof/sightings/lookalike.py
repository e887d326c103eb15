"""Which corners a tracker may take for one another: normalised correlation of what it would see of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..sources import PIXEL_BLUR, WINDOW
from .pattern import erf

SCANLINES = 4  # a pixel row: a level edge is off by an eighth at most
SIGMAS = 3  # of blur beyond the window that are drawn


def patches(outlines_px: np.ndarray, blur_px: float = PIXEL_BLUR.value, window_px: float = WINDOW.value) -> np.ndarray:
    """What a tracker's window holds of N corners (N, w, w), at contrast 1.

    outlines_px : (N, K, 2) about the corner; fewer corners than K: the last one repeated
    blur_px : sigma of the whole blur, the same for all and all round

    Shares of the outlines along scan lines, exact across, then a Gaussian: enough to tell patterns apart, too coarse to
    place them.
    """
    half = int(window_px) // 2
    reach = half + int(np.ceil(SIGMAS * blur_px))
    column = np.arange(-reach, reach + 1)
    row = (np.arange((2 * reach + 1) * SCANLINES) + 0.5) / SCANLINES - reach - 0.5
    start = np.moveaxis(np.asarray(outlines_px, float), 1, 0)
    share = np.zeros((start.shape[1], len(row), len(column)))
    for a, b in zip(start, np.roll(start, -1, axis=0), strict=True):
        (ax, ay), (bx, by) = a.T[..., None], b.T[..., None]
        # Ends are compared as they stand, so that a scan line through a corner crosses one of its edges or both.
        crossed = (ay <= row).astype(float) - (by <= row)
        x = ax + (row - ay) / np.where(by == ay, 1.0, by - ay) * (bx - ax)
        share += crossed[..., None] * np.clip(column + 0.5 - x[..., None], 0, 1)
    share = np.abs(share).reshape(-1, len(column), SCANLINES, len(column)).mean(axis=2)
    # The pixel itself is drawn, so the rest of its blur is left to the Gaussian.
    spread = np.sqrt(max(blur_px**2 - 1 / 12, 1e-6) * 2)
    away = (np.arange(-half, half + 1)[:, None] - column) / spread
    weight = 0.5 * (erf(away + 0.5 / spread) - erf(away - 0.5 / spread))
    result: np.ndarray = weight @ share @ weight.T
    return result


def likeness(first: np.ndarray, second: np.ndarray, slack_px: int = 1) -> np.ndarray:
    """Normalised correlation (N, M) of patches (N, w, w) and (M, w, w): 1 the same, 0 nothing in common, -1 inverted.

    The best of all shifts by up to ``slack_px``: a search stops where it fits best. A patch without any pattern is
    like no other.
    """
    best = np.full((len(first), len(second)), -1.0)
    w = first.shape[-1]
    inner = np.s_[:, slack_px : w - slack_px, slack_px : w - slack_px]
    template = _unit(first[inner])
    for dy, dx in np.ndindex(2 * slack_px + 1, 2 * slack_px + 1):
        size = w - 2 * slack_px
        there = _unit(second[:, dy : dy + size, dx : dx + size])
        np.maximum(best, template @ there.T, out=best)
    return best


def _unit(patch: np.ndarray) -> np.ndarray:
    flat = patch.reshape(len(patch), -1)
    flat = flat - flat.mean(axis=1, keepdims=True)
    norm = np.sqrt(np.square(flat).sum(axis=1, keepdims=True))
    result: np.ndarray = flat / np.where(norm > 1e-6, norm, np.inf)
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Doubles:
    """The likest other corner within a search range, for every corner in every frame; 0, -1, 0 where there is none."""

    alike: np.ndarray  # (F, N) likeness, 0 to 1
    which: np.ndarray  # (F, N) int: that other corner
    chance: np.ndarray  # (F, N) 0 to 1/2: that noise alone makes a search prefer it


def lookalikes(
    uv_px: np.ndarray,
    rings: Sequence[np.ndarray],
    seen: np.ndarray,
    range_px: np.ndarray | float,
    blur_px: np.ndarray | float = PIXEL_BLUR.value,
    window_px: float = WINDOW.value,
    contrast: np.ndarray | float = 1.0,
    noise: np.ndarray | float = 0.0,
) -> Doubles:
    """The nearest doubles of all corners.

    uv_px : (F, N, 2) pictures of N points; rings : markers of K corners each as (M, K) columns of these, in order
    seen : (F, N) bool: corners in sight, others neither jump nor are jumped to
    range_px : (F,) how far from the right place a tracker searches; blur_px : (F,) sigma of the whole blur
    contrast, noise : (F, N) or what broadcasts to it, code values

    Corners of the same marker count: they are the nearest. Frames are looked at one by one, some 0.1 s each for 2,400
    corners; a few per shot tell enough.
    """
    f, n = seen.shape
    worst, which, chance = np.zeros((f, n)), np.full((f, n), -1), np.zeros((f, n))
    reach, soft = (np.broadcast_to(np.asarray(z, float), f) for z in (range_px, blur_px))
    strength, sigma = (np.broadcast_to(np.asarray(z, float), (f, n)) for z in (contrast, noise))
    for frame in range(f):
        rows, patch = _in_sight(uv_px[frame], rings, seen[frame], float(soft[frame]), window_px)
        if len(rows) < 2:
            continue
        here = uv_px[frame, rows]
        near = np.square(here[:, None] - here).sum(axis=-1) <= reach[frame] ** 2
        np.fill_diagonal(near, False)
        alike = np.where(near, likeness(patch, patch), -1.0)
        best = alike.argmax(axis=1)
        value = alike[np.arange(len(rows)), best]
        found = value > 0
        energy = np.square(patch - patch.mean(axis=(1, 2), keepdims=True)).sum(axis=(1, 2)) * strength[frame, rows] ** 2
        jumps = jump_chance(np.clip(value, 0, 1), energy, energy[best], sigma[frame, rows], window_px)
        worst[frame, rows], which[frame, rows] = np.where(found, value, 0), np.where(found, rows[best], -1)
        chance[frame, rows] = np.where(found, jumps, 0)
    return Doubles(worst, which, chance)


def _in_sight(
    uv_px: np.ndarray, rings: Sequence[np.ndarray], seen: np.ndarray, blur_px: float, window_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Corners in sight (R,) of one frame, and what a tracker sees of each (R, w, w)."""
    corner, drawn = [np.empty(0, int)], [np.empty((0, *(2 * (int(window_px) // 2) + 1,) * 2))]
    for columns in rings:
        m, k = columns.shape
        turned = columns[:, (np.arange(k)[:, None] + np.arange(k)) % k].reshape(m * k, k)
        turned = turned[seen[turned[:, 0]]]
        outline = uv_px[turned]
        drawn.append(patches(outline - outline[:, :1], blur_px, window_px))
        corner.append(turned[:, 0])
    return np.concatenate(corner), np.concatenate(drawn)


def jump_chance(
    alike: np.ndarray, energy: np.ndarray, other_energy: np.ndarray, noise: np.ndarray | float, window_px: float
) -> np.ndarray:
    """Chance that a search by least squares prefers the other place to the right one, from noise alone.

    alike : likeness of the two; energy : sum over the window of each pattern's squared deviation from its mean, codes^2
    noise : standard deviation in either frame, code values

    The two sums of squares differ by D^2 = the patterns' squared distance on average, with variance 8 v D^2 + 12 n v^2
    for n pixels (second moments of the noises' products). One half for the same pattern; what makes trackers jump
    between patterns that are nearly alike is more often that the right one has changed: turned, smeared, half hidden.
    """
    distance2 = np.maximum(energy + other_energy - 2 * alike * np.sqrt(energy * other_energy), 0)
    v = np.square(np.asarray(noise, float))
    spread = np.sqrt(8 * v * distance2 + 12 * window_px**2 * v * v)
    score = np.divide(distance2, spread, out=np.zeros_like(distance2), where=spread > 0)
    score = np.where((spread == 0) & (distance2 > 0), np.inf, score)
    result: np.ndarray = 0.5 * (1 - erf(score / np.sqrt(2)))
    return result
