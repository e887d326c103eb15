"""What stands on the stage: surfaces, markers, stands and gear as tables, and the features they offer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..plan.model import Gear, Plan, Stand
from ..problems import frozen_array, require_shape
from . import shapes
from .placing import Need, Placing, box_corners, gear_points, place_sets, turned
from .surfaces import Surface, build_surfaces, normal_at, to_world

CORNER, DISC, BAND, POINT = range(4)  # kinds of feature
FEATURE_KINDS = ("corner", "disc", "band", "point")


@dataclass(frozen=True, slots=True, eq=False)
class Markers:
    """M flat patches of tape. The outline of marker i is rows ``first[i]`` to ``first[i + 1]`` of the outlines."""

    name: tuple[str, ...]  # M    unique, for people: "wall scatter 12"
    set_index: np.ndarray  # (M,) int    row of plan.markers
    surface: np.ndarray  # (M,) int    row of Layout.surfaces
    centre_uv: np.ndarray  # (M, 2) surface coordinates, metres
    centre_m: np.ndarray  # (M, 3) world
    normal: np.ndarray  # (M, 3) unit, towards the stage
    size_m: np.ndarray  # (M,) square root of the area
    turn_rad: np.ndarray  # (M,) counter-clockwise, seen from the stage
    first: np.ndarray  # (M + 1,) int
    outline_uv: np.ndarray  # (K, 2) counter-clockwise, surface coordinates
    outline_m: np.ndarray  # (K, 3) the same on the surface, world

    def __post_init__(self) -> None:
        m, k = len(self.name), len(self.outline_uv)
        shapes: dict[str, tuple[tuple[int, ...], type]] = {
            "set_index": ((m,), int),
            "surface": ((m,), int),
            "centre_uv": ((m, 2), float),
            "centre_m": ((m, 3), float),
            "normal": ((m, 3), float),
            "size_m": ((m,), float),
            "turn_rad": ((m,), float),
            "first": ((m + 1,), int),
            "outline_uv": ((k, 2), float),
            "outline_m": ((k, 3), float),
        }
        for name, (shape, dtype) in shapes.items():
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), shape, dtype))


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """N trackable points.

    A corner carries its two neighbours along the marker's outline, so that its edges and its interior angle can
    be projected. Bands and points face every way: their normal is zero; discs and corners face along theirs.
    """

    position_m: np.ndarray  # (N, 3) world
    normal: np.ndarray  # (N, 3) unit, or zero where it faces every way
    kind: np.ndarray  # (N,) int    CORNER, DISC, BAND, POINT
    owner: np.ndarray  # (N,) int    row of Layout.owner_names: the marker, stand or piece of gear
    surface: np.ndarray  # (N,) int    row of Layout.surfaces, -1 for stands and gear
    before_m: np.ndarray  # (N, 3) previous outline corner; the feature itself where it is no corner
    after_m: np.ndarray  # (N, 3) next outline corner
    size_m: np.ndarray  # (N,) shortest adjoining edge; diameter of a disc; height of a band
    pole_m: np.ndarray  # (N,) thickness of a band's pole, else 0

    def __post_init__(self) -> None:
        n = len(self.position_m)
        for name in ("position_m", "normal", "before_m", "after_m"):
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), (n, 3)))
        for name in ("kind", "owner", "surface"):
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), (n,), int))
        for name in ("size_m", "pole_m"):
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), (n,)))

    def __len__(self) -> int:
        return len(self.position_m)


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """The stage ready for scoring. Owners are markers first, then stands, then gear."""

    surfaces: tuple[Surface, ...]
    markers: Markers
    features: Features
    owner_names: tuple[str, ...]
    notes: tuple[str, ...] = ()  # what was asked for and could not be had, for people

    def __post_init__(self) -> None:
        require_shape("owner", self.features.owner, (len(self.features),))


def build_layout(plan: Plan, need: Need | None = None) -> Layout:
    """The whole stage of a plan: surfaces, markers, and the features of markers, stands and gear.

    need : (surface, (P, 2) surface coordinates) -> (P,) 0 to 1, for sets whose density follows it
    The same plan gives the same bits on every machine: outlines are rounded to a micrometre, world positions to a
    nanometre, and everything that is chosen is chosen from whole tenths of millimetres.
    Raises BadInput for a stage that can't be built and for sets that find no room.
    """
    surfaces = build_surfaces(plan.stage)
    placings = place_sets(plan, surfaces, need)
    markers = _markers(plan, surfaces, placings)
    discs = np.array([shapes.is_disc(group.shape) for group in plan.markers], dtype=bool)
    notes = tuple(note for placing in placings for note in placing.notes)
    return _stocked(plan, surfaces, markers, _marker_features(markers, surfaces, discs), notes)


def restocked(layout: Layout, plan: Plan) -> Layout:
    """The layout with the plan's stands and gear as they are now; surfaces and markers stay where they are.

    Where stands and gear alone have changed, the same as :func:`build_layout`, without placing markers anew.
    """
    kept = layout.features.owner < len(layout.markers.name)
    marker_features = {name: getattr(layout.features, name)[kept] for name in Features.__slots__}
    return _stocked(plan, layout.surfaces, layout.markers, marker_features, layout.notes)


def _stocked(
    plan: Plan,
    surfaces: tuple[Surface, ...],
    markers: Markers,
    marker_features: dict[str, np.ndarray],
    notes: tuple[str, ...],
) -> Layout:
    parts = [marker_features]
    parts += [_band_features(stand, len(markers.name) + i) for i, stand in enumerate(plan.stands)]
    parts += [_hard_points(g, len(markers.name) + len(plan.stands) + i) for i, g in enumerate(plan.gear)]
    features = Features(**{name: np.concatenate([part[name] for part in parts]) for name in parts[0]})
    owners = (*markers.name, *(stand.name for stand in plan.stands), *(g.name for g in plan.gear))
    return Layout(surfaces, markers, features, owners, notes)


def without_owners(layout: Layout, owners: Sequence[int]) -> Layout:
    """The same stage when nothing of some markers, stands or gear (rows of ``owner_names``) can be tracked."""
    kept = ~np.isin(layout.features.owner, owners)
    rest = Features(**{name: getattr(layout.features, name)[kept] for name in Features.__slots__})
    return replace(layout, features=rest)


def _markers(plan: Plan, surfaces: Sequence[Surface], placings: Sequence[Placing]) -> Markers:
    count = [len(placing.size_m) for placing in placings]
    taken = {stand.name for stand in plan.stands} | {g.name for g in plan.gear}
    names: list[str] = []
    for group, number in zip(plan.markers, count, strict=True):
        names += [_unused(f"{group.name} {n}", taken) for n in range(1, number + 1)]
    surface, centre_uv, size, turn = (
        np.concatenate([np.empty((0, *shape)), *(getattr(placing, name) for placing in placings)])
        for name, shape in (("surface", ()), ("centre_uv", (2,)), ("size_m", ()), ("turn_rad", ()))
    )
    surface = surface.astype(int)
    local = [corners for placing in placings for corners in placing.outline_m]
    first = np.concatenate([[0], np.cumsum([len(corners) for corners in local])]).astype(int)
    sides = np.diff(first)
    corners = turned(np.concatenate([np.empty((0, 2)), *local]), np.repeat(turn, sides))
    outline_uv = _rounded(corners + np.repeat(centre_uv, sides, axis=0), 6)
    outline_m, _ = _on_surfaces(surfaces, np.repeat(surface, sides), outline_uv)
    centre_m, normal = _on_surfaces(surfaces, surface, centre_uv)
    set_index = np.repeat(np.arange(len(placings)), count)
    return Markers(
        tuple(names), set_index, surface, centre_uv, centre_m, normal, size, turn, first, outline_uv, outline_m
    )


def _unused(name: str, taken: set[str]) -> str:
    """The name, or where something else has it the name with a star."""
    while name in taken:
        name += "*"
    taken.add(name)
    return name


def _on_surfaces(surfaces: Sequence[Surface], row: np.ndarray, uv: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """World points and normals (P, 3) of coordinates (P, 2), each on its own surface."""
    world, normal = np.empty((len(uv), 3)), np.empty((len(uv), 3))
    for i in np.unique(row):
        mine = row == i
        world[mine], normal[mine] = to_world(surfaces[i], uv[mine]), normal_at(surfaces[i], uv[mine])
    return _rounded(world, 9), _rounded(normal, 9)


def _rounded(values: np.ndarray, digits: int) -> np.ndarray:
    """Rounded, and without negative zeros: sines and square roots differ in the last bit from machine to machine."""
    rounded: np.ndarray = np.round(values, digits) + 0.0
    return rounded


def _marker_features(markers: Markers, surfaces: Sequence[Surface], discs: np.ndarray) -> dict[str, np.ndarray]:
    """Every corner of a polygon with its neighbours, and the centres of discs, marker after marker."""
    sides = np.diff(markers.first)
    owner = np.repeat(np.arange(len(sides)), sides)
    row = np.arange(len(owner))
    start, end = markers.first[:-1][owner], markers.first[1:][owner]
    before = markers.outline_m[np.where(row == start, end - 1, row - 1)]
    after = markers.outline_m[np.where(row + 1 == end, start, row + 1)]
    position = markers.outline_m.copy()
    _, normal = _on_surfaces(surfaces, markers.surface[owner], markers.outline_uv)
    edge = [np.sqrt(((other - position) ** 2).sum(axis=1)) for other in (before, after)]
    size = np.minimum(*edge)
    disc = discs[markers.set_index][owner]
    for array in (position, before, after):
        array[disc] = markers.centre_m[owner[disc]]
    normal[disc] = markers.normal[owner[disc]]
    size[disc] = 2 / np.sqrt(np.pi) * markers.size_m[owner[disc]]
    kept = ~disc | (row == start)
    return {
        "position_m": position[kept],
        "normal": normal[kept],
        "kind": np.where(disc, DISC, CORNER)[kept],
        "owner": owner[kept],
        "surface": markers.surface[owner][kept],
        "before_m": before[kept],
        "after_m": after[kept],
        "size_m": size[kept],
        "pole_m": np.zeros(kept.sum()),
    }


def _band_features(stand: Stand, owner: int) -> dict[str, np.ndarray]:
    height = stand.base + np.array(stand.bands, dtype=float)
    position = np.column_stack([np.full((len(height), 2), stand.at), height])
    return _facing_every_way(position, BAND, owner, stand.band_width, stand.pole)


def _hard_points(gear: Gear, owner: int) -> dict[str, np.ndarray]:
    points = np.array(gear.points, dtype=float) if gear.points else box_corners(gear.size)
    return _facing_every_way(gear_points(gear.at, gear.turn, points), POINT, owner, min(gear.size))


def _facing_every_way(
    position: np.ndarray, kind: int, owner: int, size: float, pole: float = 0.0
) -> dict[str, np.ndarray]:
    position = _rounded(position, 9)
    count = len(position)
    return {
        "position_m": position,
        "normal": np.zeros((count, 3)),
        "kind": np.full(count, kind),
        "owner": np.full(count, owner),
        "surface": np.full(count, -1),
        "before_m": position,
        "after_m": position,
        "size_m": np.full(count, size),
        "pole_m": np.full(count, pole),
    }
