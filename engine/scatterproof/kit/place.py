"""Placement sheets: every chart of the screen to a stated scale, with the number of all that goes on it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Final

import numpy as np

from ..plan.model import Plan
from ..plan.units import FOOT_M, format_length
from ..stage import polygons
from ..stage.layout import Layout
from ..stage.placing import box_corners, gear_points
from ..stage.surfaces import to_surface
from ..stage.unroll import Chart, bounds, outlines
from .paper import (  # fmt: skip
    BODY,
    BOLD,
    GREY,
    HAIR,
    LINE,
    PALE,
    SMALL,
    THIN,
    WHITE,
    Page,
    Shape,
    Window,
    Words,
    fitted,
    paper_size,
    text_width,
    wrapped,
)
from .setout import SetOut

SCALES: Final = MappingProxyType(
    {"mm": (5, 10, 20, 25, 50, 75, 100, 150, 200, 500, 1000), "in": (6, 12, 16, 24, 32, 48, 64, 96, 128, 192, 384, 768)}
)
LABEL_MM: Final = 2.8  # type of the numbers: 8 points, read at arm's length
CROWDED_MM: Final = 7.0  # numbers want this much between neighbours
MOST_PARTS: Final = 12  # pages of one chart
SIDE: Final = 9.0  # strip for the figures of the grid
OVERLAP_M: Final = 0.3


@dataclass(frozen=True, slots=True)
class Scale:
    """How a chart is drawn: ``divisor`` for 1:50, and into how many pages it is cut."""

    divisor: int
    columns: int
    rows: int
    wide: bool

    @property
    def mm_per_m(self) -> float:
        """Millimetres on paper for a metre of screen."""
        return 1000 / self.divisor


def scale_name(divisor: int, unit: str) -> str:
    """A scale for people.

    >>> scale_name(50, "m"), scale_name(48, "ft")
    ('1:50, 20 mm on paper is 1 m', '1:48, 1/4 in on paper is 1 ft')
    """
    if unit not in ("ft", "in"):
        return f"1:{divisor}, {1000 / divisor:.3g} mm on paper is 1 m"
    return f"1:{divisor}, {Fraction(12, divisor)} in on paper is 1 ft"


def choose_scale(size_m: np.ndarray, at_m: np.ndarray, unit: str, paper: str, head_mm: float) -> Scale:
    """The largest scale at which a chart fits one page, or a larger one on several where its numbers would crowd."""
    scales = SCALES["in" if unit in ("ft", "in") else "mm"]
    nearest = _nearest(at_m)
    crowd = float(np.quantile(nearest, 0.1)) if len(nearest) else math.inf
    options = [_cut(size_m, divisor, paper, head_mm) for divisor in scales]
    whole = next((option for option in options if option.columns * option.rows == 1), options[-1])
    for option in reversed(options[: options.index(whole) + 1]):
        if option.columns * option.rows > MOST_PARTS:
            break
        whole = option
        if crowd * option.mm_per_m >= CROWDED_MM:
            break
    return whole


def _nearest(at_m: np.ndarray) -> np.ndarray:
    """(N,) distance of each point from its nearest neighbour; none for a single point."""
    if len(at_m) < 2:
        return np.empty(0)
    away = [np.partition(((at_m - point) ** 2).sum(axis=1), 1)[1] for point in at_m]
    nearest: np.ndarray = np.sqrt(np.array(away))
    return nearest


def _room(paper: str, wide: bool, head_mm: float) -> tuple[float, float]:
    left, top, right, bottom = Page("", "", *paper_size(paper, wide)).body
    return right - left - SIDE, bottom - top - head_mm - SIDE


def _cut(size_m: np.ndarray, divisor: int, paper: str, head_mm: float) -> Scale:
    best: Scale | None = None
    for wide in (True, False):
        room = np.array(_room(paper, wide, head_mm)) / 1000 * divisor
        parts = [
            1 if size <= have else max(1, math.ceil((size - OVERLAP_M) / max(have - OVERLAP_M, 0.1)))
            for size, have in zip(size_m.tolist(), room.tolist(), strict=True)
        ]
        option = Scale(divisor, parts[0], parts[1], wide)
        if best is None or option.columns * option.rows < best.columns * best.rows:
            best = option
    assert best is not None
    return best


def placement_pages(plan: Plan, layout: Layout, table: SetOut, chart: int, unit: str, paper: str) -> list[Page]:
    """The sheets of one chart."""
    shape, datum = table.charts[chart], table.datums[chart]
    limits = bounds(shape, layout.surfaces) - datum.at_m
    rows = table.on_chart(chart)
    flat = layout.surfaces[shape.rows[0]]
    what = "Plan" if flat.normal[2] > 0.7 else "Elevation, unrolled" if len(shape.rows) > 1 else "Elevation"
    width = paper_size(paper)[0] - 20.0
    notes = [line for text in (datum.across, datum.along) for line in wrapped(text, width, SMALL)]
    head = 6.0 + len(notes) * SMALL * 1.3 + 3.0
    scale = choose_scale(limits[1] - limits[0], table.told_m[rows], unit, paper, head)
    pages = []
    total = scale.columns * scale.rows
    room_m = np.array(_room(paper, scale.wide, head)) / scale.mm_per_m
    for row in range(scale.rows):
        for column in range(scale.columns):
            page = Page(f"{what}: {shape.name}", "place", *paper_size(paper, scale.wide))
            left, top, right, _ = page.body
            note = f"Scale {scale_name(scale.divisor, unit)}."
            note += " Seen from the stage." if what != "Plan" else " Seen from above, upstage at the top."
            if total > 1:
                note += f" Part {row * scale.columns + column + 1} of {total}: row {row + 1}, column {column + 1}."
            page.words(left, top + 4, fitted(note, right - left, BODY, True), BODY, bold=True)
            for number, line in enumerate(notes):
                page.words(left, top + 8.5 + number * SMALL * 1.3, line, SMALL)
            step = room_m - OVERLAP_M
            low = np.array([limits[0, 0] + column * step[0], limits[1, 1] - row * step[1] - room_m[1]])
            if scale.columns == 1:
                low[0] = (limits[0, 0] + limits[1, 0] - room_m[0]) / 2
            if scale.rows == 1:
                low[1] = limits[1, 1] - room_m[1]
            view = _View(low, low + room_m, scale.mm_per_m, left + SIDE, top + head)
            _draw(page, view.cropped(limits), plan, layout, table, chart, unit)
            pages.append(page)
    return pages


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """What part of a chart a page shows, in offsets from its datum lines."""

    low: np.ndarray
    high: np.ndarray
    scale: float  # mm per metre
    left: float  # of the drawing on the page
    top: float

    def __call__(self, at_m: np.ndarray) -> np.ndarray:
        """(..., 2) page coordinates of offsets."""
        flat = (np.asarray(at_m, float) - [self.low[0], self.high[1]]) * self.scale
        placed: np.ndarray = flat * [1, -1] + [self.left, self.top]
        return placed

    def cropped(self, limits: np.ndarray) -> _View:
        """The same without what lies beyond the chart, but for a little room for numbers."""
        low = np.maximum(self.low, limits[0] - 5 / self.scale)
        high = np.minimum(self.high, limits[1] + 1 / self.scale)
        corner = self(np.array([low[0], high[1]]))
        return _View(low, high, self.scale, float(corner[0]), self.top)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom on the page."""
        wide, high = (self.high - self.low) * self.scale
        return self.left, self.top, self.left + float(wide), self.top + float(high)


def _draw(page: Page, view: _View, plan: Plan, layout: Layout, table: SetOut, chart: int, unit: str) -> None:
    shape, origin = table.charts[chart], np.array(table.datums[chart].at_m)
    marks: list[Shape | Words] = []
    for name, outline in zip(shape.rows, outlines(shape, layout.surfaces), strict=True):
        curved = layout.surfaces[name].radius_m > 0
        marks.append(Shape(view(outline - origin), closed=True, width=LINE, dash=(2.5, 1.2) if curved else ()))
    marks += _grid(page, view, table.datums[chart].sides, unit, bounds(shape, layout.surfaces) - origin)
    marks += _keepouts(plan, layout, shape, origin, view)
    taken = _Taken(view.box)
    marks += _gear(plan, layout, table, chart, view)
    rows = table.on_chart(chart)
    first_stand = len(layout.markers.name)
    numbers: list[Words] = []
    room_inside: dict[int, float] = {}
    for row in rows[rows < first_stand].tolist():
        surface = int(layout.markers.surface[row])
        outline = layout.markers.outline_uv[layout.markers.first[row] : layout.markers.first[row + 1]]
        on_paper = view(shape.from_surface(surface, outline) - origin)
        marks.append(Shape(on_paper, closed=True, width=THIN, fill=PALE))
        taken.shapes.append(np.concatenate([on_paper.min(axis=0), on_paper.max(axis=0)]))
        room_inside[row] = float(polygons.edge_distance(on_paper, view(table.true_m[row])[None])[0])
    for row in rows[rows >= first_stand].tolist() + table.pegs(chart).tolist():
        x, y = view(table.true_m[row]).tolist()
        marks += _MARKS.get(table.label[row][0], _peg_mark)(x, y)
        taken.shapes.append(np.array([x - 1.8, y - 1.8, x + 1.8, y + 1.8]))
    boxes = list(taken.shapes)
    for place, row in enumerate([*rows.tolist(), *table.pegs(chart).tolist()]):
        at = view(table.true_m[row])
        if not _within(at, view.box):
            continue
        strong = row >= first_stand
        size = LABEL_MM * (1.25 if strong else 1.0)
        numbers.append(taken.label(boxes[place], at, table.label[row], size, strong, room_inside.get(row, 0.0)))
    grounds = [
        Shape(_corners(box + np.array([-0.3, -0.3, 0.3, 0.3])), closed=True, width=0.0, fill=WHITE)
        for box in taken.outside
    ]
    left, top, right, bottom = view.box
    page.marks.append(Window((left, top - 1, min(right + 5, page.body[2]), bottom), (*marks, *grounds, *numbers)))


def _corners(box: np.ndarray) -> np.ndarray:
    left, top, right, bottom = box
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def _within(at: np.ndarray, box: tuple[float, float, float, float]) -> bool:
    return bool(box[0] <= at[0] <= box[2] and box[1] <= at[1] <= box[3])


class _Taken:
    """Finds a free place for each number: in its marker where that is large enough, else beside it."""

    def __init__(self, box: tuple[float, float, float, float]):
        self.box = box
        self.shapes: list[np.ndarray] = []  # (4,) left, top, right, bottom of what is drawn
        self.labels: list[np.ndarray] = []
        self.outside: list[np.ndarray] = []  # labels that lie beside their things

    def label(self, own: np.ndarray, at: np.ndarray, text: str, size: float, bold: bool, inside: float) -> Words:
        """The number of a thing that fills the box ``own`` and reaches at least ``inside`` around ``at``."""
        wide, high = text_width(text, size, bold), 0.74 * size
        if math.hypot(wide, high) / 2 + 0.2 < inside:
            self.labels.append(np.array([at[0] - wide / 2, at[1] - high / 2, at[0] + wide / 2, at[1] + high / 2]))
            return Words(float(at[0] - wide / 2), float(at[1] + high / 2), text, size, bold)
        gap = 0.5
        x0, x1 = own[0] - gap - wide, own[2] + gap
        y0, y1 = own[1] - gap - high, own[3] + gap
        xm, ym = at[0] - wide / 2, at[1] - high / 2
        spots = np.array([[x1, ym], [x0, ym], [xm, y0], [xm, y1], [x1, y0], [x1, y1], [x0, y0], [x0, y1]])
        boxes = np.concatenate([spots, spots + np.array([wide, high])], axis=1)
        cost = _overlap(boxes, self.labels) * 3 + _overlap(boxes, self.shapes)
        out = np.maximum(self.box[0] - boxes[:, 0], 0) + np.maximum(boxes[:, 2] - self.box[2], 0)
        out += np.maximum(self.box[1] - boxes[:, 1], 0) + np.maximum(boxes[:, 3] - self.box[3], 0)
        best = boxes[int((cost + 10 * out).argmin())]
        self.labels.append(best)
        self.outside.append(best)
        return Words(float(best[0]), float(best[3]), text, size, bold)


def _overlap(boxes: np.ndarray, others: Sequence[np.ndarray]) -> np.ndarray:
    """(B,) area that each box shares with the others."""
    if not others:
        return np.zeros(len(boxes))
    other = np.array(others)
    wide = np.minimum(boxes[:, None, 2], other[:, 2]) - np.maximum(boxes[:, None, 0], other[:, 0])
    high = np.minimum(boxes[:, None, 3], other[:, 3]) - np.maximum(boxes[:, None, 1], other[:, 1])
    shared: np.ndarray = (np.maximum(wide, 0) * np.maximum(high, 0)).sum(axis=1)
    return shared


def _stand_mark(x: float, y: float) -> list[Shape | Words]:
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = np.column_stack([x + 1.6 * np.cos(turn), y + 1.6 * np.sin(turn)])
    return [
        Shape(ring, closed=True, width=BOLD, fill=(1.0, 1.0, 1.0)),
        Shape(np.array([[x - 0.9, y], [x + 0.9, y]]), width=LINE),
        Shape(np.array([[x, y - 0.9], [x, y + 0.9]]), width=LINE),
    ]


def _gear_mark(x: float, y: float) -> list[Shape | Words]:
    return [
        Shape(np.array([[x - 1.2, y - 1.2], [x + 1.2, y + 1.2]]), width=LINE),
        Shape(np.array([[x - 1.2, y + 1.2], [x + 1.2, y - 1.2]]), width=LINE),
    ]


def _peg_mark(x: float, y: float) -> list[Shape | Words]:
    around = np.array([[x, y - 1.6], [x + 1.6, y], [x, y + 1.6], [x - 1.6, y]])
    return [Shape(around, closed=True, width=LINE, fill=(0.0, 0.0, 0.0))]


_MARKS: Final = MappingProxyType({"S": _stand_mark, "G": _gear_mark})


def _grid(
    page: Page, view: _View, sides: tuple[tuple[str, str], tuple[str, str]], unit: str, limits: np.ndarray
) -> list[Shape | Words]:
    """The datum lines strong, a faint line at every round offset, their figures along the left and lower edge."""
    one = float(FOOT_M) if unit in ("ft", "in") else 1.0
    step = next(s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 1000) if s * one * view.scale >= 16) * one
    left, top, right, bottom = view.box
    marks: list[Shape | Words] = []
    for axis in (0, 1):
        first = math.ceil(max(view.low[axis], limits[0, axis]) / step - 1e-9)
        last = math.floor(min(view.high[axis], limits[1, axis]) / step + 1e-9)
        for n in range(first, last + 1):
            value = n * step
            x, y = view(np.array([value, value])).tolist()
            ends = [[x, top], [x, bottom]] if axis == 0 else [[left, y], [right, y]]
            style = {"width": 0.5, "dash": (6.0, 1.5, 1.0, 1.5)} if n == 0 else {"width": HAIR, "stroke": (0.7,) * 3}
            marks.append(Shape(np.array(ends), **style))  # type: ignore[arg-type]
            side = sides[axis][n > 0] if n else ""
            told = format_length(abs(value), unit).removesuffix(f" {unit}") if n else "V" if axis == 0 else "H"
            if axis == 0:
                page.words(x, bottom + 3.6, f"{side} {told}".strip(), SMALL, anchor="middle", bold=n == 0)
            else:
                page.words(left - 1.2, y + 1, f"{side} {told}".strip(), SMALL, anchor="end", bold=n == 0)
    return marks


def _keepouts(plan: Plan, layout: Layout, chart: Chart, origin: np.ndarray, view: _View) -> list[Shape | Words]:
    marks: list[Shape | Words] = []
    row_of = {surface.name: row for row, surface in enumerate(layout.surfaces)}
    for keepout in plan.keepouts:
        row = row_of.get(keepout.surface, -1)
        if row not in chart.rows:
            continue
        outline = view(chart.from_surface(row, np.array(keepout.outline)) - origin)
        marks.append(Shape(outline, closed=True, width=LINE, stroke=GREY, dash=(1.2, 1.0)))
        low, high = outline.min(axis=0), outline.max(axis=0)
        upright = high[1] - low[1] > 1.5 * (high[0] - low[0])
        room = float((high - low)[1 if upright else 0]) - 2
        lines = wrapped(f"KEEP OUT: {keepout.name}", room, SMALL) if room > 12 else ["KEEP OUT"]
        x, y = ((low + high) / 2).tolist()
        for number, line in enumerate(lines):
            shift = 1 + (number - (len(lines) - 1) / 2) * SMALL * 1.2
            where = (x + shift, y) if upright else (x, y + shift)
            marks.append(Words(*where, line, SMALL, anchor="middle", turn=90.0 if upright else 0.0, colour=GREY))
    return marks


def _gear(plan: Plan, layout: Layout, table: SetOut, chart: int, view: _View) -> list[Shape | Words]:
    """Footprints of gear that stands on this chart."""
    shape, origin = table.charts[chart], np.array(table.datums[chart].at_m)
    mine = {table.name[row] for row in table.on_chart(chart).tolist() if table.label[row].startswith("G")}
    flat = layout.surfaces[shape.rows[0]]
    marks: list[Shape | Words] = []
    for gear in plan.gear:
        if gear.name in mine:
            foot = gear_points(gear.at, gear.turn, box_corners(gear.size)[:4])
            marks.append(Shape(view(to_surface(flat, foot) - origin), closed=True, width=LINE))
    return marks
