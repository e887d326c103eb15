"""What the gate sees in one frame: screens, markers, stands, gear, blockers, and a ring on every trackable feature."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..camera.lens import distort, undistort
from ..camera.track import CameraTrack
from ..plan.model import Plan
from ..plan.paint import linear_named, linear_to_srgb
from ..readiness.rehearse import Rehearsal
from ..readiness.verdict import STATES
from ..sightings.sighting import OUTSIDE, SEEN
from ..stage.surfaces import Surface, corner_patches, to_world
from . import drawing as d

NEAR_M = 0.05  # nothing nearer to the camera is drawn
ROUNDING = np.radians(6)  # coves and bases of stands are drawn as flats that turn by at most this
BENDS, BENDS_FROM = 8, 0.1  # pieces of an edge under distortion; size in focal lengths from which it is cut
CROWDED = (38, 20)  # room about a feature, in units, below which its ring is drawn small, and smaller
NAME_ROOM = 70  # units of the picture's width for each name written into it
TOUCH_M = 0.01  # things that stand on a surface may sink into it by so much
KEY_LIGHT = np.array([0.30, -0.52, 0.80])  # tells the parts of a stage apart; no claim about its lighting
SILHOUETTE, STUDIO, BACK, POLE = "#3d444c", "#eef0f2", "#c9cdd2", "#59616a"


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One frame's way from the world to the picture."""

    track: CameraTrack
    row: int
    planes: np.ndarray  # (5, 4) near plane and sides of the gate's pyramid, camera axes, inside positive
    scale: np.ndarray  # (2,) picture units per recorded pixel; they differ where the recording is squeezed
    width: float
    height: float

    @property
    def eye_m(self) -> np.ndarray:
        """(3,) camera centre, world."""
        eye: np.ndarray = self.track.centre_m[self.row]
        return eye


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """Something to paint. ``plane`` (4,) is set where all of it lies in one plane; ``points_m`` (K, 3) tell where."""

    points_m: np.ndarray
    plane: np.ndarray | None
    markup: str


def view_of(track: CameraTrack, row: int, width: float, part_px: np.ndarray | None = None) -> View:
    """A view ``width`` units wide, unsqueezed, as tall as the gate asks for.

    part_px : left, top, right and bottom of what is drawn of the gate; its units are those of the whole gate
    """
    across = width / float(track.size_px[0])
    down = across * float(track.focal_px[row, 0] / track.focal_px[row, 1])
    gate = np.array([-0.5, -0.5, *(track.size_px - 0.5)])
    left, top, right, bottom = _bounds(track, row, gate if part_px is None else part_px)
    planes = np.array(
        [[0, 0, 1, -NEAR_M], [1, 0, -left, 0], [-1, 0, right, 0], [0, 1, -top, 0], [0, -1, bottom, 0]], float
    )
    return View(track, row, planes, np.array([across, down]), width, down * float(track.size_px[1]))


def _bounds(track: CameraTrack, row: int, part_px: np.ndarray) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a part of the gate in normalised undistorted coordinates, a little wider."""
    low, high = part_px[:2], part_px[2:]
    border = d.subdivide(np.array([low, [high[0], low[1]], high, [low[0], high[1]]]), 32)
    rays = undistort((border - track.centre_px) / track.focal_px[row], track.distortion)
    rays = rays[np.isfinite(rays).all(axis=1)]  # corners that the lens leaves dark
    first, last = (rays.min(axis=0), rays.max(axis=0)) if len(rays) else (-np.ones(2), np.ones(2))
    margin = 0.02 * (last - first)
    left, top, right, bottom = np.concatenate([first - margin, last + margin]).tolist()
    return left, top, right, bottom


def paths(view: View, polygons: Sequence[np.ndarray]) -> list[str]:
    """Path data of polygons (K, 3), world, clipped to the gate; empty where nothing is in it."""
    clipped = [d.clip_polygon(_local(view, polygon), view.planes) for polygon in polygons]
    if view.track.distortion.any():
        clipped = [d.subdivide(polygon, BENDS) if _is_large(polygon) else polygon for polygon in clipped]
    lengths = [len(polygon) for polygon in clipped]
    if not sum(lengths):
        return [""] * len(polygons)
    picture = _picture(view, np.concatenate(clipped))
    ends = np.cumsum(lengths)
    return [d.path_data(picture[end - n : end]) if n else "" for end, n in zip(ends, lengths, strict=True)]


def _is_large(local_m: np.ndarray) -> bool:
    """Whether a polygon in camera axes is so large in the picture that distortion may bend its edges."""
    return len(local_m) > 0 and float(np.ptp(local_m[:, :2] / local_m[:, 2:], axis=0).max()) > BENDS_FROM


def _local(view: View, points_m: np.ndarray) -> np.ndarray:
    """World points (P, 3) in camera axes."""
    pose = view.track.world_from_cam[view.row]
    local: np.ndarray = (points_m - pose[:3, 3]) @ pose[:3, :3]
    return local


def _picture(view: View, local_m: np.ndarray) -> np.ndarray:
    """(P, 2) picture coordinates of points in camera axes, all of them before the camera."""
    track = view.track
    bent = distort(local_m[:, :2] / local_m[:, 2:], track.distortion)
    picture: np.ndarray = (bent * track.focal_px[view.row] + track.centre_px + 0.5) * view.scale
    return picture


# --- colours ---------------------------------------------------------------------------------------------------


def paint_colour(plan: Plan, name: str, light: float = 1.0, shade: float = 1.0) -> str:
    """A paint as a colour of the page under a light level; a paint the plan does not hold is a middle grey."""
    return colour_of(linear_named(plan, name), light * shade)


def colour_of(linear: Sequence[float] | np.ndarray, light: float = 1.0) -> str:
    """Linear light (3,) as a colour of the page.

    >>> colour_of([0.0, 0.2158605, 1.0])
    '#0080ff'
    """
    code = np.rint(255 * linear_to_srgb(np.clip(np.asarray(linear) * light, 0, 1))).astype(int)
    return "#" + "".join(f"{c:02x}" for c in code)


def _shade(normal: np.ndarray) -> np.ndarray:
    shade: np.ndarray = 0.72 + 0.28 * np.maximum(normal @ KEY_LIGHT, 0.0)
    return shade


# --- what stands on the stage ----------------------------------------------------------------------------------


def gate_picture(rehearsal: Rehearsal, row: int, width: float) -> str:
    """The picture of frame row ``row``, ``width`` units wide."""
    view = view_of(rehearsal.track, row, width)
    body = (
        d.element("rect", width=view.width, height=view.height, fill=STUDIO)
        + painted(rehearsal, view)
        + delivery(rehearsal.track, view)
        + _features(rehearsal, view)
        + _names(rehearsal, view)
    )
    shot = rehearsal.readiness
    about = f"{shot.name}, frame {shot.frame[row]}, {STATES[shot.state[row]]}: what the camera's gate sees"
    return d.svg(view.width, view.height, body, about, "gate")


def painted(rehearsal: Rehearsal, view: View) -> str:
    """Everything that stands on the stage, from the hindmost to the foremost, as far as the view reaches."""
    items = [
        *_surfaces(rehearsal, view),
        *_corners(rehearsal, view),
        *_stands(rehearsal, view),
        *_solids(rehearsal, view),
    ]
    return "".join(items[i].markup for i in painting_order(items, view.eye_m))


def painting_order(items: Sequence[Item], eye_m: np.ndarray) -> list[int]:
    """Rows of items from the hindmost to the foremost.

    What lies wholly behind the plane of a flat thing, or is cut off from the eye by it, comes before it; what lies
    wholly before that plane comes after it (Newell, Newell & Sancha 1972, without the splitting). Where planes
    don't tell, the farther comes first.
    """
    n = len(items)
    far = np.array([np.linalg.norm(item.points_m.mean(axis=0) - eye_m) for item in items])
    before = np.zeros((n, n), bool)  # before[i, j]: i must be painted before j
    for j, item in enumerate(items):
        if item.plane is None:
            continue
        eye_side = 1.0 if item.plane[:3] @ eye_m + item.plane[3] >= 0 else -1.0
        for i, other in enumerate(items):
            side = (other.points_m @ item.plane[:3] + item.plane[3]) * eye_side
            if i == j:
                continue
            if (side <= TOUCH_M).all():
                before[i, j] = True
            elif (side >= -TOUCH_M).all():
                before[j, i] = True
    before &= ~before.T  # two that contradict each other say nothing
    order: list[int] = []
    waiting = np.ones(n, bool)
    while waiting.any():
        free = waiting & ~(before & waiting[:, None]).any(axis=0)
        choice = free if free.any() else waiting
        order.append(int(np.argmax(np.where(choice, far, -1))))
        waiting[order[-1]] = False
    return order


def _surfaces(rehearsal: Rehearsal, view: View) -> Iterable[Item]:
    plan, markers = rehearsal.plan, rehearsal.layout.markers
    for index, surface in enumerate(rehearsal.layout.surfaces):
        flats = [to_world(surface, uv) for uv in flat_parts(surface)]
        markup = []
        for flat, data in zip(flats, paths(view, flats), strict=True):
            if not data:
                continue
            normal = _normal(flat)
            lit = paint_colour(plan, surface.paint, surface.light, float(_shade(normal)))
            fill = lit if _faces(flat, normal, view) else BACK
            markup.append(d.element("path", d=data, fill=fill, stroke=fill, stroke_width=0.7))
        shown = np.flatnonzero(
            (markers.surface == index) & (np.einsum("mi,mi->m", markers.normal, view.eye_m - markers.centre_m) > 0)
        )
        markup += _shadows(rehearsal, surface, view) if markup else []
        markup += _markers(rehearsal, surface, shown, view)
        plane = None
        if surface.radius_m == 0:
            plane = np.append(surface.normal, -surface.normal @ surface.origin)
        if markup:
            yield Item(np.concatenate(flats), plane, "".join(markup))


def _corners(rehearsal: Rehearsal, view: View) -> Iterable[Item]:
    """What closes the corners in which three coves meet."""
    plan = rehearsal.plan
    for patch in corner_patches(plan.stage, 0.3):
        if (_local(view, patch.vertices_m) @ view.planes[:, :3].T + view.planes[:, 3] < 0).all(axis=0).any():
            continue
        triangles = patch.vertices_m[patch.triangles]
        normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
        shade = np.round(_shade(normal), 2)
        shade[np.einsum("ti,ti->t", view.eye_m - triangles.mean(axis=1), normal) <= 0] = 0.0  # seen from behind
        markup = [
            _filled(
                patch.vertices_m,
                patch.triangles[shade == tone],
                paint_colour(plan, patch.paint, patch.light, float(tone)) if tone else BACK,
                view,
            )
            for tone in np.unique(shade)
        ]
        if any(markup):
            yield Item(patch.vertices_m, None, "".join(markup))


def _filled(vertices_m: np.ndarray, triangles: np.ndarray, fill: str, view: View) -> str:
    """Triangles in one colour, as the loops about them; a hairline closes the seams to their neighbours."""
    data = "".join(paths(view, [vertices_m[loop] for loop in d.boundary_loops(triangles)]))
    return d.element("path", d=data, fill=fill, stroke=fill, stroke_width=0.7) if data else ""


def flat_parts(surface: Surface) -> list[np.ndarray]:
    """The surface as flat polygons in its own coordinates: itself, or a cove's strips along its axis."""
    outline = surface.outline_uv
    if surface.radius_m == 0:
        return [outline]
    low, high = outline[:, 1].min(), outline[:, 1].max()
    edges = np.linspace(low, high, 2 + int((high - low) / surface.radius_m / ROUNDING))
    flat = np.column_stack([outline, np.zeros(len(outline))])
    strips = (d.clip_polygon(flat, np.array([[0, 1, 0, -a], [0, -1, 0, b]])) for a, b in pairwise(edges))
    return [strip[:, :2] for strip in strips if len(strip)]


def _normal(polygon: np.ndarray) -> np.ndarray:
    """Unit normal of a polygon (K, 3), counter-clockwise about it (Newell's method)."""
    total: np.ndarray = np.cross(polygon, np.roll(polygon, -1, axis=0)).sum(axis=0)
    return total / max(float(np.linalg.norm(total)), 1e-12)


def _faces(polygon: np.ndarray, normal: np.ndarray, view: View) -> bool:
    return bool((view.eye_m - polygon.mean(axis=0)) @ normal > 0)


def _shadows(rehearsal: Rehearsal, surface: Surface, view: View) -> list[str]:
    shadows = [s for s in rehearsal.plan.stage.shadows if s.surface == surface.name]
    outlines = [to_world(surface, np.array(shadow.outline)) for shadow in shadows]
    # The factor is on light; the page is encoded, so the veil is what is missing after encoding.
    return [
        d.element("path", d=data, fill="#000", fill_opacity=1 - float(linear_to_srgb(np.array(shadow.factor))))
        for shadow, data in zip(shadows, paths(view, outlines), strict=True)
        if data
    ]


def _markers(rehearsal: Rehearsal, surface: Surface, rows: np.ndarray, view: View) -> list[str]:
    """One path for all markers that look alike."""
    plan, markers = rehearsal.plan, rehearsal.layout.markers
    outlines = [markers.outline_m[markers.first[i] : markers.first[i + 1]] for i in rows]
    alike: dict[str, list[str]] = {}
    for i, data in zip(rows, paths(view, outlines), strict=True):
        if data:
            shade = round(float(_shade(markers.normal[i])), 1)
            fill = paint_colour(plan, plan.markers[markers.set_index[i]].paint, surface.light, shade)
            alike.setdefault(fill, []).append(data)
    return [d.element("path", d="".join(data), fill=fill) for fill, data in alike.items()]


def _stands(rehearsal: Rehearsal, view: View) -> Iterable[Item]:
    plan = rehearsal.plan
    for stand in plan.stands:
        foot = np.array([*stand.at, stand.base])
        across = np.cross([0.0, 0.0, 1.0], foot - view.eye_m)
        across = across / max(float(np.linalg.norm(across)), 1e-9) * stand.pole / 2

        def upright(low: float, high: float, foot: np.ndarray = foot, half: np.ndarray = across) -> np.ndarray:
            lower, upper = (foot + np.array([0, 0, h]) for h in (low, high))
            return np.array([lower - half, lower + half, upper + half, upper - half])

        turn = np.arange(0, 2 * np.pi, ROUNDING * 2)
        base = foot + np.column_stack([np.cos(turn), np.sin(turn), np.zeros(len(turn))]) * min(0.25, stand.height / 6)
        bands = [upright(b - stand.band_width / 2, b + stand.band_width / 2) for b in stand.bands]
        data = paths(view, [base, upright(0, stand.height), *bands])
        fills = [POLE, POLE] + [paint_colour(plan, stand.paint)] * len(bands)
        markup = "".join(d.element("path", d=one, fill=fill) for one, fill in zip(data, fills, strict=True) if one)
        if markup:
            yield Item(upright(0, stand.height), None, d.element("g", d.title(stand.name) + markup))


def _solids(rehearsal: Rehearsal, view: View) -> Iterable[Item]:
    """Blockers as silhouettes; gear, which stands behind them in the list, in its paint face by face."""
    blockers = len(rehearsal.occluders) - len(rehearsal.plan.gear)
    for index, occluder in enumerate(rehearsal.occluders):
        vertices, triangles = occluder.mesh_at(view.row)
        if index < blockers:
            markup = _silhouette(vertices, triangles, view)
        else:
            colour = rehearsal.plan.gear[index - blockers].paint
            markup = _faceted(rehearsal.plan, colour, vertices, triangles, view)
        if markup:
            yield Item(vertices, None, d.element("g", d.title(occluder.name) + markup))


def _silhouette(vertices: np.ndarray, triangles: np.ndarray, view: View) -> str:
    """Everything a mesh covers, as the loops about its faces that look at the camera."""
    # Meshes from files may hold one corner many times; only joined corners leave the inner edges out.
    _, first, joined = np.unique(np.round(vertices, 5), axis=0, return_index=True, return_inverse=True)
    corners, triangles = vertices[first], joined.reshape(-1)[triangles]
    looking = _looking(corners[triangles], view.eye_m)
    loops = d.boundary_loops(triangles[looking])
    data = "".join(paths(view, [corners[loop] for loop in loops]))
    return d.element("path", d=data, fill=SILHOUETTE, stroke=d.PAPER, stroke_width=0.8) if data else ""


def _looking(triangles_m: np.ndarray, eye_m: np.ndarray) -> np.ndarray:
    """(T,) bool: triangles (T, 3, 3) whose outer side looks at the eye."""
    a, b, c = triangles_m[:, 0], triangles_m[:, 1], triangles_m[:, 2]
    side: np.ndarray = np.einsum("ti,ti->t", np.cross(b - a, c - a), eye_m - a) > 0
    return side


def _faceted(plan: Plan, paint: str, vertices: np.ndarray, triangles: np.ndarray, view: View) -> str:
    looking = triangles[_looking(vertices[triangles], view.eye_m)]
    shades = [round(float(_shade(_normal(vertices[rows]))), 3) for rows in looking]
    return "".join(
        _filled(vertices, looking[np.equal(shades, shade)], paint_colour(plan, paint, 1.0, shade), view)
        for shade in sorted(set(shades))
    )


# --- on top ----------------------------------------------------------------------------------------------------


def delivery(track: CameraTrack, view: View) -> str:
    """The delivery frame; what will be cropped is veiled."""
    left, top = (track.delivery_px[:2] + 0.5) * view.scale
    right, bottom = (track.delivery_px[2:] + 0.5) * view.scale
    inner = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    outer = np.array([[0, 0], [view.width, 0], [view.width, view.height], [0, view.height]])
    veil = d.path_data(outer) + d.path_data(inner)
    edge = {"d": d.path_data(inner), "fill": "none"}
    return (
        d.element("path", d=veil, fill=d.PAPER, fill_opacity=0.38, fill_rule="evenodd")
        + d.element("path", stroke=d.PAPER, stroke_width=3.2, **edge)
        + d.element("path", d.title("delivery frame"), stroke=d.INK, stroke_width=1.4, **edge)
    )


def _features(rehearsal: Rehearsal, view: View) -> str:
    """A ring on every trackable feature, a faint cross on every other one in the gate."""
    sightings = rehearsal.sightings
    uv, inside, seen = sightings.uv_px[view.row], in_gate(rehearsal, view.row), sightings.why[view.row] == SEEN
    room = math.sqrt(view.width * view.height / max(int(inside.sum()), 1))  # between one feature and the next
    size = sum(room < limit for limit in CROWDED)
    groups = [
        (dots, mark)
        for which, mark in ((inside & ~seen, f"cross-{size}"), (seen, f"ring-{size}"))
        if len(dots := (uv[which] + 0.5) * view.scale)
    ]
    return "".join(
        d.element("path", d=d.dots_data(dots), fill="none", marker_start=f"url(#{mark})", marker_mid=f"url(#{mark})",
                  marker_end=f"url(#{mark})" if len(dots) > 1 else "none", class_=mark)
        for dots, mark in groups
    )  # fmt: skip


def on_picture(rehearsal: Rehearsal, row: int, columns: np.ndarray, view: View) -> np.ndarray:
    """(C, 2) picture coordinates of features, by their columns."""
    spots: np.ndarray = (rehearsal.sightings.uv_px[row, columns] + 0.5) * view.scale
    return spots


def in_gate(rehearsal: Rehearsal, row: int) -> np.ndarray:
    """(N,) bool: features before the camera and inside the gate, trackable or not."""
    uv, depth = rehearsal.sightings.uv_px[row], rehearsal.sightings.depth_m[row]
    with np.errstate(invalid="ignore"):
        within = ((uv >= -0.5) & (uv <= rehearsal.track.size_px - 0.5)).all(axis=1)
    return within & (depth > 0) & (rehearsal.sightings.why[row] != OUTSIDE)  # type: ignore[no-any-return]


def _names(rehearsal: Rehearsal, view: View) -> str:
    """Stands and blockers by name, each over its head; names that find no room are left out."""
    tops = [(stand.name, np.array([*stand.at, stand.base + stand.height])) for stand in rehearsal.plan.stands]
    for occluder in rehearsal.occluders[: len(rehearsal.occluders) - len(rehearsal.plan.gear)]:
        vertices, _ = occluder.mesh_at(view.row)
        tops.append((occluder.name, np.array([*vertices[:, :2].mean(axis=0), vertices[:, 2].max()])))
    board, written = d.LabelBoard(view.width, view.height), 0
    for name, top in tops:
        local = _local(view, top[None])
        if (local @ view.planes[:, :3].T + view.planes[:, 3] >= 0).all():
            x, y = _picture(view, local)[0]
            written += board.put(float(x), float(y), name, 5, 22)
        if written > view.width / NAME_ROOM:
            break
    return d.element("g", board.markup, class_="on-picture")
