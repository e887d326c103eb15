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
    # The last gap at or above a row, and the first gap at or below it, enclose its run. In place: these are large.
    start = np.where(seen, np.int32(-1), row)
    stop = np.where(seen, np.int32(frames), row)
    np.maximum.accumulate(start, axis=0, out=start)
    np.minimum.accumulate(stop[::-1], axis=0, out=stop[::-1])
    start += 1
    stop -= 1
    np.copyto(start, 0, where=~seen)
    np.copyto(stop, -1, where=~seen)
    return start, stop


def drop_short(why: np.ndarray, shortest: int) -> np.ndarray:
    """``why`` with SEEN turned into SHORT in runs of fewer than ``shortest`` frames.

    why : (F, N) uint8, every frame of the shot
    """
    seen = why == SEEN
    start, stop = runs(seen)
    stop -= start
    return np.where(seen & (stop < shortest - 1), np.uint8(SHORT), why)
