"""Cut sheets: every marker at true scale, nested on tape or on sheets of it, tiled over the pages of a printer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np

from ..plan.model import Plan
from ..problems import one_problem
from ..stage import polygons
from ..stage.layout import Layout
from .nest import Nesting, fits, least_width, nest
from .paper import GREY, HAIR, LINE, MARGIN, SMALL, THIN, Page, Shape, Window, Words, fitted, paper_size, text_width
from .setout import SetOut

INCH: Final = 25.4
TAPES: Final = MappingProxyType(  # widths of tape on sale, mm
    {"mm": (25.0, 48.0, 50.0, 72.0, 96.0, 100.0), "in": (INCH, 2 * INCH, 3 * INCH, 4 * INCH)}
)
SHEET_MM = (450.0, 800.0)  # about how large a sheet laid up of tape is, where markers are wider than any tape
CUTTING = "Cut away from yourself, on a board, with a sharp blade."
OVERLAP = 10.0  # of neighbouring pages of one sheet
GAP = 2.0  # between pieces, for the knife
SLIVER = 2.5  # half the width, mm, of a part that gets no number: pages overlap by more, so a neighbour has all of it
KNIFE: Final = THIN
HAIRLINE: Final = 0.05  # by which a marker may be wider than its tape: nobody cuts finer


@dataclass(frozen=True, slots=True, eq=False)
class CutGroup:
    """The markers of one paint and how they are cut; P pieces in the order of their rows."""

    paint: str
    tape_mm: float
    laid_up: bool  # cut from sheets of tape laid side by side, since some piece is wider than the tape
    width_mm: float  # of a board: the tape's own, or of a laid-up sheet
    rows: np.ndarray  # (P,) int   markers of the layout
    corners_mm: tuple[np.ndarray, ...]  # P of (K, 2), about the marker's centre, up on the screen is +y
    nesting: Nesting

    @property
    def area_m2(self) -> float:
        """Of all pieces."""
        return sum(float(polygons.signed_area(corners)) for corners in self.corners_mm) / 1e6

    @property
    def tape_m(self) -> float:
        """Length of tape that is used, without spare."""
        strips = math.ceil(self.width_mm / self.tape_mm - 1e-6) if self.laid_up else 1
        return strips * float(self.nesting.used_mm.sum()) / 1000

    @property
    def tape_m2(self) -> float:
        """Area of that tape: what has to be painted."""
        return self.tape_m * self.tape_mm / 1000

    @property
    def waste(self) -> float:
        """Part of the tape that is not marker, 0 to 1."""
        return 1 - self.area_m2 / self.tape_m2 if self.tape_m2 else 0.0


def cut_groups(plan: Plan, layout: Layout, table: SetOut, unit: str, paper: str, tape: str | float) -> list[CutGroup]:
    """Markers by paint, nested.

    tape : "auto" (the narrowest that holds every marker of a paint, else laid-up sheets), "sheet", or a width in mm
    """
    printable = _printable(paper)
    groups = []
    paints = dict.fromkeys(group.paint for group in plan.markers)
    for paint in paints:
        sets = [index for index, group in enumerate(plan.markers) if group.paint == paint]
        rows = np.flatnonzero(np.isin(layout.markers.set_index, sets))
        if not len(rows):
            continue
        corners = tuple(_piece(layout, table, int(row)) for row in rows)
        widest = max(least_width(piece)[0] for piece in corners)
        width, laid_up = _tape_for(widest, unit, tape)
        if laid_up:
            board = _board_size(corners, printable, width)
        else:
            board = max(width, widest), printable[0]
        groups.append(CutGroup(paint, width, laid_up, board[0], rows, corners, nest(corners, *board, gap_mm=GAP)))
    return groups


def tape_widths(unit: str) -> tuple[float, ...]:
    """Widths of tape on sale, mm."""
    return TAPES["in" if unit in ("ft", "in") else "mm"]


def _tape_for(widest_mm: float, unit: str, tape: str | float) -> tuple[float, bool]:
    """Width of the tape, and whether it must be laid up to sheets."""
    widths = tape_widths(unit)
    if isinstance(tape, float):
        if not any(abs(tape - width) < 0.05 for width in (*TAPES["mm"], *TAPES["in"])):
            sizes = ", ".join(f"{w:g}" for w in TAPES["mm"])
            raise one_problem("--tape", f"{tape:g} mm", f"auto, sheet, {sizes} mm or 1, 2, 3, 4 in")
        return tape, widest_mm > tape + HAIRLINE
    if tape == "auto":
        for width in widths:
            if widest_mm <= width + HAIRLINE:
                return width, False
    return (2 * INCH if unit in ("ft", "in") else 50.0), True


def _piece(layout: Layout, table: SetOut, row: int) -> np.ndarray:
    """(K, 2) corners of a marker about its centre, mm, turned so that up along its chart is +y."""
    markers = layout.markers
    chart, surface = table.charts[table.chart[row]], int(markers.surface[row])
    outline = markers.outline_uv[markers.first[row] : markers.first[row + 1]]
    corners: np.ndarray = 1000 * (
        chart.from_surface(surface, outline) - chart.from_surface(surface, markers.centre_uv[row])
    )
    return corners


def _printable(paper: str) -> tuple[float, float]:
    """Width and height of what a page laid on its side has for the pattern."""
    left, top, right, bottom = Page("", "", *paper_size(paper, wide=True)).body
    return right - left, bottom - top - 5


def _board_size(pieces: Sequence[np.ndarray], printable: tuple[float, float], tape_mm: float) -> tuple[float, float]:
    """Width and length of the laid-up sheets: as many tapes as whole pages near :data:`SHEET_MM` hold, large enough for
    every piece."""
    across, along = printable[1] - OVERLAP, printable[0] - OVERLAP
    rows, columns = (max(1, round(want / step)) for want, step in zip(SHEET_MM, (across, along), strict=True))
    while True:
        width = math.floor((rows * across + OVERLAP) / tape_mm) * tape_mm
        if all(fits(piece, width, columns * along + OVERLAP) for piece in pieces):
            return width, columns * along + OVERLAP
        rows, columns = rows + 1, columns + 1


# --- pages -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Tile:
    """What one page shows of a board: a box in board coordinates (x along, y up), mm."""

    board: int
    row: int
    column: int
    left: float
    bottom: float
    right: float
    top: float


def cut_pages(group: CutGroup, table: SetOut, paper: str) -> list[Page]:
    """The group's boards at true scale, page after page; empty pages of a large sheet are left out."""
    width, height = _printable(paper)
    boxes = _boxes(group)
    tiles = [tile for board in range(len(group.nesting.used_mm)) for tile in _tiles(group, board, width, height)]
    tiles = [tile for tile in tiles if _inside(boxes, group.nesting.board == tile.board, tile).any()]
    counts: dict[int, int] = {}
    for tile in tiles:
        counts[tile.board] = counts.get(tile.board, 0) + 1
    pages: list[Page] = []
    y = math.inf
    seen: dict[int, int] = {}
    for tile in tiles:
        high = tile.top - tile.bottom
        if not pages or y + 5 + high > pages[-1].body[3] + 1e-6:
            pages.append(Page(f"Cut sheet: {group.paint}", "cut", *paper_size(paper, wide=True)))
            y = pages[-1].body[1]
            right, foot = pages[-1].body[2], pages[-1].height - MARGIN
            pages[-1].words(right, foot - 0.3, f"▲ {CUTTING}", SMALL, anchor="end")
        seen[tile.board] = seen.get(tile.board, 0) + 1
        _draw_tile(pages[-1], y + 5, tile, group, table, boxes, (seen[tile.board], counts[tile.board]))
        y += high + 7
    return pages


def _boxes(group: CutGroup) -> np.ndarray:
    """(P, 4) left, bottom, right and top of every piece on its board."""
    laid = [group.nesting.laid(i, corners) for i, corners in enumerate(group.corners_mm)]
    return np.array([[*corners.min(axis=0), *corners.max(axis=0)] for corners in laid])


def _inside(boxes: np.ndarray, mine: np.ndarray, tile: _Tile) -> np.ndarray:
    met: np.ndarray = (
        mine & (boxes[:, 0] < tile.right) & (boxes[:, 2] > tile.left)
        & (boxes[:, 1] < tile.top) & (boxes[:, 3] > tile.bottom)
    )  # fmt: skip
    return met


def _tiles(group: CutGroup, board: int, width: float, height: float) -> list[_Tile]:
    length = float(group.nesting.length_mm[board])
    columns = max(1, math.ceil((length - OVERLAP) / (width - OVERLAP) - 1e-6))
    rows = max(1, math.ceil((group.width_mm - OVERLAP) / (height - OVERLAP) - 1e-6))
    tiles = []
    for row in range(rows):
        top = group.width_mm - row * (height - OVERLAP)
        for column in range(columns):
            left = column * (width - OVERLAP)
            tiles.append(_Tile(board, row, column, left, max(0.0, top - height), min(length, left + width), top))
    return tiles


def _draw_tile(
    page: Page, y: float, tile: _Tile, group: CutGroup, table: SetOut, boxes: np.ndarray, place: tuple[int, int]
) -> None:
    """Draw a tile with its top edge at ``y`` on the page."""
    left = page.body[0]

    def at(points: np.ndarray) -> np.ndarray:
        return np.asarray(points, float) * [1, -1] + [left - tile.left, y + tile.top]

    high, wide = tile.top - tile.bottom, tile.right - tile.left
    marks: list[Shape | Words] = []
    edges = np.array([[0.0, 0.0], [float(group.nesting.length_mm[tile.board]), 0.0],
                      [float(group.nesting.length_mm[tile.board]), group.width_mm], [0.0, group.width_mm]])  # fmt: skip
    marks.append(Shape(at(edges), closed=True, width=LINE, stroke=GREY))
    for seam in np.arange(group.tape_mm, group.width_mm - 1, group.tape_mm) if group.laid_up else []:
        ends = np.array([[tile.left, group.width_mm - seam], [tile.right, group.width_mm - seam]])
        marks.append(Shape(at(ends), width=HAIR, stroke=GREY, dash=(4.0, 2.0)))
    for piece in np.flatnonzero(_inside(boxes, group.nesting.board == tile.board, tile)).tolist():
        marks += _piece_marks(at, group, piece, table, tile)
    for x, v in _registration(group, tile):
        marks += _cross(at(np.array([[x, v]]))[0])
    page.marks.append(Window((left - 0.2, y - 0.2, left + wide + 0.2, y + high + 0.2), tuple(marks)))
    page.words(left, y - 1.2, fitted(_tile_name(group, tile, place), wide - 2, SMALL), SMALL)


def _tile_name(group: CutGroup, tile: _Tile, place: tuple[int, int]) -> str:
    kind = "laid-up sheet" if group.laid_up else "strip"
    name = f"{group.paint}, {kind} {tile.board + 1} of {len(group.nesting.used_mm)}, tape {tape_name(group.tape_mm)}"
    if group.laid_up:
        name += f" side by side, {group.width_mm:.0f} mm wide"
    if place[1] > 1:
        name += f"; page {place[0]} of {place[1]}: row {tile.row + 1}, column {tile.column + 1}; crosses on crosses"
    return name


def tape_name(width_mm: float) -> str:
    """A width of tape for people.

    >>> tape_name(50.0), tape_name(50.8)
    ('50 mm', '2 in')
    """
    inches = width_mm / INCH
    return f"{inches:.0f} in" if abs(inches - round(inches)) < 1e-6 else f"{width_mm:g} mm"


def _registration(group: CutGroup, tile: _Tile) -> list[tuple[float, float]]:
    """Crosses in the middle of the strips where this page overlaps its neighbours, in board coordinates."""
    length, width = float(group.nesting.length_mm[tile.board]), group.width_mm
    along = [x for x in (tile.left + OVERLAP / 2, tile.right - OVERLAP / 2) if OVERLAP < x < length - OVERLAP]
    across = [v for v in (tile.bottom + OVERLAP / 2, tile.top - OVERLAP / 2) if OVERLAP < v < width - OVERLAP]
    wide, high = tile.right - tile.left, tile.top - tile.bottom
    return [(x, tile.bottom + share * high) for x in along for share in (0.25, 0.75)] + [
        (tile.left + share * wide, v) for v in across for share in (0.25, 0.75)
    ]


def _cross(at: np.ndarray) -> list[Shape | Words]:
    arms = [np.array([[-3.0, 0.0], [3.0, 0.0]]), np.array([[0.0, -3.0], [0.0, 3.0]])]
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = at + 1.5 * np.column_stack([np.cos(turn), np.sin(turn)])
    return [*(Shape(at + arm, width=HAIR) for arm in arms), Shape(ring, closed=True, width=HAIR)]


def _piece_marks(at: object, group: CutGroup, piece: int, table: SetOut, tile: _Tile) -> list[Shape | Words]:
    """The outline, the number in the widest place that the page shows of it, and an arrow that points up on the screen.

    So every page of a piece that goes over several pages says whose part it is.
    """
    turn = float(group.nesting.turn_rad[piece])
    corners = group.nesting.laid(piece, group.corners_mm[piece])
    inner, radius = roomiest(corners, (tile.left, tile.bottom, tile.right, tile.top))
    paper = at(np.vstack([corners, inner]))  # type: ignore[operator]
    outline, (x, y) = paper[:-1], paper[-1]
    up = np.array([-math.sin(turn), -math.cos(turn)])  # on paper, y down
    label = table.label[int(group.rows[piece])]
    size = min(9.0, 0.75 * radius, 1.25 * radius / max(text_width(label, 1.0, True), 0.3))
    marks: list[Shape | Words] = [Shape(outline, closed=True, width=KNIFE)]
    if radius < SLIVER and not _whole(corners, tile):
        return marks
    base = np.array([x, y])
    beside = np.array([-up[1], up[0]])
    tail = base + 0.3 * radius * up
    tip = tail + min(0.62 * radius, 22.0) * up
    point = min(0.22 * radius, 5.0)
    head = [tip - point * up + 0.6 * point * beside, tip - point * up - 0.6 * point * beside]
    marks.append(Shape(np.array([tail, tip - 0.5 * point * up]), width=LINE))
    marks.append(Shape(np.array([tip, *head]), closed=True, width=0.0, fill=(0.0, 0.0, 0.0)))
    # The number stands upright with the marker: its baseline is square to the arrow.
    foot = base - 0.55 * size * up
    marks.append(Words(float(foot[0]), float(foot[1]), label, size, bold=True, anchor="middle",
                       turn=math.degrees(turn)))  # fmt: skip
    return marks


def _whole(corners: np.ndarray, tile: _Tile) -> bool:
    low, high = corners.min(axis=0), corners.max(axis=0)
    return bool((low >= (tile.left, tile.bottom)).all() and (high <= (tile.right, tile.top)).all())


def roomiest(
    corners: np.ndarray, box: tuple[float, float, float, float] = (-math.inf, -math.inf, math.inf, math.inf)
) -> tuple[np.ndarray, float]:
    """The inner point farthest from every edge, to a fiftieth of the shape's size, and how far that is.

    box : left, bottom, right and top of what shows of the shape; where it cuts the shape its sides are edges too
    """
    low, high = np.maximum(corners.min(axis=0), box[:2]), np.minimum(corners.max(axis=0), box[2:])
    span = high - low
    middle = (low + high) / 2
    best, reach = middle, 0.0
    for zoom in (1.0, 0.2, 0.04):
        count = max(13, math.ceil(zoom * float(span.max()) / SLIVER) + 1)  # no part worth a number is missed
        grid = np.stack(np.meshgrid(*(np.linspace(-0.5, 0.5, count),) * 2), axis=-1).reshape(-1, 2)
        points = middle + grid * span * zoom
        distance = np.where(polygons.contains(corners, points), polygons.edge_distance(corners, points), 0.0)
        distance = np.minimum(distance, np.minimum(points - box[:2], box[2:] - points).min(axis=1))
        if distance.max() > reach:
            best, reach = points[distance.argmax()], float(distance.max())
        middle = best
    return best, reach
