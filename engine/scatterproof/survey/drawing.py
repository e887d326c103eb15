"""The stage with arrows from where things were planned to where they were found, drawn longer than they are."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..plan.model import Plan
from ..plan.units import format_length
from ..report import drawing as d
from ..report.stage_plan import (
    MARGIN_BOTTOM,
    MARGIN_LEFT,
    MARGIN_RIGHT,
    MARGIN_TOP,
    WIDTH,
    Sheet,
    scale_bar,
    sheet_about,
    surface_corners,
    surface_shapes,
)
from ..stage.surfaces import Surface, normal_at, to_surface
from .adjust import axis_factor, ellipse
from .found import IN_PLACE, NOT_SURVEYED, OFF, SWAPPED, Found
from .targets import MARKER

COLOURS = {IN_PLACE: d.BLUE, OFF: d.STATE_COLOURS[1], SWAPPED: d.STATE_COLOURS[2], NOT_SURVEYED: d.STATE_COLOURS[2]}
LONGEST = 46.0  # units: about as long as the longer arrows become
FAR_BEYOND = 2.5  # times that: what would be longer is drawn to scale, and thick
FACTORS = (1, 2, 5, 10, 20, 50, 100, 200)
MOST_NAMES = 14
FACING = 0.7  # a thing is drawn in the view that looks at its surface at least so squarely

VIEWS = (
    ("Plan, upstage at the top", (1.0, 0, 0), (0, 1.0, 0)),
    ("Elevation from the audience", (1.0, 0, 0), (0, 0, 1.0)),
    ("Elevation from the right, upstage to the right", (0, 1.0, 0), (0, 0, 1.0)),
)


def offset_views(plan: Plan, surfaces: Sequence[Surface], found: Found) -> list[tuple[str, str]]:
    """(caption, picture) of every view that shows something; a caption names the factor that arrows are drawn by."""
    normals = _normals(surfaces, found)
    pictures = []
    for name, across, up in VIEWS:
        toward = np.cross(across, up)
        # Stands and gear have no surface: they are drawn from above.
        shown = np.where(normals.any(axis=1), np.abs(normals @ toward) > FACING, toward[2] > 0.5)
        if shown.any():
            pictures.append(_view(plan, surfaces, found, name, np.array(across), np.array(up), np.flatnonzero(shown)))
    return pictures


def _normals(surfaces: Sequence[Surface], found: Found) -> np.ndarray:
    """(T, 3) of the surface that each thing is on; zero off them."""
    targets, normals = found.targets, np.zeros((len(found.targets), 3))
    for row in np.flatnonzero(targets.surface >= 0).tolist():
        surface = surfaces[targets.surface[row]]
        normals[row] = normal_at(surface, to_surface(surface, targets.position_m[row]))
    return normals


def _view(
    plan: Plan,
    surfaces: Sequence[Surface],
    found: Found,
    name: str,
    across: np.ndarray,
    up: np.ndarray,
    rows: np.ndarray,
) -> tuple[str, str]:
    targets = found.targets
    sheet = sheet_about(np.concatenate([surface_corners(surfaces), targets.position_m[rows]]), across, up)
    factor = _factor(found, rows, sheet)
    board = d.LabelBoard(WIDTH - MARGIN_RIGHT, sheet.height - MARGIN_BOTTOM + 4, MARGIN_LEFT + 2, MARGIN_TOP)
    marks = [_mark(found, row, sheet, factor, board) for row in rows.tolist()]
    extra = [_extra(found, i, sheet) for i in range(len(found.extra_label))] if name == VIEWS[0][0] else []
    for row in _worth_naming(found, rows):
        x, y = sheet(targets.position_m[row])
        board.put(float(x), float(y), targets.number[row], 6, class_="strong")
    screens = surface_shapes(plan, surfaces, sheet)
    body = "".join([*screens, *marks, *extra, board.markup, _key_arrow(plan.units, sheet, factor)])
    longer = f"Offsets and their 95 % ellipses are drawn {factor} times as long as they are, thick arrows to scale."
    caption = f"{name}. {longer if factor > 1 else 'Offsets are drawn to scale.'}"
    return caption, d.svg(WIDTH, sheet.height, body + scale_bar(plan.units, sheet), caption, "stage-plan")


def _factor(found: Found, rows: np.ndarray, sheet: Sheet) -> int:
    """By how much arrows grow so that all but a few fit the drawing."""
    there = rows[(found.state[rows] == OFF) | (found.state[rows] == IN_PLACE)]
    offset = found.offset_m[there]
    length = np.hypot(offset @ sheet.across, offset @ sheet.up) * sheet.scale
    if not len(length) or length.max() <= 0:
        return 1
    room = LONGEST / float(np.percentile(length, 90))
    return max((f for f in FACTORS if f <= room), default=1)


def _worth_naming(found: Found, rows: np.ndarray) -> list[int]:
    """Swapped and missing markers first, then the largest offsets."""
    size = np.nan_to_num(np.sqrt((found.offset_m[rows] ** 2).sum(axis=1)))
    weight = size + 10 * (found.state[rows] == SWAPPED) + 5 * (
        (found.state[rows] == NOT_SURVEYED) & (found.targets.kind[rows] == MARKER)
    )  # fmt: skip
    order = np.argsort(-weight, kind="stable")[:MOST_NAMES]
    return [int(rows[i]) for i in order if weight[i] > 0]


def _mark(found: Found, row: int, sheet: Sheet, factor: int, board: d.LabelBoard) -> str:
    state, targets = int(found.state[row]), found.targets
    x, y = (float(v) for v in sheet(targets.position_m[row]))
    colour = COLOURS[state]
    board.block(x, y, 3)
    if state == NOT_SURVEYED:
        ring = d.element("circle", cx=x, cy=y, r=3.4, fill=d.PAPER, stroke=colour, stroke_width=1.4)
        bar = d.element("path", d=f"M{d.number(x - 5)} {d.number(y)}h10", stroke=colour, stroke_width=1.4)
        return d.element("g", d.title(f"{targets.name[row]}: not surveyed") + ring + bar)
    if state == SWAPPED:
        tip = sheet(targets.position_m[found.instead[row]])
        about = f"{targets.name[row]}: stands where {targets.name[found.instead[row]]} was planned"
        return d.element("g", d.title(about) + _arrow(x, y, float(tip[0]), float(tip[1]), colour, "4 3"))
    offset = found.offset_m[row]
    about = f"{targets.name[row]}: {_millimetres(offset)} off"
    tip = sheet(targets.position_m[row] + factor * offset)
    if math.dist((x, y), tip) > FAR_BEYOND * LONGEST:
        tip = sheet(found.position_m[row])
        return d.element("g", d.title(about) + _arrow(x, y, float(tip[0]), float(tip[1]), colour, width=3.2))
    ring = _ellipse(found.covariance_m2[row], sheet, factor, float(tip[0]), float(tip[1]))
    if state == IN_PLACE:
        return d.element("g", d.title(about) + ring + d.element("circle", cx=x, cy=y, r=1.8, fill=colour))
    return d.element("g", d.title(about) + ring + _arrow(x, y, float(tip[0]), float(tip[1]), colour))


def _ellipse(covariance: np.ndarray, sheet: Sheet, factor: int, x: float, y: float) -> str:
    """The 95 % ellipse in the sheet's plane."""
    axes = np.stack([sheet.across, sheet.up])
    a, b, turn = (float(v) for v in ellipse(axes @ covariance @ axes.T))
    grow = axis_factor(0.95, 2) * factor * sheet.scale
    if a * grow < 1 or not math.isfinite(a):
        return ""
    return d.element(
        "ellipse", cx=x, cy=y, rx=a * grow, ry=max(b * grow, 0.3), fill="none", stroke=d.GREY, stroke_width=0.7,
        transform=f"rotate({d.number(-math.degrees(turn))} {d.number(x)} {d.number(y)})",
    )  # fmt: skip


def _arrow(x: float, y: float, tip_x: float, tip_y: float, colour: str, dash: str = "none", width: float = 1.5) -> str:
    length = math.hypot(tip_x - x, tip_y - y)
    if length < 0.5:
        return d.element("circle", cx=x, cy=y, r=1.8, fill=colour)
    ux, uy = (tip_x - x) / length, (tip_y - y) / length
    head = min(3.5 + width, 0.6 * length + 1)
    base_x, base_y = tip_x - head * ux, tip_y - head * uy
    wings = [(tip_x, tip_y), (base_x - 0.45 * head * uy, base_y + 0.45 * head * ux),
             (base_x + 0.45 * head * uy, base_y - 0.45 * head * ux)]  # fmt: skip
    shaft = d.element(
        "line", x1=x, y1=y, x2=base_x, y2=base_y, stroke=colour, stroke_width=width, stroke_dasharray=dash
    )
    return shaft + d.element("path", d=d.path_data(np.array(wings)), fill=colour)


def _extra(found: Found, i: int, sheet: Sheet) -> str:
    x, y = (float(v) for v in sheet(found.extra_m[i]))
    cross = f"M{d.number(x - 3)} {d.number(y - 3)}l6 6m0 -6l-6 6"
    name = found.extra_label[i] or "a point"
    return d.element("path", d.title(f"{name}: not in the plan"), d=cross, stroke=d.INK, stroke_width=1.3, fill="none")


def _key_arrow(unit: str, sheet: Sheet, factor: int) -> str:
    """An arrow of a round length, beside the scale bar."""
    metres = d.nice_step(40 / sheet.scale / factor, 1)
    x, y, length = MARGIN_LEFT, sheet.height - 14, metres * sheet.scale * factor
    text = format_length(metres, "mm" if unit in ("m", "cm", "mm") else unit)
    arrow = _arrow(x, y, x + length, y, d.STATE_COLOURS[1])
    return arrow + d.label(x + length + 8, y + 4, f"an offset of {text}", class_="axis")


def _millimetres(offset: np.ndarray) -> str:
    return f"{1000 * float(np.sqrt((offset**2).sum())):.0f} mm"
