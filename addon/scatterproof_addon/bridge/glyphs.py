"""The glyphs of the three states as flat meshes: firm a filled ring, thin half filled, lost open with a bar."""

from __future__ import annotations

import numpy as np
from scatterproof.readiness.verdict import FIRM, LOST, THIN

AROUND = 24
OUTER, INNER, CORE = 1.0, 0.87, 0.7  # "filled" thickens the ring from INNER to CORE; the middle stays free
BAR = 0.085  # half the width of the bar through a lost ring


def glyph(state: int) -> tuple[np.ndarray, list[np.ndarray]]:
    """One state's glyph: points (P, 2) in units of its radius, and faces as rows of point numbers.

    Every state has points of its own, so that glyphs can lie on one another in one mesh.
    """
    if state == FIRM:
        return _arc(OUTER, CORE, 1.0)
    ring = _arc(OUTER, INNER, 1.0)
    if state == THIN:
        return _together(ring, _arc(INNER, CORE, 0.5))
    bar = np.array([[-INNER, -BAR], [INNER, -BAR], [INNER, BAR], [-INNER, BAR]]) @ _turned(np.pi / 4)
    return _together(ring, (bar, [np.arange(4)]))


def all_glyphs() -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """The three glyphs in one mesh: points, faces, and the state of each face."""
    parts = [glyph(state) for state in (FIRM, THIN, LOST)]
    points, faces = _together(*parts)
    return points, faces, np.repeat([FIRM, THIN, LOST], [len(part[1]) for part in parts])


def _arc(outer: float, inner: float, share: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """A flat ring, or the upper share of one, counter-clockwise from the right."""
    steps = round(AROUND * share)
    turn = np.arange(steps + (share < 1)) * (2 * np.pi / AROUND)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    i, count = np.arange(steps), len(circle)
    j = (i + 1) % count
    return np.concatenate([circle * outer, circle * inner]), list(np.stack([i, j, j + count, i + count], axis=1))


def _together(*parts: tuple[np.ndarray, list[np.ndarray]]) -> tuple[np.ndarray, list[np.ndarray]]:
    starts = np.cumsum([0, *(len(points) for points, _ in parts)])
    faces = [face + start for (_, own), start in zip(parts, starts, strict=False) for face in own]
    return np.concatenate([points for points, _ in parts]), faces


def _turned(angle: float) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, s], [-s, c]])
