"""What a survey's outcome asks of people, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..plan.model import Plan
from ..plan.units import format_length
from ..stage.layout import Layout
from ..stage.surfaces import normal_at, to_surface, to_world
from .found import NOT_SURVEYED, OFF, SWAPPED, Found
from .targets import MARKER

FAR_M = 0.05  # an offset worth a look: more than setting out by tape explains
BULGE_M = 0.01  # distance from its surface that a plan can't hold and a person should know


def to_do(plan: Plan, layout: Layout, found: Found) -> list[str]:
    """What to do next, the most pressing first."""
    lines = []
    swapped = np.flatnonzero(found.state == SWAPPED)
    for row in swapped.tolist():
        other = int(found.instead[row])
        if found.instead[other] == row and other < row:
            continue
        one, two = _called(found, row), _called(found, other)
        lines.append(
            f"{one} and {two} are swapped: correct the labels, or leave them; the as-built plan has them as they stand."
            if found.instead[other] == row
            else f"{one} stands where {two} was planned: check its label."
        )
    for removed in found.removed:
        lines.append(f"Measure again: {removed.told}{'; ' + removed.hint if removed.hint else ''}.")
    if found.combined and found.combined.enough:
        lines.append(f"To hold every point, measure also {_listed(found.combined.enough)}.")
    missing = np.flatnonzero((found.state == NOT_SURVEYED) & (found.targets.kind == MARKER))
    if len(missing):
        names = _listed([_called(found, i) for i in missing.tolist()])
        lines.append(
            f"{len(missing)} planned markers are not in the survey: {names}. They are kept where they were planned; if "
            "they are not on the stage, run again with --unsurveyed drop."
        )
    near = [i for i, target in enumerate(found.extra_near.tolist()) if target >= 0]
    for i in near[:6]:
        target = int(found.extra_near[i])
        away = float(np.sqrt(((found.extra_m[i] - found.targets.position_m[target]) ** 2).sum()))
        name = found.extra_label[i] or "An extra point"
        lines.append(f"{name} may be {_called(found, target)}, moved by {format_length(away, plan.units)}: label it.")
    far = np.flatnonzero((found.state == OFF) & (np.sqrt((found.offset_m**2).sum(axis=1)) > FAR_M))
    if len(far):
        names = _listed([_called(found, i) for i in far.tolist()])
        lines.append(f"Further off than {format_length(FAR_M, plan.units)}: {names}. See whether readiness suffers.")
    bulging = [i for i in np.flatnonzero(found.surveyed).tolist() if abs(off_surface(layout, found, i)) > BULGE_M]
    if bulging:
        lie = "marker lies" if len(bulging) == 1 else "markers lie"
        lines.append(
            f"{len(bulging)} {lie} more than {format_length(BULGE_M, plan.units)} off the planned surface. "
            "A plan can't hold that; the exported points do."
        )
    if found.assumed_sigma:
        lines.append("Standard deviations are missing in the survey and were assumed: ask for them.")
    return lines or ["Nothing: everything surveyed is where it was planned."]


def off_surface(layout: Layout, found: Found, row: int) -> float:
    """How far a marker as found lies in front of its surface, metres; 0 for what is on none."""
    surface_row = int(found.targets.surface[row])
    if surface_row < 0 or not found.surveyed[row]:
        return 0.0
    surface = layout.surfaces[surface_row]
    uv = to_surface(surface, found.position_m[row])
    return float((found.position_m[row] - to_world(surface, uv)) @ normal_at(surface, uv))


def _called(found: Found, row: int) -> str:
    name, number = found.targets.name[row], found.targets.number[row]
    return name if name.endswith(f" {number}") else f"{name} (number {number})"


def _listed(names: Sequence[str], most: int = 8) -> str:
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + rest
