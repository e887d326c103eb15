"""Which markers go where: every set of a plan on its surfaces, clear of edges, keep-outs, gear and each other."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from .. import sources
from ..plan.model import Keepout, MarkerSet, PlacedMarker, Plan
from ..problems import BadInput, Problem, one_problem
from . import polygons, scatter, shapes
from .surfaces import Surface, normal_at, to_surface, to_world

Need = Callable[[Surface, np.ndarray], np.ndarray]  # surface and (P, 2) coordinates -> (P,) 0 to 1

MOST = 100_000  # markers of one set: beyond that somebody mistyped a spacing
HAIR_M = 1e-7  # distances in space are computed; with it no exact tie hangs on a last bit
ON_GROUND_M = 0.1  # a foot nearer than this to a surface stands on it
FLOOR_Z = 0.7  # a surface whose normal rises at least so steeply can be stood on
OVERHANG_M = 1e-3  # how far a marker put down by hand may stick out over an edge


@dataclass(frozen=True, slots=True, eq=False)
class Placing:
    """M markers of one set: where they are and what they look like."""

    surface: np.ndarray  # (M,) int
    centre_uv: np.ndarray  # (M, 2)
    size_m: np.ndarray  # (M,)
    turn_rad: np.ndarray  # (M,)
    outline_m: tuple[np.ndarray, ...]  # M of (K, 2): corners about the centre, unturned
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """Ground that earlier sets have taken: circles about markers, in space."""

    centre_m: np.ndarray  # (T, 3)
    radius_m: np.ndarray  # (T,)


@dataclass(frozen=True, slots=True, eq=False)
class _Spots:
    surface: np.ndarray  # (N,) int
    at: np.ndarray  # (N, 2) int, units
    rank: np.ndarray  # (N,) int: when it came on its surface, whatever was dropped since

    def __len__(self) -> int:
        return len(self.at)

    def __getitem__(self, rows: np.ndarray) -> _Spots:
        return _Spots(self.surface[rows], self.at[rows], self.rank[rows])


@dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """One surface as a set sees it."""

    row: int
    surface: Surface
    region: scatter.Region
    free_m2: float
    eased: scatter.Ease | None
    taken: Taken  # by other sets, near enough to matter
    feet_uv: tuple[np.ndarray, ...]  # what stands on it


def place_sets(plan: Plan, surfaces: Sequence[Surface], need: Need | None = None) -> tuple[Placing, ...]:
    """The markers of every set of a plan, in the plan's order.

    Sets put down by hand come first, then the others in turn; each keeps clear of all before it.
    Raises BadInput, with every problem found, for unknown surfaces, outlines that cross themselves, sets without a
    spacing, count or density, sets that find no room at all, and hand-placed markers that stick out.
    """
    row_of = {surface.name: row for row, surface in enumerate(surfaces)}
    problems = [*_keepout_problems(plan.keepouts, row_of), *_set_problems(plan.markers, row_of)]
    if problems:
        raise BadInput(problems)
    placings: dict[int, Placing] = {}
    taken = Taken(np.empty((0, 3)), np.empty(0))
    for i in sorted(range(len(plan.markers)), key=lambda i: plan.markers[i].layout != "placed"):
        group = plan.markers[i]
        try:
            if group.layout == "placed":
                placings[i] = _by_hand(group, plan.keepouts, surfaces, row_of)
            else:
                placings[i] = _spread(plan, group, surfaces, row_of, taken, need)
        except BadInput as error:
            problems.extend(error.problems)
        else:
            taken = _with(taken, placings[i], surfaces)
    if problems:
        raise BadInput(problems)
    return tuple(placings[i] for i in range(len(plan.markers)))


def _keepout_problems(keepouts: Sequence[Keepout], row_of: dict[str, int]) -> list[Problem]:
    problems = []
    for keepout in keepouts:
        where = f"keepout {keepout.name!r}"
        if keepout.surface not in row_of:
            problems.append(Problem(f"{where}.surface", repr(keepout.surface), _one_of(row_of)))
        problems.extend(_outline_problems(f"{where}.outline", keepout.outline))
    return problems


def _set_problems(groups: Sequence[MarkerSet], row_of: dict[str, int]) -> list[Problem]:
    problems = []
    for group in groups:
        where = f"markers {group.name!r}"
        by_hand = group.layout == "placed"
        named = [marker.surface for marker in group.placed] if by_hand else group.surfaces
        problems += [Problem(f"{where}.surfaces", repr(name), _one_of(row_of)) for name in named if name not in row_of]
        if not named and not by_hand:
            problems.append(Problem(f"{where}.surfaces", "none", _one_of(row_of)))
        if group.area:
            problems.extend(_outline_problems(f"{where}.area", group.area))
        for number, marker in enumerate(group.placed):
            if marker.outline:
                problems.extend(_outline_problems(f"{where}.placed[{number}].outline", marker.outline))
        if not by_hand and not (group.spacing or group.count or group.density):
            problems.append(Problem(where, "neither spacing nor count nor density", "one of them, above 0"))
    return problems


def _one_of(row_of: dict[str, int]) -> str:
    return "one of " + ", ".join(row_of) if row_of else "a surface; the stage has none"


def _outline_problems(where: str, outline: Sequence[tuple[float, float]]) -> list[Problem]:
    corners = np.array(outline, dtype=float)
    if len(corners) >= 3 and polygons.is_simple(corners):
        return []
    return [Problem(where, f"{len(corners)} corners whose edges meet elsewhere", "three or more corners, no crossing")]


def _spread(
    plan: Plan,
    group: MarkerSet,
    surfaces: Sequence[Surface],
    row_of: dict[str, int],
    taken: Taken,
    need: Need | None,
) -> Placing:
    """A set that is scattered or put on a lattice."""
    radius = max(group.size) * shapes.farthest_corner(group.shape, group.corners)
    rows = [row_of[name] for name in dict.fromkeys(group.surfaces)]
    grounds = [_ground(plan, group, row, surfaces[row], radius, taken, need) for row in rows]
    apart = scatter.units_up(2 * radius + sources.MARKER_GAP.value)
    smallest = max(apart, scatter.units_up(group.spacing or 0.0))
    free = sum(ground.free_m2 for ground in grounds)
    wanted = group.count or math.ceil((group.density or 0.0) * free)
    expected = wanted or scatter.DENSITY * free / (smallest / scatter.PER_M) ** 2
    if expected > MOST:
        raise one_problem(f"markers {group.name!r}", f"about {expected:,.0f} markers", f"{MOST:,} at most")

    def place(spacing: int) -> _Spots:
        return _spots(group, grounds, spacing, radius)

    if wanted:
        guess = scatter.units_up(math.sqrt(scatter.DENSITY * free / wanted))
        spots = scatter.search_spacing(place, wanted, smallest, guess)
    else:
        spots = place(smallest)
    if not len(spots):
        raise _no_room(group, grounds, radius, free)
    notes = [
        f"{group.name}: no marker fits on {ground.surface.name}."
        for ground in grounds
        if not (spots.surface == ground.row).any()
    ]
    limit = f"{smallest / scatter.PER_M:.3f} m apart"
    if not wanted and group.spacing and smallest > scatter.units_up(group.spacing):
        notes.append(f"{group.name}: at {group.spacing:.3f} m markers would touch; they are {limit}.")
    if len(spots) < wanted:
        notes.append(f"{group.name}: {len(spots)} of {wanted} markers fit, {limit}.")
    elif wanted:
        # Thinned in an order that has nothing to do with where they are.
        lot = scatter.generator([*scatter.seed_of(group.seed, group.name), 0]).random(len(spots))
        spots = spots[np.argsort(lot, kind="stable")[:wanted]]
    return _drawn(group, surfaces, spots[np.lexsort((spots.at[:, 1], spots.at[:, 0], spots.surface))], notes)


def _no_room(group: MarkerSet, grounds: Sequence[_Ground], radius: float, free: float) -> BadInput:
    names = ", ".join(ground.surface.name for ground in grounds)
    return one_problem(
        f"markers {group.name!r}",
        f"no room: {free:.2f} m² for centres on {names}, with markers {2 * radius:.3f} m across "
        f"and a margin of {group.margin:.3f} m",
        "a larger area, smaller markers, or a smaller margin",
    )


def _ground(
    plan: Plan, group: MarkerSet, row: int, surface: Surface, radius: float, taken: Taken, need: Need | None
) -> _Ground:
    clear = group.margin + radius
    inside = [(surface.outline_uv, clear)]
    if group.area:
        inside.append((np.array(group.area), radius))
    outside = [(np.array(k.outline), clear) for k in plan.keepouts if k.surface == surface.name]
    region = scatter.region(inside, outside)
    free = region.free_m2()
    eased = None
    if need is not None and group.need > 0 and free > 0:
        eased = scatter.ease(region, lambda uv: need(surface, uv), group.need)
    apart = taken.radius_m + radius + sources.MARKER_GAP.value
    return _Ground(row, surface, region, free, eased, _near(surface, taken.centre_m, apart), _feet(plan, surface))


def _near(surface: Surface, centre_m: np.ndarray, apart_m: np.ndarray) -> Taken:
    """Those of the points that reach the surface, each with the distance to keep from it."""
    foot = to_world(surface, to_surface(surface, centre_m))
    near = _distance2(foot, centre_m) < apart_m**2
    return Taken(centre_m[near], apart_m[near])


def _spots(group: MarkerSet, grounds: Sequence[_Ground], spacing: int, radius: float) -> _Spots:
    """Places at one spacing, surface after surface; on each they keep the spacing from those on the ones before."""
    parts: list[_Spots] = []
    so_far = np.empty((0, 3))
    for ground in grounds:
        own = _near(ground.surface, so_far, np.full(len(so_far), spacing / scatter.PER_M))
        clear = _clear_of(ground.surface, ground.taken, own)
        if group.layout == "grid":
            at = scatter.lattice(ground.region, spacing, clear)
        else:
            seed = scatter.seed_of(group.seed, group.name, ground.surface.name)
            at = scatter.blue_noise(ground.region, spacing, seed, clear, ground.eased)
        # What stands there is dropped last: moving a stand must not shuffle the markers of a whole floor.
        rank = np.flatnonzero(_off_feet(at / scatter.PER_M, ground.feet_uv, radius))
        parts.append(_Spots(np.full(len(rank), ground.row), at[rank], rank))
        so_far = np.concatenate([so_far, to_world(ground.surface, at[rank] / scatter.PER_M)])
    return _Spots(*(np.concatenate([getattr(part, name) for part in parts]) for name in ("surface", "at", "rank")))


def _clear_of(surface: Surface, *taken: Taken) -> scatter.Mask | None:
    centre = np.concatenate([part.centre_m for part in taken])
    apart2 = (np.concatenate([part.radius_m for part in taken]) + HAIR_M) ** 2
    if not len(centre):
        return None

    def clear(at: np.ndarray) -> np.ndarray:
        world = to_world(surface, at / scatter.PER_M)
        kept: np.ndarray = np.all(_distance2(world[:, None], centre) >= apart2, axis=1)
        return kept

    return clear


def _distance2(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    away = a - b
    distance2: np.ndarray = away[..., 0] ** 2 + away[..., 1] ** 2 + away[..., 2] ** 2
    return distance2


def _feet(plan: Plan, surface: Surface) -> tuple[np.ndarray, ...]:
    """Outlines, in the surface's coordinates, of the stands and gear that stand on it."""
    feet = []
    eighths = np.pi / 4 * (np.arange(8) + 0.5)
    for stand in plan.stands:
        reach = max(sources.STAND_FOOT.value, stand.pole / 2) / math.cos(np.pi / 8)  # the octagon holds the circle
        around = reach * np.stack([np.cos(eighths), np.sin(eighths)], axis=-1)
        feet.append(np.column_stack([stand.at + around, np.full(8, stand.base)]))
    feet += [gear_points(g.at, g.turn, box_corners(g.size)[:4]) for g in plan.gear]
    standing = []
    for foot in feet:
        middle = foot.mean(axis=0)
        uv = to_surface(surface, middle)
        on = np.sqrt(_distance2(to_world(surface, uv), middle)) < ON_GROUND_M
        if on and normal_at(surface, uv)[2] > FLOOR_Z:
            standing.append(to_surface(surface, foot))
    return tuple(standing)


def box_corners(size: tuple[float, float, float]) -> np.ndarray:
    """(8, 3) corners of a box from the centre of its foot: the lower four around, then the upper four."""
    width, depth, height = size
    around = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (width / 2, depth / 2)
    return np.concatenate([np.column_stack([around, np.full(4, z)]) for z in (0.0, height)])


def gear_points(at: tuple[float, float, float], turn: float, points: np.ndarray) -> np.ndarray:
    """World positions (P, 3) of points in a piece of gear's own axes."""
    cos, sin = math.cos(turn), math.sin(turn)
    x, y, z = points.T
    return np.column_stack([x * cos - y * sin, x * sin + y * cos, z]) + at


def _off_feet(uv: np.ndarray, feet: Sequence[np.ndarray], radius: float) -> np.ndarray:
    off: np.ndarray = np.ones(len(uv), dtype=bool)
    for foot in feet:
        clear = polygons.edge_distance(foot, uv) >= radius + sources.MARKER_GAP.value
        off = np.logical_and(off, clear & ~polygons.contains(foot, uv))
    return off


def _drawn(group: MarkerSet, surfaces: Sequence[Surface], spots: _Spots, notes: Sequence[str]) -> Placing:
    """Shape, size and turn of every marker, by its rank on its surface: what was dropped changes no other."""
    size, turn = np.empty(len(spots)), np.empty(len(spots))
    local = [np.empty((0, 2))] * len(spots)
    for row in dict.fromkeys(spots.surface.tolist()):
        mine = np.flatnonzero(spots.surface == row)
        rank = spots.rank[mine]
        seed = scatter.seed_of(group.seed, group.name, surfaces[row].name)
        draw = scatter.generator([*seed, 1]).random((rank.max() + 1, 2))[rank]
        low, high = min(group.size), max(group.size)
        size[mine] = scatter.units(low + (high - low) * draw[:, 0]) / scatter.PER_M
        # Whole degrees: nobody turns tape more finely.
        turn[mine] = np.floor(360 * draw[:, 1]) * (np.pi / 180) if group.turn is None else group.turn
        outlines = shapes.outlines(group.shape, group.corners, [*seed, 2], int(rank.max()) + 1)
        for marker, nth in zip(mine, rank, strict=True):
            local[marker] = size[marker] * outlines[nth]
    return Placing(spots.surface, spots.at / scatter.PER_M, size, turn, tuple(local), tuple(notes))


def _by_hand(
    group: MarkerSet, keepouts: Sequence[Keepout], surfaces: Sequence[Surface], row_of: dict[str, int]
) -> Placing:
    problems, notes = [], []
    local = [_own_outline(group, marker) for marker in group.placed]
    for number, (marker, corners) in enumerate(zip(group.placed, local, strict=True), start=1):
        uv = turned(corners, marker.turn) + marker.at
        outline = surfaces[row_of[marker.surface]].outline_uv
        out = ~polygons.contains(outline, uv) * polygons.edge_distance(outline, uv)
        if out.max() > OVERHANG_M:
            problems.append(
                Problem(
                    f"markers {group.name!r}.placed[{number - 1}]",
                    f"a corner {out.max():.3f} m outside of {marker.surface!r}",
                    "a marker that lies on its surface",
                )
            )
        for keepout in keepouts:
            if keepout.surface == marker.surface and polygons.contains(np.array(keepout.outline), uv).any():
                notes.append(f"{group.name} {number} lies in the keep-out {keepout.name}.")
    if problems:
        raise BadInput(problems)
    return Placing(
        surface=np.array([row_of[marker.surface] for marker in group.placed], dtype=int),
        centre_uv=np.array([marker.at for marker in group.placed]).reshape(-1, 2),
        size_m=np.sqrt([float(polygons.signed_area(corners)) for corners in local]),
        turn_rad=np.array([marker.turn for marker in group.placed]),
        outline_m=tuple(local),
        notes=tuple(notes),
    )


def _own_outline(group: MarkerSet, marker: PlacedMarker) -> np.ndarray:
    """Corners about the centre: the marker's own, or the set's shape (random: from the set's seed and the place)."""
    if marker.outline:
        corners = np.array(marker.outline)
        return corners if polygons.signed_area(corners) > 0 else corners[::-1]
    seed = [
        *scatter.seed_of(group.seed, group.name, marker.surface),
        *(scatter.units(np.array(marker.at)) + (1 << 32)).tolist(),
    ]
    return marker.size * shapes.outlines(group.shape, group.corners, seed, 1)[0]


def turned(corners: np.ndarray, turn: float | np.ndarray) -> np.ndarray:
    """Corners (K, 2) turned counter-clockwise about the origin, all by one angle or each by its own (K,)."""
    cos, sin = np.cos(turn), np.sin(turn)
    x, y = corners[:, 0], corners[:, 1]
    return np.stack([x * cos - y * sin, x * sin + y * cos], axis=-1)


def _with(taken: Taken, placing: Placing, surfaces: Sequence[Surface]) -> Taken:
    centre = np.empty((len(placing.size_m), 3))
    for row in np.unique(placing.surface):
        mine = placing.surface == row
        centre[mine] = to_world(surfaces[row], placing.centre_uv[mine])
    radius = [math.sqrt(float((corners**2).sum(axis=1).max())) for corners in placing.outline_m]
    return Taken(np.concatenate([taken.centre_m, centre]), np.concatenate([taken.radius_m, radius]))
