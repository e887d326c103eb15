"""What no single value can tell: names, references, geometry and counts that do not fit together."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Any, Final

from . import model as m
from .fields import key_of, key_path, kind_of, tables_in
from .units import number_text

MOST_MARKERS: Final = 20_000
MOST_FRAMES: Final = 20_000  # of one shot
MOST_CORNERS: Final = 200  # of one outline
UPPER_LIMITS: Final = {"blur", "drift", "jitter"}  # criteria that a frame must stay below

Slip = tuple[str, str, str]  # key relative to the table, found, expected


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that does not fit: full key path, what was found, what was expected."""

    where: str
    found: str
    expected: str


def cross_check(plan: m.Plan, spoiled: Set[str] = frozenset()) -> list[Finding]:
    """Everything that does not fit together in a plan whose single values are right.

    spoiled : key paths of tables and values already found wrong; what depends on them is not judged.
    """
    found = [*_names(plan, spoiled), *_references(plan, spoiled)]
    for where, table in tables_in(plan):
        if where in spoiled and where:
            continue
        slips = [*_outlines(table)]
        if check := _CHECKS.get(type(table)):
            slips += check(table)
        found += [Finding(key_path(where, key), *words) for key, *words in slips]
    if not any(where.startswith(("stage", "markers")) for where in spoiled):
        found += [*_coves(plan), *_marker_total(plan)]
    if not any(where.startswith(("camera", "shot")) for where in spoiled):
        found += _exposures(plan)
    return found


def flat_surfaces(stage: m.Stage) -> tuple[m.Floor | m.Wall | m.Panel, ...]:
    """Floors, walls and panels, in this order."""
    return (*stage.floors, *stage.walls, *stage.panels)


def _named(plan: m.Plan) -> Mapping[str, tuple[Any, ...]]:
    """What each kind of reference may name."""
    return {
        "flat surface": flat_surfaces(plan.stage),
        "surface": (*flat_surfaces(plan.stage), *plan.stage.coves),
        "paint": plan.paints,
        "camera": plan.cameras,
        "shot": plan.shots,
    }


def _names(plan: m.Plan, spoiled: Set[str]) -> Iterator[Finding]:
    """Names that cannot be shown, and names given twice among things of one kind."""
    seen: dict[tuple[str, str], str] = {}
    surfaces = (m.Floor, m.Wall, m.Panel, m.Cove)
    for where, table in tables_in(plan):
        name = getattr(table, "name", None)
        place = key_path(where, "name")
        if name is None or place in spoiled:
            continue
        if not name.strip() or name != name.strip() or not name.isprintable() or len(name) > 100:
            yield Finding(place, ascii(name)[:60], "a printable name of 1 to 100 characters, no space at its ends")
        kind = "surface" if isinstance(table, surfaces) else type(table).__name__
        if first := seen.get((kind, name)):
            yield Finding(place, f"the name of {first} again", "a name of its own")
        seen.setdefault((kind, name), where)


def _references(plan: m.Plan, spoiled: Set[str]) -> Iterator[Finding]:
    """Values that name a surface, paint, camera or shot which is not there."""
    known = {kind: [item.name for item in items] for kind, items in _named(plan).items()}
    for where, table in tables_in(plan):
        for field in dataclasses.fields(table):
            kind, value = kind_of(field), getattr(table, field.name)
            place = key_path(where, key_of(field))
            if not kind.refers or place in spoiled or value == field.default == "":
                continue
            many = isinstance(value, tuple)
            for index, name in enumerate(value if many else (value,)):
                if name not in known[kind.refers]:
                    names = ", ".join(map(repr, known[kind.refers][:20])) or f"there is no {kind.refers} yet"
                    spot = f"{place}[{index + 1}]" if many else place
                    yield Finding(spot, repr(name)[:60], f"the name of a {kind.refers}: {names}")


def _outlines(table: Any) -> Iterator[Slip]:
    for field in dataclasses.fields(table):
        kind, value = kind_of(field), getattr(table, field.name)
        is_outline = kind.quantity == "length" and kind.rows and kind.size == 2
        if is_outline and value != field.default and (fault := outline_fault(value)):
            yield key_of(field), fault, "the corners of a simple polygon, in order"


def outline_fault(corners: Sequence[m.Vec2]) -> str:
    """What keeps corners from being a simple polygon; empty where nothing does.

    >>> outline_fault([(0, 0), (1, 1), (1, 0), (0, 1)])
    'the edges after corners 1 and 3 cross'
    """
    count = len(corners)
    if count < 3:
        return f"{count} corners"
    if count > MOST_CORNERS:
        return f"{count} corners, more than {MOST_CORNERS}"
    if len(set(corners)) < count:
        return "the same corner twice"
    edges = [(corners[i], corners[(i + 1) % count]) for i in range(count)]
    for (i, one), (j, other) in itertools.combinations(enumerate(edges), 2):
        if j == i + 1 or (i == 0 and j == count - 1):
            (a, b), (c, d) = (one, other) if j == i + 1 else (other, one)
            if _side(a, b, d) == 0 and _dot(_minus(b, a), _minus(d, c)) < 0:
                return f"the edge after corner {(j if j == i + 1 else i) + 1} folds back"
        elif _touch(*one, *other):
            return f"the edges after corners {i + 1} and {j + 1} cross"
    return ""


def polygon_area(corners: Sequence[m.Vec2]) -> float:
    """Area inside a simple polygon, square metres."""
    turned = zip(corners, [*corners[1:], *corners[:1]], strict=True)
    return abs(sum(a[0] * b[1] - a[1] * b[0] for a, b in turned)) / 2


def _paint(paint: m.Paint) -> Iterator[Slip]:
    given = [key for key in ("srgb", "linear") if getattr(paint, key) is not None]
    if len(given) != 1:
        yield "", " and ".join(given) or "neither srgb nor linear", "exactly one of srgb and linear"


def _floor(floor: m.Floor) -> Iterator[Slip]:
    yield from _rising("x", floor.x, "the left edge, then the right edge")
    yield from _rising("y", floor.y, "the downstage edge, then the upstage edge")


def _wall(wall: m.Wall) -> Iterator[Slip]:
    if math.dist(wall.start, wall.end) < 0.01:
        yield "end", "the same place as start", "a wall at least 10 mm long"


def _panel(panel: m.Panel) -> Iterator[Slip]:
    sides = math.hypot(*panel.across), math.hypot(*panel.up)
    for key, side in zip(("across", "up"), sides, strict=True):
        if side < 0.01:
            yield key, f"a length of {number_text(side)} m", "an edge at least 10 mm long"
    if min(sides) >= 0.01:
        cosine = _dot(panel.across, panel.up) / (sides[0] * sides[1])
        if abs(cosine) > 1e-3:
            angle = math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
            yield "up", f"{angle:.2f} degrees to across", "a vector square to across"


def _markers(markers: m.MarkerSet) -> Iterator[Slip]:
    yield from _rising("corners", markers.corners, "fewest, then most", equal=True)
    yield from _rising("size", markers.size, "smallest, then largest", equal=True)
    if (markers.layout == "placed") != bool(markers.placed):
        expected = 'layout = "placed"' if markers.placed else "at least one [[markers.placed]]"
        yield "layout", f"{markers.layout!r} with {len(markers.placed)} placed markers", expected
    if markers.layout == "placed":
        return
    if not markers.surfaces:
        yield "surfaces", "an empty list", "at least one surface"
    if len(set(markers.surfaces)) < len(markers.surfaces):
        yield "surfaces", "a surface named twice", "each surface once"
    given = [key for key in ("spacing", "count", "density") if getattr(markers, key) is not None]
    if len(given) != 1:
        yield "", " and ".join(given) or "no spacing, count or density", "exactly one of spacing, count and density"
    if markers.density == 0:
        yield "density", "0", "more than 0 per square metre"


def _stand(stand: m.Stand) -> Iterator[Slip]:
    if not stand.bands:
        yield "bands", "an empty list", "the height of at least one band"
    for index, band in enumerate(stand.bands):
        if band > stand.height:
            yield f"bands[{index + 1}]", f"{number_text(band)} m", f"at most the height, {number_text(stand.height)} m"
    if len(set(stand.bands)) < len(stand.bands):
        yield "bands", "the same height twice", "each band at its own height"


def _blocker(blocker: m.Blocker) -> Iterator[Slip]:
    if (blocker.kind == "mesh") != bool(blocker.file):
        expected = "the name of an OBJ file" if blocker.kind == "mesh" else 'no file, or kind = "mesh"'
        yield "file", repr(blocker.file)[:60], expected
    yield from _frames_rise(blocker.keys)


def _camera(camera: m.Camera) -> Iterator[Slip]:
    yield from _focus(camera.focus, camera.focal_length)


def _move(move: m.Move) -> Iterator[Slip]:
    yield from _apart("aim", move.start, move.aim, "start")
    if move.kind in ("push", "pull", "dolly", "crane") and abs(move.distance) < 1e-6:
        yield "distance", number_text(move.distance), f'the length of the {move.kind}; kind = "hold" stands still'
    if move.kind in ("arc", "pan", "tilt") and abs(move.angle) < 1e-9:
        yield "angle", number_text(move.angle), f'the angle of the {move.kind}; kind = "hold" stands still'


def _wander(wander: m.Wander) -> Iterator[Slip]:
    yield from _rising("band", wander.band, "lowest, then highest frequency")


def _camera_key(key: m.CameraKey) -> Iterator[Slip]:
    if key.aim is not None:
        yield from _apart("aim", key.at, key.aim, "at")


def _sample(sample: m.CameraSample) -> Iterator[Slip]:
    norm = math.hypot(*sample.turn)
    if abs(norm - 1) > 1e-3:
        yield "turn", f"a quaternion of norm {norm:.4g}", "a unit quaternion w, x, y, z"


def _criteria(criteria: m.Criteria) -> Iterator[Slip]:
    for field in dataclasses.fields(criteria):
        pair = getattr(criteria, field.name)
        if kind_of(field).size != 2 or pair is None:
            continue
        below = field.name in UPPER_LIMITS
        if pair[0] > pair[1] if below else pair[0] < pair[1]:
            expected = "firm at most thin" if below else "firm at least thin"
            yield field.name, f"firm {number_text(pair[0])}, thin {number_text(pair[1])}", f"[firm, thin], {expected}"


def _shot(shot: m.Shot) -> Iterator[Slip]:
    given = [key for key, value in (("move", shot.move), ("key", shot.keys), ("sample", shot.samples)) if value]
    if len(given) != 1:
        found = " and ".join(given) or "no move, keys or samples"
        yield "", found, "exactly one of [shot.move], [[shot.key]] and [[shot.sample]]"
    first, last = shot.frames
    total = last - first + 1
    if total < 1:
        yield "frames", f"[{first}, {last}], an empty shot", "the first frame, then the last"
    if total > MOST_FRAMES:
        yield "frames", f"{total} frames", f"at most {MOST_FRAMES} in one shot"
    if shot.samples and total != len(shot.samples) and total > 0:
        yield "sample", f"{len(shot.samples)} samples", f"one for each of the {total} frames"
    yield from _frames_rise(shot.keys)
    for index, key in enumerate(shot.keys):
        if (key.aim is None) != (shot.keys[0].aim is None):
            found = "an aim, though the first key has none" if key.aim else "no aim, though the first key has one"
            yield f"key[{index + 1}].aim", found, "an aim in every key, or in none"
    move = shot.move
    if move and move.wander and move.wander.band[0] >= shot.rate / 2:
        found = f"{number_text(move.wander.band[0])} Hz at {number_text(shot.rate)} frames per second"
        yield "move.wander.band", found, "a lowest frequency below half the frame rate"


_CHECKS: Final[Mapping[type, Callable[[Any], Iterator[Slip]]]] = {
    m.Paint: _paint,
    m.Patch: _paint,
    m.Floor: _floor,
    m.Wall: _wall,
    m.Panel: _panel,
    m.MarkerSet: _markers,
    m.Stand: _stand,
    m.Blocker: _blocker,
    m.Camera: _camera,
    m.Move: _move,
    m.Wander: _wander,
    m.CameraKey: _camera_key,
    m.CameraSample: _sample,
    m.Criteria: _criteria,
    m.Shot: _shot,
}


def _coves(plan: m.Plan) -> Iterator[Finding]:
    flats = {flat.name: flat for flat in flat_surfaces(plan.stage)}
    for where, cove in tables_in(plan):
        if not isinstance(cove, m.Cove):
            continue
        one, other = cove.between
        place = key_path(where, "between")
        if one == other:
            yield Finding(place, f"{one!r} twice", "two different surfaces")
        elif one in flats and other in flats:
            across = _cross(_normal(flats[one]), _normal(flats[other]))
            if math.hypot(*across) < 1e-3:
                yield Finding(place, f"{one!r} and {other!r}, which are parallel", "two surfaces that meet at an angle")


def _marker_total(plan: m.Plan) -> Iterator[Finding]:
    areas = {flat.name: _area(flat) for flat in flat_surfaces(plan.stage)}
    for index, markers in enumerate(plan.markers):
        total = _about_how_many(markers, areas)
        if total > MOST_MARKERS:
            where = key_path("", "markers", index, markers.name)
            yield Finding(where, f"about {total:.3g} markers", f"at most {MOST_MARKERS}: wider apart, or fewer")
    total = sum(_about_how_many(markers, areas) for markers in plan.markers)
    if total > MOST_MARKERS and len(plan.markers) > 1:
        yield Finding("markers", f"about {total:.3g} markers in all sets", f"at most {MOST_MARKERS}")


def _about_how_many(markers: m.MarkerSet, areas: Mapping[str, float]) -> float:
    """An estimate for scatters, whose densest packing at a distance r is about 0.7 / r^2 in practice."""
    if markers.layout == "placed":
        return len(markers.placed)
    if markers.count is not None:
        return markers.count
    area = sum(areas.get(name, 0.0) for name in markers.surfaces)
    if len(markers.area) >= 3:
        area = min(area, polygon_area(markers.area) * len(markers.surfaces))
    if markers.density is not None:
        return area * markers.density
    packing = 0.7 if markers.layout == "scatter" else 1.0
    return packing * area / markers.spacing**2 if markers.spacing else 0.0


def _exposures(plan: m.Plan) -> Iterator[Finding]:
    cameras = {camera.name: camera for camera in plan.cameras}
    for index, shot in enumerate(plan.shots):
        camera, where = cameras.get(shot.camera), key_path("", "shot", index, shot.name)
        if camera is None:
            continue
        for what, time in (("exposure", shot.exposure or camera.exposure or 0.0), ("read_out", camera.read_out)):
            if time * shot.rate > 1 + 1e-9:
                found = f"{number_text(shot.rate)} frames per second, {what} {number_text(time)} s"
                yield Finding(
                    key_path(where, "rate"), found, f"the {what} of camera {camera.name!r} to fit into a frame"
                )
        parts: list[tuple[str, m.Shot | m.CameraKey | m.CameraSample]] = [(where, shot)]
        parts += [(key_path(where, "key", i), key) for i, key in enumerate(shot.keys)]
        parts += [(key_path(where, "sample", i), sample) for i, sample in enumerate(shot.samples)]
        for place, part in parts:
            if part.focus is None and part.focal_length is None:
                continue
            for key, *words in _focus(
                _first(part.focus, shot.focus, camera.focus),
                _first(part.focal_length, shot.focal_length, camera.focal_length),
            ):
                yield Finding(key_path(place, key), *words)


def _first(*values: float | None) -> float:
    return next(value for value in values if value is not None)


def _focus(focus_m: float, focal_mm: float) -> Iterator[Slip]:
    if focus_m * 1000 <= focal_mm:
        found = f"{number_text(focus_m)} m with a focal length of {number_text(focal_mm)} mm"
        yield "focus", found, "a focus distance beyond the focal length"


def _rising(key: str, pair: Sequence[float], order: str, equal: bool = False) -> Iterator[Slip]:
    low, high = pair
    if low > high or (low == high and not equal):
        yield key, f"[{number_text(low)}, {number_text(high)}]", order


def _frames_rise(keys: Sequence[m.CameraKey | m.PathKey]) -> Iterator[Slip]:
    for index, (one, other) in enumerate(itertools.pairwise(keys)):
        if other.frame <= one.frame:
            yield f"key[{index + 2}].frame", f"{other.frame} after {one.frame}", "frames that rise from key to key"


def _apart(key: str, one: m.Vec3, other: m.Vec3, what: str) -> Iterator[Slip]:
    if math.dist(one, other) < 1e-6:
        yield key, f"the same place as {what}", f"a place away from {what}, so that there is a direction to look in"


def _normal(flat: m.Floor | m.Wall | m.Panel) -> m.Vec3:
    if isinstance(flat, m.Floor):
        return (0.0, 0.0, 1.0)
    if isinstance(flat, m.Panel):
        return _unit(_cross(flat.across, flat.up))
    x, y = _minus(flat.end, flat.start)
    # Its level normal towards the stage is (y, -x); leaning away tips that upwards.
    level = _unit((y, -x, 0.0))
    return (level[0] * math.cos(flat.lean), level[1] * math.cos(flat.lean), math.sin(flat.lean))


def _area(flat: m.Floor | m.Wall | m.Panel) -> float:
    if isinstance(flat, m.Floor):
        return (flat.x[1] - flat.x[0]) * (flat.y[1] - flat.y[0])
    if isinstance(flat, m.Panel):
        return math.hypot(*flat.across) * math.hypot(*flat.up)
    return math.dist(flat.start, flat.end) * flat.height


def _touch(a: m.Vec2, b: m.Vec2, c: m.Vec2, d: m.Vec2) -> bool:
    """Whether two segments share a point."""
    sides = _side(a, b, c), _side(a, b, d), _side(c, d, a), _side(c, d, b)
    if sides[0] * sides[1] < 0 and sides[2] * sides[3] < 0:
        return True
    within = ((sides[0], a, b, c), (sides[1], a, b, d), (sides[2], c, d, a), (sides[3], c, d, b))
    return any(side == 0 and _dot(_minus(p, r), _minus(q, r)) <= 0 for side, p, q, r in within)


def _side(a: m.Vec2, b: m.Vec2, c: m.Vec2) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _minus(a: m.Vec2, b: m.Vec2) -> m.Vec2:
    return a[0] - b[0], a[1] - b[1]


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return sum(x * y for x, y in zip(a, b, strict=True))


def _cross(a: m.Vec3, b: m.Vec3) -> m.Vec3:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def _unit(a: m.Vec3) -> m.Vec3:
    length = math.hypot(*a) or 1.0
    return a[0] / length, a[1] / length, a[2] / length
