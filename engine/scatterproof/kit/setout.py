"""The set-out table: where every marker and stand goes, measured from datum lines, and how a slip of the tape shows.

Every thing has two independent measures along the screen: offsets from two datum lines of its chart, and check
distances to a neighbour that lies askew, so that a slip in either offset changes the check distance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..plan.model import MarkerSet, PlacedMarker, Plan
from ..plan.units import FOOT_M, INCH_M, format_length
from ..problems import frozen_array
from ..sources import OURS, Sourced
from ..stage.layout import Layout
from ..stage.surfaces import Surface, normal_at, to_surface, to_world
from ..stage.unroll import Chart, bounds, unroll

TAPE_ERROR = Sourced(0.002, "m", f"{OURS}: standard deviation of one measure that a careful crew takes with a tape")
# Four offsets and one reading, each with the tape's error, on a slant: 3.5 standard deviations of their sum.
CHECK_LIMIT = Sourced(0.012, "m", f"{OURS}: 3.5 standard deviations of a check distance, 2 mm in each measure")
ASKEW = 0.35  # sine of the least angle between a check distance and either datum line
LEAST_CHECK_M = 0.25  # shorter ones bend too much for the sine to tell
NEAR_FLOOR_M = 0.1
LEVEL = 0.7  # a surface whose normal rises at least so steeply is one to walk on
ROWS_AT_ONCE = 256


def tape_step_m(unit: str) -> float:
    """What a tape in that unit can be read to: a millimetre, or a sixteenth of an inch."""
    return float(INCH_M / 16) if unit in ("ft", "in") else 0.001


def tape_text(metres: float, unit: str) -> str:
    """A length as it is read off a tape, metric ones without their unit.

    >>> tape_text(1.25, "m"), tape_text(1.25, "mm"), tape_text(1.6637, "ft")
    ('1.250', '1250', '5\\' 5 1/2"')
    """
    if unit in ("ft", "in"):
        return format_length(metres, unit)
    factor, places = {"m": (1, 3), "cm": (100, 1), "mm": (1000, 0)}[unit]
    return f"{metres * factor:.{places}f}"


@dataclass(frozen=True, slots=True)
class Datum:
    """The two lines of a chart that everything on it is measured from, and how to find them."""

    at_m: tuple[float, float]  # where they cross, chart coordinates
    sides: tuple[tuple[str, str], tuple[str, str]]  # words for less and more, across and along
    across: str  # how to find the line that "across" is measured from
    along: str  # how to find the line that "up" is measured from


@dataclass(frozen=True, slots=True, eq=False)
class SetOut:
    """T things to be set out, then the pegs of every chart; C charts. Offsets are from the chart's datum lines."""

    charts: tuple[Chart, ...]
    datums: tuple[Datum, ...]  # C
    label: tuple[str, ...]  # T + pegs: "12", "S1", "A"
    name: tuple[str, ...]  # T + pegs
    count: int  # T
    chart: np.ndarray  # (T + pegs,) int
    true_m: np.ndarray  # (T + pegs, 2) as planned: across, up
    told_m: np.ndarray  # (T + pegs, 2) as the table says, rounded
    check_to: np.ndarray  # (T, 2) int   rows of the two check neighbours, the second -1 where one is enough
    check_m: np.ndarray  # (T, 2) check distances as the table says; nan
    sureness: np.ndarray  # (T,) part of a slip in its worst direction that shows in the check distances
    step_m: float  # what offsets and distances are rounded to

    def __post_init__(self) -> None:
        n, t = len(self.label), self.count
        shapes: dict[str, tuple[tuple[int, ...], type]] = {
            "chart": ((n,), int),
            "true_m": ((n, 2), float),
            "told_m": ((n, 2), float),
            "check_to": ((t, 2), int),
            "check_m": ((t, 2), float),
            "sureness": ((t,), float),
        }
        for name, (shape, dtype) in shapes.items():
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), shape, dtype))

    def on_chart(self, chart: int) -> np.ndarray:
        """Rows of the things (without pegs) on a chart."""
        return np.flatnonzero(self.chart[: self.count] == chart)

    def pegs(self, chart: int) -> np.ndarray:
        """Rows of a chart's pegs."""
        return self.count + np.flatnonzero(self.chart[self.count :] == chart)


def set_out(plan: Plan, layout: Layout, unit: str, step_m: float | None = None) -> SetOut:
    """The table for a plan's markers and stands, rounded to ``step_m`` (default: what a tape in ``unit`` can do)."""
    step = step_m or tape_step_m(unit)
    charts = unroll(plan.stage, layout.surfaces)
    datums = tuple(_datum(chart, layout.surfaces, unit) for chart in charts)
    labels, names, chart_of, at = _things(plan, layout, charts)
    count = len(labels)
    corner = np.array([datum.at_m for datum in datums]).reshape(-1, 2)
    for row, (chart, datum) in enumerate(zip(charts, datums, strict=True)):
        for label, place in _pegs(bounds(chart, layout.surfaces), np.array(datum.at_m), unit):
            labels.append(label)
            names.append(f"peg {label}")
            chart_of.append(row)
            at.append(place)
    chart_rows = np.array(chart_of, int)
    true = np.array(at, float).reshape(-1, 2) - corner[chart_rows]
    told = rounded(true, step)
    check_to, sureness = _neighbours(told, chart_rows, count)
    check = np.where(check_to >= 0, _distances(told, check_to), np.nan)
    return SetOut(
        charts, datums, tuple(labels), tuple(names), count, chart_rows, true, told, check_to,
        rounded(check, step), sureness, step,
    )  # fmt: skip


def rounded(length_m: np.ndarray, step_m: float) -> np.ndarray:
    """Lengths to whole steps; any shape."""
    whole: np.ndarray = np.round(np.asarray(length_m, float) / step_m) * step_m + 0.0
    return whole


def doubtful(table: SetOut, measured_m: np.ndarray) -> np.ndarray:
    """(T,) bool: things one of whose check distances, as measured (T, 2), is further off than the tape excuses."""
    off = np.abs(measured_m - table.check_m)
    bad: np.ndarray = (np.nan_to_num(off) > CHECK_LIMIT.value + table.step_m).any(axis=1)
    return bad


def measured_checks(table: SetOut, placed_m: np.ndarray) -> np.ndarray:
    """(T, 2) check distances between things placed at (T + pegs, 2); nan where there is no second one."""
    return np.where(table.check_to >= 0, _distances(placed_m, table.check_to), np.nan)


def _distances(at_m: np.ndarray, check_to: np.ndarray) -> np.ndarray:
    away = at_m[check_to] - at_m[: len(check_to), None]
    apart: np.ndarray = np.hypot(away[..., 0], away[..., 1])
    return apart


# --- what is set out -------------------------------------------------------------------------------------------


def _things(
    plan: Plan, layout: Layout, charts: Sequence[Chart]
) -> tuple[list[str], list[str], list[int], list[np.ndarray]]:
    """Labels, names, chart rows and chart coordinates of markers, then stands, then gear."""
    markers = layout.markers
    chart_of = {row: index for index, chart in enumerate(charts) for row in chart.rows}
    labels = [str(number) for number in range(1, len(markers.name) + 1)]
    names = list(markers.name)
    rows = [chart_of[row] for row in markers.surface.tolist()]
    at = [
        charts[chart].from_surface(row, uv)
        for chart, row, uv in zip(rows, markers.surface.tolist(), markers.centre_uv, strict=True)
    ]
    standing = [("S", stand.name, (*stand.at, stand.base)) for stand in plan.stands]
    standing += [("G", gear.name, gear.at) for gear in plan.gear]
    numbers = {"S": 0, "G": 0}
    for kind, name, foot in standing:
        numbers[kind] += 1
        ground = _ground(np.array(foot), layout.surfaces, charts)
        if ground is None:
            continue  # hangs, or stands on a surface that is not part of the stage: its own sheet tells where
        labels.append(f"{kind}{numbers[kind]}")
        names.append(name)
        rows.append(ground[0])
        at.append(ground[1])
    return labels, names, rows, at


def _ground(foot: np.ndarray, surfaces: Sequence[Surface], charts: Sequence[Chart]) -> tuple[int, np.ndarray] | None:
    """Chart and coordinates of the level surface nearest below a foot; None where there is none."""
    found = []
    for index, chart in enumerate(charts):
        flat = surfaces[chart.rows[0]]
        if flat.normal[2] < LEVEL:
            continue
        uv = to_surface(flat, foot)
        gap = float(np.abs((foot - to_world(flat, uv)) @ flat.normal))
        low, high = bounds(chart, surfaces)
        outside = float(np.maximum(np.maximum(low - uv, uv - high), 0).max())
        found.append((gap > NEAR_FLOOR_M, outside, gap, index, uv))
    best = min(found, key=lambda f: f[:4], default=None)
    return None if best is None or best[0] else (best[3], best[4])


def _datum(chart: Chart, surfaces: Sequence[Surface], unit: str) -> Datum:
    flat = surfaces[chart.rows[0]]
    if flat.kind == "floor":
        return Datum(
            (0.0, 0.0), (("L", "R"), ("D", "U")),
            "Line V is the centre line: through the datum, straight upstage. L and R as seen facing upstage.",
            "Line H goes through the datum, square to line V. U is upstage of it, D downstage.",
        )  # fmt: skip
    own = flat.outline_uv
    at_u = _centre_u(flat, float(own[:, 0].min()), float(own[:, 0].max()))
    cove = next((row for row in chart.rows[1:] if _is_below(surfaces[row], flat)), None)
    foot = to_world(flat, np.array([at_u, float(own[:, 1].min())]))
    if cove is None:
        at_v = float(own[:, 1].min())
        along = f"Line H is the lower edge of {flat.name}, {format_length(float(foot[2]), unit)} above the datum."
    else:
        at_v = float(chart.from_surface(cove, surfaces[cove].outline_uv)[:, 1].min())
        v = _edge_v(surfaces[cove])
        foot = to_world(surfaces[cove], np.array([0.0, v]))
        start = _along_wall(chart, surfaces, cove, v, at_u)
        along = (
            f"Line H is where {surfaces[cove].name} begins to rise from the floor. Chalk it. At line V it lies "
            f"{_floor_place(start, unit)}. Up is measured along the screen, over the curve, tape pressed into it."
        )
        foot = start
    across = f"Line V stands square on line H at the point {_floor_place(foot, unit)}. L and R as seen from the stage."
    return Datum((at_u, at_v), (("L", "R"), ("B", "")), across, along)


def _centre_u(flat: Surface, low: float, high: float) -> float:
    """Where the stage's centre line (x = 0) meets a wall, if well inside it, else its middle to a whole decimetre."""
    slope = float(flat.across[0])
    if abs(slope) > 0.5:
        at = -float(flat.origin[0]) / slope
        if low + 0.2 * (high - low) < at < high - 0.2 * (high - low):
            return at
    return round((low + high) / 2, 1)


def _is_below(cove: Surface, flat: Surface) -> bool:
    """Whether a cove joins a flat surface to one that can be walked on."""
    ends = normal_at(cove, np.array([[0.0, 0.0], [0.0, float(cove.outline_uv[:, 1].max())]]))
    return bool(abs(flat.normal[2]) < LEVEL < ends[:, 2].max())


def _edge_v(cove: Surface) -> float:
    """v of the edge at which a cove is most level."""
    top = float(cove.outline_uv[:, 1].max())
    ends = normal_at(cove, np.array([[0.0, 0.0], [0.0, top]]))
    return 0.0 if ends[0, 2] > ends[1, 2] else top


def _along_wall(chart: Chart, surfaces: Sequence[Surface], cove: int, v: float, at_u: float) -> np.ndarray:
    """(3,) world point of a cove's level edge at a place across the chart."""
    edge = chart.from_surface(cove, np.array([[0.0, v], [1.0, v]]))
    along = (at_u - edge[0, 0]) / (edge[1, 0] - edge[0, 0])
    return to_world(surfaces[cove], np.array([along, v]))


def _floor_place(point: np.ndarray, unit: str) -> str:
    x, y = (float(c) for c in point[:2])
    side = "on the centre line" if abs(x) < 5e-4 else f"{format_length(abs(x), unit)} {'right' if x > 0 else 'left'}"
    reach = f"{format_length(abs(y), unit)} {'upstage' if y >= 0 else 'downstage'} of the datum"
    return f"{side}, {reach}" if abs(x) < 5e-4 else f"{side} of the centre line, {reach}"


def _pegs(limits: np.ndarray, corner: np.ndarray, unit: str) -> list[tuple[str, np.ndarray]]:
    """Points on line H to check against: O where the lines cross, A and B at whole metres (or feet) left and right."""
    whole = float(FOOT_M) if unit in ("ft", "in") else 1.0
    found = [("O", corner)]
    for label, end in (("A", limits[0, 0]), ("B", limits[1, 0])):
        steps = math.trunc((end - corner[0]) / whole + math.copysign(1e-9, end - corner[0]))
        if steps:
            found.append((label, corner + np.array([steps * whole, 0.0])))
    return found


# --- check distances -------------------------------------------------------------------------------------------


def _neighbours(at_m: np.ndarray, chart: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows (T, 2) to check each thing against, and how sure a slip shows (T,).

    The nearest that lies askew to both datum lines; where none does, the nearest mostly across and the nearest mostly
    along, so that the two together show a slip in either offset.
    """
    to, sure = np.full((count, 2), -1), np.zeros(count)
    for index in np.unique(chart[:count]):
        mine = np.flatnonzero(chart == index)
        here = mine[mine < count]
        for start in range(0, len(here), ROWS_AT_ONCE):
            rows = here[start : start + ROWS_AT_ONCE]
            away = np.abs(at_m[mine] - at_m[rows, None])
            distance = np.hypot(away[..., 0], away[..., 1])
            usable = distance >= LEAST_CHECK_M
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(usable[..., None], away / distance[..., None], 0.0)
            askew = share.min(axis=-1)
            cost = np.where(usable & (askew >= ASKEW), distance, np.inf)
            best = cost.argmin(axis=1)
            line = np.arange(len(rows))
            good = np.isfinite(cost[line, best])
            to[rows[good], 0] = mine[best[good]]
            sure[rows[good]] = askew[line, best][good]
            for row in np.flatnonzero(~good):
                to[rows[row]], sure[rows[row]] = _pair(mine, distance[row], share[row], usable[row])
    return to, sure


def _pair(rows: np.ndarray, distance: np.ndarray, share: np.ndarray, usable: np.ndarray) -> tuple[list[int], float]:
    """Two rows that together show a slip in either offset as well as may be."""
    if not usable.any():
        return [-1, -1], 0.0
    picked = []
    for axis in (0, 1):
        most = share[:, axis].max()
        fit = usable & (share[:, axis] >= min(0.7, most))
        picked.append(int(np.where(fit, distance, np.inf).argmin()))
    sure = float(share[picked].max(axis=0).min())
    first, second = rows[picked]
    return [int(first), -1 if first == second else int(second)], sure


# --- what rounding does ----------------------------------------------------------------------------------------


def as_told(plan: Plan, layout: Layout, table: SetOut) -> Plan:
    """The plan with every marker and stand where the table says: what a crew without a slip would build."""
    markers = layout.markers
    moved = table.told_m - table.true_m
    groups: list[MarkerSet] = []
    for index, group in enumerate(plan.markers):
        rows = np.flatnonzero(markers.set_index == index)
        placed = []
        for row in rows.tolist():
            surface = int(markers.surface[row])
            chart = table.charts[table.chart[row]]
            at = chart.to_surface(surface, chart.from_surface(surface, markers.centre_uv[row]) + moved[row])
            outline = markers.outline_uv[markers.first[row] : markers.first[row + 1]] - markers.centre_uv[row]
            placed.append(
                PlacedMarker(
                    surface=layout.surfaces[surface].name,
                    at=(float(at[0]), float(at[1])),
                    size=float(markers.size_m[row]),
                    outline=tuple((float(u), float(v)) for u, v in outline),
                )
            )
        groups.append(replace(group, layout="placed", placed=tuple(placed)))
    shift = {table.name[row]: moved[row] for row in range(len(markers.name), table.count)}

    def stood(name: str, x: float, y: float) -> tuple[float, float]:
        dx, dy = shift.get(name, np.zeros(2)).tolist()
        return x + dx, y + dy

    stands = tuple(replace(stand, at=stood(stand.name, *stand.at)) for stand in plan.stands)
    gear = tuple(replace(thing, at=(*stood(thing.name, *thing.at[:2]), thing.at[2])) for thing in plan.gear)
    return replace(plan, markers=tuple(groups), stands=stands, gear=gear)
