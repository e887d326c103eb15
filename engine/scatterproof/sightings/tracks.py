"""Runs of frames: a sighting counts only inside a run long enough to track, and a gap ends the run."""

from __future__ import annotations

import numpy as np

from ..problems import require_shape
from .sighting import SEEN, SHORT


def runs(seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and last frame row of the run that each sighting is in.

    seen : (F, N) bool
    returns start, stop : (F, N) int, both inclusive; 0 and -1 where not seen, so that ``stop - start + 1`` is the
        length of the run everywhere

    >>> start, stop = runs(np.array([[1], [1], [0], [1]], bool))
    >>> start.ravel().tolist(), stop.ravel().tolist()
    ([0, 0, 0, 3], [1, 1, -1, 3])
    """
    frames = len(require_shape("seen", seen, (None, None)))
    row = np.arange(frames, dtype=np.int32)[:, None]
    # The last gap at or above a row, and the first gap at or below it, enclose its run.
    above = np.maximum.accumulate(np.where(seen, np.int32(-1), row), axis=0)
    below = np.minimum.accumulate(np.where(seen, np.int32(frames), row)[::-1], axis=0)[::-1]
    return np.where(seen, above + 1, 0), np.where(seen, below - 1, -1)


def drop_short(why: np.ndarray, shortest: int) -> np.ndarray:
    """``why`` with SEEN turned into SHORT in runs of fewer than ``shortest`` frames.

    why : (F, N) uint8, every frame of the shot
    """
    start, stop = runs(why == SEEN)
    return np.where((why == SEEN) & (stop - start + 1 < shortest), np.uint8(SHORT), why)
