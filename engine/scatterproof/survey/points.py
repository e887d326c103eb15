"""Surveyed points from files: CSV lists, PLY and OBJ clouds, in metres, with labels and uncertainties where given."""

from __future__ import annotations

import re
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..problems import frozen_array, one_problem
from .tables import METRES, Column, Problems, Table, Told, open_table

MOST_POINTS = 1_000_000
FARTHEST = 1e9  # in the file's unit: what is farther off is a slip, and would drown millimetres

COLUMNS = (
    Column("point", "text", ("p", "pt", "no", "nr", "number", "id", "name", "label", "marker", "pointnumber", "pointno",
                             "pointid", "pointname", "ptno", "target"), "P"),
    Column("northing", "length", ("n", "north"), "N"),
    Column("easting", "length", ("e", "east"), "E"),
    Column("x", "length", ("xcoord", "xcoordinate"), "X"),
    Column("y", "length", ("ycoord", "ycoordinate"), "Y"),
    Column("z", "length", ("elevation", "elev", "el", "height", "h", "zcoord", "zcoordinate"), "Z"),
    Column("description", "text", ("d", "desc", "descr", "note", "notes", "remark", "remarks", "comment"), "D"),
    Column("code", "text", ("c", "featurecode"), "C"),
    Column("sigma", "length", ("s", "sd", "std", "stdev", "stddev", "standarddeviation", "accuracy"), "S"),
    Column("sigma x", "length", ("sigmax", "sx", "sdx", "stdx", "sigmae", "se", "sigmaeasting")),
    Column("sigma y", "length", ("sigmay", "sy", "sdy", "stdy", "sigman", "sn", "sigmanorthing")),
    Column("sigma z", "length", ("sigmaz", "sz", "sdz", "stdz", "sigmah", "sh", "sigmaelevation")),
)  # fmt: skip
POSITION = (("x", "y", "z"), ("easting", "northing", "z"))
SIGMAS = ("sigma x", "sigma y", "sigma z")


@dataclass(frozen=True, slots=True, eq=False)
class SurveyPoints:
    """N surveyed points, metres, in axes of the survey's own."""

    file: str
    label: tuple[str, ...]  # N    empty where a point has none
    position_m: np.ndarray  # (N, 3)
    sigma_m: np.ndarray  # (N, 3)  standard deviations; nan where the file gives none
    line: np.ndarray  # (N,) int   where it stands in the file, 0 where there are no lines
    note: tuple[str, ...] = ()  # N, or nothing
    unit: str = "m"  # that the file was written in

    def __post_init__(self) -> None:
        n = len(self.label)
        object.__setattr__(self, "position_m", frozen_array("position_m", self.position_m, (n, 3)))
        object.__setattr__(self, "sigma_m", frozen_array("sigma_m", self.sigma_m, (n, 3)))
        object.__setattr__(self, "line", frozen_array("line", self.line, (n,), int))

    def __len__(self) -> int:
        return len(self.label)

    def at(self, position_m: np.ndarray) -> SurveyPoints:
        """The same points elsewhere."""
        return replace(self, position_m=position_m)


def read_csv(path: Path, told: Told = Told()) -> SurveyPoints:  # noqa: B008 - frozen
    """A list of points: label, easting-northing-elevation or x-y-z, standard deviations, description.

    Easting is x, northing y. Raises BadInput with the line of everything that is wrong, and with the option that
    settles what the file leaves open.
    """
    table = open_table(path, COLUMNS, POSITION, told)
    place, problems = table.place, Problems(path.name)
    if "x" in place and "easting" in place:
        raise one_problem("columns", "x and easting", "one of the two, or --columns", path.name)
    if "point" not in place and table.header and 0 not in place.values() and not told.columns:
        wanted = "a header for labels (point, name, number), or --columns (- skips a column)"
        raise one_problem(f"line {table.header_line}", f"a first column {table.header[0]!r}", wanted, path.name)
    axes = POSITION[0] if set(POSITION[0]) <= set(place) else POSITION[1]
    spread = SIGMAS if any(key in place for key in SIGMAS) else ("sigma",) * 3 if "sigma" in place else ()
    words = [place[key] for key in ("code", "description") if key in place]
    label: list[str] = []
    note: list[str] = []
    values, own, lines = array("d"), array("b"), array("q")
    for number, cells in table.rows(problems):
        if len(label) == MOST_POINTS:
            raise one_problem(f"line {number}", f"more than {MOST_POINTS:,} points", "a thinner cloud", path.name)
        for key in (*axes, *spread):
            value, bare = _cell(table, key, cells[place[key]] if key in place else "", number, problems)
            values.append(value)
            own.append(not bare)
        text = cells[place["point"]].strip() if "point" in place else ""
        label.append(text[1:] if re.match("'[=+@-]", text) else text)  # as spreadsheets are kept from computing
        note.append(" ".join(cells[i].strip() for i in words))
        lines.append(number)
    problems.settle()
    if not label:
        raise one_problem("rows", "none", "at least one point", path.name)
    raw = np.array(values).reshape(-1, 3 + len(spread))
    is_bare = np.array(own).reshape(raw.shape) == 0
    unit = "m"
    own_unit = [key for key in spread if key in table.unit]
    if is_bare[:, :3].any() or (len(own_unit) < len(spread) and is_bare[~np.isnan(raw)].any()):
        unit = table.length_unit(axes, span(raw[:, :3]))
    factor = np.array([METRES[table.unit.get(key, unit) if key in spread else unit] for key in (*axes, *spread)])
    in_metres = np.where(is_bare, raw * factor, raw)
    require_distinct(label, lines, path.name)
    sigma = in_metres[:, 3:] if spread else np.full((len(label), 3), np.nan)
    return SurveyPoints(
        path.name, tuple(label), on_axes(in_metres[:, :3], table.says, told, path.name), sigma, np.array(lines),
        tuple(note) if words else (), unit
    )  # fmt: skip


def span(raw: np.ndarray) -> float:
    """How far points (N, 3) reach: the longest side of the box about them; of a cloud with strays, of most of it."""
    low, high = np.percentile(raw, [2, 98], axis=0) if len(raw) > 200 else (raw.min(axis=0), raw.max(axis=0))
    return float((high - low).max())


def require_distinct(label: Sequence[str], lines: Sequence[int], file: str) -> None:
    """Raise BadInput where a label stands twice."""
    first: dict[str, int] = {}
    problems = Problems(file)
    for name, line in zip(label, lines, strict=True):
        if name and first.setdefault(name, line) != line:
            problems.add(f"line {line}", f"label {name!r} again, as in line {first[name]}", "every label once")
    problems.settle()


def on_axes(position: np.ndarray, says: dict[str, str], told: Told, file: str) -> np.ndarray:
    """Points (N, 3) with their axes put in the stage's order, as a person or the file's comments say.

    "y -x z" takes the stage's x from the file's y, its y from the file's x turned round.
    """
    text = told.axes or says.get("axes", "")
    if not text:
        return position
    words = text.lower().replace(",", " ").split()
    if sorted(word.lstrip("+-") for word in words) != ["x", "y", "z"]:
        raise one_problem("axes", repr(text), 'x, y and z in some order, each perhaps with a minus: "y -x z"', file)
    order = ["xyz".index(word[-1]) for word in words]
    sign = np.array([-1.0 if word.startswith("-") else 1.0 for word in words])
    turned: np.ndarray = position[:, order] * sign
    return turned


def _cell(table: Table, key: str, text: str, number: int, problems: Problems) -> tuple[float, bool]:
    """One length; a standard deviation may be left out."""
    if key.startswith("sigma") and not text.strip():
        return np.nan, True
    try:
        value, bare = table.length(text)
        if abs(value) > FARTHEST:
            raise ValueError(f"at most {FARTHEST:g}")
        if key.startswith("sigma") and value <= 0:
            raise ValueError("a standard deviation above 0, or nothing")
    except ValueError as slip:
        problems.add(f"line {number}, {key}", repr(text.strip()), str(slip))
        return 0.0, True
    return value, bare
