"""The glyphs of the three states as flat meshes: firm a filled ring, thin half filled, lost open with a bar through it."""

from __future__ import annotations

import numpy as np

AROUND = 16
OUTER, INNER, CORE = 1.0, 0.86, 0.62


def glyph_faces() -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """Points (P, 2) in units of the radius, faces, and for each face its glyph: 1 firm, 2 thin, 3 lost.

    The middle stays free for the marker: "filled" thickens the ring inwards, on one half only for thin.
    """
    turn = np.arange(AROUND) * (2 * np.pi / AROUND)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    bar = np.array([[-0.9, -0.06], [0.9, -0.06], [0.9, 0.06], [-0.9, 0.06]]) @ _turned(np.pi / 4)
    points = np.concatenate([circle * OUTER, circle * INNER, circle * CORE, bar])
    i, j = np.arange(AROUND), (np.arange(AROUND) + 1) % AROUND
    rim = np.stack([i, j, j + AROUND, i + AROUND], axis=1)
    fill = rim + AROUND
    parts = [
        (1, [*rim, *fill]),
        (2, [*rim, *fill[: AROUND // 2]]),
        (3, [*rim, np.arange(4) + 3 * AROUND]),
    ]
    faces = [face for _, group in parts for face in group]
    return points, faces, np.concatenate([np.full(len(group), glyph) for glyph, group in parts])


def _turned(angle: float) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, s], [-s, c]])
