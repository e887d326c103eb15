"""Where an insert may stand: slide over a floor plan of action points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..camera.track import CameraTrack
from .predict import informed, slide_at
from .shot import ShotNetwork, insert_in_view

LONGEST = 13  # places along the longer side of the grid
FRAMES = 6  # at which each place is asked
NEAREST_M = 0.5  # no insert stands nearer to the camera
SEEN_SHARE = 0.5  # of the frames in which a place must be in view


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """A places of a level grid at the height of the action point; the worst of a few frames, nan where out of view."""

    place_m: np.ndarray  # (A, 3)
    cell_m: float  # side of a place
    drift_95_px: np.ndarray  # (A,) delivery pixels
    jitter_95_px: np.ndarray  # (A,)


def standing(network: ShotNetwork, track: CameraTrack) -> Standing | None:
    """Slide of inserts on a grid that covers the features and what lies between them and the camera.

    None where the shot can't be solved.
    """
    information = informed(network)[0]
    if information is None:
        return None
    around = np.concatenate([network.truth.points_m, network.truth.centres_m, network.action_m[None]])[:, :2]
    low, high = around.min(axis=0), around.max(axis=0)
    cell = max(float((high - low).max()) / LONGEST, 0.05)
    x, y = (a + cell * (np.arange(max(1, math.ceil((b - a) / cell))) + 0.5) for a, b in zip(low, high, strict=True))
    flat = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    place = np.column_stack([flat, np.full(len(flat), network.action_m[2])])
    view = insert_in_view(place, track)
    away = np.linalg.norm(place[None] - track.centre_m[:, None], axis=2).min(axis=0)
    use = np.flatnonzero((view.mean(axis=0) >= SEEN_SHARE) & (away >= NEAREST_M))
    drift, jitter = np.full((2, len(place)), np.nan)
    if len(use):
        frames = np.zeros(len(track), bool)
        frames[np.linspace(0, len(track) - 1, FRAMES).round().astype(int)] = True
        found = slide_at(network, information, place[use], view[:, use].T, frames)
        for out, values in ((drift, found.drift_95_px), (jitter, found.jitter_95_px)):
            known = np.isfinite(values).any(axis=1)
            out[use[known]] = np.nanmax(values[known], axis=1)
    return Standing(place, cell, drift, jitter)
