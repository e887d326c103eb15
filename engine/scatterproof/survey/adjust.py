"""Adjustment of a survey network: least squares over distances, directions, angles, heights, coordinates, walls.

Residuals are computed less measured. The datum is fixed coordinates where there are any; what they leave free
(position, turn, scale) is fixed by inner constraints: of all solutions the one whose points lie nearest to where they
started.

Sources: Mikhail, *Observations and Least Squares*, 1976 (adjustment, inner constraints); Baarda, *A Testing Procedure
for Use in Geodetic Networks*, 1968 (redundancy numbers, data snooping); Pope 1976 (tau). All from memory; the tests
compare with published results and with scipy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from ..problems import frozen_array
from .quantiles import chi_square_quantile, normal_quantile, tau_quantile

DISTANCE, LEVEL, DIRECTION, ANGLE, ZENITH, HEIGHT, X, Y, Z, PLANE = range(10)
KINDS = ("distance", "level distance", "direction", "angle", "zenith angle", "height difference", "x", "y", "z",
         "flatness")  # fmt: skip
ANGULAR = (DIRECTION, ANGLE, ZENITH)

ALPHA = 0.001  # of the test of one residual (Baarda's choice): a good measurement is accused once in a thousand
POWER = 0.8  # with which a blunder of the smallest detectable size is found
GLOBAL = 0.95  # share of sound networks that the global test accepts
NULL = 1e-10  # eigenvalue of the scaled normal matrix below which a direction counts as free
UNCHECKED = 1e-6  # redundancy below which nothing checks a measurement
TWINS = 0.999  # correlation of residuals at which two measurements can't be told apart
STEPS = 40
SEEDS = 60  # points that are tried as the part of a network that stands still
NEAREST_M, TAPE_M = 0.2, 30.0  # distances worth proposing


@dataclass(frozen=True, slots=True, eq=False)
class Measures:
    """O measurements. Angles are clockwise seen from above, as instruments count; zenith angles from straight up."""

    kind: np.ndarray  # (O,) int   DISTANCE ...
    at: np.ndarray  # (O,) int     point it was taken from
    to: np.ndarray  # (O,) int     point it was taken to; the same point for X, Y, Z and PLANE
    group: np.ndarray  # (O,) int  ANGLE: the point sighted first; DIRECTION: set with one orientation; PLANE: which
    value: np.ndarray  # (O,)      metres or radians
    sigma: np.ndarray  # (O,)
    lift_m: np.ndarray  # (O, 2)   height of the instrument and of the target above their points
    told: tuple[str, ...]  # O     where it comes from, for people

    def __post_init__(self) -> None:
        o = len(self.told)
        for name in ("kind", "at", "to", "group"):
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), (o,), int))
        for name in ("value", "sigma"):
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), (o,)))
        object.__setattr__(self, "lift_m", frozen_array("lift_m", self.lift_m, (o, 2)))

    def __len__(self) -> int:
        return len(self.told)

    def only(self, keep: np.ndarray) -> Measures:
        """Those for which ``keep`` (O,) is true."""
        told = tuple(text for text, kept in zip(self.told, keep, strict=True) if kept)
        kept = (row[keep] for row in (self.kind, self.at, self.to, self.group, self.value, self.sigma, self.lift_m))
        return Measures(*kept, told)  # type: ignore[call-arg]


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """P points, where they may start from, and what was measured between them."""

    name: tuple[str, ...]  # P
    start_m: np.ndarray  # (P, 3)
    fixed: np.ndarray  # (P, 3) bool   coordinates that are given and not in doubt
    measures: Measures
    plane: tuple[str, ...] = ()  # names of surfaces that are flat
    known_sigma: bool = True  # False: sigmas are a guess, and judged by how well the network closes

    def __post_init__(self) -> None:
        p = len(self.name)
        object.__setattr__(self, "start_m", frozen_array("start_m", self.start_m, (p, 3)))
        object.__setattr__(self, "fixed", frozen_array("fixed", self.fixed, (p, 3), bool))


@dataclass(frozen=True, slots=True)
class Loose:
    """A point that the measurements leave free to move."""

    point: str
    way: str  # how it can move, in words
    mend: str  # a measurement that would stop it


@dataclass(frozen=True, slots=True)
class Defect:
    """Why a network can't be adjusted. False, so that ``if not result`` tells."""

    loose: tuple[Loose, ...]
    enough: tuple[str, ...]  # the further measurements that would mend all of it, best first

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True, slots=True)
class Removal:
    """One measurement taken out as a blunder."""

    told: str
    kind: int
    test: float  # its standardised residual
    limit: float
    blunder: float  # estimated size, measured less true, metres or radians
    twins: tuple[str, ...]  # others that can't be told from it: any one of these may be the wrong one
    hint: str  # what it may have been


@dataclass(frozen=True, slots=True, eq=False)
class Adjusted:
    """A network adjusted."""

    network: Network
    position_m: np.ndarray  # (P, 3)
    covariance_m2: np.ndarray  # (P, 3, 3)  from the sigmas as given, times variance_factor where these are a guess
    residual: np.ndarray  # (O,) computed less measured
    redundancy: np.ndarray  # (O,) 0: nothing checks it, 1: everything does
    test: np.ndarray  # (O,) |standardised residual|; nan where nothing checks it
    smallest: np.ndarray  # (O,) smallest blunder found with POWER; inf where nothing checks it
    used: np.ndarray  # (O,) bool
    dof: int
    statistic: float  # sum of squared residuals over their sigmas
    bounds: tuple[float, float]  # between which it lies in GLOBAL of all sound networks
    datum_free: int  # how many of position, turn and scale come from the starting places
    removed: tuple[Removal, ...] = ()

    @property
    def s0(self) -> float:
        """Standard deviation of unit weight: 1 where the sigmas are right; nan without redundancy."""
        return math.sqrt(self.statistic / self.dof) if self.dof else math.nan

    @property
    def sound(self) -> bool:
        """Whether the global test passes."""
        return not self.dof or self.bounds[0] <= self.statistic <= self.bounds[1]

    @property
    def sigma_m(self) -> np.ndarray:
        """(P, 3) standard deviations."""
        return np.asarray(np.sqrt(np.diagonal(self.covariance_m2, axis1=1, axis2=2)))


def adjust(network: Network, alpha: float = ALPHA) -> Adjusted | Defect:
    """Adjust, and take out blunders one at a time, the worst first, until no residual is beyond its limit.

    After the removals every measurement taken out is tried again and returns if it fits. Where the sigmas are known
    the test is Baarda's, else Pope's. A measurement that nothing checks is never accused.
    """
    used = np.ones(len(network.measures), bool)
    first = _adjusted(network, used)
    if isinstance(first, Defect):
        return first
    result, removals = first, dict[int, Removal]()
    while len(removals) < max(1, len(used) // 4):
        limit = _limit(network, result.dof, alpha)
        test = np.where(used, np.nan_to_num(result.test), 0.0)
        worst = int(test.argmax()) if len(test) else 0
        if not len(test) or test[worst] <= limit:
            break
        if network.measures.kind[worst] in (X, Y, Z):
            # Coordinates that agree with a plan are the last to be doubted where either could be wrong.
            worst = next((i for i in _twins(result, worst) if network.measures.kind[i] not in (X, Y, Z)), worst)
        trial = used & (np.arange(len(used)) != worst)
        without = _adjusted(network, trial)
        if isinstance(without, Defect):
            break
        removals[worst] = _removal(result, worst, limit)
        used, result = trial, without
    for row in list(removals):
        if abs(_standardised(result, row)) <= _limit(network, result.dof, alpha):
            trial = used | (np.arange(len(used)) == row)
            again = _adjusted(network, trial)
            if not isinstance(again, Defect) and _worst(again) <= _limit(network, again.dof, alpha):
                used, result = trial, again
                del removals[row]
    return replace(result, removed=tuple(replace(r, hint=_hint(result, row, r)) for row, r in removals.items()))


def _worst(result: Adjusted) -> float:
    return float(np.nan_to_num(result.test[result.used]).max(initial=0))


def ellipse(covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Semi-axes a >= b (...,) and direction of a (...,), radians from x towards y, of covariances (..., 2, 2).

    One sigma: holds the point in 39.35 % of cases; times 2.4477 in 95 %.

    >>> a, b, turn = ellipse(np.array([[4.0, 1], [1, 2]]))
    >>> round(float(a), 6), round(float(b), 6), round(math.degrees(turn), 1)
    (2.101003, 1.25928, 22.5)
    """
    xx, xy, yy = covariance[..., 0, 0], covariance[..., 0, 1], covariance[..., 1, 1]
    middle, reach = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    small = np.sqrt(np.maximum(middle - reach, 0))
    return np.sqrt(middle + reach), small, 0.5 * np.arctan2(2 * xy, xx - yy)


def axis_factor(share: float, dimensions: int) -> float:
    """By what the one-sigma axes grow so that the ellipse holds ``share`` of all cases.

    >>> round(axis_factor(0.95, 2), 5), round(axis_factor(0.95, 3), 5)
    (2.44775, 2.79548)
    """
    return math.sqrt(chi_square_quantile(share, dimensions))


def noncentrality(alpha: float = ALPHA, power: float = POWER) -> float:
    """How many sigmas of a residual's own a blunder must be to be found with ``power``.

    >>> round(noncentrality(), 4)
    4.1321
    """
    return normal_quantile(1 - alpha / 2) + normal_quantile(power)


# --- one adjustment ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    position: np.ndarray  # (P, 3)
    orientation: np.ndarray  # (S,)
    tilt: np.ndarray  # (W, 3)  of each plane: two slopes and an offset against its start
    start: np.ndarray  # (W, 4, 3)  of each plane: origin, normal, two tangents


def _adjusted(network: Network, used: np.ndarray) -> Adjusted | Defect:
    every = network.measures
    measures = every.only(used)
    state = _start(network, measures)
    free = _free_columns(network, state, measures)
    root = 1 / measures.sigma
    slope, off = _linear(state, measures, free)
    null = _null_space(slope * root[:, None])
    datum, rest = _datum(network, state, free, null)
    if rest.shape[1]:
        return _defect(network, state, free, rest)
    cost = math.inf
    for _ in range(STEPS):
        slope, off = _linear(state, measures, free)
        white, wanted = slope * root[:, None], -off * root
        square = float(wanted @ wanted)
        _, step = _solved(white, wanted, datum)
        while True:
            moved = _moved(state, free, step)
            now = _cost(moved, measures)
            if now <= square * (1 + 1e-12) + 1e-18 or np.abs(step).max(initial=0) < 1e-10:
                break
            step = step / 2
        state, size = moved, float(np.abs(step).max(initial=0))
        if size < 1e-9 and cost - now <= 1e-9 * max(now, 1e-12):
            break
        cost = now
    return _judged(network, used, state, free, datum)


def _judged(network: Network, used: np.ndarray, state: _State, free: np.ndarray, datum: np.ndarray) -> Adjusted:
    """Covariances and tests at the solution; measurements not used get their residual, and no redundancy."""
    every = network.measures
    slope, off = _linear(state, every, free)
    white = (slope / every.sigma[:, None])[used]
    cofactor, _ = _solved(white, np.zeros(len(white)), datum)
    square = float(np.sum((off[used] / every.sigma[used]) ** 2))
    dof = len(white) - white.shape[1] + datum.shape[1]
    share = np.einsum("ij,jk,ik->i", white, cofactor, white, optimize=True)
    redundancy = np.full(len(every), np.nan)
    redundancy[used] = np.clip(1 - share, 0, 1)
    checked = np.nan_to_num(redundancy) > UNCHECKED
    spread = every.sigma * np.sqrt(np.where(checked, redundancy, np.nan))
    factor = 1.0 if network.known_sigma or not dof else square / dof
    test = np.abs(off) / (spread * math.sqrt(factor or 1.0))
    smallest = np.where(checked, noncentrality() * every.sigma**2 / np.where(checked, spread, 1), np.inf)
    tail = (1 - GLOBAL) / 2
    bounds = (chi_square_quantile(tail, dof), chi_square_quantile(1 - tail, dof)) if dof else (0.0, 0.0)
    p = len(network.name)
    column = np.full(3 * p, -1)
    column[free[free < 3 * p]] = np.arange((free < 3 * p).sum())
    spot = column.reshape(p, 3)
    blocks = cofactor[spot[:, :, None], spot[:, None, :]] * factor
    held = (spot < 0)[:, :, None] | (spot < 0)[:, None, :]
    return Adjusted(
        network, state.position, np.where(held, 0.0, blocks), off, redundancy, test, smallest, used, dof, square,
        bounds, datum.shape[1]
    )  # fmt: skip


def _solved(white: np.ndarray, wanted: np.ndarray, datum: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cofactor matrix and step of whitened equations under the inner constraints ``datum``' step = 0."""
    normal = white.T @ white
    if not len(normal):
        return normal, np.zeros(0)
    size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    weight = float(np.median(size)) ** 2
    held = normal + weight * (datum @ datum.T)
    inverse = np.linalg.inv(held / size[:, None] / size) / size[:, None] / size
    inverse = (inverse + inverse.T) / 2
    cofactor = inverse @ normal @ inverse if datum.shape[1] else inverse
    return cofactor, inverse @ (white.T @ wanted)


def _start(network: Network, measures: Measures) -> _State:
    position = network.start_m.copy()
    sets = int(measures.group[measures.kind == DIRECTION].max(initial=-1)) + 1
    orientation = np.zeros(sets)
    for s in range(sets):
        mine = (measures.kind == DIRECTION) & (measures.group == s)
        away = position[measures.to[mine]] - position[measures.at[mine]]
        turn = np.arctan2(away[:, 0], away[:, 1]) - measures.value[mine]
        orientation[s] = math.atan2(np.sin(turn).sum(), np.cos(turn).sum())
    planes = np.zeros((len(network.plane), 4, 3))
    for w in range(len(network.plane)):
        on = position[measures.at[(measures.kind == PLANE) & (measures.group == w)]]
        planes[w, 1:] = np.eye(3)
        if len(on):
            planes[w, 0] = on.mean(axis=0)
            tangents = np.linalg.svd(on - planes[w, 0])[2]
            planes[w, 1], planes[w, 2:] = tangents[2], tangents[:2]
    return _State(position, orientation, np.zeros((len(network.plane), 3)), planes)


def _free_columns(network: Network, state: _State, measures: Measures) -> np.ndarray:
    """Which unknowns are adjusted: coordinates not fixed of points that are measured, orientations, used planes."""
    touched = np.zeros(len(network.name), bool)
    touched[measures.at] = touched[measures.to] = True
    touched[measures.group[measures.kind == ANGLE]] = True
    coordinates = np.flatnonzero((~network.fixed & touched[:, None]).ravel())
    first = 3 * len(network.name)
    sets = np.unique(measures.group[measures.kind == DIRECTION])
    planes = np.unique(measures.group[measures.kind == PLANE])
    last = first + len(state.orientation)
    return np.concatenate([coordinates, first + sets, (last + 3 * planes[:, None] + np.arange(3)).ravel()])


def _moved(state: _State, free: np.ndarray, step: np.ndarray) -> _State:
    p, s = state.position.size, len(state.orientation)
    whole = np.zeros(p + s + state.tilt.size)
    whole[free] = step
    return _State(
        state.position + whole[:p].reshape(-1, 3),
        state.orientation + whole[p : p + s],
        state.tilt + whole[p + s :].reshape(-1, 3),
        state.start,
    )


def _cost(state: _State, measures: Measures) -> float:
    return float(np.sum((_rows(state, measures)[0] / measures.sigma) ** 2))


def _linear(state: _State, measures: Measures, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(O, U) slopes of the computed values by the free unknowns, and (O,) computed less measured."""
    off, entries = _rows(state, measures)
    p, s = state.position.size, len(state.orientation)
    whole = np.zeros((len(measures), p + s + state.tilt.size))
    for rows, columns, values in entries:
        np.add.at(whole, (rows[:, None], columns), values)
    return whole[:, free], off


def _rows(state: _State, m: Measures) -> tuple[np.ndarray, list[tuple[np.ndarray, np.ndarray, np.ndarray]]]:
    """(O,) computed less measured, and slopes as (rows (K,), columns (K, C), values (K, C))."""
    x = state.position
    p, s = x.size, len(state.orientation)
    away = x[m.to] - x[m.at]
    away[:, 2] += m.lift_m[:, 1] - m.lift_m[:, 0]
    off = np.zeros(len(m))
    entries = []

    def point(which: np.ndarray) -> np.ndarray:
        return 3 * which[:, None] + np.arange(3)

    def between(rows: np.ndarray, slope: np.ndarray, start: np.ndarray) -> None:
        entries.append((rows, point(m.to[rows]), slope))
        entries.append((rows, point(start), -slope))

    def azimuth(to: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        d = x[to] - x[at]
        square = np.maximum(d[:, 0] ** 2 + d[:, 1] ** 2, 1e-12)[:, None]
        return np.arctan2(d[:, 0], d[:, 1]), np.stack([d[:, 1], -d[:, 0], 0 * d[:, 0]], axis=1) / square

    for kind in np.unique(m.kind):
        rows = np.flatnonzero(m.kind == kind)
        d = away[rows]
        if kind in (DISTANCE, LEVEL):
            d = d * [1, 1, kind == DISTANCE]
            length = np.maximum(np.sqrt((d * d).sum(axis=1)), 1e-9)
            off[rows] = length
            between(rows, d / length[:, None], m.at[rows])
        elif kind == DIRECTION:
            turn, slope = azimuth(m.to[rows], m.at[rows])
            off[rows] = turn - state.orientation[m.group[rows]]
            between(rows, slope, m.at[rows])
            entries.append((rows, p + m.group[rows][:, None], -np.ones((len(rows), 1))))
        elif kind == ANGLE:
            ahead, slope = azimuth(m.to[rows], m.at[rows])
            back, back_slope = azimuth(m.group[rows], m.at[rows])
            off[rows] = ahead - back
            between(rows, slope, m.at[rows])
            entries.append((rows, point(m.group[rows]), -back_slope))
            entries.append((rows, point(m.at[rows]), back_slope))
        elif kind == ZENITH:
            flat = np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)
            square = (flat**2 + d[:, 2] ** 2)[:, None]
            off[rows] = np.arctan2(flat, d[:, 2])
            slope = np.column_stack([d[:, :2] * (d[:, 2] / flat)[:, None], -flat]) / square
            between(rows, slope, m.at[rows])
        elif kind == HEIGHT:
            off[rows] = d[:, 2]
            between(rows, np.tile([0.0, 0, 1], (len(rows), 1)), m.at[rows])
        elif kind in (X, Y, Z):
            off[rows] = x[m.at[rows], kind - X]
            entries.append((rows, 3 * m.at[rows][:, None] + (kind - X), np.ones((len(rows), 1))))
        else:
            which = m.group[rows]
            origin, normal, one, other = np.moveaxis(state.start[which], 1, 0)
            a, b, c = state.tilt[which].T
            tilted = normal + a[:, None] * one + b[:, None] * other
            size = np.sqrt(1 + a * a + b * b)
            from_origin = x[m.at[rows]] - origin
            height = ((tilted * from_origin).sum(axis=1) - c) / size
            off[rows] = height
            entries.append((rows, point(m.at[rows]), tilted / size[:, None]))
            by_a = (one * from_origin).sum(axis=1) / size - height * a / size**2
            by_b = (other * from_origin).sum(axis=1) / size - height * b / size**2
            entries.append((rows, p + s + 3 * which[:, None] + np.arange(3), np.stack([by_a, by_b, -1 / size], axis=1)))
    off -= m.value
    angular = np.isin(m.kind, ANGULAR)
    off[angular] = (off[angular] + np.pi) % (2 * np.pi) - np.pi
    return off, entries


# --- what is left free ---------------------------------------------------------------------------------------------


def _null_space(white: np.ndarray) -> np.ndarray:
    """(U, K) orthonormal directions in the unknowns that change no measurement."""
    size = np.sqrt((white * white).sum(axis=0))
    untouched = size < 1e-12 * max(size.max(initial=0), 1e-300)
    size[untouched] = 1.0
    scaled = white / size
    values, vectors = np.linalg.eigh(scaled.T @ scaled)
    directions: np.ndarray = vectors[:, values < NULL * max(values.max(initial=0), 1e-300)] / size[:, None]
    return np.linalg.qr(directions)[0] if directions.shape[1] else directions


def _datum(network: Network, state: _State, free: np.ndarray, null: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Splits free directions (U, K) into shift, turn and scale of the whole, and what should not be free.

    returns : (U, D) inner constraints, orthonormal, over the points alone; (U, K - D)
    """
    is_point = free < state.position.size
    whole = _whole_motions(network, state)
    if not null.shape[1] or not whole.shape[1]:
        return np.zeros((len(free), 0)), null
    basis, values, _ = np.linalg.svd(whole[free[is_point]], full_matrices=False)
    basis = basis[:, values > 1e-9]
    point_part = null[is_point]
    u, values, rows = np.linalg.svd(point_part, full_matrices=False)
    moving = values > 1e-9
    overlap_u, overlap, overlap_v = np.linalg.svd(basis.T @ u[:, moving], full_matrices=True)
    datum_count = int((overlap > 1 - 1e-7).sum())
    datum = np.zeros((len(free), datum_count))
    datum[is_point] = basis @ overlap_u[:, :datum_count]
    # What remains: null directions whose points move otherwise, and those that move no point at all.
    within = rows[moving].T / values[moving]
    rest = null @ within @ overlap_v[datum_count:].T
    still = null @ rows[~moving].T
    return datum, np.concatenate([rest, still], axis=1)


def _whole_motions(network: Network, state: _State) -> np.ndarray:
    """(3P, up to 7) shift, turn and scale of the whole, as far as fixed coordinates allow."""
    p = state.position.size
    middle = state.position.reshape(-1, 3) - state.position.mean(axis=0)
    whole = np.zeros((p, 7))
    for i in range(3):
        whole[i::3, i] = 1
        turn = np.zeros_like(middle)
        turn[:, (i + 1) % 3], turn[:, (i + 2) % 3] = -middle[:, (i + 2) % 3], middle[:, (i + 1) % 3]
        whole[:, 3 + i] = turn.ravel()
    whole[:, 6] = middle.ravel()
    whole /= np.maximum(np.linalg.norm(whole, axis=0), 1e-300)
    held = whole[network.fixed.ravel()]
    if len(held):
        _, values, rows = np.linalg.svd(held, full_matrices=True)
        rank = int((values > 1e-9).sum())
        whole = whole @ rows[rank:].T
    return whole


def _defect(network: Network, state: _State, free: np.ndarray, rest: np.ndarray) -> Defect:
    """Every point that can move against the largest part of the network that can't, and how to stop it."""
    p = state.position.size
    every = np.zeros((p, rest.shape[1]))
    every[free[free < p]] = rest[free < p]
    linked = np.zeros((len(network.name),) * 2, bool)
    linked[network.measures.at, network.measures.to] = linked[network.measures.to, network.measures.at] = True
    np.fill_diagonal(linked, False)
    whole = _whole_motions(network, state)
    motion = _against_the_rest(every, whole, state.position, linked).reshape(len(network.name), 3, -1)
    size = np.sqrt((motion**2).sum(axis=(1, 2)))
    loose = np.flatnonzero(size > 1e-3 * size.max(initial=0))
    if not len(loose) or size.max() < 1e-9:
        return Defect((Loose(", ".join(network.plane) or "an instrument", "in its orientation", "one more sight"),), ())
    chosen = _mends(network, state, motion, loose)
    told = []
    for i in loose:
        mine = [text for text, ends in chosen if i in ends] or [text for text, _ in chosen[:1]]
        told.append(Loose(network.name[i], _way(motion[i]), mine[0]))
    return Defect(tuple(told), tuple(text for text, _ in chosen))


def _against_the_rest(motion: np.ndarray, whole: np.ndarray, at_m: np.ndarray, linked: np.ndarray) -> np.ndarray:
    """Motions (3P, K) less that motion of the whole (3P, 7) which leaves the most points still.

    Points with many measured neighbours in common most often hang together, or those that are close together: each in
    turn is held still with such. linked : (P, P) bool, measured to each other.
    """
    if not whole.shape[1]:
        return motion
    p = len(at_m)
    blocks, small = motion.reshape(p, -1), 1e-6 * float(np.abs(motion).max(initial=0))
    best, most = motion, -1
    shared = (linked.astype(int) @ linked + 1) * linked
    for seed, by_links in product(np.unique(np.linspace(0, p - 1, SEEDS).round().astype(int)), (True, False)):
        apart = ((at_m - at_m[seed]) ** 2).sum(axis=1)
        near = np.lexsort((apart, -shared[seed]))[:4] if by_links else np.argsort(apart, kind="stable")[:4]
        near = np.append(near, seed)
        for _ in range(2):  # with its neighbours, then with all that stand still with them
            rows = (3 * near[:, None] + np.arange(3)).ravel()
            share = np.linalg.lstsq(whole[rows], motion[rows], rcond=1e-9)[0]
            left = motion - whole @ share
            near = np.flatnonzero(np.abs(left.reshape(blocks.shape)).max(axis=1) < max(small, 1e-300))
            if not len(near):
                break
        if len(near) > most:
            best, most = left, len(near)
    return best


def _mends(network: Network, state: _State, motion: np.ndarray, loose: np.ndarray) -> list[tuple[str, tuple[int, ...]]]:
    """The fewest tape distances and heights, best first, that stop every free motion (P, 3, K)."""
    left, chosen = motion.copy(), []
    x = state.position
    for _ in range(motion.shape[2]):
        best: tuple[float, np.ndarray, str, tuple[int, ...]] = (0.0, np.zeros(motion.shape[2]), "", ())
        for i in loose:
            away = x - x[i]
            reach = np.sqrt((away**2).sum(axis=1))
            # Beyond a tape's reach, or so near that the direction is a guess, a distance is no help.
            change = np.einsum("pi,pik->pk", away / np.maximum(reach, 1e-9)[:, None], left[i] - left)
            worth = np.sqrt((change**2).sum(axis=1)) * ((reach > NEAREST_M) & (reach < TAPE_M))
            j = int(worth.argmax())
            if worth[j] > best[0]:
                best = (float(worth[j]), change[j], f"the distance {network.name[i]} to {network.name[j]} "
                        f"(about {reach[j]:.2f} m)", (int(i), j))  # fmt: skip
            rise = left[i, 2]
            if float(np.sqrt(rise @ rise)) > 2 * best[0]:
                best = (float(np.sqrt(rise @ rise)), rise, f"the height of {network.name[i]}", (int(i),))
        if best[0] < 1e-6 * float(np.abs(motion).max()):
            break
        along = best[1] / np.linalg.norm(best[1])
        left = left - (left @ along)[..., None] * along
        chosen.append((best[2], best[3]))
    return chosen or [("a distance to a point that lies elsewhere, not in one plane with these", ())]


def _way(motion: np.ndarray) -> str:
    """How a point (3, K) moves, in words."""
    u, values, _ = np.linalg.svd(motion)
    count = int((values > 1e-3 * values[0]).sum())
    if count == 3:
        return "in every direction"
    axis = u[:, 0] if count == 1 else u[:, 2]
    upright = abs(axis[2])
    bearing = math.degrees(math.atan2(axis[0], axis[1])) % 180
    if count == 1:
        return "up and down" if upright > 0.95 else f"level, along {bearing:.0f}° from upstage" if upright < 0.3 else (
            f"aslant, along {bearing:.0f}° from upstage and up or down")  # fmt: skip
    return "level, in every direction" if upright > 0.95 else f"in the upright plane across {bearing:.0f}°" if (
        upright < 0.3) else "in a sloping plane"  # fmt: skip


# --- blunders ------------------------------------------------------------------------------------------------------


def _limit(network: Network, dof: int, alpha: float) -> float:
    return normal_quantile(1 - alpha / 2) if network.known_sigma else tau_quantile(1 - alpha / 2, dof)


def _standardised(result: Adjusted, row: int) -> float:
    """Residual of a measurement that was not used, over the sigma of its prediction."""
    measures, network = result.network.measures, result.network
    at, to = measures.at[row], measures.to[row]
    spread = measures.sigma[row] ** 2
    if measures.kind[row] in (DISTANCE, LEVEL, HEIGHT):
        spread += sum(float(np.linalg.eigvalsh(result.covariance_m2[i])[-1]) for i in {int(at), int(to)})
    factor = 1.0 if network.known_sigma or not result.dof else result.statistic / result.dof
    return float(result.residual[row] / math.sqrt(spread * (factor or 1.0)))


def _removal(result: Adjusted, row: int, limit: float) -> Removal:
    measures = result.network.measures
    twins = tuple(measures.told[i] for i in _twins(result, row))
    blunder = -float(result.residual[row] / result.redundancy[row])
    return Removal(measures.told[row], int(measures.kind[row]), float(result.test[row]), limit, blunder, twins, "")


def _twins(result: Adjusted, row: int) -> list[int]:
    """Measurements whose residuals always rise and fall with that of ``row``."""
    network, used = result.network, np.flatnonzero(result.used)
    measures = network.measures.only(result.used)
    state = _start(network, measures)
    state = replace(state, position=result.position_m)
    free = _free_columns(network, state, measures)
    white = _linear(state, measures, free)[0] / measures.sigma[:, None]
    datum, _ = _datum(network, state, free, _null_space(white))
    cofactor, _ = _solved(white, np.zeros(len(white)), datum)
    mine = int(np.searchsorted(used, row))
    share = -white @ (cofactor @ white[mine])
    share[mine] += 1
    own = np.maximum(np.nan_to_num(result.redundancy[used]), UNCHECKED)
    alike = np.abs(share) / np.sqrt(own * own[mine]) > TWINS
    alike &= np.nan_to_num(result.redundancy[used]) > UNCHECKED
    return [int(used[i]) for i in np.flatnonzero(alike) if i != mine]


def _hint(result: Adjusted, row: int, removal: Removal) -> str:
    """What a wrong distance may have been: a round misreading, or the tape at another point."""
    network, measures = result.network, result.network.measures
    if measures.kind[row] not in (DISTANCE, LEVEL):
        return ""
    off = -float(result.residual[row])  # measured less computed, now that it bears on nothing
    spread = 4 * math.hypot(float(measures.sigma[row]), float(np.median(result.sigma_m)))
    for step, name in ((0.1, "10 cm"), (0.3048, "a foot"), (0.5, "half a metre"), (1.0, "a metre")):
        if abs(abs(off) - step) < min(spread, step / 5):
            return f"{name} too {'long' if off > 0 else 'short'}"
    fits = []
    for end, other in ((measures.at[row], measures.to[row]), (measures.to[row], measures.at[row])):
        away = result.position_m - result.position_m[end]
        length = np.sqrt(((away * [1, 1, measures.kind[row] == DISTANCE]) ** 2).sum(axis=1))
        near = np.flatnonzero(np.abs(length - measures.value[row]) < spread)
        fits += [f"{network.name[end]} to {network.name[i]}" for i in near if i not in (end, other)]
    return f"it fits {' or '.join(fits)}" if 0 < len(fits) <= 2 else ""


def describe(removals: Sequence[Removal]) -> list[str]:
    """One line per removal, for people."""
    lines = []
    for r in removals:
        size = f"{math.degrees(r.blunder):+.3f}°" if r.kind in ANGULAR else f"{1000 * r.blunder:+.0f} mm"
        line = f"{r.told}: off by about {size} ({r.test:.1f} of its sigmas, {r.limit:.2f} allowed)"
        line += f"; {r.hint}" if r.hint else ""
        line += f"; it can't be told from {', '.join(r.twins)}" if r.twins else ""
        lines.append(line)
    return lines
