"""What might be added to a stage: stands on a grid of its floors, markers on its surfaces; and where nothing may."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..camera.track import CameraTrack, camera_track
from ..plan.model import MarkerSet, PlacedMarker, Plan, Shot, Stand
from ..sightings.blockers import Occluder, build_occluders
from ..sources import ACTION_CLEAR, CAMERA_CLEAR, MARKER_GAP, MARKER_MINUTES, PERFORMER_CLEAR, STAND_FOOT, STAND_MINUTES
from ..stage import polygons, shapes
from ..stage.layout import Layout, build_layout
from ..stage.placing import FLOOR_Z, box_corners, gear_points
from ..stage.surfaces import Surface, to_world

FREE, EDGE, KEEPOUT, CAMERA, PERFORMER, STANDING, ACTION = range(7)
WHY_NOT = (
    "free",
    "too near to the edge of the floor",
    "in a keep-out",
    "on or beside a camera's path",
    "on a performer's path",
    "where a stand, gear or a marker is",
    "where the insert of a shot will stand",
)
STANDS = 2000  # places of a heat map
MARKERS = 240  # places for markers that are tried
HEIGHT_M, FIRST_BAND_M, BAND_STEP_M = 2.4, 0.6, 0.4  # of a stand where the plan has none to follow
ADVISED = "advised"  # what names of new things begin with


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """A places of level grids over the floors, and whether a stand may be there."""

    place_m: np.ndarray  # (A, 3)  on the floor
    cell_m: float  # side of a place
    why: np.ndarray  # (A,) int  FREE, or the first reason against it

    def reasons(self) -> str:
        """Why no place is free, in words, the commonest reason first."""
        if not len(self.place_m):
            return "the stage has no floor to stand on"
        counts = np.bincount(self.why, minlength=len(WHY_NOT))
        told = [f"{counts[i]} of {len(self.why)} places are {WHY_NOT[i]}" for i in np.argsort(-counts) if counts[i]]
        return "; ".join(told)


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """S things that might be added, as a stage of their own: its owners are markers first, then stands."""

    plan: Plan
    layout: Layout
    folder: Path
    names: tuple[str, ...]  # S
    at_m: np.ndarray  # (S, 3)  the foot of a stand, the centre of a marker
    minutes: np.ndarray  # (S,) float  to rig it

    @property
    def markers(self) -> int:
        """How many of them are markers."""
        return len(self.layout.markers.name)

    def thing(self, index: int) -> Stand | PlacedMarker:
        """The candidate as the plan has it."""
        if index >= self.markers:
            return self.plan.stands[index - self.markers]
        return self.plan.markers[0].placed[index]


def pattern_stand(plan: Plan) -> Stand:
    """The stand that is offered: as the plan's own first one, else of an ordinary height with bands all along."""
    if plan.stands and plan.stands[0].bands:
        return plan.stands[0]
    bands = np.arange(FIRST_BAND_M, HEIGHT_M, BAND_STEP_M).round(3)
    paint = _band_paint(plan)
    return Stand(name=ADVISED, at=(0.0, 0.0), height=HEIGHT_M, bands=tuple(bands.tolist()), paint=paint)


def _band_paint(plan: Plan) -> str:
    names = [paint.name for paint in plan.paints]
    return next((name for name in ("band", *(group.paint for group in plan.markers)) if name in names), "band")


def with_height(pattern: Stand, height_m: float) -> Stand:
    """The same stand higher or lower: its bands keep their distance, the top one stays as far below the top."""
    bands = np.array(pattern.bands, float)
    step = float(np.median(np.diff(np.sort(bands)))) if len(bands) > 1 else BAND_STEP_M
    top = height_m - max(pattern.height - float(bands.max(initial=0.0)), 0.05)
    heights = np.arange(top, min(FIRST_BAND_M, float(bands.min(initial=FIRST_BAND_M))) - 1e-9, -step)[::-1]
    return replace(pattern, height=round(height_m, 3), bands=tuple(float(h) for h in heights.round(3)))


def ground_of(plan: Plan, layout: Layout, folder: Path = Path(), places: int = STANDS) -> Ground:
    """Where stands may be: about so many places, each with the reason against it if there is one.

    Clear of edges, keep-outs, what stands there already, and in every shot of the action point and the paths of cameras
    and performers.
    """
    floors = [s for s in layout.surfaces if s.radius_m == 0 and s.normal[2] > FLOOR_Z]
    area = sum(abs(float(polygons.signed_area(s.outline_uv))) for s in floors)
    if not area:
        return Ground(np.empty((0, 3)), 0.0, np.empty(0, int))
    cell = math.sqrt(area / places)
    parts = [_on_floor(plan, floor, cell) for floor in floors]
    place, why = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
    foot = STAND_FOOT.value
    for shot in plan.shots:
        track = camera_track(plan, shot)
        near = _near_path(place, track.centre_m, CAMERA_CLEAR.value)
        why[(why == FREE) & near] = CAMERA
        near = _near_path(place, np.array([shot.action_point], float), ACTION_CLEAR.value)
        why[(why == FREE) & near] = ACTION
        for occluder in _performers(plan, shot, track, folder):
            half = max(next(b for b in plan.blockers if b.name == occluder.name).size[:2]) / 2
            near = _near_path(place, occluder.centre_m, half + foot + PERFORMER_CLEAR.value)
            why[(why == FREE) & near] = PERFORMER
    for stand in plan.stands:
        why[(why == FREE) & (np.hypot(*(place[:, :2] - stand.at).T) < 2 * foot)] = STANDING
    for gear in plan.gear:
        corners = gear_points(gear.at, gear.turn, box_corners(gear.size)[:4])[:, :2]
        beside = polygons.contains(corners, place[:, :2]) | (polygons.edge_distance(corners, place[:, :2]) < foot)
        why[(why == FREE) & beside] = STANDING
    return Ground(place, cell, why)


def _on_floor(plan: Plan, floor: Surface, cell: float) -> tuple[np.ndarray, np.ndarray]:
    low, high = floor.outline_uv.min(axis=0), floor.outline_uv.max(axis=0)
    axes = [a + cell * (np.arange(max(1, math.ceil((b - a) / cell))) + 0.5) for a, b in zip(low, high, strict=True)]
    uv = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    uv = uv[polygons.contains(floor.outline_uv, uv)]
    why = np.where(polygons.edge_distance(floor.outline_uv, uv) < STAND_FOOT.value, EDGE, FREE)
    for keepout in plan.keepouts:
        if keepout.surface == floor.name:
            outline = np.array(keepout.outline)
            inside = polygons.contains(outline, uv) | (polygons.edge_distance(outline, uv) < STAND_FOOT.value)
            why[(why == FREE) & inside] = KEEPOUT
    return to_world(floor, uv), why


def _near_path(place: np.ndarray, path: np.ndarray, distance: float) -> np.ndarray:
    """(A,) bool: nearer to a path (F, 3), seen from above, than ``distance``."""
    rows = path[np.unique(np.linspace(0, len(path) - 1, 64).astype(int)), :2]
    away2 = ((place[:, None, :2] - rows) ** 2).sum(-1).min(axis=1)
    return np.asarray(away2 < distance**2)


def _performers(plan: Plan, shot: Shot, track: CameraTrack, folder: Path) -> tuple[Occluder, ...]:
    """Whatever hides features and is no gear."""
    return build_occluders(replace(plan, gear=()), shot, track.frame, folder)


def stand_candidates(plan: Plan, ground: Ground, pattern: Stand, folder: Path = Path()) -> Candidates:
    """One stand for every free place."""
    free = np.flatnonzero(ground.why == FREE)
    stands = tuple(
        replace(
            pattern, name=f"{ADVISED} stand {n}", at=(round(float(x), 2), round(float(y), 2)), base=round(float(z), 4)
        )
        for n, (x, y, z) in enumerate(ground.place_m[free], 1)
    )  # fmt: skip
    return _candidates(plan, (), stands, ground.place_m[free], np.full(len(free), STAND_MINUTES.value), folder)


def marker_candidates(
    plan: Plan, layout: Layout, wanted: Sequence[int], folder: Path = Path(), places: int = MARKERS
) -> Candidates:
    """Markers on some surfaces (rows of the layout's), clear of keep-outs, edges and the markers that are there.

    They follow the set that is on most of these surfaces already, in shape, size and paint; else they are squares.
    """
    pattern = _pattern_set(plan, layout, wanted)
    size = float(np.mean(pattern.size))
    reach = size * shapes.farthest_corner(pattern.shape, pattern.corners)
    area = sum(abs(float(polygons.signed_area(layout.surfaces[row].outline_uv))) for row in wanted)
    cell = max(math.sqrt(area / places), 2 * reach + MARKER_GAP.value) if area else 1.0
    others, radius = layout.markers.centre_m, layout.markers.size_m
    feet = np.array([[*s.at, s.base] for s in plan.stands] + [list(g.at) for g in plan.gear]).reshape(-1, 3)
    feet_m = [STAND_FOOT.value] * len(plan.stands) + [max(g.size[:2]) / math.sqrt(2) for g in plan.gear]
    placed: list[PlacedMarker] = []
    for row in wanted:
        surface = layout.surfaces[row]
        uv = _grid_on(surface, cell, reach + pattern.margin)
        for keepout in plan.keepouts:
            if keepout.surface == surface.name:
                outline = np.array(keepout.outline)
                uv = uv[~polygons.contains(outline, uv) & (polygons.edge_distance(outline, uv) > reach)]
        at = to_world(surface, uv)
        clear = _clear_of(at, others, radius * 1.5 + reach) & _clear_of(at, feet, np.array(feet_m) + reach)
        placed += [
            PlacedMarker(surface=surface.name, at=(round(float(u), 2), round(float(v), 2)), size=round(size, 3))
            for u, v in uv[clear]
        ]
    group = replace(
        pattern, name=f"{ADVISED} markers", layout="placed", surfaces=tuple(layout.surfaces[r].name for r in wanted),
        placed=tuple(placed), spacing=None, count=None, density=None, area=(), need=0.0, turn=None,
    )  # fmt: skip
    found = _candidates(plan, (group,) if placed else (), (), np.empty((0, 3)), np.empty(0), folder)
    minutes = np.full(found.markers, MARKER_MINUTES.value)
    return replace(found, at_m=found.layout.markers.centre_m, minutes=minutes)


def _pattern_set(plan: Plan, layout: Layout, wanted: Sequence[int]) -> MarkerSet:
    on = layout.markers.set_index[np.isin(layout.markers.surface, wanted)]
    on = on if len(on) else layout.markers.set_index
    if len(on):
        return plan.markers[int(np.bincount(on).argmax())]
    return MarkerSet(name=ADVISED, shape="square", surfaces=(), paint=_band_paint(plan))


def _grid_on(surface: Surface, cell: float, margin: float) -> np.ndarray:
    low, high = surface.outline_uv.min(axis=0), surface.outline_uv.max(axis=0)
    axes = [np.arange(a + margin, b - margin + 1e-9, cell) for a, b in zip(low, high, strict=True)]
    uv = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    outline = surface.outline_uv
    return uv[polygons.contains(outline, uv) & (polygons.edge_distance(outline, uv) >= margin - 1e-9)]


def _clear_of(at: np.ndarray, others: np.ndarray, distance: np.ndarray) -> np.ndarray:
    if not len(others):
        return np.ones(len(at), bool)
    away2 = ((at[:, None] - others) ** 2).sum(-1)
    return np.asarray((away2 > distance**2).all(axis=1))


def _candidates(
    plan: Plan, markers: tuple[MarkerSet, ...], stands: tuple[Stand, ...], at_m: np.ndarray, minutes: np.ndarray,
    folder: Path,
) -> Candidates:  # fmt: skip
    own = replace(plan, markers=markers, stands=stands, gear=(), keepouts=())
    layout = build_layout(own)
    return Candidates(own, layout, folder, layout.owner_names, at_m, minutes)


def joined(first: Candidates, second: Candidates) -> Candidates:
    """Markers of the first and stands of the second as one batch."""
    return replace(
        _candidates(first.plan, first.plan.markers, second.plan.stands, np.empty((0, 3)), np.empty(0), first.folder),
        at_m=np.concatenate([first.at_m, second.at_m]), minutes=np.concatenate([first.minutes, second.minutes]),
    )  # fmt: skip


def with_things(plan: Plan, candidates: Candidates, chosen: Sequence[int]) -> Plan:
    """The plan with some candidates added under names of their own."""
    stands = [candidates.thing(i) for i in chosen if i >= candidates.markers]
    placed = tuple(t for i in chosen if isinstance(t := candidates.thing(i), PlacedMarker))
    markers, taken = list(plan.markers), {s.name for s in plan.stands} | {g.name for g in plan.gear}
    if placed:
        name = candidates.plan.markers[0].name
        mine = next((row for row, group in enumerate(markers) if group.name == name), None)
        if mine is None:
            surfaces = tuple(dict.fromkeys(marker.surface for marker in placed))
            markers.append(replace(candidates.plan.markers[0], surfaces=surfaces, placed=placed))
        else:
            both = (*markers[mine].placed, *placed)
            surfaces = tuple(dict.fromkeys(marker.surface for marker in both))
            markers[mine] = replace(markers[mine], surfaces=surfaces, placed=both)
    named = []
    for stand in stands:
        assert isinstance(stand, Stand)
        number = next(n for n in range(1, len(taken) + len(stands) + 2) if f"{ADVISED} stand {n}" not in taken)
        named.append(replace(stand, name=f"{ADVISED} stand {number}"))
        taken.add(named[-1].name)
    return replace(plan, markers=tuple(markers), stands=(*plan.stands, *named))
