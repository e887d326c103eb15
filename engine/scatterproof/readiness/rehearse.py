"""The front door: score every frame of a plan's shots."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..camera.track import CameraTrack, camera_track
from ..plan.criteria import ShotCriteria, criteria_of
from ..plan.model import Plan, Shot
from ..problems import one_problem
from ..sightings.blockers import Occluder, build_occluders
from ..sightings.sighting import Sightings
from ..stage.layout import Layout, build_layout
from .verdict import ShotReadiness


@dataclass(frozen=True, slots=True, eq=False)
class Rehearsal:
    """One shot with everything its verdict rests on."""

    plan: Plan
    layout: Layout
    shot: Shot
    criteria: ShotCriteria
    track: CameraTrack
    occluders: tuple[Occluder, ...]
    sightings: Sightings
    readiness: ShotReadiness
    notes: tuple[str, ...]  # what is worth knowing about the whole shot, for people
