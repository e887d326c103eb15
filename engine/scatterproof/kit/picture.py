"""A sheet as pixels, for a preview where nothing draws PDF or SVG: the same marks, the same letters."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from .font import load_font
from .glyphs import outline
from .paper import Colour, Mark, Page, Shape, Window, Words, text_width
from .pdf import SHIFT

FINER = 4  # scan lines per row of pixels; across a row coverage is exact but for its ends
THINNEST_PX = 0.7  # lines thinner than this are drawn so wide, lest they fade away
Box = tuple[float, float, float, float]
Stroke = tuple[Colour, Box, list[np.ndarray]]  # a colour, where it may go, and closed contours that turn one way


def page_pixels(page: Page, per_mm: float) -> np.ndarray:
    """(H, W, 3) a sheet in sRGB from 0 to 1, rows from above; ``per_mm`` pixels to a millimetre."""
    size = max(1, round(page.height * per_mm)), max(1, round(page.width * per_mm))
    pixels = np.ones((*size, 3))
    for colour, box, contours in _together(_strokes(page.marks, (0, 0, page.width, page.height), per_mm)):
        points = np.concatenate(contours) if contours else np.zeros((1, 2))
        low = np.floor(np.maximum(points.min(axis=0) * per_mm, np.round(np.multiply(box[:2], per_mm))))
        high = np.ceil(np.minimum(points.max(axis=0) * per_mm, np.round(np.multiply(box[2:], per_mm))))
        left, top, right, bottom = (int(edge) for edge in np.clip([*low, *high], 0, [*size[::-1], *size[::-1]]))
        if right > left and bottom > top:
            share = _coverage(contours, per_mm, (left, top, right, bottom))[..., None]
            part = pixels[top:bottom, left:right]
            part += share * (np.array(colour) - part)
    return pixels


def _together(strokes: Iterable[Stroke]) -> Iterator[Stroke]:
    """Strokes that follow each other in one colour as one: what lies under them is covered once."""
    held: Stroke | None = None
    for colour, box, contours in strokes:
        if held is not None and held[:2] == (colour, box):
            held[2].extend(contours)
            continue
        if held is not None:
            yield held
        held = colour, box, list(contours)
    if held is not None:
        yield held


def _strokes(marks: Sequence[Mark], box: Box, per_mm: float) -> Iterator[Stroke]:
    for mark in marks:
        if isinstance(mark, Window):
            low, high = np.maximum(box[:2], mark.box[:2]), np.minimum(box[2:], mark.box[2:])
            inner = float(low[0]), float(low[1]), float(high[0]), float(high[1])
            yield from _strokes(mark.marks, inner, per_mm)
        elif isinstance(mark, Words):
            yield mark.colour, box, _letters(mark)
        else:
            if mark.fill is not None:
                yield mark.fill, box, [_turned_one_way(mark.points)]
            if mark.width:
                yield mark.stroke, box, _line(mark, max(mark.width, THINNEST_PX / per_mm))


def _letters(words: Words) -> list[np.ndarray]:
    font = load_font(words.bold)
    turn = math.radians(words.turn)
    along, up = np.array([math.cos(turn), -math.sin(turn)]), np.array([-math.sin(turn), -math.cos(turn)])
    at = np.array([words.x, words.y]) - SHIFT[words.anchor] * text_width(words.text, words.size, words.bold) * along
    contours = []
    for glyph in font.glyphs(words.text):
        for contour in outline(glyph, words.bold):
            contours.append(at + words.size * (contour[:, :1] * along + contour[:, 1:] * up))
        at = at + words.size * float(font.advance[glyph]) / 1000 * along
    return contours


def _turned_one_way(points: np.ndarray) -> np.ndarray:
    """A contour turning as the letters' outer ones do on the page, whose y runs down."""
    x, y = points[:, 0], points[:, 1]
    area = float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    return points if area >= 0 else np.asarray(points[::-1])


def _line(shape: Shape, width: float) -> list[np.ndarray]:
    """A box round every piece of a line, half its width longer at both ends where it is not dashed."""
    ends = np.concatenate([shape.points, shape.points[:1]]) if shape.closed else shape.points
    start, stop = ends[:-1], ends[1:]
    length = np.linalg.norm(stop - start, axis=1)
    start, stop, length = start[length > 0], stop[length > 0], length[length > 0]
    along = (stop - start) / length[:, None]
    over = width / 2
    if shape.dash:
        pieces = [_dashes(run, shape.dash) for run in _runs(length)]
        row = np.repeat(np.arange(len(length)), [len(piece) for piece in pieces])
        first, last = np.concatenate([*pieces, np.zeros((0, 2))]).T
        start, along, over = start[row], along[row], 0.0
        start, stop = start + along * first[:, None], start + along * last[:, None]
    aside = width / 2 * np.stack([-along[:, 1], along[:, 0]], axis=1)
    start, stop = start - over * along, stop + over * along
    return list(np.stack([start - aside, stop - aside, stop + aside, start + aside], axis=1))


def _runs(length: np.ndarray) -> Iterator[tuple[float, float]]:
    """Where each piece of a line begins and ends along the whole of it."""
    end = np.cumsum(length)
    return zip((end - length).tolist(), end.tolist(), strict=True)


def _dashes(run: tuple[float, float], dash: Sequence[float]) -> np.ndarray:
    """(D, 2) where a piece's dashes begin and end, from its own beginning."""
    pattern = np.array(dash if len(dash) % 2 == 0 else [*dash, *dash], float)
    period, first, last = float(pattern.sum()), *run
    edges = np.concatenate([[0], np.cumsum(pattern)[:-1]]).reshape(-1, 2)
    turns = np.arange(math.floor(first / period), math.floor(last / period) + 1)[:, None, None] * period
    clipped = np.clip((turns + edges[None]).reshape(-1, 2), first, last) - first
    return np.asarray(clipped[clipped[:, 1] > clipped[:, 0]])


def _coverage(contours: Sequence[np.ndarray], per_mm: float, box: tuple[int, int, int, int]) -> np.ndarray:
    """(rows, columns) how much of each pixel of a box the contours cover.

    Every edge changes what is covered to its right by one, on each scan line that it crosses; summed up along the line.
    """
    left, top, right, bottom = box
    rows, columns = bottom - top, right - left
    if not contours:
        return np.zeros((rows, columns))
    points = np.concatenate(contours) * per_mm - (left, top)
    last = np.cumsum([len(contour) for contour in contours]) - 1
    after = np.arange(1, len(points) + 1)
    after[last] = np.concatenate([[0], last[:-1] + 1])
    (x0, y0), (x1, y1) = points.T, points[after].T
    y0, y1 = y0 * FINER - 0.5, y1 * FINER - 0.5  # scan lines lie at whole numbers
    low = np.clip(np.ceil(np.minimum(y0, y1)), 0, rows * FINER).astype(int)
    high = np.clip(np.ceil(np.maximum(y0, y1)), 0, rows * FINER).astype(int)
    count = high - low
    edge = np.repeat(np.arange(len(points)), count)
    line = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count) + low[edge]
    x = x0[edge] + (line - y0[edge]) / (y1 - y0)[edge] * (x1 - x0)[edge]
    x = np.clip(x, 0, columns)
    whole = np.minimum(x.astype(int), columns - 1)
    sign = np.where(y1 > y0, -1.0, 1.0)[edge]
    share = x - whole
    size, at = (rows * FINER, columns + 1), line * (columns + 1) + whole
    change = np.bincount(at, sign * (1 - share), size[0] * size[1])
    change += np.bincount(at + 1, sign * share, size[0] * size[1])
    covered = np.minimum(np.abs(np.cumsum(change.reshape(size), axis=1)[:, :columns]), 1)
    return np.asarray(covered.reshape(rows, FINER, columns).mean(axis=1))
