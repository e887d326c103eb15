"""The screen laid flat: every flat surface with the coves that bend away from it unrolled beside it.

A cove is part of a cylinder and tangent to what it joins, so that it unrolls without stretching: lengths, angles and
areas on a chart are those along the screen, and a straight line on it is the shortest way a tape can take there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..plan.model import Stage
from ..problems import frozen_array
from . import polygons
from .surfaces import Surface, to_surface, to_world


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """P surfaces laid flat together, the flat one first. Its coordinates are those of the flat one, going on."""

    name: str
    rows: tuple[int, ...]  # P    of the stage's surfaces
    turn: np.ndarray  # (P, 2, 2) chart from surface coordinates: turn @ uv + shift
    shift_m: np.ndarray  # (P, 2)

    def __post_init__(self) -> None:
        p = len(self.rows)
        object.__setattr__(self, "turn", frozen_array("turn", self.turn, (p, 2, 2)))
        object.__setattr__(self, "shift_m", frozen_array("shift_m", self.shift_m, (p, 2)))

    def from_surface(self, row: int, uv: np.ndarray) -> np.ndarray:
        """Chart coordinates (..., 2) of coordinates (..., 2) on one of its surfaces."""
        at = self.rows.index(row)
        placed: np.ndarray = np.asarray(uv, float) @ self.turn[at].T + self.shift_m[at]
        return placed

    def to_surface(self, row: int, at_m: np.ndarray) -> np.ndarray:
        """The inverse of :meth:`from_surface`."""
        at = self.rows.index(row)
        uv: np.ndarray = (np.asarray(at_m, float) - self.shift_m[at]) @ self.turn[at]
        return uv


def unroll(stage: Stage, surfaces: Sequence[Surface]) -> tuple[Chart, ...]:
    """One chart per flat surface, in their order; a cove goes with the steeper of the two surfaces it joins.

    surfaces : what :func:`build_surfaces` made of the stage
    """
    flats = [row for row, surface in enumerate(surfaces) if not surface.radius_m]
    row_of = {surfaces[row].name: row for row in flats}
    members: dict[int, list[tuple[int, np.ndarray, np.ndarray]]] = {
        row: [(row, np.eye(2), np.zeros(2))] for row in flats
    }
    for row, cove in zip(range(len(flats), len(surfaces)), stage.coves, strict=True):
        first, second = (row_of[name] for name in cove.between)
        rises = abs(surfaces[first].normal[2]), abs(surfaces[second].normal[2])
        root, edge = (first, 0.0) if rises[0] <= rises[1] else (second, float(surfaces[row].outline_uv[:, 1].max()))
        members[root].append((row, *_hinged(surfaces[root], surfaces[row], edge)))
    return tuple(Chart(surfaces[root].name, *(zip(*parts, strict=True))) for root, parts in members.items())


def _hinged(flat: Surface, cove: Surface, edge_v: float) -> tuple[np.ndarray, np.ndarray]:
    """Turn and shift that lay a cove beside a flat surface along the line they share, v = ``edge_v`` on the cove."""
    ends = to_surface(flat, to_world(cove, np.array([[0.0, edge_v], [1.0, edge_v]])))
    along = ends[1] - ends[0]
    turn = np.column_stack([along, [-along[1], along[0]]])
    return turn, ends[0] - turn @ [0.0, edge_v]


def outlines(chart: Chart, surfaces: Sequence[Surface]) -> list[np.ndarray]:
    """The outline (K, 2) of every surface of a chart, in its coordinates."""
    return [chart.from_surface(row, surfaces[row].outline_uv) for row in chart.rows]


def bounds(chart: Chart, surfaces: Sequence[Surface]) -> np.ndarray:
    """(2, 2) least and largest coordinates of a chart."""
    corners = np.concatenate(outlines(chart, surfaces))
    return np.stack([corners.min(axis=0), corners.max(axis=0)])


def area_m2(chart: Chart, surfaces: Sequence[Surface]) -> float:
    """Screen on a chart, square metres."""
    return float(sum(polygons.signed_area(outline) for outline in outlines(chart, surfaces)))
