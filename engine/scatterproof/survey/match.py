"""Which surveyed point is which: by label, or from the pattern alone, in any axes and at any scale.

Unlabelled points are matched in three steps. Every point with three of its nearest neighbours forms a small tetrahedron
whose five ratios of distances survive turning, shifting, scaling and mirroring; plan and survey share many of them even
where points are missing or extra. Shared tetrahedra vote for pairs of points, and the best supported give first
alignments. Each alignment grows outwards from its tetrahedron, refitted as it meets more pairs; the one that explains
most points wins. It is believed only if no other explains nearly as many: the plan's own near-symmetries are tried for
that, so that a plain grid is told as ambiguous.

Sources: Umeyama, PAMI 13(4), 1991 (alignment); Fischler & Bolles, CACM 24(6), 1981 (consensus); both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ..solve.align import Similarity

NEIGHBOURS = 8  # of which three make a tetrahedron with their point
TETRAHEDRA = np.array(list(combinations(range(NEIGHBOURS), 3)))
RATIO_SIGMAS = 2.5  # how far ratios of distances may differ
SIGMAS = 4.0  # how far a pair may lie apart
WIDEST = 3.0  # how much wider than expected labelled points may spread and still count as agreeing
MOST_SHARED = 400_000  # tetrahedra compared at most; more only where a layout repeats itself
MOST_OWN = 30_000  # of a layout against itself
TRIED, BATCH = 512, 32  # alignments that are grown, and how many at a time
GROWTH = 6  # rounds of growing
LEAST_PAIRS = 6
LEAST_SHARE = 0.35  # of the smaller of plan and survey that a believable match explains
MARGIN, MARGIN_SHARE = 4.0, 0.05  # by how many points the best must beat any other
FLAT = 1e-3  # third extent over the first below which points lie in one plane


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """A survey brought onto a plan."""

    plan_from_survey: Similarity
    mirrored: bool  # the survey's axes are left-handed against the plan's
    target: np.ndarray  # (K,) int  rows of the plan's points
    point: np.ndarray  # (K,) int  rows of the survey's points
    spread_m: float  # root mean square distance of the pairs, per axis
    rivals: int = 0  # other alignments that explain about as many points
    is_flat: bool = False  # all points in one plane: whether it is mirrored can't be told

    @property
    def ambiguous(self) -> bool:
        """Whether the layout fits in more than one way."""
        return self.rivals > 0


def match_labelled(
    plan_m: np.ndarray,
    survey_m: np.ndarray,
    sigma_m: float,
    *,
    rigid: bool = True,
    widest: float = WIDEST,
    seed: int = 0,
) -> Match | None:
    """The alignment that most of K corresponding points (K, 3) agree on; None for fewer than three or a line.

    Points that were moved or swapped do not pull it. Pairs of the match are those that agree within a few times the
    spread of the better half, which lies between ``sigma_m`` and ``widest`` times that.
    """
    k = len(plan_m)
    if k < 3:
        return None
    rng = np.random.default_rng(seed)
    triples = np.array([rng.choice(k, 3, replace=False) for _ in range(min(400, 4 * k * k))])
    best: tuple[float, Similarity, bool] | None = None
    for mirror in (False, True):
        turn, scale, shift = align_many(survey_m[triples], plan_m[triples], rigid, mirror)
        left = scale[:, None, None] * survey_m @ np.swapaxes(turn, 1, 2) + shift[:, None] - plan_m
        away = np.sqrt((left * left).sum(axis=2))
        # The median, and for the better half the mean: half of the labels may be wrong.
        score = np.sort(away, axis=1)[:, : k // 2 + 1].mean(axis=1)
        row = int(np.argmin(score))
        found = Similarity(turn[row], float(scale[row]), shift[row], float(score[row]))
        # A mirrored survey must fit clearly better than one that is not: flat layouts fit both ways.
        if best is None or (found.error < 0.5 * best[0] and best[0] > 2 * sigma_m):
            best = (found.error, found, mirror)
    assert best is not None
    _, similarity, mirrored = best
    keep = np.zeros(k, bool)
    for _ in range(20):
        away = np.sqrt(((similarity.apply(survey_m) - plan_m) ** 2).sum(axis=1))
        # The median length of a normal 3-vector is 1.5382 of its sigma.
        spread = min(max(sigma_m, float(np.median(away)) / 1.5382), widest * sigma_m)
        now = away <= SIGMAS * spread
        if now.sum() < 3:
            return None
        if (now == keep).all():
            break
        keep = now
        similarity = align_pairs(survey_m[keep], plan_m[keep], rigid, mirrored)
    rows = np.flatnonzero(keep)
    is_flat = _is_flat(plan_m)
    if np.linalg.matrix_rank(plan_m[rows] - plan_m[rows].mean(axis=0), tol=1e-6) < 2:
        return None
    return Match(similarity, mirrored, rows, rows, _spread(similarity, survey_m[rows], plan_m[rows]), 0, is_flat)


def match_unlabelled(
    plan_m: np.ndarray, survey_m: np.ndarray, sigma_m: float, *, rigid: bool = False, seed: int = 0
) -> Match | None:
    """Find the plan's points (M, 3) among a survey's (N, 3), in any axes, at any scale (``rigid``: in metres).

    sigma_m : standard deviation per axis of the survey against the plan, metres of the plan
    returns : None where nothing believable fits; :attr:`Match.ambiguous` where more than one way does
    """
    m, n = len(plan_m), len(survey_m)
    if min(m, n) < LEAST_PAIRS:
        return None
    rng = np.random.default_rng(seed)
    best: _Grown | None = None
    for grown in _alignments(plan_m, survey_m, sigma_m, rigid, rng):
        if best is None or grown.score > best.score:
            best = grown
        if best.score > 0.5 * min(m, n):
            break
    if best is None:
        return None
    found, rivals = _rivals(plan_m, survey_m, sigma_m, rigid, best, rng)
    if found.score < max(LEAST_PAIRS, LEAST_SHARE * min(m, n)):
        return None
    similarity = align_pairs(survey_m[found.point], plan_m[found.target], rigid, found.mirrored)
    spread = _spread(similarity, survey_m[found.point], plan_m[found.target])
    is_flat = _is_flat(plan_m[found.target])
    return Match(similarity, found.mirrored, found.target, found.point, spread, rivals, is_flat)


def align_many(
    source: np.ndarray, target: np.ndarray, rigid: bool, mirror: bool | np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Umeyama's similarity for H sets of K pairs (H, K, 3) at once: turns (H, 3, 3), scales (H,), shifts (H, 3).

    mirror : whether the turns are to be reflections, for all or (H,) for each
    """
    mean_s, mean_t = source.mean(axis=1), target.mean(axis=1)
    s, t = source - mean_s[:, None], target - mean_t[:, None]
    u, d, vt = np.linalg.svd(np.swapaxes(t, 1, 2) @ s)
    sign = np.sign(np.linalg.det(u) * np.linalg.det(vt)) * np.where(mirror, -1.0, 1.0)
    u[:, :, 2] *= sign[:, None]
    d[:, 2] *= sign
    turn = u @ vt
    spread = np.maximum((s * s).sum(axis=(1, 2)), 1e-300)
    scale = np.ones(len(d)) if rigid else d.sum(axis=1) / spread
    shift = mean_t - scale[:, None] * np.einsum("hij,hj->hi", turn, mean_s)
    return turn, scale, shift


def align_pairs(source: np.ndarray, target: np.ndarray, rigid: bool, mirror: bool) -> Similarity:
    """:func:`align_many` for one set of pairs (K, 3)."""
    turn, scale, shift = align_many(source[None], target[None], rigid, mirror)
    left = target - (scale[0] * source @ turn[0].T + shift[0])
    return Similarity(turn[0], float(scale[0]), shift[0], float((left * left).sum(axis=1).mean()))


def nearest(points: np.ndarray, others: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Row of the nearest of ``others`` (M, 3) for points (..., N, 3), and its distance, both (..., N)."""
    square = (points * points).sum(axis=-1)[..., None] - 2 * points @ others.T + (others * others).sum(axis=-1)
    row = square.argmin(axis=-1)
    return row, np.sqrt(np.maximum(np.take_along_axis(square, row[..., None], axis=-1)[..., 0], 0))


def lengths(points: np.ndarray) -> np.ndarray:
    """(M, M) distances between points (M, 3)."""
    square = (points * points).sum(axis=1)[:, None] - 2 * points @ points.T + (points * points).sum(axis=1)
    return np.asarray(np.sqrt(np.maximum(square, 0)))


def _is_flat(points: np.ndarray) -> bool:
    extent = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(extent[2] < FLAT * extent[0])


def _spread(similarity: Similarity, survey: np.ndarray, plan: np.ndarray) -> float:
    left = similarity.apply(survey) - plan
    return float(np.sqrt((left * left).mean()))


# --- first alignments from tetrahedra ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Tetrahedra:
    corner: np.ndarray  # (T, 4) int   the point, and three neighbours from near to far
    ratio: np.ndarray  # (T, 5) distances over that to the farthest neighbour
    size: np.ndarray  # (T,)  distance to the farthest neighbour


def _tetrahedra(points: np.ndarray) -> _Tetrahedra:
    length = lengths(points)
    np.fill_diagonal(length, np.inf)
    count = min(NEIGHBOURS, len(points) - 1)
    near = np.argpartition(length, count - 1, axis=1)[:, :count]
    near = np.take_along_axis(near, np.take_along_axis(length, near, axis=1).argsort(axis=1), axis=1)
    triples = TETRAHEDRA[(count > TETRAHEDRA).all(axis=1)]
    corner = np.column_stack([np.repeat(np.arange(len(points)), len(triples)), near[:, triples].reshape(-1, 3)])
    at = points[corner]
    pairs = ((0, 1), (0, 2), (1, 2), (1, 3), (2, 3), (0, 3))
    edge = np.stack([np.sqrt(((at[:, a] - at[:, b]) ** 2).sum(axis=1)) for a, b in pairs], axis=1)
    size = np.maximum(edge[:, 5], 1e-12)
    return _Tetrahedra(corner, edge[:, :5] / size[:, None], size)


def _shared(
    plan: _Tetrahedra, survey: _Tetrahedra, sigma_m: float, rigid: bool, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Rows (C,) of tetrahedra of plan and survey whose ratios agree within their errors."""
    slack = RATIO_SIGMAS * math.sqrt(2) * sigma_m / plan.size  # of a ratio
    most = min(0.1, float(np.quantile(slack, 0.9)))
    slack = np.clip(slack, 0.003, most)
    width = 2 * max(most, 0.02)
    keys = (2, 3, 4)  # ratios that spread widest

    def cell(places: np.ndarray) -> np.ndarray:
        packed: np.ndarray = (places[..., 0] * 64 + places[..., 1]) * 64 + places[..., 2]
        return packed

    place = np.floor(survey.ratio[:, keys] / width).astype(np.int64) + 1
    order = np.argsort(cell(place), kind="stable")
    cells = cell(place)[order]
    fine = plan.ratio[:, keys] / width
    side = np.where(fine - np.floor(fine) < 0.5, -1, 1)
    found_plan, found_survey = [], []
    starts, ends = [], []
    for corner in range(8):
        step = np.array([corner & 1, corner >> 1 & 1, corner >> 2 & 1]) * side
        wanted = cell(np.floor(fine).astype(np.int64) + 1 + step)
        starts.append(np.searchsorted(cells, wanted))
        ends.append(np.searchsorted(cells, wanted, side="right"))
    start, count = np.concatenate(starts), np.concatenate(ends) - np.concatenate(starts)
    query = np.tile(np.arange(len(plan.size)), 8)
    lot = rng.permutation(len(query))  # so that what is left out where there is too much is left out evenly
    block = 4 * MOST_SHARED
    taken = 0
    bounds = np.cumsum(count[lot])
    first = 0
    while first < len(lot) and taken < MOST_SHARED:
        last = int(np.searchsorted(bounds, (bounds[first - 1] if first else 0) + block, side="right"))
        last = max(last, first + 1)
        rows = lot[first:last]
        q = np.repeat(query[rows], count[rows])
        offset = np.arange(len(q)) - np.repeat(np.cumsum(count[rows]) - count[rows], count[rows])
        s = order[np.repeat(start[rows], count[rows]) + offset]
        if rigid:
            same = np.abs(plan.size[q] - survey.size[s]) <= slack[q] * plan.size[q]
            q, s = q[same], s[same]
        for key in (4, 2, 3, 0, 1):  # one after the other: each leaves few for the next
            close = np.abs(plan.ratio[q, key] - survey.ratio[s, key]) <= slack[q]
            q, s = q[close], s[close]
        found_plan.append(q)
        found_survey.append(s)
        taken += len(q)
        first = last
    return np.concatenate([np.zeros(0, int), *found_plan]), np.concatenate([np.zeros(0, int), *found_survey])


@dataclass(frozen=True, slots=True, eq=False)
class _Grown:
    score: float  # pairs
    turn: np.ndarray
    scale: float
    shift: np.ndarray
    mirrored: bool
    target: np.ndarray
    point: np.ndarray


def _alignments(
    plan_m: np.ndarray, survey_m: np.ndarray, sigma_m: float, rigid: bool, rng: np.random.Generator
) -> Iterator[_Grown]:
    """Alignments grown from shared tetrahedra, the best supported first."""
    plan, survey = _tetrahedra(plan_m), _tetrahedra(survey_m)
    p, s = _shared(plan, survey, sigma_m, rigid, rng)
    if not len(p):
        return
    m, n = len(plan_m), len(survey_m)
    pair = plan.corner[p] * n + survey.corner[s]  # (C, 4)
    votes = np.bincount(pair.ravel(), minlength=m * n)
    support = votes[pair].sum(axis=1)
    order = np.lexsort((rng.random(len(p)), -support))
    seen: set[int] = set()
    chosen = []
    for row in order.tolist():
        if (first := int(pair[row, 0])) not in seen:  # one tetrahedron for each pair of points
            seen.add(first)
            chosen.append(row)
        if len(chosen) == TRIED // 2:
            break
    for first in range(0, len(chosen), BATCH // 2):
        rows = chosen[first : first + BATCH // 2]
        yield from _grow(plan_m, survey_m, plan.corner[p[rows]], survey.corner[s[rows]], sigma_m, rigid)


def _grow(
    plan_m: np.ndarray, survey_m: np.ndarray, target: np.ndarray, point: np.ndarray, sigma_m: float, rigid: bool
) -> list[_Grown]:
    """Each of H starting sets of four pairs (H, 4), unmirrored and mirrored, grown over the whole, best first."""
    source, goal = np.tile(survey_m[point], (2, 1, 1)), np.tile(plan_m[target], (2, 1, 1))
    mirror = np.repeat([False, True], len(target))
    turn, scale, shift = align_many(source, goal, rigid, mirror)
    left = scale[:, None, None] * source @ np.swapaxes(turn, 1, 2) + shift[:, None] - goal
    # A tetrahedron that is not flat tells its handedness.
    sound = np.sqrt((left * left).sum(axis=2).mean(axis=1)) < 3 * SIGMAS * sigma_m
    turn, scale, shift, mirror = turn[sound], scale[sound], shift[sound], mirror[sound]
    centre = goal[sound].mean(axis=1)
    base = np.sqrt(((goal[sound] - centre[:, None]) ** 2).sum(axis=2).max(axis=1))
    spacing = _spacing(plan_m)
    results = []
    for h in range(len(turn)):
        grown = _grow_one(
            plan_m, survey_m, (turn[h], float(scale[h]), shift[h]), bool(mirror[h]), centre[h], float(base[h]),
            spacing, sigma_m, rigid,
        )  # fmt: skip
        if grown:
            results.append(grown)
    return sorted(results, key=lambda g: -g.score)


def _spacing(points: np.ndarray) -> float:
    """Median distance to the nearest neighbour."""
    return float(np.median(np.sort(lengths(points), axis=1)[:, 1]))


def _grow_one(
    plan_m: np.ndarray,
    survey_m: np.ndarray,
    start: tuple[np.ndarray, float, np.ndarray],
    mirror: bool,
    centre: np.ndarray,
    base_m: float,
    spacing_m: float,
    sigma_m: float,
    rigid: bool,
) -> _Grown | None:
    turn, scale, shift = start
    reach = 2.5 * base_m
    whole = float(np.sqrt(((plan_m - centre) ** 2).sum(axis=1).max())) * 1.2
    target = point = np.zeros(0, int)
    last = -1
    for _ in range(4 * GROWTH):
        moved = scale * survey_m @ turn.T + shift
        away = np.sqrt(((moved - centre) ** 2).sum(axis=1))
        inside = np.flatnonzero(away < reach)
        if len(inside) < 4:
            return None
        row, distance = nearest(moved[inside], plan_m)
        slack = np.minimum(SIGMAS * sigma_m * (1 + away[inside] / base_m), max(SIGMAS * sigma_m, 0.35 * spacing_m))
        near = distance <= slack
        # One to one: of several points at one marker the nearest counts.
        order = np.argsort(distance[near], kind="stable")
        target, first = np.unique(row[near][order], return_index=True)
        point = inside[near][order][first]
        if len(target) < 4:
            return None
        turned, scaled, shifted = align_many(survey_m[point][None], plan_m[target][None], rigid, mirror)
        turn, scale, shift = turned[0], float(scaled[0]), shifted[0]
        if reach >= whole and len(target) == last:
            break
        last = len(target) if reach >= whole else -1
        at = plan_m[target]
        base_m = max(base_m, float(np.sqrt(((at - at.mean(axis=0)) ** 2).sum(axis=1).mean())))
        reach = min(reach * 1.7, max(whole, reach))
    moved = scale * survey_m[point] @ turn.T + shift
    good = np.sqrt(((moved - plan_m[target]) ** 2).sum(axis=1)) <= SIGMAS * sigma_m
    return _Grown(float(good.sum()), turn, scale, shift, mirror, target[good], point[good])


# --- rivals --------------------------------------------------------------------------------------------------------


def _rivals(
    plan_m: np.ndarray, survey_m: np.ndarray, sigma_m: float, rigid: bool, best: _Grown, rng: np.random.Generator
) -> tuple[_Grown, int]:
    """The best alignment after trying the plan's own near-symmetries on it, and how many others come close."""
    own = list(symmetries(plan_m, sigma_m, rng))
    centre, extent, spacing = plan_m.mean(axis=0), float(np.ptp(plan_m, axis=0).max()), _spacing(plan_m)
    every = [best]
    while True:  # a lattice is climbed step by step: from its best neighbour there may be a better one
        top = max(every, key=lambda g: g.score)
        seen_m = top.scale * survey_m @ top.turn.T + top.shift
        for turn, shift, mirror in own:
            away = nearest(seen_m @ turn.T + shift, plan_m)[1]
            if (away <= 2 * SIGMAS * sigma_m).sum() < 0.7 * top.score:
                continue
            placed = turn @ top.turn, top.scale, turn @ top.shift + shift
            refined = _grow_one(
                plan_m, survey_m, placed, top.mirrored != mirror, centre, extent, spacing, sigma_m, rigid
            )  # fmt: skip
            if refined:
                every.append(refined)
        if max(g.score for g in every) <= top.score:
            break
    every.sort(key=lambda g: -g.score)
    top = every[0]
    others = [_paired(top)]
    for g in every[1:]:
        if g.score >= top.score - max(MARGIN, MARGIN_SHARE * top.score):
            mine = _paired(g)
            if all(len(mine & other) < 0.5 * len(mine) for other in others):
                others.append(mine)
    return top, len(others) - 1


def _paired(grown: _Grown) -> set[tuple[int, int]]:
    return set(zip(grown.target.tolist(), grown.point.tolist(), strict=True))


def symmetries(
    points: np.ndarray, sigma_m: float, rng: np.random.Generator
) -> Iterator[tuple[np.ndarray, np.ndarray, bool]]:
    """Motions (turn, shift, whether mirrored) that bring much of a layout onto itself, but for leaving it as it is."""
    own = _tetrahedra(points)
    a, b = _shared(own, own, sigma_m, True, rng)
    other = (own.corner[a] != own.corner[b]).all(axis=1)
    a, b = a[other], b[other]
    if len(a) > MOST_OWN:
        rows = rng.choice(len(a), MOST_OWN, replace=False)
        a, b = a[rows], b[rows]
    if not len(a):
        return
    source, goal = np.tile(points[own.corner[a]], (2, 1, 1)), np.tile(points[own.corner[b]], (2, 1, 1))
    mirror = np.repeat([False, True], len(a))
    turn, _, shift = align_many(source, goal, True, mirror)
    left = source @ np.swapaxes(turn, 1, 2) + shift[:, None] - goal
    sound = np.sqrt((left * left).sum(axis=2).max(axis=1)) < SIGMAS * sigma_m
    # A symmetry of the whole keeps its middle where it is; shifts along a lattice come next.
    middle, extent = points.mean(axis=0), float(np.ptp(points, axis=0).max())
    moved = np.sqrt(((middle @ np.swapaxes(turn, 1, 2) + shift - middle) ** 2).sum(axis=1))
    rows = np.flatnonzero(sound & (moved < 0.25 * extent))
    rows = rows[np.argsort(moved[rows], kind="stable")]
    probe = points[[int(points[:, i].argmin()) for i in range(3)] + [int(points[:, i].argmax()) for i in range(3)]]
    seen: set[tuple[int, ...]] = set()
    step = max(4 * SIGMAS * sigma_m, 0.02 * extent)
    for row in rows.tolist():
        key = tuple(np.round((probe @ turn[row].T + shift[row]) / step).astype(int).ravel().tolist())
        if key in seen:
            continue
        seen.add(key)
        yield turn[row], shift[row], bool(mirror[row])
        if len(seen) == 96:
            return
