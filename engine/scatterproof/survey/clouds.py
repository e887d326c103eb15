"""Points from PLY and OBJ files, and the front door for point files of every kind.

PLY as in Turk's description (*The PLY polygon file format*, 1994, from memory): ASCII, and binary of either byte order.
Vertices are read, everything else is passed over. Neither format has a place for units or labels, so these are looked
for where :mod:`.export` writes them: in comments, and in OBJ as the name of an object with a single vertex.
"""

from __future__ import annotations

import os
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ..problems import one_problem
from .points import FARTHEST, MOST_POINTS, SurveyPoints, on_axes, read_csv, require_distinct, span
from .tables import LARGEST_FILE, LONGEST_LINE, METRES, Problems, Told, lines_of, settled_unit, spoken

TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
MOST_HEADER = 2 * MOST_POINTS  # lines: every point may have a comment for its label
CHUNK = 65_536  # vertices read at a time
_SIGMA = re.compile("sigma" + 3 * r" (\d{0,9}\.?\d{1,18}(?:e-\d\d)?)")
SIGMA_NAMES = (("sigma_x", "sigma_y", "sigma_z"), ("sx", "sy", "sz"))


def read_points(path: Path, told: Told = Told()) -> SurveyPoints:  # noqa: B008 - frozen
    """The points of a file by its ending: .ply, .obj, anything else as a delimited list.

    Raises BadInput with line numbers for what is wrong, and with the option that settles what is left open.
    """
    reader = {".ply": read_ply, ".obj": read_obj_points}.get(path.suffix.lower(), read_csv)
    return reader(path, told)


def read_obj_points(path: Path, told: Told = Told()) -> SurveyPoints:  # noqa: B008 - frozen
    """The vertices of an OBJ file; an object's name is the label of its vertex where it has a single one."""
    problems = Problems(path.name)
    values, lines, owner = array("d"), array("q"), array("q")
    objects: list[str] = [""]
    comments: list[str] = []
    spread, sigmas = (np.nan,) * 3, array("d")
    for number, line in lines_of(path, told.encoding):
        word, _, rest = line.strip().partition(" ")
        if word == "v":
            if len(lines) == MOST_POINTS:
                raise one_problem(f"line {number}", f"more than {MOST_POINTS:,} points", "a thinner cloud", path.name)
            try:
                x, y, z = (float(cell) for cell in rest.split()[:3])
                if not max(abs(x), abs(y), abs(z)) <= FARTHEST:
                    raise ValueError
            except ValueError:
                problems.add(f"line {number}", repr(line[:60]), f"v with three numbers up to {FARTHEST:g}")
                continue
            values.extend((x, y, z))
            sigmas.extend(spread)
            spread = (np.nan,) * 3
            lines.append(number)
            owner.append(len(objects) - 1)
        elif word in ("o", "g") and len(objects) <= MOST_POINTS:
            objects.append(rest.strip())
        elif word == "#" and (found := _SIGMA.fullmatch(rest)):
            spread = (float(found[1]), float(found[2]), float(found[3]))
        elif word.startswith("#") and len(comments) < 1000:
            comments.append(line)
    problems.settle()
    if not lines:
        raise one_problem("vertices", "none", "at least one v line", path.name)
    counts = np.bincount(np.array(owner), minlength=len(objects))
    label = tuple(objects[i] if counts[i] == 1 else "" for i in owner)
    raw = np.array(values).reshape(-1, 3)
    sigma = np.array(sigmas).reshape(raw.shape)
    return _points(path, told, raw, sigma, label, np.array(lines), spoken(comments, path.name))


@dataclass(frozen=True, slots=True)
class _Element:
    name: str
    count: int
    names: tuple[str, ...]
    types: tuple[str, ...]  # numpy's; "count type, item type" of a list


def read_ply(path: Path, told: Told = Told()) -> SurveyPoints:  # noqa: B008 - frozen
    """The vertices of a PLY file, with their standard deviations where it has properties of such names."""
    try:
        with path.open("rb") as stream:
            if os.fstat(stream.fileno()).st_size > LARGEST_FILE:
                raise one_problem("file", "a very large file", f"at most {LARGEST_FILE // 10**9} GB", path.name)
            order, elements, comments, number = _header(stream, path)
            vertex = _vertex_element(elements, path)
            sigmas = next((names for names in SIGMA_NAMES if set(names) <= set(vertex.names)), ())
            wanted = [vertex.names.index(name) for name in ("x", "y", "z", *sigmas)]
            before = elements[: elements.index(vertex)]
            if order:
                table = _binary(stream, path, order, before, vertex)[:, wanted]
                lines = np.zeros(len(table), dtype=int)
            else:
                table = _ascii(stream, path, before, vertex, number, wanted)
                lines = number + 1 + sum(e.count for e in before) + np.arange(len(table))
    except OSError as error:
        raise one_problem("file", (error.strerror or "").lower(), "a file that can be read", str(path)) from None
    raw, sigma = table[:, :3], table[:, 3:] if sigmas else np.full((len(table), 3), np.nan)
    bad = np.flatnonzero(~(np.abs(raw) <= FARTHEST).all(axis=1))
    if len(bad):
        place = f"line {lines[bad[0]]}" if lines[bad[0]] else f"vertex {bad[0]}"
        raise one_problem(place, f"{raw[bad[0]].tolist()}", f"finite numbers up to {FARTHEST:g}", path.name)
    label = [""] * len(raw)
    for comment in comments:
        word, _, rest = comment.partition(" ")
        row, _, name = rest.partition(" ")
        if word == "label" and row.isdecimal() and int(row) < len(label):
            label[int(row)] = name.strip()
    says = spoken([c for c in comments if not c.startswith("label ")], path.name)
    return _points(path, told, raw, sigma, tuple(label), lines, says)


def _points(
    path: Path,
    told: Told,
    raw: np.ndarray,
    sigma: np.ndarray,
    label: tuple[str, ...],
    lines: np.ndarray,
    says: dict[str, str],
) -> SurveyPoints:
    unit = settled_unit({says["units"]} if "units" in says else set(), told, path.name, span(raw))
    require_distinct(label, [int(line) or i for i, line in enumerate(lines, 1)], path.name)
    position = on_axes(raw * METRES[unit], says, told, path.name)
    return SurveyPoints(path.name, label, position, sigma * METRES[unit], lines, (), unit)


def _header(stream: BinaryIO, path: Path) -> tuple[str, list[_Element], list[str], int]:
    """Byte order ("" for ASCII), elements, comments and the number of the header's last line."""
    elements: list[_Element] = []
    comments: list[str] = []
    order: str | None = None
    for number in range(1, MOST_HEADER):
        raw = stream.readline(LONGEST_LINE)
        words = raw.decode("utf-8", errors="replace").split()
        if number == 1 and words != ["ply"]:
            raise one_problem("line 1", repr(raw[:20]), 'the word "ply"', path.name)
        where, word = f"line {number}", words[0] if words else ""
        try:
            if word == "format":
                order = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}[words[1]]
            elif word in ("comment", "obj_info"):
                comments.append(" ".join(words[1:]))
            elif word == "element":
                if not (words[2].isdecimal() and len(words[2]) < 12):
                    raise ValueError
                elements.append(_Element(words[1], int(words[2]), (), ()))
            elif word == "property":
                e = elements[-1]
                kind = f"{TYPES[words[2]]},{TYPES[words[3]]}" if words[1] == "list" else TYPES[words[1]]
                elements[-1] = _Element(e.name, e.count, (*e.names, words[-1]), (*e.types, kind))
            elif word == "end_header" and order is not None:
                return order, elements, comments, number
            elif number > 1:
                raise ValueError
        except (ValueError, KeyError, IndexError):
            found = repr(" ".join(words)[:60]) if raw else "the end of the file"
            wanted = "format, comment, element, property or end_header, as the format has them"
            raise one_problem(where, found, wanted, path.name) from None
    raise one_problem("header", "no end to it", "end_header", path.name)


def _vertex_element(elements: list[_Element], path: Path) -> _Element:
    vertex = next((e for e in elements if e.name == "vertex"), None)
    if vertex is None or not {"x", "y", "z"} <= set(vertex.names) or len(set(vertex.names)) < len(vertex.names):
        found = ", ".join(vertex.names) if vertex else "no element vertex"
        raise one_problem("header", found, "an element vertex with properties x, y and z, each once", path.name)
    if any("," in kind for kind in vertex.types):
        raise one_problem("header", "a list among the properties of the vertices", "numbers only", path.name)
    if not 0 < vertex.count <= MOST_POINTS:
        raise one_problem("header", f"{vertex.count:,} vertices", f"1 to {MOST_POINTS:,}", path.name)
    return vertex


def _binary(stream: BinaryIO, path: Path, order: str, before: list[_Element], vertex: _Element) -> np.ndarray:  # (V, P)
    for element in before:
        if any("," in kind for kind in element.types):
            raise one_problem("header", f"lists in {element.name}, before the vertices", "vertices first", path.name)
        stream.seek(element.count * np.dtype(",".join(element.types) or "V0").itemsize, os.SEEK_CUR)
    row = np.dtype([(name, order + kind) for name, kind in zip(vertex.names, vertex.types, strict=True)])
    there = (os.fstat(stream.fileno()).st_size - stream.tell()) // row.itemsize
    if there < vertex.count:
        raise one_problem("vertices", f"data of {max(there, 0):,}", f"{vertex.count:,}, as the header says", path.name)
    parts = []
    for first in range(0, vertex.count, CHUNK):
        count = min(CHUNK, vertex.count - first)
        data = np.frombuffer(stream.read(count * row.itemsize), dtype=row)
        parts.append(np.stack([data[name].astype(float) for name in vertex.names], axis=1))
    return np.concatenate(parts)


def _ascii(
    stream: BinaryIO, path: Path, before: list[_Element], vertex: _Element, number: int, wanted: list[int]
) -> np.ndarray:  # (V, W)
    problems = Problems(path.name)
    values = array("d")
    skipped = sum(e.count for e in before)
    for at, raw in enumerate(_lines(stream, skipped + vertex.count), number + 1):
        if at <= number + skipped:
            continue
        try:
            cells = raw.split()
            if len(cells) != len(vertex.names):
                raise ValueError
            values.extend([float(cells[i]) for i in wanted])
        except ValueError:
            found = repr(raw[:60].decode("utf-8", errors="replace").strip()) if raw else "the end of the file"
            problems.add(f"line {at}", found, f"{len(vertex.names)} numbers: {', '.join(vertex.names)}")
            if not raw:
                break
    problems.settle()
    return np.array(values).reshape(-1, len(wanted))


def _lines(stream: BinaryIO, count: int) -> Iterator[bytes]:
    for _ in range(count):
        line = stream.readline(LONGEST_LINE)
        yield line
        if not line:
            return
