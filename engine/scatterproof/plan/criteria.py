"""Which limits hold for a shot: its own, else the plan's, else the defaults."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

from .. import sources
from .model import MATCHINGS, Plan, Shot

REFERENCE, FRAME_TO_FRAME = MATCHINGS


@dataclass(frozen=True, slots=True)
class ShotCriteria:
    """Limits of one shot, every one set. Pairs are (firm, thin); see ``plan.model.Criteria`` for the units."""

    features: tuple[float, float] = (sources.FEATURES.firm, sources.FEATURES.thin)
    depths: tuple[float, float] = (sources.DEPTHS.firm, sources.DEPTHS.thin)
    out_of_plane: tuple[float, float] = (sources.OUT_OF_PLANE.firm, sources.OUT_OF_PLANE.thin)
    blur: tuple[float, float] = (sources.BLUR.firm, sources.BLUR.thin)
    contrast: tuple[float, float] = (sources.CONTRAST.firm, sources.CONTRAST.thin)
    channel: str = "luma"
    track_frames: int = int(sources.TRACK_FRAMES.value)
    window: float = sources.WINDOW.value
    smallest_edge: float = sources.SMALLEST_EDGE.value
    apart: float = sources.APART.value
    steepest: float = math.radians(sources.STEEPEST.value)
    drift: tuple[float, float] = (sources.DRIFT.firm, sources.DRIFT.thin)
    jitter: tuple[float, float] = (sources.JITTER.firm, sources.JITTER.thin)
    matching: str = REFERENCE
    most_tracks: int = int(sources.MOST_TRACKS.value)
    match: float = sources.TRACKED.value
    sigma: float = sources.SIGMA.value


def criteria_of(plan: Plan, shot: Shot) -> ShotCriteria:
    """The limits that hold for ``shot``."""
    given: dict[str, Any] = {}
    for level in (plan.criteria, shot.criteria):
        for field in fields(level) if level else ():
            value = getattr(level, field.name)
            if value is not None:
                given[field.name] = value
    return ShotCriteria(**given)
