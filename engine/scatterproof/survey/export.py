"""Labelled points with their uncertainty for whoever solves: CSV, PLY and OBJ, which :mod:`.clouds` reads back.

Units and axes stand in every file: in comments, since none of the formats has a place of its own for them.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass

import numpy as np

from ..problems import frozen_array
from ..report.data import inert
from ..stage.layout import CORNER, Layout
from .found import Found
from .tables import METRES

AXES = "x y z; right-handed: x to the right of somebody facing upstage, y upstage, z up, from the stage's datum"
FORMATS = ("csv", "ply", "obj")


@dataclass(frozen=True, slots=True, eq=False)
class LabelledPoints:
    """N points in the plan's axes, metres."""

    label: tuple[str, ...]  # N
    position_m: np.ndarray  # (N, 3)
    sigma_m: np.ndarray  # (N, 3)
    about: tuple[str, ...]  # N

    def __post_init__(self) -> None:
        n = len(self.label)
        object.__setattr__(self, "position_m", frozen_array("position_m", self.position_m, (n, 3)))
        object.__setattr__(self, "sigma_m", frozen_array("sigma_m", self.sigma_m, (n, 3)))

    def text(self, kind: str, unit: str = "m") -> str:
        """The file: ``kind`` one of FORMATS, lengths in ``unit``."""
        return {"csv": _csv, "ply": _ply, "obj": _obj}[kind](self, unit)


def found_points(found: Found, built: Layout | None = None) -> LabelledPoints:
    """Everything that was surveyed, by name; with the layout as built also the corners of the markers.

    A corner takes its marker's uncertainty: how well its marker was cut is not in it.
    """
    rows = np.flatnonzero(found.surveyed)
    targets = found.targets
    sigma = np.sqrt(np.diagonal(found.covariance_m2[rows], axis1=1, axis2=2))
    label = [targets.name[i] for i in rows]
    about = [f"number {targets.number[i]}" for i in rows]
    position, spread = [found.position_m[rows]], [sigma]
    if built is not None:
        of_owner = dict(zip(targets.owner[rows].tolist(), range(len(rows)), strict=False))
        features, count = built.features, dict[int, int]()
        for i in np.flatnonzero((features.kind == CORNER) & np.isin(features.owner, list(of_owner))).tolist():
            owner = int(features.owner[i])
            count[owner] = count.get(owner, 0) + 1
            label.append(f"{built.owner_names[owner]} corner {count[owner]}")
            about.append(f"corner of {label[of_owner[owner]]}")
            position.append(features.position_m[i : i + 1])
            spread.append(sigma[of_owner[owner]][None])
    return LabelledPoints(tuple(label), np.concatenate(position), np.concatenate(spread), tuple(about))


def _lengths(values: np.ndarray, unit: str) -> list[list[str]]:
    """Text to a tenth of a micrometre: nothing on a stage is known better."""
    return [[f"{v / METRES[unit]:.9g}" for v in row] for row in np.round(values, 7).tolist()]


def _plain(text: str) -> str:
    """One line of it."""
    return re.sub(r"\s+", " ", text).strip()


def _csv(points: LabelledPoints, unit: str) -> str:
    out = io.StringIO()
    out.write(f"# units: {unit}\n# axes: {AXES}\n")
    table = csv.writer(out, lineterminator="\n")
    table.writerow(["point", "x", "y", "z", "sigma x", "sigma y", "sigma z", "description"])
    rows = zip(
        points.label, _lengths(points.position_m, unit), _lengths(points.sigma_m, unit), points.about, strict=True
    )
    for label, at, sigma, about in rows:
        table.writerow([inert(_plain(label)), *at, *sigma, inert(_plain(about))])
    return out.getvalue()


def _ply(points: LabelledPoints, unit: str) -> str:
    lines = ["ply", "format ascii 1.0", f"comment units: {unit}", f"comment axes: {AXES}"]
    lines += [f"comment label {i} {_plain(label)}" for i, label in enumerate(points.label)]
    lines.append(f"element vertex {len(points.label)}")
    lines += [f"property double {name}" for name in ("x", "y", "z", "sigma_x", "sigma_y", "sigma_z")]
    lines.append("end_header")
    rows = zip(_lengths(points.position_m, unit), _lengths(points.sigma_m, unit), strict=True)
    lines += [" ".join(at + sigma) for at, sigma in rows]
    return "\n".join(lines) + "\n"


def _obj(points: LabelledPoints, unit: str) -> str:
    """Every point is an object of its own with a point element, so that its name comes along."""
    lines = [f"# units: {unit}", f"# axes: {AXES}"]
    rows = zip(points.label, _lengths(points.position_m, unit), _lengths(points.sigma_m, unit), strict=True)
    for i, (label, at, sigma) in enumerate(rows, 1):
        lines += [f"o {_plain(label)}", f"# sigma {' '.join(sigma)}", f"v {' '.join(at)}", f"p {i}"]
    return "\n".join(lines) + "\n"
