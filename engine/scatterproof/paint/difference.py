"""How different two colours look: CIELAB under daylight, and the CIEDE2000 colour difference."""

from __future__ import annotations

import numpy as np

# IEC 61966-2-1 (sRGB primaries, D65), from memory.
XYZ_FROM_LINEAR = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = XYZ_FROM_LINEAR.sum(axis=1)


def lab_of(linear: np.ndarray) -> np.ndarray:
    """CIELAB (..., 3) of linear-light sRGB (..., 3). Source: CIE 15, D65.

    >>> lab_of(np.array([1.0, 1.0, 1.0])).round(6).tolist()
    [100.0, 0.0, 0.0]
    """
    ratio = np.asarray(linear, float) @ XYZ_FROM_LINEAR.T / WHITE
    bend = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = np.moveaxis(bend, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def ciede2000(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Colour difference (...) of CIELAB colours (..., 3).

    Sharma, Wu & Dalal, "The CIEDE2000 color-difference formula: implementation notes, supplementary test data, and
    mathematical observations", Color Research and Application 30(1), 2005 (from memory).
    """
    l1, a1, b1 = np.moveaxis(np.asarray(one, float), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(other, float), -1, 0)
    mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 1.5 - 0.5 * np.sqrt(mean**7 / (mean**7 + 25.0**7))
    a1, a2 = a1 * g, a2 * g
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    grey = c1 * c2 == 0
    turn = (h2 - h1 + 180) % 360 - 180
    # At exactly half a turn the sign is the larger hue's; the modulo gives -180 for both.
    turn = np.where(np.abs(h2 - h1) == 180, h2 - h1, turn)
    turn = np.where(grey, 0, turn)
    hue = np.where(np.abs(h1 - h2) <= 180, (h1 + h2) / 2, (h1 + h2 + np.where(h1 + h2 < 360, 360, -360)) / 2)
    hue = np.where(grey, h1 + h2, hue)
    lightness, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    t = 1 - 0.17 * _cos(hue - 30) + 0.24 * _cos(2 * hue) + 0.32 * _cos(3 * hue + 6) - 0.20 * _cos(4 * hue - 63)
    off = (lightness - 50) ** 2
    dl = (l2 - l1) / (1 + 0.015 * off / np.sqrt(20 + off))
    dc = (c2 - c1) / (1 + 0.045 * chroma)
    dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2)) / (1 + 0.015 * chroma * t)
    bluish = np.exp(-(((hue - 275) / 25) ** 2))
    twist = -np.sin(np.radians(60 * bluish)) * 2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7))
    out: np.ndarray = np.sqrt(np.maximum(dl * dl + dc * dc + dh * dh + twist * dc * dh, 0))
    return out


def _cos(degrees: np.ndarray) -> np.ndarray:
    out: np.ndarray = np.cos(np.radians(degrees))
    return out
