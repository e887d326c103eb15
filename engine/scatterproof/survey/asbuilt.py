"""The plan as it was built: markers where the survey found them, stands and gear moved."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..plan.model import Gear, MarkerSet, PlacedMarker, Plan, Stand
from ..stage import polygons
from ..stage.layout import Layout
from ..stage.placing import OVERHANG_M, box_corners, gear_points, turned
from ..stage.surfaces import Surface, to_surface
from .found import Found
from .targets import FOOT, HARD_POINT, MARKER, STRIPE

DIGITS = 4  # a tenth of a millimetre


def as_built(plan: Plan, layout: Layout, found: Found, accept: np.ndarray | None = None, drop: bool = False) -> Plan:
    """The plan with every surveyed thing where it was found.

    accept : (T,) bool, the targets to take over; None: all that were surveyed
    drop : leave out markers that were not surveyed, instead of keeping them where they were planned; the numbers of
        those after them in their set then go down
    A marker stays on its surface: what a screen bulges is not in a plan. Raises nothing of its own.
    """
    taken = found.surveyed if accept is None else found.surveyed & accept
    markers = tuple(
        _placed_set(index, group, layout, found, taken, drop) if _touched(index, layout, found, taken, drop) else group
        for index, group in enumerate(plan.markers)
    )
    first = len(layout.markers.name)
    stands = tuple(_moved_stand(stand, first + i, found, taken) for i, stand in enumerate(plan.stands))
    first += len(plan.stands)
    gear = tuple(_moved_gear(g, first + i, found, taken) for i, g in enumerate(plan.gear))
    return replace(plan, markers=markers, stands=stands, gear=gear)


def _touched(index: int, layout: Layout, found: Found, taken: np.ndarray, drop: bool) -> bool:
    mine = (found.targets.kind == MARKER) & np.isin(
        found.targets.owner, np.flatnonzero(layout.markers.set_index == index)
    )
    return bool((taken & mine).any() or (drop and (mine & ~found.surveyed).any()))


def _placed_set(index: int, group: MarkerSet, layout: Layout, found: Found, taken: np.ndarray, drop: bool) -> MarkerSet:
    """The set with its markers put down one by one; shapes, sizes and turns stay."""
    markers, placed = layout.markers, list[PlacedMarker]()
    row_of = dict(zip(found.targets.owner[found.targets.kind == MARKER].tolist(),
                      np.flatnonzero(found.targets.kind == MARKER).tolist(), strict=True))  # fmt: skip
    for marker in np.flatnonzero(markers.set_index == index).tolist():
        row = row_of[marker]
        if drop and not found.surveyed[row]:
            continue
        corners = markers.outline_uv[markers.first[marker] : markers.first[marker + 1]] - markers.centre_uv[marker]
        turn, at = float(markers.turn_rad[marker]), markers.centre_uv[marker]
        surface = layout.surfaces[markers.surface[marker]]
        if taken[row]:
            if found.instead[row] >= 0:
                surface = layout.surfaces[found.targets.surface[found.instead[row]]]
            at = _inside(surface, np.round(to_surface(surface, found.position_m[row]), DIGITS), corners, at)
        own = tuple((float(u), float(v)) for u, v in np.round(turned(corners, -turn), 6)) if _irregular(group) else ()
        size = round(float(markers.size_m[marker]), 6)
        placed.append(PlacedMarker(surface=surface.name, at=(float(at[0]), float(at[1])), size=size, turn=turn,
                                   outline=own))  # fmt: skip
    named = tuple(dict.fromkeys([*group.surfaces, *(marker.surface for marker in placed)]))
    return replace(
        group, layout="placed", placed=tuple(placed), surfaces=named, spacing=None, count=None, density=None, area=()
    )


def _irregular(group: MarkerSet) -> bool:
    """Whether its markers have shapes of their own, that a size and a turn don't tell."""
    return group.shape == "random" or any(marker.outline for marker in group.placed)


def _inside(surface: Surface, at: np.ndarray, corners: np.ndarray, planned: np.ndarray) -> np.ndarray:
    """The centre, pushed inwards where millimetres of a survey would put a corner off the surface."""
    outline = surface.outline_uv
    for _ in range(6):
        out = ~polygons.contains(outline, corners + at) * polygons.edge_distance(outline, corners + at)
        if out.max() <= OVERHANG_M:
            return at
        inwards = outline.mean(axis=0) - at
        at = np.round(at + inwards / max(float(np.hypot(*inwards)), 1e-9) * 1.5 * out.max(), DIGITS)
    return planned


def _surveyed(found: Found, owner: int, kind: int, taken: np.ndarray) -> np.ndarray:
    return np.flatnonzero((found.targets.owner == owner) & (found.targets.kind == kind) & taken)


def _moved_stand(stand: Stand, owner: int, found: Found, taken: np.ndarray) -> Stand:
    foot, bands = _surveyed(found, owner, FOOT, taken), _surveyed(found, owner, STRIPE, taken)
    rows = np.concatenate([foot, bands])
    if not len(rows):
        return stand
    at = found.position_m[rows].mean(axis=0)
    base = float(found.position_m[foot[0], 2]) if len(foot) else stand.base
    heights = list(stand.bands)
    for row in bands.tolist():
        heights[found.targets.part[row]] = max(0.0, round(float(found.position_m[row, 2]) - base, DIGITS))
    height = min(15.0, max(stand.height, *(h for h in heights)) if heights else stand.height)
    return replace(stand, at=_rounded(at[:2]), base=round(base, DIGITS), bands=tuple(heights), height=height)


def _moved_gear(gear: Gear, owner: int, found: Found, taken: np.ndarray) -> Gear:
    """Shift, and with two points or more a turn about the vertical."""
    rows = _surveyed(found, owner, HARD_POINT, taken)
    if not len(rows):
        return gear
    own = np.array(gear.points, float) if gear.points else box_corners(gear.size)
    own, seen = own[found.targets.part[rows]], found.position_m[rows]
    turn = gear.turn
    a, b = (own - own.mean(axis=0))[:, :2], (seen - seen.mean(axis=0))[:, :2]
    if float((a * a).sum()) > 1e-4:
        turn = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    shift = seen.mean(axis=0) - gear_points((0.0, 0.0, 0.0), turn, own).mean(axis=0)
    x, y, z = (round(float(c), DIGITS) for c in shift)
    return replace(gear, at=(x, y, z), turn=turn)


def _rounded(pair: Sequence[float] | np.ndarray) -> tuple[float, float]:
    return round(float(pair[0]), DIGITS), round(float(pair[1]), DIGITS)
