"""What is wrong with tracks: white noise, a random walk and the drift of deforming patterns.

A pattern that is matched from frame to frame wanders: small errors add up (a random walk), and where the picture grows
or shears, a matcher that only shifts its pattern makes a small error of the same sign in every frame (deformation
drift). Matched back to a reference frame with the pattern warped, errors are nearly white. And what is tracked may not
be one point at all: a band is seen on the near side of its pole, another part of it from every place. A prediction and
a simulation that use the same :class:`TrackErrors` speak of the same tracks.

Where a track breaks off it starts anew: a *run*. Walk and drift are zero in a run's first frame (a constant offset only
moves the point).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class TrackErrors:
    """Errors of F frames by N tracks; a number stands for all sightings, a (N,) row for all frames."""

    white_px2: np.ndarray | float = 0.0  # (F, N, 2, 2), (F, N) or one  covariance of the white part, px^2
    walk_px: np.ndarray | float = 0.0  # (F, N)  sigma of the step into a frame, each axis
    drift_px: np.ndarray | float = 0.0  # (F, N)  sigma of the drift's step into a frame: same sign all along a track
    offset_px: np.ndarray | float = 0.0  # (F, N, 2) or 0  the same in every take

    def over(self, frames: int, points: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The three parts at full size: (F, N, 2, 2), (F, N), (F, N). Raises ValueError for what is negative."""
        white = np.asarray(self.white_px2, float)
        if white.ndim < 3:
            white = white[..., None, None] * np.eye(2)
        white = np.broadcast_to(white, (frames, points, 2, 2))
        walk = np.broadcast_to(np.asarray(self.walk_px, float), (frames, points))
        drift = np.broadcast_to(np.asarray(self.drift_px, float), (frames, points))
        if (walk < 0).any() or (np.einsum("...ii->...i", white) < 0).any():
            raise ValueError("sigmas and variances of track errors cannot be negative")
        return white, walk, drift

    @property
    def coloured(self) -> bool:
        """Whether anything but white noise is there."""
        return bool(np.any(self.walk_px) or np.any(self.drift_px) or np.any(self.offset_px))

    def only(self, tracks: np.ndarray) -> TrackErrors:
        """The errors of ``tracks`` (N',) alone, where parts are given track by track."""
        white, walk, drift, offset = map(np.asarray, (self.white_px2, self.walk_px, self.drift_px, self.offset_px))
        return TrackErrors(
            white[:, tracks] if white.ndim > 1 else white, walk[..., tracks] if walk.ndim else walk,
            drift[..., tracks] if drift.ndim else drift, offset[:, tracks] if offset.ndim else offset,
        )  # fmt: skip


def run_starts(seen: np.ndarray) -> np.ndarray:
    """(F, N) bool: the first sighting of each run in ``seen`` (F, N)."""
    before = np.zeros_like(seen)
    before[1:] = seen[:-1]
    return np.asarray(seen & ~before)


def add_up(step: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """(F, N, ...) sums of ``step`` along each run, zero in its first frame and wherever nothing is seen."""
    start = run_starts(seen)
    shape = (*seen.shape, *(1,) * (step.ndim - 2))
    moving = np.where((seen & ~start).reshape(shape), step, 0.0)
    total = np.cumsum(moving, axis=0)
    # The sum reached when the run began is taken off; it is constant along the run since nothing moves outside runs.
    began = np.maximum.accumulate(np.where(start, np.arange(len(seen))[:, None], 0), axis=0)
    total = total - np.take_along_axis(total, began.reshape(shape), axis=0)
    return np.asarray(np.where(seen.reshape(shape), total, 0.0))


def simulate(errors: TrackErrors, seen: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(F, N, 2) errors of one take, zero where nothing is ``seen`` (F, N)."""
    f, n = seen.shape
    white, walk, drift = errors.over(f, n)
    # The upper factor works for singular covariances too, zero included.
    a, b, d = white[..., 0, 0], white[..., 0, 1], white[..., 1, 1]
    r00 = np.sqrt(a)
    r10 = np.divide(b, r00, out=np.zeros_like(r00), where=r00 > 0)
    r11 = np.sqrt(np.maximum(d - r10**2, 0))
    z = rng.normal(size=(f, n, 2))
    out = np.stack([r00 * z[..., 0], r10 * z[..., 0] + r11 * z[..., 1]], axis=-1)
    out += add_up(walk[..., None] * rng.normal(size=(f, n, 2)), seen)
    out += add_up(drift, seen)[..., None] * rng.normal(size=(n, 2)) + errors.offset_px
    return np.asarray(np.where(seen[..., None], out, 0.0))


def track_covariance(errors: TrackErrors, seen: np.ndarray) -> np.ndarray:
    """(N, F, 2, F, 2) covariance of each track's errors over the frames, zero where nothing is ``seen`` (F, N).

    Offsets have none: they are the same in every take.
    """
    f, n = seen.shape
    white, walk, drift = errors.over(f, n)
    out = np.zeros((n, f, 2, f, 2))
    each = np.arange(f)
    # Walk: what two frames of one run share is the steps up to the earlier one.
    variance = add_up(walk**2, seen).T
    run = np.cumsum(run_starts(seen), axis=0).T
    together = (run[:, :, None] == run[:, None, :]) & seen.T[:, :, None] & seen.T[:, None, :]
    shared = np.minimum(variance[:, :, None], variance[:, None, :]) * together
    slope = add_up(drift, seen).T
    common = shared + slope[:, :, None] * slope[:, None, :]
    for axis in range(2):
        out[:, :, axis, :, axis] = common
    out[:, each, :, each, :] += np.where(seen[..., None, None], white, 0.0)
    return out


def wandering(errors: TrackErrors, seen: np.ndarray) -> np.ndarray:
    """(F, N) variance, each axis, that walk and drift have about the mean place of their track; zero where not seen.

    One number for all frames of a track: it is what a solve finds as the track's scatter.
    """
    _, walk, drift = errors.over(*seen.shape)
    count = np.maximum(seen.sum(0), 1)
    slope = add_up(drift, seen)
    middle = slope.sum(0) / count
    about = (np.square(slope - middle) * seen).sum(0) / count
    # A walk's variance about its mean is a third of its mean variance, for even steps.
    about += add_up(walk**2, seen).sum(0) / count / 3
    return np.asarray(np.where(seen, about, 0.0))
