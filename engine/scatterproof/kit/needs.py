"""What readiness depends on: which frames want which stand, and what rounding the set-out does to them."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..plan.model import Plan
from ..problems import BadInput
from ..readiness.rehearse import Hiders, Progress, Rehearsal, rehearse_shot
from ..readiness.verdict import ShotReadiness
from ..sightings.need import planned_layout
from ..stage.layout import Layout, build_layout, without_owners
from .setout import SetOut, as_told

ALL_STANDS = ""  # no stand has an empty name


@dataclass(frozen=True, slots=True, eq=False)
class ShotNeeds:
    """One shot as planned, as rounded, and without each stand in turn."""

    planned: ShotReadiness
    told: ShotReadiness | None  # None where the rounded positions cannot be built
    without: Mapping[str, tuple[int, int]]  # stand -> first and last frame that gets worse without it


@dataclass(frozen=True, slots=True, eq=False)
class Needs:
    """All shots of a plan."""

    layout: Layout
    shots: tuple[ShotNeeds, ...]
    trouble: str  # why rounded positions cannot be built; empty where they can

    @property
    def changed(self) -> tuple[int, int, int]:
        """Frames whose verdict rounding changes: better, worse, and all frames."""
        better = worse = total = 0
        for shot in self.shots:
            total += len(shot.planned.frame)
            if shot.told is not None:
                better += int((shot.told.state < shot.planned.state).sum())
                worse += int((shot.told.state > shot.planned.state).sum())
        return better, worse, total


def measure_needs(
    plan: Plan, table_of: Callable[[Layout], SetOut], folder: Path, hiders: Hiders | None = None
) -> Generator[Progress, None, tuple[Needs, SetOut]]:
    """Rehearse every shot as planned, as the set-out table rounds it, and without each stand that it sees.

    hiders : what hides features; None: the plan's blockers and gear
    Yields its progress; raises BadInput where the plan can't be built.
    """
    layout = planned_layout(plan, folder)
    table = table_of(layout)
    told_plan = as_told(plan, layout, table)
    trouble, told_layout = "", None
    try:
        told_layout = build_layout(told_plan)
    except BadInput as error:
        trouble = str(error.problems[0])
    shots = []
    for shot in plan.shots:
        planned = yield from rehearse_shot(plan, layout, shot, folder, hiders)
        told = None
        if told_layout is not None:
            told = (yield from rehearse_shot(told_plan, told_layout, shot, folder, hiders)).readiness
        without = {}
        for stand, owners in _seen_stands(plan, planned):
            bare = without_owners(layout, owners)
            state = (yield from rehearse_shot(plan, bare, shot, folder, hiders)).readiness.state
            worse = planned.readiness.frame[state > planned.readiness.state]
            if len(worse):
                without[stand] = int(worse[0]), int(worse[-1])
        shots.append(ShotNeeds(planned.readiness, told, without))
    return Needs(layout, tuple(shots), trouble), table


def _seen_stands(plan: Plan, rehearsal: Rehearsal) -> list[tuple[str, list[int]]]:
    """Stands a shot sees with their owner rows, each by itself and, where there are several, all together."""
    first = len(rehearsal.layout.markers.name)
    used = np.unique(rehearsal.layout.features.owner[rehearsal.sightings.seen.any(axis=0)])
    seen = [(stand.name, [first + i]) for i, stand in enumerate(plan.stands) if first + i in used]
    return seen + [(ALL_STANDS, [owner for _, owners in seen for owner in owners])] * (len(seen) > 1)
