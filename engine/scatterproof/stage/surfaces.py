"""Stage surfaces: flat parts and coves, and the way between surface coordinates and the world.

How coves trim
    A cove is tangent to the two flat surfaces it joins, on the side their normals point to. It runs as far as the
    tangent line lies on both of them as they were before any trimming. Over that length each flat surface loses
    what lies beyond its tangent line, out to its far edge; what that cuts off altogether (floor behind a corner of
    two walls) is dropped.
Where two coves meet on one flat surface
    Both end where their tangent lines cross. Three coves of one radius in a corner then end in three great arcs of
    one ball, and the flat surfaces in its three points of contact: nothing overlaps and the ball-shaped triangle
    that is left closes the corner exactly. Where the radii differ, each cove ends at the farther of the two
    crossings, and each flat surface is cut straight between the ends of its coves. The patches of
    :func:`corner_patches` are there to be drawn; no marker is put on them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from ..plan.model import Cove, Floor, Panel, Stage, Wall
from ..problems import BadInput, Problem
from . import polygons
from .polygons import Half

FINEST_TURN_RAD = math.radians(6.0)  # a drawn cove turns by no more than this from one strip to the next
SQUARE = 1e-3  # cosine up to which a panel's edges, as rounded by a person, count as square
TOUCH_M = 1e-6

Corner = tuple[tuple[int, bool], ...]  # the three coves that meet there, and whether with their upper end


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """One flat surface, or one cove (``radius_m`` > 0): what is left of it after its coves have been let in.

    Coordinates (u, v) are metres along the surface: flat, ``world = origin + u across + v up``; on a cove u runs
    along the axis and v is arc length from the tangent line with the first surface it joins. The normal points to the
    stage (for a flat surface ``across x up``; for a cove towards its axis).
    """

    name: str
    kind: str  # "floor", "wall", "panel" or "cove"
    origin: np.ndarray  # (3,) world point of (0, 0); on a cove the point of the axis at u = 0
    across: np.ndarray  # (3,) unit; on a cove along its axis
    up: np.ndarray  # (3,) unit; on a cove from the axis to the tangent line v = 0
    normal: np.ndarray  # (3,) unit; on a cove the tangent direction of rising v at v = 0
    outline_uv: np.ndarray  # (K, 2) what is left of it, counter-clockwise
    radius_m: float  # 0 for a flat surface
    paint: str
    light: float


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A corner that is drawn, and nothing else."""

    name: str
    paint: str
    light: float
    vertices_m: np.ndarray  # (V, 3) world
    triangles: np.ndarray  # (T, 3) counter-clockwise seen from the stage


def to_world(surface: Surface, uv: np.ndarray) -> np.ndarray:
    """World points of surface coordinates (..., 2) -> (..., 3), metres; beyond the outline the surface goes on."""
    uv = np.asarray(uv, dtype=float)
    u, v = uv[..., :1], uv[..., 1:]
    if not surface.radius_m:
        away: np.ndarray = u * surface.across + v * surface.up
    else:
        turn = v / surface.radius_m
        away = u * surface.across + surface.radius_m * (np.cos(turn) * surface.up + np.sin(turn) * surface.normal)
    world: np.ndarray = surface.origin + away
    return world


def to_surface(surface: Surface, xyz: np.ndarray) -> np.ndarray:
    """Coordinates of the nearest point of the plane or cylinder, world (..., 3) -> (..., 2), metres.

    The exact inverse of :func:`to_world` on the surface, and on a cove up to half a turn from its middle.
    """
    away = np.asarray(xyz, dtype=float) - surface.origin
    u = _dot(away, surface.across)
    if not surface.radius_m:
        return np.stack([u, _dot(away, surface.up)], axis=-1)
    # Measured from the middle of the arc, the jump of the angle lies opposite, as far off as can be.
    middle = 0.5 * float(surface.outline_uv[:, 1].max()) / surface.radius_m
    cos, sin = math.cos(middle), math.sin(middle)
    x, y = _dot(away, surface.up), _dot(away, surface.normal)
    turn = middle + np.arctan2(cos * y - sin * x, cos * x + sin * y)
    return np.stack([u, surface.radius_m * turn], axis=-1)


def normal_at(surface: Surface, uv: np.ndarray) -> np.ndarray:
    """Unit normals towards the stage at surface coordinates (..., 2) -> (..., 3)."""
    uv = np.asarray(uv, dtype=float)
    if not surface.radius_m:
        return np.broadcast_to(surface.normal, (*uv.shape[:-1], 3))
    turn = uv[..., 1:] / surface.radius_m
    normal: np.ndarray = -np.cos(turn) * surface.up - np.sin(turn) * surface.normal
    return normal


def area_m2(surface: Surface) -> float:
    """What is left of the surface, square metres (both kinds unroll without stretching)."""
    return float(polygons.signed_area(surface.outline_uv))


def mesh(surface: Surface, step_m: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (V, 3) and triangles (T, 3), counter-clockwise seen from the stage, to draw the surface.

    A flat surface keeps its corners; a cove is cut along its axis into strips at most ``step_m`` wide and at most
    6 degrees of turn, so that its edges fall on those of its neighbours and of the corner patches.
    """
    if not surface.radius_m:
        return to_world(surface, surface.outline_uv), polygons.triangulate(surface.outline_uv)
    v = _strip_edges(surface, step_m)
    uv = np.stack([np.tile([0.0, surface.outline_uv[:, 0].max()], len(v)), np.repeat(v, 2)], axis=-1)
    first = 2 * np.arange(len(v) - 1)[:, None]
    return to_world(surface, uv), (first + np.array([0, 1, 3, 0, 3, 2])).reshape(-1, 3)


def build_surfaces(stage: Stage) -> tuple[Surface, ...]:
    """Floors, walls, panels and coves of a stage, in this order, trimmed against each other.

    Raises BadInput, with every problem found, for surfaces without area, panels that aren't rectangles, and coves
    whose surfaces are parallel, don't meet, or are used up by the radius.
    """
    return _build(stage).surfaces


def corner_patches(stage: Stage, step_m: float = 0.1) -> tuple[Patch, ...]:
    """What closes the corners in which three coves meet, for drawing: part of a ball where the radii are equal.

    The patches share the vertices of :func:`mesh` at the same step. Raises BadInput as :func:`build_surfaces`.
    """
    built = _build(stage)
    return tuple(_patch(built, corner, step_m) for corner in built.corners)


@dataclass(frozen=True, slots=True, eq=False)
class _Join:
    """A cove before trimming: the cylinder between two flat surfaces and the length of axis they have in common."""

    cove: Cove
    flats: tuple[int, int]
    axis_m: np.ndarray  # (3,) a point of the axis, at 0 of ``span_m``
    along: np.ndarray  # (3,) unit, along the axis
    turn_rad: float  # between the normals: what the cove turns by
    span_m: tuple[float, float]

    def touch(self, flats: Sequence[Surface], flat: int) -> np.ndarray:
        """(3,) the point of the tangent line on one of the two flat surfaces, at 0 of ``span_m``."""
        return self.axis_m - self.cove.radius * flats[flat].normal

    def other(self, flat: int) -> int:
        """The other flat surface it joins."""
        return self.flats[1] if flat == self.flats[0] else self.flats[0]


@dataclass(frozen=True, slots=True, eq=False)
class _Built:
    surfaces: tuple[Surface, ...]
    joins: tuple[_Join, ...]
    corners: tuple[Corner, ...]


def _build(stage: Stage) -> _Built:
    flats, problems = _flats(stage)
    if problems:
        raise BadInput(problems)
    joins: list[_Join] = []
    for cove in stage.coves:
        join = _join(cove, flats)
        if isinstance(join, Problem):
            problems.append(join)
        else:
            joins.append(join)
    if problems:
        raise BadInput(problems)
    spans, corners = _ends(joins, flats)
    trimmed = []
    for row, flat in enumerate(flats):
        mine = [i for i, join in enumerate(joins) if row in join.flats]
        outline = _trim(flats, row, joins, mine, spans, corners)
        trimmed.append(replace(flat, outline_uv=outline))
        if polygons.signed_area(outline) < TOUCH_M:
            names = " and ".join(repr(joins[i].cove.name) for i in mine)
            problems.append(Problem(f"stage.cove {names}", f"nothing left of {flat.name!r}", "a smaller radius"))
    for join, (low, high) in zip(joins, spans, strict=True):
        if high - low < TOUCH_M:
            problems.append(
                Problem(
                    f"stage.cove {join.cove.name!r}",
                    f"{max(high - low, 0.0):.3f} m left between the coves it meets",
                    "smaller radii, or longer surfaces",
                )
            )
    if problems:
        raise BadInput(problems)
    coves = [_cove_surface(join, span, flats) for join, span in zip(joins, spans, strict=True)]
    return _Built((*trimmed, *coves), tuple(joins), corners)


def _flats(stage: Stage) -> tuple[list[Surface], list[Problem]]:
    flats: list[Surface] = []
    problems: list[Problem] = []
    for floor in stage.floors:
        corner = np.array([floor.x[0], floor.y[0]])
        size = np.array([floor.x[1], floor.y[1]]) - corner
        origin = np.array([0.0, 0.0, floor.z])
        flats.append(_flat(stage, floor, "floor", origin, _unit([1, 0, 0]), _unit([0, 1, 0]), size, corner))
    for wall in stage.walls:
        run = np.array([wall.end[0] - wall.start[0], wall.end[1] - wall.start[1], 0.0])
        across = _unit(run)
        away = np.array([-across[1], across[0], 0.0])
        up = math.sin(wall.lean) * away + np.array([0.0, 0.0, math.cos(wall.lean)])
        origin = np.array([*wall.start, wall.base])
        flats.append(_flat(stage, wall, "wall", origin, across, up, np.array([_length(run), wall.height])))
    for panel in stage.panels:
        across, up = _unit(panel.across), _unit(panel.up)
        skew = float(_dot(across, up))
        if abs(skew) > SQUARE:
            between = math.degrees(math.acos(max(-1.0, min(1.0, skew))))
            problems.append(
                Problem(f"stage.panel {panel.name!r}.up", f"{between:.2f} degrees from across", "90 degrees")
            )
        up = _unit(up - skew * across)
        size = np.array([_length(panel.across), _length(panel.up)])
        flats.append(_flat(stage, panel, "panel", np.array(panel.corner), across, up, size))
    for flat in flats:
        low, high = flat.outline_uv.min(axis=0), flat.outline_uv.max(axis=0)
        if not (flat.outline_uv[0] < flat.outline_uv[2] - TOUCH_M).all():
            extent = f"{high[0] - low[0]:.3f} m by {high[1] - low[1]:.3f} m"
            problems.append(
                Problem(f"stage.{flat.kind} {flat.name!r}", extent, "edges in rising order and some width and height")
            )
    return flats, problems


def _flat(
    stage: Stage,
    piece: Floor | Wall | Panel,
    kind: str,
    origin: np.ndarray,
    across: np.ndarray,
    up: np.ndarray,
    size: np.ndarray,
    corner: np.ndarray | float = 0.0,
) -> Surface:
    outline = corner + size * np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    paint = piece.paint or stage.paint
    return Surface(piece.name, kind, origin, across, up, np.cross(across, up), outline, 0.0, paint, piece.light)


def _join(cove: Cove, flats: Sequence[Surface]) -> _Join | Problem:
    where = f"stage.cove {cove.name!r}"
    row = {flat.name: i for i, flat in enumerate(flats)}
    missing = [name for name in cove.between if name not in row]
    if missing:
        return Problem(f"{where}.between", ", ".join(map(repr, missing)), "names of flat surfaces")
    i, j = (row[name] for name in cove.between)
    a, b = flats[i], flats[j]
    cos = float(_dot(a.normal, b.normal))
    line = np.cross(a.normal, b.normal)
    sin = _length(line)
    if sin < TOUCH_M:
        return Problem(f"{where}.between", f"{a.name!r} and {b.name!r}, which are parallel", "two that form a corner")
    rising = (cos * a.normal - b.normal) / sin  # along a, towards b
    along = np.cross(rising, a.normal)
    # On the axis both signed distances are the radius; solved in the plane that both normals span.
    level_a = _dot(a.origin, a.normal) + cove.radius
    level_b = _dot(b.origin, b.normal) + cove.radius
    reach_a, reach_b = (level_a - cos * level_b) / sin**2, (level_b - cos * level_a) / sin**2
    axis = reach_a * a.normal + reach_b * b.normal + _dot(a.origin, along) * along
    turn = math.atan2(sin, cos)
    join = _Join(cove, (i, j), axis, along, turn, (0.0, 0.0))
    spans = []
    for flat in (i, j):
        span = _line_in_outline(flats[flat], join.touch(flats, flat), along)
        if span[1] - span[0] < TOUCH_M:
            setback = cove.radius * math.tan(turn / 2)
            return Problem(
                f"{where}.radius",
                f"{cove.radius:g} m, whose tangent line, {setback:.3f} m from the corner, misses {flats[flat].name!r}",
                "a radius that leaves something of both, and fronts that face each other",
            )
        spans.append(span)
    low, high = max(spans[0][0], spans[1][0]), min(spans[0][1], spans[1][1])
    if high - low < TOUCH_M:
        return Problem(f"{where}.between", "surfaces with no length in common", "two that run side by side")
    return replace(join, span_m=(low, high))


def _line_in_outline(flat: Surface, point: np.ndarray, along: np.ndarray) -> tuple[float, float]:
    """Where a line in the plane of a rectangle enters and leaves it; empty (leaves first) where it misses."""
    (left, bottom), (right, top) = flat.outline_uv[0], flat.outline_uv[2]
    low, high = -math.inf, math.inf
    for axis, least, most in ((flat.across, left, right), (flat.up, bottom, top)):
        at, slope = float(_dot(point - flat.origin, axis)), float(_dot(along, axis))
        if abs(slope) < polygons.SNAP_M:
            if not least - TOUCH_M < at < most + TOUCH_M:
                return 0.0, 0.0
            continue
        ends = sorted(((least - at) / slope, (most - at) / slope))
        low, high = max(low, ends[0]), min(high, ends[1])
    return low, high


def _ends(joins: Sequence[_Join], flats: Sequence[Surface]) -> tuple[list[tuple[float, float]], tuple[Corner, ...]]:
    """The span of every cove after trimming against those it meets, and the corners where three meet."""
    spans = [join.span_m for join in joins]
    met: set[tuple[int, int]] = set()
    for i, j in combinations(range(len(joins)), 2):
        for flat in set(joins[i].flats) & set(joins[j].flats):
            at = [_crossing(joins[x], joins[y], flats, flat) for x, y in ((i, j), (j, i))]
            if any(math.isnan(s) for s in at) or not all(
                joins[x].span_m[0] - TOUCH_M < s < joins[x].span_m[1] + TOUCH_M for x, s in zip((i, j), at, strict=True)
            ):
                continue
            met.add((i, j))
            for x, y, s in ((i, j, at[0]), (j, i, at[1])):
                third = flats[joins[y].other(flat)]
                low, high = spans[x]
                rises = _dot(joins[x].along, third.normal) > 0  # away from the third surface
                spans[x] = (max(low, s), high) if rises else (low, min(high, s))
    corners: list[Corner] = []
    for three in combinations(range(len(joins)), 3):
        around = {flat for i in three for flat in joins[i].flats}
        if met.issuperset(combinations(three, 2)) and len(around) == 3:
            opposite = [flats[(around - set(joins[i].flats)).pop()].normal for i in three]
            falls = [bool(_dot(joins[i].along, away) < 0) for i, away in zip(three, opposite, strict=True)]
            corners.append(tuple(zip(three, falls, strict=True)))
    return spans, tuple(corners)


def _crossing(join: _Join, other: _Join, flats: Sequence[Surface], flat: int) -> float:
    """Where along ``join`` its tangent line on ``flat`` crosses that of ``other``; nan where they are parallel."""
    third = flats[other.other(flat)]
    slope = float(_dot(join.along, third.normal))
    if abs(slope) < TOUCH_M:
        return math.nan
    level = other.cove.radius * (1 - math.cos(other.turn_rad))
    return (level - float(_dot(join.touch(flats, flat) - third.origin, third.normal))) / slope


def _trim(
    flats: Sequence[Surface],
    row: int,
    joins: Sequence[_Join],
    mine: Sequence[int],
    spans: Sequence[tuple[float, float]],
    corners: Sequence[Corner],
) -> np.ndarray:
    """The outline of one flat surface without what its coves take."""
    flat = flats[row]
    pieces = [flat.outline_uv]
    for i in mine:
        join = joins[i]
        low, high = join.span_m
        other = flats[join.other(row)]
        level = join.cove.radius * (1 - math.cos(join.turn_rad))
        beyond = _half(flat, -other.normal, other.origin, -level)
        ends = _half(flat, join.along, join.axis_m, low), _half(flat, -join.along, join.axis_m, -high)
        pieces = polygons.subtract(pieces, (beyond, *ends))
    for corner in corners:
        touching = [i for i, _ in corner if row in joins[i].flats]
        if len(touching) == 2:
            pieces = _cut_corner(flats, row, joins, touching, spans, pieces)
    return polygons.largest_outline(pieces)


def _cut_corner(
    flats: Sequence[Surface],
    row: int,
    joins: Sequence[_Join],
    touching: Sequence[int],
    spans: Sequence[tuple[float, float]],
    pieces: list[np.ndarray],
) -> list[np.ndarray]:
    """Takes the triangle between the crossing of two tangent lines and the ends of their coves (radii that differ)."""
    i, j = touching
    flat = flats[row]
    crossing = to_surface(flat, joins[i].touch(flats, row) + _crossing(joins[i], joins[j], flats, row) * joins[i].along)
    triangle = np.stack([crossing, *(_end_near(flats, row, joins[x], spans[x], crossing) for x in touching)])
    if polygons.signed_area(triangle) < 0:
        triangle = triangle[::-1]
    if polygons.signed_area(triangle) < TOUCH_M**2:
        return pieces
    edge = np.roll(triangle, -1, axis=0) - triangle
    edge /= np.sqrt((edge**2).sum(axis=1, keepdims=True))
    level = edge[:, 1] * triangle[:, 0] - edge[:, 0] * triangle[:, 1]
    halves = np.stack([-edge[:, 1], edge[:, 0], level], axis=1)
    return polygons.subtract(pieces, [tuple(half) for half in halves.tolist()])


def _end_near(
    flats: Sequence[Surface], row: int, join: _Join, span: tuple[float, float], near_uv: np.ndarray
) -> np.ndarray:
    """(2,) the end, nearest to a point, of a cove's tangent line on one flat surface."""
    ends = to_surface(flats[row], join.touch(flats, row) + np.array(span)[:, None] * join.along)
    nearest: np.ndarray = ends[((ends - near_uv) ** 2).sum(axis=1).argmin()]
    return nearest


def _half(flat: Surface, direction: np.ndarray, point: np.ndarray, level: float) -> Half:
    """The part of a flat surface where ``(x - point) . direction >= level``."""
    across, up = float(_dot(direction, flat.across)), float(_dot(direction, flat.up))
    size = math.sqrt(across**2 + up**2)
    start = float(_dot(flat.origin - point, direction)) - level
    return across / size, up / size, start / size


def _cove_surface(join: _Join, span: tuple[float, float], flats: Sequence[Surface]) -> Surface:
    a, b = (flats[i] for i in join.flats)
    length, arc = span[1] - span[0], join.cove.radius * join.turn_rad
    outline = np.array([[0.0, 0.0], [length, 0.0], [length, arc], [0.0, arc]])
    cos, sin = math.cos(join.turn_rad), math.sin(join.turn_rad)
    rising = (cos * a.normal - b.normal) / sin
    origin = join.axis_m + span[0] * join.along
    radius, light = join.cove.radius, join.cove.light
    return Surface(join.cove.name, "cove", origin, join.along, -a.normal, rising, outline, radius, a.paint, light)


def _patch(built: _Built, corner: Corner, step_m: float) -> Patch:
    """Rings from the middle of the corner out to the ends of its three coves."""
    flats = built.surfaces[: len(built.surfaces) - len(built.joins)]
    coves = [built.surfaces[len(flats) + row] for row, _ in corner]
    around = sorted({flat for row, _ in corner for flat in built.joins[row].flats})
    normals = [flats[flat].normal for flat in around]
    if _dot(np.cross(normals[0], normals[1]), normals[2]) < 0:
        around.reverse()  # so that the loop runs counter-clockwise, seen from the stage
    legs = []
    for start, end in zip(around, [*around[1:], around[0]], strict=True):
        at, (row, high) = next((i, c) for i, c in enumerate(corner) if {start, end} == set(built.joins[c[0]].flats))
        v = _strip_edges(coves[at], step_m)
        arc = to_world(coves[at], np.stack([np.full_like(v, coves[at].outline_uv[:, 0].max() * high), v], axis=-1))
        legs.append(arc if built.joins[row].flats[0] == start else arc[::-1])
    loop = np.concatenate([leg if _length(leg[-1] - after[0]) > TOUCH_M else leg[:-1]
                           for leg, after in zip(legs, [*legs[1:], legs[0]], strict=True)])  # fmt: skip
    rings = max(map(len, legs)) // 2
    points, triangles = _rings(loop, rings)
    radii = [cove.radius_m for cove in coves]
    if max(radii) - min(radii) < TOUCH_M:
        # The ball's centre is where the axes end.
        centre = coves[0].origin + coves[0].outline_uv[:, 0].max() * corner[0][1] * coves[0].across
        inner = points[: -len(loop)] - centre
        points[: -len(loop)] = centre + radii[0] * inner / np.sqrt(_dot(inner, inner))[:, None]
    name, light = "corner of " + ", ".join(cove.name for cove in coves), float(np.mean([c.light for c in coves]))
    return Patch(name, coves[0].paint, light, points, triangles)


def _rings(loop: np.ndarray, rings: int) -> tuple[np.ndarray, np.ndarray]:
    """Points and triangles that fill a loop (N, 3) in rings about its mean; the loop itself comes last."""
    count, middle = len(loop), loop.mean(axis=0)
    share = np.arange(1, rings + 1)[:, None, None] / rings
    points = np.concatenate([middle[None], (middle + share * (loop - middle)).reshape(-1, 3)])
    here = 1 + np.arange(count)
    after = np.roll(here, -1)
    triangles = [np.stack([np.zeros(count, dtype=int), here, after], axis=1)]
    for inner in range(0, (rings - 1) * count, count):
        outer = inner + count
        triangles.append(np.stack([inner + here, outer + here, outer + after], axis=1))
        triangles.append(np.stack([inner + here, outer + after, inner + after], axis=1))
    return points, np.concatenate(triangles)


def _strip_edges(cove: Surface, step_m: float) -> np.ndarray:
    """Heights v at which a cove is cut into flat strips to be drawn."""
    arc = float(cove.outline_uv[:, 1].max())
    strips = math.ceil(max(arc / step_m, arc / cove.radius_m / FINEST_TURN_RAD) - TOUCH_M)
    return np.linspace(0.0, arc, max(strips, 2) + 1)


# Elementwise, so that the bits don't depend on the machine's linear algebra library.


def _dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    product: np.ndarray = a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2]
    return product


def _length(vector: np.ndarray | Sequence[float]) -> float:
    vector = np.asarray(vector, dtype=float)
    return math.sqrt(float(_dot(vector, vector)))


def _unit(vector: np.ndarray | Sequence[float]) -> np.ndarray:
    """The direction of a vector; zero stays zero, for the size check to find."""
    return np.asarray(vector, dtype=float) / (_length(vector) or 1.0)
