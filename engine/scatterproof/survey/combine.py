"""Registered points and field notes into one network, adjusted: where everything stands, and how well that is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..problems import BadInput, Problem, one_problem
from ..sources import OURS, Sourced
from ..stage.surfaces import Surface
from .adjust import (
    ANGLE,
    DIRECTION,
    DISTANCE,
    HEIGHT,
    LEVEL,
    PLANE,
    ZENITH,
    Adjusted,
    Loose,
    Measures,
    Network,
    X,
    adjust,
)
from .notes import Notes, default_sigma
from .points import SurveyPoints
from .targets import Targets, tidied

FLATNESS = Sourced(0.005, "m", f"{OURS}: how far a built wall or floor strays from a plane over its whole extent")
LEAST_ON_PLANE = 4  # points that make flatness say something
MOST_POINTS = 1500  # of a network: its matrices are dense
DATUM = "datum"  # the plan's origin, in notes


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """P points adjusted, and those that could not be."""

    name: tuple[str, ...]  # P
    target: np.ndarray  # (P,) int  rows of the targets, -1 for points of the survey's own
    adjusted: Adjusted
    loose: tuple[Loose, ...]  # points left out since the measurements don't hold them
    enough: tuple[str, ...]  # the measurements that would
    free: bool  # whether position and turn come from the plan's places: a datum to be chosen


def combine(
    targets: Targets,
    surfaces: Sequence[Surface],
    points: Sequence[SurveyPoints],
    rows: Sequence[np.ndarray],
    notes: Sequence[Notes],
    fixed: Sequence[str] = (),
    flatness_m: float | None = FLATNESS.value,
) -> Combined:
    """Adjust everything together.

    points : in the plan's axes, with sigmas; rows : per file (N,) the target of each, -1 for others
    fixed : names whose planned places are given; flatness_m : standard deviation of flat surfaces, None: not used
    Points that nothing holds are left out and told. Raises BadInput where nothing can be adjusted.
    """
    known = targets.rows()
    place: dict[str, np.ndarray] = {}  # where points of the survey's own are
    target_of: dict[str, int] = {}
    shown: dict[str, str] = {}

    def key(label: str) -> str:
        tidy = tidied(label)
        row = known.get(tidy, -1)
        name = tidied(targets.name[row]) if row >= 0 else tidy
        target_of.setdefault(name, row)
        shown.setdefault(name, targets.name[row] if row >= 0 else label)
        return name

    observed = _Observed()
    for file, owner in zip(points, rows, strict=True):
        for i, row in enumerate(owner.tolist()):
            label = targets.name[row] if row >= 0 else file.label[i]
            if not label:
                continue
            name = key(label)
            place.setdefault(name, file.position_m[i])
            where = f"{file.file}, line {file.line[i]}" if file.line[i] else file.file
            for axis in range(3):
                told = f"{'xyz'[axis]} of {shown[name]} ({where})"
                observed.add(X + axis, name, name, "", file.position_m[i, axis], file.sigma_m[i, axis], told=told)
    for note in notes:
        guess = default_sigma(note.kind, note.value)
        sigma = np.where(np.isnan(note.sigma), guess, note.sigma)
        for i, told in enumerate(note.told):
            back = key(note.back[i]) if note.back[i] else ""
            at, to = key(note.at[i]), key(note.to[i])
            observed.add(int(note.kind[i]), at, to, back, note.value[i], sigma[i], note.lift_m[i], told)
    names = list(target_of)
    if len(names) > MOST_POINTS:
        raise one_problem("points", f"{len(names):,} in one network", f"{MOST_POINTS:,} at most", "survey")
    for name, row in target_of.items():
        if row >= 0:
            place[name] = targets.position_m[row]
    if DATUM in target_of:
        place[DATUM] = np.zeros(3)
    held = {key(name) for name in fixed} | ({DATUM} & set(names))
    if unknown := [name for name in held if name not in place]:
        raise one_problem("--fix", ", ".join(unknown), "names or numbers of things in the plan and in the survey")
    _find_starts(observed, place, names)
    planes = _planes(targets, surfaces, target_of, observed, flatness_m) if notes else ()
    known_sigma = all(not np.isnan(note.sigma).any() for note in notes)
    return _without_loose(names, shown, target_of, place, held, observed, planes, known_sigma)


class _Observed:
    """Measurements by name, as rows."""

    def __init__(self) -> None:
        self.rows: list[tuple[int, str, str, str, float, float, float, float]] = []
        self.told: list[str] = []

    def add(
        self,
        kind: int,
        at: str,
        to: str,
        back: str,
        value: float,
        sigma: float,
        lift: np.ndarray | Sequence[float] = (0.0, 0.0),
        told: str = "",
    ) -> None:
        self.rows.append((kind, at, to, back, float(value), float(sigma), float(lift[0]), float(lift[1])))
        self.told.append(told)

    def without(self, names: set[str]) -> _Observed:
        left = _Observed()
        for row, told in zip(self.rows, self.told, strict=True):
            if not names & set(row[1:4] if row[0] == ANGLE else row[1:3]):
                left.rows.append(row)
                left.told.append(told)
        return left

    def measures(self, names: Sequence[str]) -> Measures:
        spot = {name: i for i, name in enumerate(names)}
        sets = {at: i for i, at in enumerate(dict.fromkeys(row[1] for row in self.rows if row[0] == DIRECTION))}
        group = [
            spot[back] if kind == ANGLE else sets[at] if kind == DIRECTION else int(back) if kind == PLANE else -1
            for kind, at, _, back, *_ in self.rows
        ]
        kind, at, to, _, value, sigma, up, other = zip(*self.rows, strict=True)
        return Measures(
            np.array(kind), np.array([spot[n] for n in at]), np.array([spot[n] for n in to]), np.array(group),
            np.array(value), np.array(sigma), np.column_stack([up, other]), tuple(self.told)
        )  # fmt: skip


def _planes(
    targets: Targets, surfaces: Sequence[Surface], target_of: dict[str, int], observed: _Observed, sigma: float | None
) -> tuple[str, ...]:
    """Adds the flatness of every flat surface with enough points on it; the names of these surfaces."""
    if sigma is None:
        return ()
    planes: list[str] = []
    for index, surface in enumerate(surfaces):
        on = [name for name, row in target_of.items() if row >= 0 and targets.surface[row] == index]
        if surface.radius_m or len(on) < LEAST_ON_PLANE:
            continue
        for name in on:
            told = f"{name} on the plane of {surface.name}"
            observed.add(PLANE, name, name, str(len(planes)), 0.0, sigma, told=told)
        planes.append(surface.name)
    return tuple(planes)


def _without_loose(
    names: list[str],
    shown: dict[str, str],
    target_of: dict[str, int],
    place: dict[str, np.ndarray],
    held: set[str],
    observed: _Observed,
    planes: tuple[str, ...],
    known_sigma: bool,
) -> Combined:
    """Adjusts; leaves out what is loose and adjusts again, until nothing is."""
    loose: list[Loose] = []
    enough: list[str] = []
    while True:
        out = {name for name in names if name not in place}
        if out:
            wanted = "three distances to known points, or a station that sees it"
            loose += [Loose(shown[name], "in every direction", wanted) for name in names if name in out]
            enough += [f"{wanted.split(',')[0]} from {shown[name]}" for name in names if name in out]
        else:
            start = np.array([place[name] for name in names]).reshape(-1, 3)
            fixed = np.repeat([[name in held] for name in names], 3, axis=1).reshape(-1, 3)
            network = Network(
                tuple(shown[name] for name in names), start, fixed, observed.measures(names), planes, known_sigma
            )
            result = adjust(network)
            if isinstance(result, Adjusted):
                target = np.array([target_of[name] for name in names], int)
                free = result.datum_free > 0
                return Combined(network.name, target, result, tuple(loose), tuple(enough), free)
            by_name = {shown[name]: name for name in names}
            out = {by_name[point.point] for point in result.loose if point.point in by_name}
            loose += result.loose
            enough += result.enough
        left = observed.without(out)
        names = [name for name in names if name not in out and any(name in row[1:4] for row in left.rows)]
        if not out or not any(row[0] != PLANE for row in left.rows):
            raise _nothing_holds(loose)
        observed = left


def _nothing_holds(loose: Sequence[Loose]) -> BadInput:
    told = [Problem(p.point, f"free to move {p.way}", f"more measurements: {p.mend}", "survey") for p in loose[:30]]
    return BadInput(told or [Problem("measurements", "none that fit together", "a connected network", "survey")])


# --- places to start from ---------------------------------------------------------------------------------------------


def _find_starts(observed: _Observed, place: dict[str, np.ndarray], names: Sequence[str]) -> None:
    """Fills ``place`` for points that neither plan nor file knows, from measurements to those already in it."""
    while True:
        before = len(place)
        for name in names:
            if name in place:
                continue
            found = _station(name, observed, place)
            if found is None:
                found = _seen_from(name, observed, place)
            if found is None:
                found = _taped(name, observed, place)
            if found is not None:
                place[name] = found
        if len(place) == before:
            return


def _polar(at: str, observed: _Observed) -> dict[str, np.ndarray]:
    """Places of what a station saw by direction and distance, in its own axes (y along direction 0)."""
    seen: dict[str, dict[int, tuple[float, float]]] = {}
    for kind, frm, to, _, value, _, up, other in observed.rows:
        if frm == at and kind in (DIRECTION, ZENITH, DISTANCE, LEVEL, HEIGHT):
            seen.setdefault(to, {})[kind] = value, up - other
    local = {}
    for to, got in seen.items():
        if DIRECTION not in got:
            continue
        turn = got[DIRECTION][0]
        if LEVEL in got:
            level = got[LEVEL][0]
            rise = level / math.tan(got[ZENITH][0]) + got[ZENITH][1] if ZENITH in got else (
                got[HEIGHT][0] if HEIGHT in got else math.nan)  # fmt: skip
        elif DISTANCE in got and ZENITH in got:
            level = got[DISTANCE][0] * math.sin(got[ZENITH][0])
            rise = got[DISTANCE][0] * math.cos(got[ZENITH][0]) + got[ZENITH][1]
        else:
            continue
        local[to] = np.array([level * math.sin(turn), level * math.cos(turn), rise])
    return local


def _levelled(local: np.ndarray, world: np.ndarray) -> tuple[float, np.ndarray]:
    """Turn about the vertical and shift that bring local (K, 3) onto world (K, 3); the shift is the station's place."""
    a, b = local - local.mean(axis=0), world - world.mean(axis=0)
    turn = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a[:, :2] * b[:, :2]).sum()))
    cos, sin = math.cos(turn), math.sin(turn)
    turned = local @ np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1]])
    return turn, (world - turned).mean(axis=0)


def _station(name: str, observed: _Observed, place: dict[str, np.ndarray]) -> np.ndarray | None:
    known = [(at, place[to]) for to, at in _polar(name, observed).items() if to in place]
    if len(known) < 2:
        return None
    local, world = (np.array(side) for side in zip(*known, strict=True))
    found = _levelled(local, world)[1]
    return found if np.isfinite(found).all() else None


def _seen_from(name: str, observed: _Observed, place: dict[str, np.ndarray]) -> np.ndarray | None:
    stations = {row[1] for row in observed.rows if row[0] == DIRECTION and row[2] == name and row[1] in place}
    for at in stations:
        local = _polar(at, observed)
        known = [(p, place[to]) for to, p in local.items() if to in place]
        if name in local and known and np.isfinite(local[name]).all():
            here = place[at]
            ahead = [(math.atan2(*p[:2]), math.atan2(*(w - here)[:2])) for p, w in known]
            turn = math.atan2(sum(math.sin(b - a) for a, b in ahead), sum(math.cos(b - a) for a, b in ahead))
            cos, sin = math.cos(turn), math.sin(turn)
            x, y, z = local[name]
            return np.asarray(here + np.array([x * cos + y * sin, y * cos - x * sin, z]))
    return None


def _taped(name: str, observed: _Observed, place: dict[str, np.ndarray]) -> np.ndarray | None:
    """The place that fits three distances or more to known points best, found from several starts."""
    known = [
        (place[to if at == name else at], value)
        for kind, at, to, _, value, *_ in observed.rows
        if kind == DISTANCE and name in (at, to) and (to if at == name else at) in place
    ]
    if len(known) < 3:
        return None
    ends, lengths = np.array([k[0] for k in known]), np.array([k[1] for k in known])
    middle, reach = ends.mean(axis=0), float(lengths.mean())
    best: tuple[float, np.ndarray] | None = None
    for way in np.concatenate([np.eye(3), -np.eye(3), np.ones((1, 3)) / 2]):
        x = middle + reach * way
        for _ in range(50):
            away = x - ends
            distance = np.maximum(np.sqrt((away**2).sum(axis=1)), 1e-9)
            slope = away / distance[:, None]
            x = x - np.linalg.solve(slope.T @ slope + 1e-6 * np.eye(3), slope.T @ (distance - lengths))
        cost = float(((np.sqrt(((x - ends) ** 2).sum(axis=1)) - lengths) ** 2).sum())
        # Of two mirror images the upper one: what is measured to usually stands on the floor.
        if best is None or cost < best[0] - 1e-9 or (abs(cost - best[0]) < 1e-9 and x[2] > best[1][2]):
            best = cost, x
    return np.asarray(best[1]) if best else None
