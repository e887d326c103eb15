"""Outlines of letters, read from the fonts that the sheets are printed in."""

from __future__ import annotations

import struct
from functools import cache

import numpy as np

from .font import load_font, tables_of

CHORDS = 4  # straight pieces per curve: letters are drawn small
# Flags of a point and of a composite's part (OpenType specification, glyf).
ON_CURVE, X_SHORT, Y_SHORT, REPEAT, X_SAME, Y_SAME = 1, 2, 4, 8, 16, 32
WORDS, ARE_XY, SCALED, MORE, SCALED_XY, MATRIX = 1, 2, 8, 32, 64, 128


@cache
def outline(glyph: int, bold: bool) -> tuple[np.ndarray, ...]:
    """Closed contours (K, 2) of a glyph, y up, in units of the font's size; outer ones clockwise, holes the other way.

    Source: OpenType specification, tables glyf and loca; quadratic curves, an implied point between two control points.
    """
    data = load_font(bold).data
    tables = tables_of(data)
    per_em, long = struct.unpack_from(">H", data, tables["head"] + 18)[0], data[tables["head"] + 51]
    size, form = (4, ">2L") if long else (2, ">2H")
    first, after = (
        offset * (1 if long else 2) for offset in struct.unpack_from(form, data, tables["loca"] + size * glyph)
    )
    if first == after:
        return ()
    at = tables["glyf"] + first
    contours = struct.unpack_from(">h", data, at)[0]
    if contours < 0:
        return _composite(data, at + 10, bold, per_em)
    return tuple(_curved(points / per_em, on) for points, on in _contours(data, at + 10, contours))


def _contours(data: bytes, at: int, count: int) -> list[tuple[np.ndarray, np.ndarray]]:
    ends = struct.unpack_from(f">{count}H", data, at)
    at += 2 * count
    at += 2 + struct.unpack_from(">H", data, at)[0]  # hinting is skipped
    flags: list[int] = []
    while len(flags) <= ends[-1]:
        flag, again = data[at], data[at + 1] if data[at] & REPEAT else 0
        flags += [flag] * (again + 1)
        at += 2 if flag & REPEAT else 1
    axes = []
    for short, same in ((X_SHORT, X_SAME), (Y_SHORT, Y_SAME)):
        steps = []
        for flag in flags:
            if flag & short:
                steps.append(data[at] if flag & same else -data[at])
                at += 1
            elif flag & same:
                steps.append(0)
            else:
                steps.append(struct.unpack_from(">h", data, at)[0])
                at += 2
        axes.append(np.cumsum(steps))
    points, on = np.stack(axes, axis=1).astype(float), np.array(flags) & ON_CURVE > 0
    cuts = [end + 1 for end in ends[:-1]]
    return list(zip(np.split(points, cuts), np.split(on, cuts), strict=True))


def _curved(points: np.ndarray, on: np.ndarray) -> np.ndarray:
    """A contour as chords."""
    if not on.any():
        points, on = np.insert(points, 0, (points[0] + points[-1]) / 2, axis=0), np.insert(on, 0, True)
    start = int(on.argmax())
    points, on = np.roll(points, -start, axis=0), np.roll(on, -start)
    share = (np.arange(1, CHORDS + 1) / CHORDS)[:, None]
    out, here, control = [points[:1]], points[0], None
    for point, lies_on in zip([*points[1:], points[0]], [*on[1:], True], strict=True):
        if control is None:
            if lies_on:
                out.append(point[None])
        else:
            to = point if lies_on else (control + point) / 2
            out.append((1 - share) ** 2 * here + 2 * share * (1 - share) * control + share**2 * to)
            here = to
        here, control = (point, None) if lies_on else (here, point)
    return np.concatenate(out)[:-1]


def _composite(data: bytes, at: int, bold: bool, per_em: int) -> tuple[np.ndarray, ...]:
    parts: list[np.ndarray] = []
    more = True
    while more:
        flags, glyph = struct.unpack_from(">2H", data, at)
        shift = struct.unpack_from(">2h" if flags & WORDS else ">2b", data, at + 4)
        at += 8 if flags & WORDS else 6
        matrix = np.eye(2)
        if flags & SCALED:
            matrix *= struct.unpack_from(">h", data, at)[0] / 16384
            at += 2
        elif flags & SCALED_XY:
            matrix = np.diag(struct.unpack_from(">2h", data, at)) / 16384
            at += 4
        elif flags & MATRIX:
            matrix = np.array(struct.unpack_from(">4h", data, at)).reshape(2, 2) / 16384
            at += 8
        move = np.array(shift if flags & ARE_XY else (0, 0)) / per_em
        parts += [contour @ matrix + move for contour in outline(glyph, bold)]
        more = bool(flags & MORE)
    return tuple(parts)
