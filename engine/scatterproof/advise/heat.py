"""Where a stand would help most: a map of the floor for one shot."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..plan.model import Plan
from ..problems import one_problem
from ..readiness.rehearse import Rehearsal, rehearse
from .candidates import FREE, STANDS, ground_of, pattern_stand, stand_candidates
from .gain import Gains, gains


@dataclass(frozen=True, slots=True, eq=False)
class HeatMap:
    """A places of level grids over the floors. Where no stand may be the numbers are nan."""

    shot: str
    place_m: np.ndarray  # (A, 3)
    cell_m: float  # side of a place
    why: np.ndarray  # (A,) int  row of ``candidates.WHY_NOT``; 0 free
    frames: np.ndarray  # (A,) frames of the shot that one stand here alone makes firm
    help: np.ndarray  # (A,) 0 none to 1 the best: how far it brings all frames towards firm, then how far it cuts slide
    drift_px: np.ndarray  # (A,) worst drift with it, 95 of 100 takes, delivery pixels
    information: np.ndarray  # (A,) what the solve gains, nats
    cleanup_px: np.ndarray  # (A,) its cleanup load, thousand delivery pixels over all frames


def heat_map(plan: Plan, shot: str, folder: Path = Path(), places: int = STANDS) -> HeatMap:
    """Where one more stand would help ``shot``. Raises BadInput for a name that is no shot."""
    if shot not in [known.name for known in plan.shots]:
        raise one_problem("shot", repr(shot), "one of " + ", ".join(known.name for known in plan.shots))
    return heat_of(next(rehearse(plan, [shot], folder)), folder, places)


def heat_of(rehearsal: Rehearsal, folder: Path = Path(), places: int = STANDS) -> HeatMap:
    """The same for a shot that is rehearsed already."""
    plan = rehearsal.plan
    ground = ground_of(plan, rehearsal.layout, folder, places)
    found = gains(rehearsal, stand_candidates(plan, ground, pattern_stand(plan), folder))
    free = ground.why == FREE

    def spread(values: np.ndarray) -> np.ndarray:
        out = np.full(len(free), np.nan)
        out[free] = values
        return out

    return HeatMap(
        rehearsal.shot.name, ground.place_m, ground.cell_m, ground.why, spread(found.mended.sum(axis=1) * found.share),
        spread(helps(found)), spread(found.drift_px), spread(found.information), spread(found.cleanup_px),
    )  # fmt: skip


def helps(found: Gains) -> np.ndarray:
    """(S,) 0 to 1: half for what is mended, half for the information gained, as part of the most there is."""
    towards = np.einsum("skc,kc->s", found.progress, found.weight)
    gained = np.nan_to_num(found.information).clip(min=0)
    parts = [v / v.max() if v.size and v.max() > 0 else np.zeros(len(v)) for v in (towards, gained)]
    if not parts[0].any():
        return parts[1]
    return np.asarray((parts[0] + parts[1]) / 2)
