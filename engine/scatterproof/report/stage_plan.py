"""The stage from above and from the side: camera path, what it sees, markers, stands, blockers, keep-outs, sizes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from ..camera.lens import frustum_corners
from ..plan.model import Plan
from ..plan.paint import linear_named, linear_to_srgb
from ..plan.units import FOOT_M, format_length
from ..readiness.rehearse import Rehearsal
from ..stage.surfaces import Surface, to_world
from . import drawing as d

WIDTH = 620.0
MARGIN_LEFT, MARGIN_TOP, MARGIN_RIGHT, MARGIN_BOTTOM = 62.0, 16.0, 16.0, 56.0
TALLEST = 560.0
FLAT = 60.0  # square units: what covers less is seen from its edge
VIEW_TINT = (d.BLUE, "#8a5a00")  # view at the first and at the last frame
EDGE_PARTS = 16  # pieces that an edge is cut into, so that it may follow a cove
PATH_POINTS = 120  # a path is drawn through at most so many frames


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A flat view of the stage: two world axes and the way to the paper."""

    across: np.ndarray  # (3,) unit, to the right on paper
    up: np.ndarray  # (3,) unit, upwards on paper
    low: np.ndarray  # (2,) metres at the left and lower edge of what is drawn
    high: np.ndarray  # (2,)
    scale: float  # units per metre

    @property
    def height(self) -> float:
        """Of the whole picture, units."""
        return MARGIN_TOP + float(self.high[1] - self.low[1]) * self.scale + MARGIN_BOTTOM

    @property
    def toward(self) -> np.ndarray:
        """(3,) from the stage to whoever looks at the sheet."""
        return np.cross(self.across, self.up)

    def __call__(self, points_m: np.ndarray) -> np.ndarray:
        """(..., 2) paper coordinates of world points (..., 3)."""
        flat = np.stack([points_m @ self.across, points_m @ self.up], axis=-1)
        used = (self.high - self.low) * self.scale
        left = MARGIN_LEFT + (WIDTH - MARGIN_LEFT - MARGIN_RIGHT - used[0]) / 2
        return np.stack(
            [left + (flat[..., 0] - self.low[0]) * self.scale, MARGIN_TOP + (self.high[1] - flat[..., 1]) * self.scale],
            axis=-1,
        )


def stage_views(rehearsal: Rehearsal) -> list[tuple[str, str]]:
    """(caption, picture) of the stage from above, and from the side to which the camera's line of sight lies square."""
    forward = np.abs(rehearsal.track.world_from_cam[:, :2, 2].mean(axis=0))
    side = ([1.0, 0, 0], "from the audience") if forward[0] > forward[1] else (
        [0, 1.0, 0], "from the right, upstage to the right"
    )  # fmt: skip
    return [
        _drawn(rehearsal, "Plan, upstage at the top", [1, 0, 0], [0, 1, 0]),
        _drawn(rehearsal, f"Elevation {side[1]}", side[0], [0, 0, 1]),
    ]


def plan_view(rehearsal: Rehearsal, name: str, part_m: np.ndarray, overlay: Callable[[Sheet], str]) -> str:
    """A part of the stage from above, about points (K, 3), with something drawn on its floor.

    overlay : gives its markup on a sheet
    """
    across, up = np.eye(3)[:2]
    sheet = sheet_about(part_m, across, up)
    return d.svg(
        WIDTH, sheet.height, _content(rehearsal, sheet, overlay), f"{rehearsal.shot.name}: {name}", "stage-plan"
    )


def _drawn(rehearsal: Rehearsal, name: str, across: list[float], up: list[float]) -> tuple[str, str]:
    sheet = _sheet(rehearsal, np.array(across, float), np.array(up, float))
    body = _content(rehearsal, sheet) + "".join(_sizes(rehearsal, sheet))
    return name, d.svg(WIDTH, sheet.height, body, f"{rehearsal.shot.name}: {name}", "stage-plan")


def _content(rehearsal: Rehearsal, sheet: Sheet, overlay: Callable[[Sheet], str] = lambda sheet: "") -> str:
    area = (MARGIN_LEFT, MARGIN_TOP, WIDTH - MARGIN_RIGHT, sheet.height - MARGIN_BOTTOM + 4)
    board = d.LabelBoard(area[2], area[3], area[0] + 2, area[1])
    # Drawn from the back to the front; names are placed in the order of their weight.
    camera = "".join(_camera(rehearsal, sheet, board))
    stands = "".join(_stands(rehearsal, sheet, board))
    action = "".join(_action_point(rehearsal, sheet, board))
    blockers = "".join(_blockers(rehearsal, sheet, board))
    keepouts = "".join(_keepouts(rehearsal, sheet, board))
    ground = "".join(
        [*surface_shapes(rehearsal.plan, rehearsal.layout.surfaces, sheet), keepouts, *_cones(rehearsal, sheet, area)]
    )
    markers = "".join(_markers(rehearsal, sheet))  # below the overlay, whose numbers they must not hide
    things = "".join([blockers, stands, camera, action, board.markup])
    return ground + markers + overlay(sheet) + things + scale_bar(rehearsal.plan.units, sheet)


def _stage_points(rehearsal: Rehearsal) -> np.ndarray:
    """(K, 3) corners of all surfaces."""
    return surface_corners(rehearsal.layout.surfaces)


def surface_corners(surfaces: Sequence[Surface]) -> np.ndarray:
    """(K, 3) world points along the outlines of surfaces; the datum where there are none."""
    outlines = [to_world(s, d.subdivide(s.outline_uv, EDGE_PARTS)) for s in surfaces]
    return np.concatenate(outlines) if outlines else np.zeros((1, 3))


def _sheet(rehearsal: Rehearsal, across: np.ndarray, up: np.ndarray) -> Sheet:
    stands = [[*s.at, s.base + h] for s in rehearsal.plan.stands for h in (0, s.height)]
    points = np.concatenate(
        [
            _stage_points(rehearsal),
            rehearsal.track.centre_m,
            np.reshape(rehearsal.shot.action_point, (1, 3)),
            np.reshape(stands, (-1, 3)),
            *(occluder.mesh_at(row)[0] for occluder in rehearsal.occluders for row in (0, len(rehearsal.track) - 1)),
        ]
    )
    return sheet_about(points, across, up)


def sheet_about(points: np.ndarray, across: np.ndarray, up: np.ndarray) -> Sheet:
    """The sheet that shows points (K, 3) as large as fits."""
    flat = np.column_stack([points @ across, points @ up])
    low, high = flat.min(axis=0), flat.max(axis=0)
    pad = max(0.04 * float((high - low).max()), 0.1)
    low, high = low - pad, high + pad
    room = np.array([WIDTH - MARGIN_LEFT - MARGIN_RIGHT, TALLEST])
    return Sheet(across, up, low, high, float((room / (high - low)).min()))


# --- the stage -------------------------------------------------------------------------------------------------


def surface_shapes(plan: Plan, surfaces: Sequence[Surface], sheet: Sheet) -> Iterable[str]:
    """Screens in a pale tint of their paint, the farthest from the reader first."""
    shapes = []
    for surface in surfaces:
        code = linear_to_srgb(linear_named(plan, surface.paint))
        edge, fill = _hex(0.75 * code), _hex(0.35 * code + 0.65)
        outline = to_world(surface, d.subdivide(surface.outline_uv, EDGE_PARTS))
        depth, data = float(outline.mean(axis=0) @ sheet.toward), d.path_data(sheet(outline))
        shapes.append((depth, d.element("path", d.title(surface.name), d=data, fill=fill, stroke=edge,
                                        fill_opacity=0.6, stroke_width=1.6, stroke_linejoin="round")))  # fmt: skip
    return [markup for _, markup in sorted(shapes)]


def _hex(code: np.ndarray) -> str:
    return "#" + "".join(f"{round(255 * float(c)):02x}" for c in np.clip(code, 0, 1))


def _keepouts(rehearsal: Rehearsal, sheet: Sheet, board: d.LabelBoard) -> Iterable[str]:
    surfaces = {surface.name: surface for surface in rehearsal.layout.surfaces}
    for keepout in rehearsal.plan.keepouts:
        if keepout.surface not in surfaces:
            continue
        outline = sheet(to_world(surfaces[keepout.surface], np.array(keepout.outline)))
        if d.polygon_area(outline) < FLAT:
            continue  # seen from its edge
        yield d.element("path", d.title(f"keep-out: {keepout.name}"), d=d.path_data(outline), fill="url(#keepout)",
                        stroke=d.GREY, stroke_width=1, stroke_dasharray="3 2")  # fmt: skip
        x, y = outline.mean(axis=0)
        board.put(float(x), float(y), keepout.name, -5)


def _markers(rehearsal: Rehearsal, sheet: Sheet) -> Iterable[str]:
    """Dark where a feature of it is trackable in some frame of the shot, else pale."""
    markers, features = rehearsal.layout.markers, rehearsal.layout.features
    used = np.unique(features.owner[rehearsal.sightings.seen.any(axis=0)])
    outlines = [sheet(markers.outline_m[a:b]) for a, b in zip(markers.first[:-1], markers.first[1:], strict=True)]
    ever = np.isin(np.arange(len(outlines)), used)
    for is_used, colour in ((False, "#9aa3ad"), (True, d.INK)):
        data = [d.path_data(outlines[i]) for i in np.flatnonzero(ever == is_used)]
        if data:
            yield d.element("path", d="".join(data), fill=colour, stroke=colour, stroke_width=0.7)


def _stands(rehearsal: Rehearsal, sheet: Sheet, board: d.LabelBoard) -> Iterable[str]:
    unit = rehearsal.plan.units
    for stand in rehearsal.plan.stands:
        foot, head = sheet(np.array([[*stand.at, stand.base], [*stand.at, stand.base + stand.height]]))
        about = d.title(f"{stand.name}, {format_length(stand.height, unit)} high")
        body = d.element("line", x1=foot[0], y1=foot[1], x2=head[0], y2=head[1], stroke=d.INK, stroke_width=1.6)
        for band in stand.bands:
            x, y = sheet(np.array([*stand.at, stand.base + band]))
            if sheet.up[2]:
                body += d.element("rect", x=x - 3, y=y - 1.5, width=6, height=3, fill=d.PAPER, stroke=d.INK)
        if not sheet.up[2]:
            body += d.element("circle", cx=foot[0], cy=foot[1], r=4.5, fill=d.PAPER, stroke=d.INK, stroke_width=1.8)
            body += d.element("circle", cx=foot[0], cy=foot[1], r=1.5, fill=d.INK)
        yield d.element("g", about + body, class_="stand")
        board.block(float(head[0]), float(head[1]), 5)
        board.put(float(head[0]), float(head[1]), stand.name, 5, class_="strong")


def _blockers(rehearsal: Rehearsal, sheet: Sheet, board: d.LabelBoard) -> Iterable[str]:
    """Outlines at the first frame (full) and the last (dashed), the path between; gear filled."""
    blockers = len(rehearsal.occluders) - len(rehearsal.plan.gear)
    last = len(rehearsal.track) - 1
    for index, occluder in enumerate(rehearsal.occluders):
        outlines = [d.hull(sheet(occluder.mesh_at(row)[0]).round(2)) for row in (0, last)]
        still = index >= blockers or not np.ptp(occluder.centre_m, axis=0).any()
        style = {"stroke": d.INK if index >= blockers else d.GREY, "stroke_width": 1.2}
        fill = "#d8c9a8" if index >= blockers else "#aab1b9"
        body = d.element("path", d=d.path_data(outlines[0]), fill=fill, fill_opacity=0.75, **style)
        if not still:
            path = sheet(_thinned(occluder.centre_m))
            body += d.element("path", d=d.path_data(path, close=False), fill="none", stroke_dasharray="5 3", **style)
            body += d.element("path", d=d.path_data(outlines[1]), fill="none", stroke_dasharray="3 2", **style)
        yield d.element("g", d.title(occluder.name) + body)
        x, y = outlines[0].mean(axis=0)
        board.put(float(x), float(y), occluder.name, float(np.ptp(outlines[0][:, 1])) / 2)


def _thinned(path_m: np.ndarray) -> np.ndarray:
    """At most PATH_POINTS rows of a path, the first and the last among them."""
    rows = np.unique(np.linspace(0, len(path_m) - 1, min(len(path_m), PATH_POINTS)).round().astype(int))
    thinned: np.ndarray = path_m[rows]
    return thinned


# --- the camera ------------------------------------------------------------------------------------------------


def _cones(rehearsal: Rehearsal, sheet: Sheet, area: tuple[float, float, float, float]) -> Iterable[str]:
    """The gate's pyramid of view at the first and the last frame, out to the farthest feature it uses."""
    track = rehearsal.track
    left, top, right, bottom = area
    edges = np.array([[1, 0, 0, -left], [-1, 0, 0, right], [0, 1, 0, -top], [0, -1, 0, bottom]])
    used = rehearsal.readiness.farthest_m[np.isfinite(rehearsal.readiness.farthest_m)]
    reach = float(used.max()) if len(used) else float(np.ptp(_stage_points(rehearsal), axis=0).max())
    for which, row in enumerate((0, len(track) - 1)[: 1 if len(track) == 1 else 2]):
        corners = frustum_corners(track, reach, slice(row, row + 1))[0]
        corners = corners[np.isfinite(corners).all(axis=1)]
        pyramid = sheet(np.concatenate([track.centre_m[row : row + 1], corners]))
        outline = d.hull(pyramid.round(2))
        clipped = d.clip_polygon(np.column_stack([outline, np.zeros(len(outline))]), edges)
        if len(clipped):
            yield d.element(
                "path", d.title(f"view at frame {track.frame[row]}"), d=d.path_data(clipped[:, :2]),
                fill=VIEW_TINT[which], fill_opacity=0.09, stroke=VIEW_TINT[which], stroke_width=1.1,
                stroke_dasharray="none" if which == 0 else "7 4",
            )  # fmt: skip


def _camera(rehearsal: Rehearsal, sheet: Sheet, board: d.LabelBoard) -> Iterable[str]:
    track = rehearsal.track
    path = sheet(_thinned(track.centre_m))
    yield d.element("path", d=d.path_data(path, close=False), fill="none", stroke=d.INK, stroke_width=2.4)
    ends = sheet(track.centre_m[[0, -1]])
    apart = float(np.linalg.norm(ends[1] - ends[0])) > 34
    first, last = int(track.frame[0]), int(track.frame[-1])
    names = [f"frame {first}", f"frame {last}"] if apart else [f"frames {first} to {last}"]
    for which, (x, y) in reversed(list(enumerate(ends))):
        fill = VIEW_TINT[0] if which == 0 else d.PAPER
        stroke = VIEW_TINT[which]
        yield d.element("circle", cx=x, cy=y, r=5, fill=fill, stroke=stroke, stroke_width=2)
        board.block(float(x), float(y), 6)
    for x, y in path[:: max(1, len(path) // 24)]:
        board.block(float(x), float(y), 3)
    for name, (x, y) in zip(names, ends, strict=False):
        board.put(float(x), float(y), f"camera, {name}", 7, class_="strong")


def _action_point(rehearsal: Rehearsal, sheet: Sheet, board: d.LabelBoard) -> Iterable[str]:
    x, y = sheet(np.array(rehearsal.shot.action_point, float))
    cross = f"M{d.number(x - 9)} {d.number(y)}h18M{d.number(x)} {d.number(y - 9)}v18"
    yield d.element("path", d=cross, stroke=d.PAPER, stroke_width=4, fill="none")
    yield d.element("path", d.title("action point"), d=cross, stroke=d.INK, stroke_width=1.4, fill="none")
    yield d.element("circle", cx=x, cy=y, r=4.5, fill="none", stroke=d.INK, stroke_width=1.4)
    board.block(float(x), float(y), 9)
    board.put(float(x), float(y), "action point", 8)


# --- sizes -----------------------------------------------------------------------------------------------------


def _sizes(rehearsal: Rehearsal, sheet: Sheet) -> Iterable[str]:
    """Overall sizes of the stage, below and at the left."""
    stage = _stage_points(rehearsal)
    unit = rehearsal.plan.units
    paper = sheet(stage)
    (left, top), (right, bottom) = paper.min(axis=0), paper.max(axis=0)
    floor, side = sheet.height - MARGIN_BOTTOM + 16, float(left) - 18
    width, height = np.ptp(stage @ sheet.across), np.ptp(stage @ sheet.up)
    yield _size_line(np.array([[left, floor], [right, floor]]), format_length(float(width), unit))
    yield _size_line(np.array([[side, bottom], [side, top]]), format_length(float(height), unit))


def _size_line(ends: np.ndarray, text: str) -> str:
    (x1, y1), (x2, y2) = ends
    tick = "v8" if y1 == y2 else "h8"
    back = np.array([0, -4]) if y1 == y2 else np.array([-4, 0])
    data = d.path_data(ends, close=False) + "".join(f"M{d.number(x)} {d.number(y)}{tick}" for x, y in ends + back)
    x, y = (x1 + x2) / 2, (y1 + y2) / 2
    turned = {} if y1 == y2 else {"transform": f"rotate(-90 {d.number(x - 6)} {d.number(y)})"}
    at = (x, y + 15) if y1 == y2 else (x - 6, y)
    return d.element("path", d=data, class_="size") + d.label(*at, text, text_anchor="middle", class_="axis", **turned)


def scale_bar(unit: str, sheet: Sheet) -> str:
    """A bar of a round length in the plan's units."""
    base = FOOT_M if unit in ("ft", "in") else 1
    length = d.nice_step(60 / sheet.scale / float(base), 1) * float(base)
    x, y = WIDTH - MARGIN_RIGHT - length * sheet.scale, sheet.height - 12
    half = length * sheet.scale / 2
    return (
        d.element("rect", x=x, y=y - 5, width=half, height=5, fill=d.INK)
        + d.element("rect", x=x + half, y=y - 5, width=half, height=5, fill=d.PAPER, stroke=d.INK)
        + d.label(x - 8, y, format_length(length, unit), text_anchor="end", class_="axis")
    )
