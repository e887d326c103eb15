"""Paper: what a sheet holds (lines, filled shapes, words, all in millimetres), and text that is fitted to it.

Millimetres from the top left corner of the page, y down. Sheets are drawn in black and greys, so that any printer will
do; nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

import numpy as np

from .font import load_font

# ISO 216 and ANSI/ASME Y14.1, width and height upright, mm.
PAPERS: Final = MappingProxyType(
    {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (215.9, 279.4), "Tabloid": (279.4, 431.8)}
)
MARGIN, HEAD, FOOT = 10.0, 11.0, 15.0  # free of ink; band of the title; band of ruler and caution
CAUTION: Final = "Planning aid only. Not an engineering, rigging, electrical or fire-safety approval."
RULER: Final = ("100 mm above, 4 in below: measure them.", "Print at 100 %, never “fit to page”.")

SMALL, BODY, LARGE, TITLE = 2.8, 3.5, 4.6, 8.0  # sizes of type, mm: 8, 10, 13 and 23 points
LEADING = 1.32
HAIR, THIN, LINE, BOLD = 0.13, 0.25, 0.35, 0.7  # widths of lines of ISO 128
Colour = tuple[float, float, float]
BLACK, GREY, PALE, WHITE = (0.0,) * 3, (0.42,) * 3, (0.92,) * 3, (1.0,) * 3


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """A run of straight lines through K points."""

    points: np.ndarray  # (K, 2)
    closed: bool = False
    width: float = THIN  # 0: no line
    stroke: Colour = BLACK
    fill: Colour | None = None
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; x, y is where its baseline starts, ends or has its middle."""

    x: float
    y: float
    text: str
    size: float = BODY
    bold: bool = False
    anchor: str = "start"  # or "middle", "end"
    turn: float = 0.0  # degrees, counter-clockwise
    colour: Colour = BLACK


@dataclass(frozen=True, slots=True)
class Window:
    """What shows of some marks inside a box: left, top, right, bottom."""

    box: tuple[float, float, float, float]
    marks: tuple[Shape | Words, ...]


Mark = Shape | Words | Window


@dataclass(slots=True)
class Page:
    """One sheet while it is drawn."""

    title: str
    kind: str  # short word for file names
    width: float
    height: float
    marks: list[Mark] = field(default_factory=list)

    @property
    def body(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of what is free for the sheet's matter."""
        return MARGIN, MARGIN + HEAD, self.width - MARGIN, self.height - MARGIN - FOOT

    def line(self, *points: tuple[float, float], **style: object) -> None:
        """A line through points."""
        self.marks.append(Shape(np.array(points, float), **style))  # type: ignore[arg-type]

    def outline(self, points: np.ndarray, **style: object) -> None:
        """A closed shape."""
        self.marks.append(Shape(np.asarray(points, float), closed=True, **style))  # type: ignore[arg-type]

    def box(self, left: float, top: float, right: float, bottom: float, **style: object) -> None:
        """A rectangle."""
        self.outline(np.array([[left, top], [right, top], [right, bottom], [left, bottom]]), **style)

    def circle(self, x: float, y: float, radius: float, **style: object) -> None:
        """A circle, as straight as 48 sides are."""
        turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        self.outline(np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)]), **style)

    def words(self, x: float, y: float, text: str, size: float = BODY, **style: object) -> None:
        """A line of text."""
        self.marks.append(Words(x, y, text, size, **style))  # type: ignore[arg-type]


def paper_size(paper: str, wide: bool = False) -> tuple[float, float]:
    """Width and height, mm, upright or laid on its side."""
    width, height = PAPERS[paper]
    return (height, width) if wide else (width, height)


# --- text ------------------------------------------------------------------------------------------------------


def text_width(text: str, size: float = BODY, bold: bool = False) -> float:
    """Width of a line of text, mm."""
    return size * load_font(bold).width(text)


def fitted(text: str, width: float, size: float = BODY, bold: bool = False) -> str:
    """The text, cut with a mark where it is wider than ``width``, mm."""
    if text_width(text, size, bold) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if text_width(text[:middle] + "…", size, bold) <= width else (low, middle - 1)
    return text[:low].rstrip() + "…"


def wrapped(text: str, width: float, size: float = BODY, bold: bool = False) -> list[str]:
    """Lines no wider than ``width``, mm, broken at spaces, and inside words that are wider than a line."""
    lines, line = [], ""
    for word in text.split():
        joined = f"{line} {word}" if line else word
        if text_width(joined, size, bold) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        while text_width(word, size, bold) > width and len(word) > 1:
            most = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or text_width(word[:n], size, bold) <= width)
            lines.append(word[:most])
            word = word[most:]
        line = word
    return [*lines, line] if line or not lines else lines


# --- a run of pages --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table. ``share`` is of what the fixed widths leave, mm; ``blank`` is to be written in by hand."""

    head: str
    width: float = 0.0
    share: float = 0.0
    anchor: str = "start"
    bold: bool = False


class Flow:
    """Text and tables that go on from page to page."""

    def __init__(self, paper: str, title: str, kind: str, wide: bool = False):
        self.size = paper_size(paper, wide)
        self.title, self.kind = title, kind
        self.pages: list[Page] = []
        self.y = 0.0
        self.turn_page()

    @property
    def page(self) -> Page:
        """The page being written."""
        return self.pages[-1]

    @property
    def room(self) -> float:
        """What is left of the page, mm."""
        return self.page.body[3] - self.y

    def turn_page(self) -> None:
        """Go on at the top of a new page."""
        self.pages.append(Page(self.title, self.kind, *self.size))
        self.y = self.page.body[1]

    def keep(self, height: float) -> None:
        """A new page unless ``height`` is left."""
        if self.room < height:
            self.turn_page()

    def gap(self, height: float = BODY) -> None:
        """Free space."""
        self.y += height

    def heading(self, text: str, keep: float = 18.0) -> None:
        """A heading that is not left alone at the foot of a page."""
        self.keep(keep + LARGE)
        self.y += 0.5 * LARGE
        left, _, right, _ = self.page.body
        for line in wrapped(text, right - left, LARGE, True):
            self.y += LARGE * LEADING
            self.page.words(left, self.y, line, LARGE, bold=True)
        self.y += 0.45 * LARGE

    def text(self, text: str, size: float = BODY, bold: bool = False, indent: float = 0.0, mark: str = "") -> None:
        """A paragraph; ``mark`` stands before its first line."""
        left, _, right, _ = self.page.body
        for number, line in enumerate(wrapped(text, right - left - indent, size, bold)):
            self.keep(size * LEADING)
            self.y += size * LEADING
            if mark and number == 0:
                self.page.words(left + indent - 4.5, self.y, mark, size)
            self.page.words(left + indent, self.y, line, size, bold=bold)
        self.y += 0.35 * size

    def points(self, lines: Sequence[str], mark: str = "•", size: float = BODY) -> None:
        """One marked paragraph per line; a box as mark is for ticking off."""
        for line in lines:
            self.text(line, size, indent=6.0, mark=mark)

    def table(
        self, columns: Sequence[Column], rows: Sequence[Sequence[str]], size: float = 3.2, side_by_side: int = 1,
        least_row: float = 0.0, gutter: float = 8.0,
    ) -> None:  # fmt: skip
        """Ruled rows under a head that comes again on every page, in one or more columns of rows side by side."""
        left, _, right, _ = self.page.body
        across = (right - left - gutter * (side_by_side - 1)) / side_by_side
        free = across - sum(c.width for c in columns)
        shares = sum(c.share for c in columns) or 1.0
        widths = [c.width + free * c.share / shares for c in columns]
        heads = [wrapped(c.head, w - 2, size * 0.9, True) for c, w in zip(columns, widths, strict=True)]
        head = max(map(len, heads)) * size * 0.9 * LEADING + 2.2
        laid = [[wrapped(t, w - 2, size, c.bold) for t, c, w in zip(row, columns, widths, strict=True)] for row in rows]
        heights = [max(least_row, max(map(len, cells)) * size * LEADING + 1.7) for cells in laid]
        done = 0
        while done < len(rows):
            self.keep(head + heights[done] + 1)
            top, room, lowest = self.y, self.room - head, self.y
            for place in range(side_by_side):
                x0, taken, first = left + place * (across + gutter), 0.0, done
                while done < len(rows) and (taken + heights[done] <= room or done == first):
                    taken += heights[done]
                    done += 1
                    if side_by_side > 1 and self._balanced(heights[first:], done - first, taken, side_by_side, place):
                        break
                self._rows(x0, top, columns, widths, heads, head, laid[first:done], heights[first:done], size, first)
                lowest = max(lowest, top + head + taken)
                if done == len(rows):
                    break
            self.y = lowest
            if done < len(rows):
                self.turn_page()
        self.y += 2.5

    @staticmethod
    def _balanced(heights: Sequence[float], count: int, taken: float, columns: int, place: int) -> bool:
        """Whether a column may stop here since what is left fits as well into the others."""
        return taken >= sum(heights) / (columns - place) - 1e-6 and count > 0

    def _rows(
        self, left: float, top: float, columns: Sequence[Column], widths: Sequence[float],
        heads: Sequence[Sequence[str]], head: float, rows: Sequence[Sequence[Sequence[str]]],
        heights: Sequence[float], size: float, first: int,
    ) -> None:  # fmt: skip
        page, edges = self.page, [left, *(left + sum(widths[: i + 1]) for i in range(len(widths)))]
        y = top + head
        for number, height in enumerate(heights):
            if (first + number) % 2:
                page.box(left, y, edges[-1], y + height, width=0.0, fill=PALE)
            y += height
        for i, column in enumerate(columns):
            at = {"start": edges[i] + 1, "end": edges[i + 1] - 1, "middle": (edges[i] + edges[i + 1]) / 2}
            for n, line in enumerate(heads[i]):
                page.words(at[column.anchor], top + (n + 0.85) * size * 0.9 * LEADING, line, size * 0.9, bold=True,
                           anchor=column.anchor)  # fmt: skip
            y = top + head
            for cells, height in zip(rows, heights, strict=True):
                block = len(cells[i]) * size * LEADING
                for n, line in enumerate(cells[i]):
                    base = y + (height - block) / 2 + (n + 0.78) * size * LEADING
                    page.words(at[column.anchor], base, line, size, bold=column.bold, anchor=column.anchor)
                y += height
        bottom = top + head + sum(heights)
        page.line((left, top + head), (edges[-1], top + head), width=LINE)
        page.line((left, bottom), (edges[-1], bottom), width=THIN)
        for edge in edges[1:-1]:
            page.line((edge, top + 0.5), (edge, bottom), width=HAIR, stroke=GREY)


# --- what every sheet carries ----------------------------------------------------------------------------------


def finished(pages: Sequence[Page], plan_name: str) -> list[Page]:
    """The pages with title, number, ruler and caution."""
    done = []
    for number, page in enumerate(pages, start=1):
        whole = replace(page, marks=list(page.marks))
        count = f"sheet {number} of {len(pages)}"
        right = page.width - MARGIN
        room = right - MARGIN - text_width(count, BODY) - 6
        title = fitted(page.title, room * 0.62, LARGE, True)
        whole.words(MARGIN, MARGIN + 4.6, title, LARGE, bold=True)
        used = text_width(title, LARGE, True) + 4
        whole.words(MARGIN + used, MARGIN + 4.6, fitted(plan_name, room - used, BODY), BODY, colour=GREY)
        whole.words(right, MARGIN + 4.6, count, BODY, anchor="end")
        whole.line((MARGIN, MARGIN + 7), (right, MARGIN + 7), width=LINE)
        _foot(whole)
        done.append(whole)
    return done


def _foot(page: Page) -> None:
    """A ruler of 100 mm and of 4 inches, and the caution."""
    left, base = MARGIN, page.height - MARGIN - 7
    page.line((left, base), (left + 101.6, base), width=THIN)
    for mm in range(0, 101):
        long = 2.6 if mm % 10 == 0 else 1.8 if mm % 5 == 0 else 1.1
        page.line((left + mm, base), (left + mm, base - long), width=HAIR if mm % 10 else THIN)
    for sixteenth in range(0, 65, 2):
        long = 2.6 if sixteenth % 16 == 0 else 1.8 if sixteenth % 8 == 0 else 1.1
        page.line((left + sixteenth * 25.4 / 16, base), (left + sixteenth * 25.4 / 16, base + long),
                  width=HAIR if sixteenth % 16 else THIN)  # fmt: skip
    for number, line in enumerate(RULER):
        page.words(left + 105, base - 1.6 + number * SMALL * 1.25, line, SMALL)
    page.words(left, page.height - MARGIN - 0.3, CAUTION, SMALL)
