"""Triangle meshes of blockers, read from OBJ files: positions and faces, nothing else."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np

from ..problems import BadInput, Problem, one_problem

LARGEST_BYTES = 64_000_000
FARTHEST_M = 1e6
MOST_PROBLEMS = 20  # told at once; a binary file would otherwise give thousands


def read_obj(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (V, 3) float and triangles (T, 3) int of an OBJ file, in the file's own units.

    Reads ``v`` and ``f`` lines (Wavefront's file format, appendix B1 of its Advanced Visualizer manual; from
    memory) and passes over all others. Faces with more than three corners become fans; negative indices count
    back from the last vertex above the line. Raises BadInput with every bad line.
    """
    name = path.name
    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise one_problem("size", f"{size} bytes", f"at most {LARGEST_BYTES} bytes", name)
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except (OSError, ValueError) as error:
        found = getattr(error, "strerror", None) or type(error).__name__
        raise one_problem("mesh file", found, "a readable OBJ file", name) from error

    vertices: list[tuple[float, ...]] = []
    faces: list[tuple[int, str, int]] = []  # line number, line, vertices above it
    problems: list[Problem] = []
    for number, line in enumerate(lines, 1):
        word, rest = (*line.split(None, 1), "", "")[:2]
        if word == "f":
            faces.append((number, rest, len(vertices)))
        elif word == "v":
            try:
                vertices.append(_vertex(rest))
            except ValueError as error:
                problems.append(Problem(f"line {number}", repr(line[:60]), str(error), name))
                vertices.append((0.0, 0.0, 0.0))  # keeps the count, so that one bad line gives one problem
    triangles: list[tuple[int, int, int]] = []
    for number, rest, above in faces:
        try:
            triangles.extend(_fan(rest, above, len(vertices)))
        except ValueError as error:
            problems.append(Problem(f"line {number}", repr(f"f {rest}"[:60]), str(error), name))
    if not faces:
        problems.append(Problem("faces", "none", "at least one face (f line)", name))
    if problems:
        raise BadInput(problems[:MOST_PROBLEMS])
    return np.array(vertices, float), np.array(triangles, np.int64)


def _vertex(text: str) -> tuple[float, ...]:
    """The first three numbers after "v"; a weight or a colour may follow."""
    wanted = f"v with three numbers up to {FARTHEST_M:g}"
    try:
        xyz = tuple(map(float, text.split()[:3]))
    except ValueError:
        raise ValueError(wanted) from None
    if len(xyz) < 3 or not all(abs(x) <= FARTHEST_M for x in xyz):
        raise ValueError(wanted)
    return xyz


def _fan(text: str, above: int, count: int) -> list[tuple[int, int, int]]:
    """Triangles of a face with corners such as "7", "7/2", "7//3" or "-1", of ``count`` vertices."""
    try:
        index = [int(item.split("/", 1)[0]) for item in text.split()]
    except ValueError:
        raise ValueError("f with vertex numbers") from None
    if len(index) < 3:
        raise ValueError("f with three corners or more")
    if any(i == 0 or i > count or i < -above for i in index):
        raise ValueError(f"vertex numbers 1 to {count} or -1 to -{above}")
    row = [i - 1 if i > 0 else i + above for i in index]
    return [(row[0], b, c) for b, c in pairwise(row[1:])]
