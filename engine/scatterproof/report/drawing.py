"""SVG in small pure functions: escaped text, short numbers, elements, paths, scales and clipped polygons."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Okabe & Ito, *Color Universal Design*, 2008: told apart by colour-blind eyes.
STATE_COLOURS = ("#0072B2", "#E69F00", "#D55E00")
INK, GREY, FAINT, PAPER = "#1b1f24", "#5b636d", "#c3c9d0", "#ffffff"
BLUE = STATE_COLOURS[0]

# Not allowed in XML 1.0 (W3C, 5th edition, production 2), and surrogates, which no file can hold.
_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def escape(text: object) -> str:
    """Text for HTML and SVG, inside elements and quoted attributes.

    >>> escape('<b a="1">&')
    '&lt;b a=&quot;1&quot;&gt;&amp;'
    """
    return html.escape(_FORBIDDEN.sub("\ufffd", str(text)))


def shorten(text: str, most: int) -> str:
    """``text`` cut to ``most`` characters, the cut marked.

    >>> shorten("left stand by the door", 12)
    'left stand …'
    """
    return text if len(text) <= most else text[: most - 1] + "…"


def number(value: float, decimals: int = 1) -> str:
    """A coordinate in as few characters as it needs. Raises ValueError where it is not finite.

    >>> number(12.04), number(-0.01), number(3.25, 2)
    ('12', '0', '3.25')
    """
    if not math.isfinite(value):
        raise ValueError(f"not a coordinate: {value}")
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def element(tag: str, body: str = "", /, **attributes: object) -> str:
    """One element. ``body`` is markup already; attributes are escaped, ``_`` becomes ``-``, ``class_`` is class.

    >>> element("line", x1=0, x2=10.5, stroke_width=2)
    '<line x1="0" x2="10.5" stroke-width="2"/>'
    """
    parts = [tag]
    for name, value in attributes.items():
        shown = number(float(value), 2) if isinstance(value, (int, float, np.number)) else escape(value)
        parts.append(f'{name.rstrip("_").replace("_", "-")}="{shown}"')
    return f"<{' '.join(parts)}>{body}</{tag}>" if body else f"<{' '.join(parts)}/>"


def title(text: str) -> str:
    """What a pointer resting on the parent element is told."""
    return f"<title>{escape(text)}</title>"


def label(x: float, y: float, text: str, most: int = 40, /, **attributes: object) -> str:
    """A line of text, cut to ``most`` characters; the whole of it is told on hover."""
    cut = shorten(text, most)
    return element("text", escape(cut) + (title(text) if cut != text else ""), x=x, y=y, **attributes)


def path_data(points: np.ndarray, close: bool = True) -> str:
    """Path data through points (K, 2), to a tenth of a unit, in relative steps since these are short.

    >>> path_data(np.array([[0.0, 1.0], [10.0, 1.0], [10.0, 4.5]]))
    'M0 1l10 0 0 3.5z'
    """
    tenths = np.rint(np.asarray(points) * 10).astype(np.int64)
    steps = np.diff(tenths, axis=0)
    moved = steps[steps.any(axis=1)]
    start = "M" + _tenths(tenths[0])
    if not len(moved):
        return start + "h0"
    return start + "l" + " ".join(map(_tenths, moved)) + ("z" if close else "")


def dots_data(points: np.ndarray) -> str:
    """Path data with one vertex per point (K, 2), for SVG markers to be set on."""
    return "M" + " ".join(map(_tenths, np.rint(np.asarray(points) * 10).astype(np.int64)))


def _tenths(pair: np.ndarray) -> str:
    return " ".join(str(v // 10) if v % 10 == 0 else f"{v / 10:.1f}" for v in pair.tolist())


def svg(width: float, height: float, body: str, about: str, class_: str = "") -> str:
    """A picture that scales to the room it is given. ``about`` is its text for those who can't see it."""
    return element(
        "svg",
        body,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(width)} {number(height)}",
        class_=class_,
        role="img",
        aria_label=about,
    )


# --- states: never told by colour alone ------------------------------------------------------------------------


def definitions() -> str:
    """What the pictures of a page refer to, once per page: hatches of the strip and marks of features.

    ``ring-0`` to ``ring-2`` and ``cross-0`` to ``cross-2`` stand for a trackable feature and one that is not, the
    higher the smaller.
    """
    _, thin, lost = STATE_COLOURS
    hatch = element("path", d="M-1 5l6-6M-1 9l10-10M3 9l6-6", stroke=thin, stroke_width=1.3)
    bars = element("rect", width=2, height=6, fill=lost)
    lines = element("path", d="M-1 1l2-2M0 7l7-7M6 8l2-2", stroke=GREY, stroke_width=0.8)
    marks = [
        _ring_mark(f"ring-{size}", *ring) + _cross_mark(f"cross-{size}", 0.65 * ring[0])
        for size, ring in enumerate(((3.1, 1.4), (2.1, 1.1), (1.3, 0.9)))
    ]
    return element(
        "defs",
        _pattern("hatch-1", 8, element("rect", width=8, height=8, fill="#fdf3dc") + hatch)
        + _pattern("hatch-2", 6, element("rect", width=6, height=6, fill="#fbe3d3") + bars)
        + _pattern("keepout", 7, lines)
        + "".join(marks),
    )


def _pattern(name: str, size: float, body: str) -> str:
    return element("pattern", body, id=name, width=size, height=size, patternUnits="userSpaceOnUse")


def _ring_mark(name: str, radius: float, stroke: float) -> str:
    ring = {"cx": 5, "cy": 5, "r": radius, "fill": "none"}
    body = element("circle", stroke=PAPER, stroke_width=stroke * 2, **ring)
    return _mark(name, body + element("circle", stroke=BLUE, stroke_width=stroke, **ring))


def _cross_mark(name: str, reach: float) -> str:
    low, across = number(5 - reach, 2), number(2 * reach, 2)
    high = number(5 + reach, 2)
    data = f"M{low} {low}l{across} {across}M{high} {low}l-{across} {across}"
    body = element("path", d=data, stroke=PAPER, stroke_width=reach, stroke_opacity=0.5)
    return _mark(name, body + element("path", d=data, stroke=INK, stroke_width=0.45 * reach, stroke_opacity=0.75))


def _mark(name: str, body: str) -> str:
    return element("marker", body, id=name, markerWidth=10, markerHeight=10, refX=5, refY=5,
                   markerUnits="userSpaceOnUse")  # fmt: skip


def state_block(state: int, x: float, y: float, width: float, height: float) -> str:
    """A stretch of the strip: firm filled, thin filled to half over a hatch, lost open and barred."""
    colour = STATE_COLOURS[state]
    box = {"x": x, "width": width}
    if state == 0:
        return element("rect", y=y, height=height, fill=colour, **box)
    ground = element("rect", y=y, height=height, fill=f"url(#hatch-{state})", **box)
    if state == 1:
        return ground + element("rect", y=y + height / 2, height=height / 2, fill=colour, **box)
    return ground + element("rect", y=y + height * 0.38, height=height * 0.24, fill=colour, **box)


def state_glyph(state: int, x: float, y: float, radius: float = 6.5) -> str:
    """The ring of a state about (x, y): filled, half filled, or open with a bar through it."""
    colour = STATE_COLOURS[state]
    ring = {"cx": x, "cy": y, "r": radius, "stroke": colour, "stroke_width": radius / 3.2}
    if state == 0:
        return element("circle", fill=colour, **ring)
    ground = element("circle", fill=PAPER, **ring)
    if state == 1:
        half = f"M{number(x - radius, 2)} {number(y, 2)}a{number(radius, 2)} {number(radius, 2)} 0 0 0 "
        return ground + element("path", d=half + f"{number(2 * radius, 2)} 0z", fill=colour)
    reach = radius * 1.5
    return ground + element("path", d=f"M{number(x - reach, 2)} {number(y, 2)}h{number(2 * reach, 2)}", stroke=colour,
                            stroke_width=radius / 2.4)  # fmt: skip


# --- scales ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Scale:
    """From a value to a coordinate; values beyond the range stop at its ends."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def __call__(self, value: np.ndarray) -> np.ndarray:
        """Coordinates of values; nan stays nan."""
        value = np.clip(np.asarray(value, float), self.low, self.high)
        if self.log:
            share = np.log(value / self.low) / math.log(self.high / self.low)
        else:
            share = (value - self.low) / (self.high - self.low)
        at: np.ndarray = self.start + share * (self.end - self.start)
        return at

    def at(self, value: float) -> float:
        """The coordinate of one value."""
        return float(self(np.array(value)))


def nice_step(span: float, most: int) -> float:
    """The smallest step of 1, 2 or 5 times a power of ten that cuts ``span`` into at most ``most`` parts.

    >>> nice_step(240, 8), nice_step(0.9, 4)
    (50.0, 0.5)
    """
    raw = span / most
    ten = 10.0 ** math.floor(math.log10(raw))
    return float(next(step * ten for step in (1, 2, 5, 10) if step * ten >= raw * (1 - 1e-9)))


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round values inside low to high."""
    if high <= low:
        return [low]
    step = nice_step(high - low, most)
    return [i * step for i in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def spread(wanted: Sequence[float], gap: float) -> list[float]:
    """Positions as near as may be to the wanted ones, in the same order along the line, ``gap`` apart at least.

    >>> spread([10.0, 12.0, 40.0], 10)
    [6.0, 16.0, 40.0]
    """
    order = np.argsort(wanted, kind="stable")
    groups: list[list[float]] = []  # [sum of wanted minus offset, count]
    for i in order:
        groups.append([float(wanted[i]), 1])
        while len(groups) > 1 and _end(groups[-2], gap) + gap > _begin(groups[-1], gap):
            total, count = groups.pop()
            groups[-1] = [groups[-1][0] + total, groups[-1][1] + count]
    placed = [_begin(group, gap) + gap * k for group in groups for k in range(int(group[1]))]
    result = [0.0] * len(placed)
    for i, value in zip(order, placed, strict=True):
        result[i] = value
    return result


def _begin(group: list[float], gap: float) -> float:
    return group[0] / group[1] - gap * (group[1] - 1) / 2


def _end(group: list[float], gap: float) -> float:
    return group[0] / group[1] + gap * (group[1] - 1) / 2


# --- geometry --------------------------------------------------------------------------------------------------


def clip_polygon(points: np.ndarray, planes: np.ndarray) -> np.ndarray:
    """The part of a polygon on the inner side of every plane (Sutherland & Hodgman 1974).

    points : (K, 3)
    planes : (P, 4) rows a, b, c, d; inside is a x + b y + c z + d >= 0
    returns (J, 3), J = 0 where nothing is left
    """
    if not len(points):
        return points
    outside = points @ planes[:, :3].T + planes[:, 3] < 0
    if outside.all(axis=0).any():
        return points[:0]
    for plane in planes[outside.any(axis=0)]:
        side = points @ plane[:3] + plane[3]
        kept: list[np.ndarray] = []
        for i in range(len(points)):
            before = side[i - 1]
            if (before < 0) != (side[i] < 0):
                kept.append(points[i - 1] + (points[i] - points[i - 1]) * (before / (before - side[i])))
            if side[i] >= 0:
                kept.append(points[i])
        if len(kept) < 3:
            return points[:0]
        points = np.array(kept)
    return points


def subdivide(points: np.ndarray, parts: int) -> np.ndarray:
    """A closed polygon (K, D) with every edge cut into ``parts``, (K parts, D), so that it may bend."""
    along = np.arange(parts)[:, None] / parts
    following = np.roll(points, -1, axis=0)
    return (points[:, None] * (1 - along) + following[:, None] * along).reshape(-1, points.shape[1])


def polygon_area(points: np.ndarray) -> float:
    """Area inside a polygon (K, 2), however it is wound."""
    x, y = points.T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def hull(points: np.ndarray) -> np.ndarray:
    """Convex hull of points (K, 2), counter-clockwise (Andrew 1979).

    >>> hull(np.array([[0.0, 0], [2, 0], [1, 1], [2, 2], [0, 2]])).tolist()
    [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]]
    """
    ordered = np.unique(points, axis=0)

    def half(rows: np.ndarray) -> list[np.ndarray]:
        chain: list[np.ndarray] = []
        for p in rows:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], p) <= 0:
                chain.pop()
            chain.append(p)
        return chain[:-1]

    return ordered if len(ordered) < 3 else np.array(half(ordered) + half(ordered[::-1]))


def _turn(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def boundary_loops(triangles: np.ndarray) -> list[np.ndarray]:
    """Vertex rows of the closed loops about a set of triangles (T, 3), wound like them.

    Filled with the nonzero rule they cover what the triangles cover, in far fewer corners.
    """
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    inner = {tuple(edge) for edge in edges.tolist()}
    following: dict[int, list[int]] = {}
    for a, b in edges.tolist():
        if (b, a) not in inner:
            following.setdefault(a, []).append(b)
    loops = []
    while following:
        start = next(iter(following))
        loop, at = [], start
        while at in following:
            loop.append(at)
            onward = following[at]
            at, rest = onward[0], onward[1:]
            if rest:
                following[loop[-1]] = rest
            else:
                del following[loop[-1]]
        loops.append(np.array(loop))
    return loops


# --- labels ----------------------------------------------------------------------------------------------------

LETTER_WIDTH, LINE_HEIGHT = 7.3, 14.0  # of bold labels, a little generous


class LabelBoard:
    """Puts names beside points so that none lies on another or beyond the picture.

    A name that finds no room is left out; what it names tells it on hover.
    """

    def __init__(self, width: float, height: float, left: float = 0.0, top: float = 0.0):
        self.box = (left, top, width, height)
        self.taken: list[tuple[float, float, float, float]] = []
        self.lines: list[str] = []

    @property
    def markup(self) -> str:
        """All labels put so far."""
        return "".join(self.lines)

    def block(self, x: float, y: float, reach: float) -> None:
        """Keep a square about a point free of labels."""
        self.taken.append((x - reach, y - reach, x + reach, y + reach))

    def put(self, x: float, y: float, text: str, gap: float, most: int = 28, **attributes: object) -> bool:
        """A label near (x, y), at least ``gap`` away from it; False where there is no room."""
        width = LETTER_WIDTH * len(shorten(text, most))
        side, middle = gap + 3, LINE_HEIGHT * 0.3
        for row in (0.0, 0.9, -0.9, 1.8, -1.8, 2.7, -2.7):
            shift = row * LINE_HEIGHT
            for anchor, at_x, at_y in (
                ("middle", x, y - gap - 4 + min(shift, 0) if shift <= 0 else y + gap + 11 + shift),
                ("start", x + side, y + middle + shift),
                ("end", x - side, y + middle + shift),
            ):
                left = at_x - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
                if self._take((left - 3, at_y - LINE_HEIGHT * 0.8, left + width + 3, at_y + LINE_HEIGHT * 0.2)):
                    self.lines.append(label(at_x, at_y, text, most, text_anchor=anchor, **attributes))
                    return True
        return False

    def _take(self, box: tuple[float, float, float, float]) -> bool:
        left, top, right, bottom = self.box
        if box[0] < left or box[1] < top or box[2] > right or box[3] > bottom:
            return False
        if any(box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in self.taken):
            return False
        self.taken.append(box)
        return True
