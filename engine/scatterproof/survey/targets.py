"""What of a plan can be surveyed: marker centres, tape bands, feet of stands and hard points, and what they are called.

A thing answers to its name ("wall scatter 12") and to its number on the rig sheets: markers are numbered through, "S1"
is the first stand, "G1" the first piece of gear. Bands and hard points follow with their own number: "S1.2".
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from ..plan.model import Plan
from ..problems import frozen_array
from ..stage.layout import BAND, POINT, Layout

MARKER, FOOT, STRIPE, HARD_POINT = range(4)
KINDS = ("marker", "foot of a stand", "tape band", "hard point")


@dataclass(frozen=True, slots=True, eq=False)
class Targets:
    """T things that a survey may hold. Owners are rows of the layout's owner names."""

    name: tuple[str, ...]  # T
    number: tuple[str, ...]  # T    on the rig sheets
    position_m: np.ndarray  # (T, 3) as planned
    kind: np.ndarray  # (T,) int
    owner: np.ndarray  # (T,) int
    part: np.ndarray  # (T,) int  which band or hard point, from 0
    surface: np.ndarray  # (T,) int  row of the layout's surfaces; -1 off them

    def __post_init__(self) -> None:
        t = len(self.name)
        object.__setattr__(self, "position_m", frozen_array("position_m", self.position_m, (t, 3)))
        for name in ("kind", "owner", "part", "surface"):
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), (t,), int))

    def __len__(self) -> int:
        return len(self.name)

    @property
    def across_m(self) -> float:
        """The longest side of the box about them."""
        return float(np.ptp(self.position_m, axis=0).max()) if len(self) else 0.0

    def rows(self) -> dict[str, int]:
        """Row of every name and number, tidied; a number that is also another thing's name stands for that thing."""
        found = {tidied(number): row for row, number in enumerate(self.number)}
        return found | {tidied(name): row for row, name in enumerate(self.name)}


def tidied(label: str) -> str:
    """A label as it is compared: small letters, single spaces, numbers without leading zeros.

    >>> tidied("Wall_Scatter  007"), tidied("S1.02")
    ('wall scatter 7', 's1.2')
    """
    words = re.sub(r"[\s_]+", " ", label.strip().casefold())
    return re.sub(r"(?<!\d)0+(?=\d)", "", words)


def targets_of(plan: Plan, layout: Layout) -> Targets:
    """Markers, then stands (foot and bands), then the hard points of gear."""
    markers, features = layout.markers, layout.features
    m, s = len(markers.name), len(plan.stands)
    names, numbers = list(markers.name), [str(i) for i in range(1, m + 1)]
    at = [markers.centre_m]
    kind, owner, part = [MARKER] * m, list(range(m)), [0] * m
    for i, stand in enumerate(plan.stands):
        bands = features.position_m[(features.owner == m + i) & (features.kind == BAND)]
        names += [f"{stand.name} foot", *(f"{stand.name} band {k}" for k in range(1, len(bands) + 1))]
        numbers += [f"S{i + 1}", *(f"S{i + 1}.{k}" for k in range(1, len(bands) + 1))]
        at += [np.array([[*stand.at, stand.base]]), bands]
        kind += [FOOT] + [STRIPE] * len(bands)
        owner += [m + i] * (len(bands) + 1)
        part += [0, *range(len(bands))]
    for i, gear in enumerate(plan.gear):
        points = features.position_m[(features.owner == m + s + i) & (features.kind == POINT)]
        names += [f"{gear.name} point {k}" for k in range(1, len(points) + 1)]
        numbers += [f"G{i + 1}.{k}" for k in range(1, len(points) + 1)]
        at.append(points)
        kind += [HARD_POINT] * len(points)
        owner += [m + s + i] * len(points)
        part += range(len(points))
    surface = np.concatenate([markers.surface, np.full(len(names) - m, -1)])
    position = np.concatenate(at)
    return Targets(tuple(names), tuple(numbers), position, np.array(kind), np.array(owner), np.array(part), surface)
