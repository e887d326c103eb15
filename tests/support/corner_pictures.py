"""Pictures of corners by two renderers that share nothing with the engine or each other, and a tracker's matches.

Coordinates: pixel (0, 0) is the centre of the top-left pixel, x right, y down.
"""

import cv2
import numpy as np
from scipy.special import j1
from scipy.stats import qmc


def coverage(rings, size, fine, scanlines=4):
    """Share of each cell inside the outlines (size * fine,) * 2, cells of 1 / fine px.

    Exact across, scan line by scan line; overlapping outlines add up.
    """
    n = size * fine
    across = np.arange(n)
    height = (np.arange(n * scanlines) + 0.5) / scanlines
    share = np.zeros((n * scanlines, n), np.float32)
    for ring in rings:
        corners = (np.asarray(ring) + 0.5) * fine
        own = np.zeros_like(share)
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            low, high = np.searchsorted(height, sorted((a[1], b[1])))
            if low == high:
                continue
            x = a[0] + (height[low:high] - a[1]) * (b[0] - a[0]) / (b[1] - a[1])
            own[low:high] += np.sign(b[1] - a[1]) * np.clip(across + 1 - x[:, None], 0, 1)
        share += np.abs(own)
    return share.reshape(n, scanlines, n).mean(axis=1)


def painted(rings, size, disc_px, motion_px, fine=4):
    """(size, size) share of the outlines in square pixels after a true disc and a true line of blur (by Fourier)."""
    share = coverage(rings, size, fine)
    if disc_px or np.any(motion_px):
        fy, fx = np.fft.fftfreq(size * fine)[:, None] * fine, np.fft.rfftfreq(size * fine)[None] * fine
        q = np.pi * disc_px * np.hypot(fx, fy)
        disc = np.where(q > 1e-9, 2 * j1(q) / np.where(q > 1e-9, q, 1), 1)
        line = np.sinc(fx * motion_px[0] + fy * motion_px[1])
        share = np.fft.irfft2(np.fft.rfft2(share) * disc * line, s=share.shape)
    return share.reshape(size, fine, size, fine).mean(axis=(1, 3))


def sampled(rings, size, disc_px, motion_px, rng, samples=1024, width_px=1.5):
    """(size, size) as :func:`painted`, by throwing samples at pixel, lens and shutter as a path tracer does.

    Pixels are weighted by a Blackman-Harris window 1.5 px wide, a usual default of path tracers (from memory).
    """
    u = qmc.Sobol(5, seed=rng).random(samples)
    at = (np.arange(4096) + 0.5) / 4096
    window = (
        0.35875 - 0.48829 * np.cos(2 * np.pi * at) + 0.14128 * np.cos(4 * np.pi * at) - 0.01168 * np.cos(6 * np.pi * at)
    )
    offset = (np.interp(u[:, :2], np.cumsum(window) / window.sum(), at) - 0.5) * width_px
    lens = np.sqrt(u[:, 2]) * disc_px / 2
    offset += np.stack([lens * np.cos(2 * np.pi * u[:, 3]), lens * np.sin(2 * np.pi * u[:, 3])], axis=-1)
    offset += (u[:, 4:] - 0.5) * motion_px
    pixel = np.stack(np.meshgrid(np.arange(size), np.arange(size)), axis=-1).reshape(-1, 2)
    # Only pixels that a sample can carry over an edge are worth the work.
    reach = np.abs(offset).max() * np.sqrt(2) + 1
    share = np.zeros(len(pixel))
    for ring in rings:
        ring = np.asarray(ring)
        edge = np.roll(ring, -1, axis=0) - ring
        away = pixel[:, None] - ring
        t = np.clip((away * edge).sum(-1) / np.maximum((edge**2).sum(-1), 1e-12), 0, 1)
        near = np.sqrt(((away - t[..., None] * edge) ** 2).sum(-1).min(-1)) < reach
        share += ~near & _within(ring, edge, pixel.astype(float))
        points = pixel[near][:, None] + offset  # a Sobol set turned anew for every pixel would only add noise
        share[near] += _within(ring, edge, points.reshape(-1, 2)).reshape(-1, samples).mean(axis=1)
    return share.reshape(size, size)


def _within(ring, edge, points):
    inside = np.zeros(len(points), bool)
    for a, e in zip(ring, edge, strict=True):
        if e[1] == 0:
            continue
        t = (points[:, 1] - a[1]) / e[1]
        inside ^= (t >= 0) & (t < 1) & (points[:, 0] < a[0] + t * e[0])
    return inside


def srgb_code(linear):
    """8-bit code values, not rounded (IEC 61966-2-1, from memory)."""
    linear = np.asarray(linear, float)
    return 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)


def matches(first, second, point, noise, window, seeds, rng, levels=2):
    """Where the tracker finds the point of one picture in another, over seeds of noise: (seeds, 2) px, (seeds,) found.

    Pictures are code values, not rounded; every match sees its own noisy, rounded copies of both. The copies stand side
    by side in one large picture, far enough apart that no pyramid window sees two of them.
    """
    size = len(first)
    across = int(np.ceil(np.sqrt(seeds)))
    down = -(-seeds // across)

    def noisy(picture):
        copies = np.tile(picture.astype(np.float32), (down, across))
        copies += noise * rng.standard_normal(copies.shape, dtype=np.float32)
        return np.clip(np.rint(copies), 0, 255).astype(np.uint8)

    row, column = np.divmod(np.arange(seeds), across)
    start = (np.stack([column, row], axis=-1) * size + point).astype(np.float32)[:, None]
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-3)
    options = {"winSize": (window, window), "maxLevel": levels, "criteria": criteria}
    end, found, _ = cv2.calcOpticalFlowPyrLK(noisy(first), noisy(second), start, None, **options)
    return (end - start)[:, 0].astype(float), found[:, 0] > 0
