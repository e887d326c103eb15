"""What each of many candidates would make of a shot's frames, without rehearsing the shot again.

Candidates are sighted by the same rules as everything else, in a few key frames. Slide follows from the update of the
reduced matrix (:mod:`.update`), parallax from an update of each pair's homography: eight parameters, so that a
candidate is an eight by eight system and the features that were there before are one matrix.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..camera.lens import project
from ..camera.track import CameraTrack, only_rows
from ..prove.bands import as_points, unexplained
from ..prove.shot import match_covariance
from ..readiness.rehearse import Rehearsal
from ..readiness.verdict import FIRM
from ..sightings.need import EDGE_M
from ..sightings.photometry import looks_of
from ..sightings.sighting import MERGED, SEEN, Sightings, larger_sigma
from ..sightings.tracks import drop_short, runs
from ..sightings.visibility import sight, spread_of
from ..solve.network import Unknowns
from ..solve.parallax import homography_rest, levels, pinhole_px
from ..solve.slide import radius
from ..stage.layout import BAND, Features
from .candidates import Candidates
from .update import Changed, Core, Extra, changed, core_of, delta_of, key_rows, standing_still

CRITERIA = ("features", "out_of_plane", "depths", "drift", "jitter")  # what candidates can mend
MOST_COLUMNS = 60  # features that were there before, of those that depths are counted among
TRACKS = 3  # of a candidate that have to be in view for its help to count in full
WILD_PX2 = 1e12  # a slide beyond which nobody asks how large it is
PAIR_STEPS = (1, 2, 4, 8)  # key frames between the two of a pair


@dataclass(frozen=True, slots=True, eq=False)
class Gains:
    """S candidates, each by itself, in K key frames of one shot."""

    rows: np.ndarray  # (K,) int  rows of the shot
    share: float  # frames that a key frame stands for
    open: np.ndarray  # (K,) bool  not firm as it is
    short: np.ndarray  # (K, criteria) bool  what is to be mended there
    value: dict[str, np.ndarray]  # by criterion, (S, K)
    progress: np.ndarray  # (S, K, criteria)  0 no better to 1 firm; 1 where it was firm before
    information: np.ndarray  # (S,)  gain, nats; nan where the shot has no solve to gain by
    drift_px: np.ndarray  # (S,)  worst drift, 95 of 100 takes
    cleanup_px: np.ndarray  # (S,)  tape on or near a performer's edge, thousand delivery pixels over all frames
    seen: np.ndarray  # (S,)  sightings, all frames

    @property
    def mended(self) -> np.ndarray:
        """(S, K) bool: frames that one candidate alone makes firm."""
        return np.asarray((self.progress >= 1 - 1e-9).all(axis=2) & self.short.any(axis=1) & self.open)

    @property
    def weight(self) -> np.ndarray:
        """(K, criteria) frames that each key frame stands for, shared out among what is to be mended there."""
        return np.asarray(self.share * self.short / np.maximum(self.short.sum(axis=1, keepdims=True), 1))


@dataclass(frozen=True, slots=True, eq=False)
class Sighted:
    """Candidates in the key frames of one shot."""

    sightings: Sightings  # (K, Q)
    group: np.ndarray  # (Q,) int
    point_m: np.ndarray  # (Q, 3)
    run: np.ndarray  # (K, Q) int  first key frame of the run
    covariance_px2: np.ndarray  # (K, Q, 2, 2) by which a solve weighs it, zero where not seen
    beside_px: np.ndarray  # (K, Q, 2) by which it is off in every take alike

    @property
    def seen(self) -> np.ndarray:
        """(K, Q) bool."""
        return self.sightings.seen


def gains(rehearsal: Rehearsal, candidates: Candidates, rows: np.ndarray | None = None) -> Gains:
    """What each candidate alone makes of a rehearsed shot."""
    r = rehearsal
    rows = key_rows(len(r.track)) if rows is None else rows
    s = len(candidates.names)
    found = sighted(r, candidates, rows)
    per = np.zeros((s, len(rows)))
    np.add.at(per, found.group, found.seen.T)
    value = {"features": r.readiness.features[rows] + per}
    drift, jitter, information = _slides(r, found, rows, s)
    value |= {"drift": drift, "jitter": jitter}
    if not r.readiness.rotation_only:
        value["out_of_plane"], value["depths"] = _parallax(r, found, rows, s)
    still = {
        "features": r.readiness.features, "out_of_plane": r.readiness.out_of_plane_sigma, "depths": r.readiness.depths,
        "drift": r.readiness.drift_px, "jitter": r.readiness.jitter_px,
    }  # fmt: skip
    progress = np.ones((s, len(rows), len(CRITERIA)))
    short = np.zeros((len(rows), len(CRITERIA)), bool)
    for i, name in enumerate(CRITERIA):
        if name in value:
            now = still[name][rows].astype(float)
            firm, low = getattr(r.criteria, name)[0], name in ("drift", "jitter")
            progress[..., i] = _progress(now, value[name], firm, low)
            short[:, i] = (now > firm) if low else (now < firm)
            if name != "features":  # what hangs on a single track goes with it when that breaks or jumps
                progress[..., i] = np.where(short[:, i], progress[..., i] * np.minimum(per / TRACKS, 1.0), 1.0)
    with np.errstate(invalid="ignore"):
        worst = np.nanmax(np.where(np.isnan(drift), -np.inf, drift), axis=1, initial=0.0)
    share = len(r.track) / len(rows)
    return Gains(
        rows, share, r.readiness.state[rows] != FIRM, short, value, progress, information, worst,
        cleanup_of(r, candidates, rows), per.sum(axis=1) * share,
    )  # fmt: skip


def _progress(now: np.ndarray, then: np.ndarray, firm: float, low: bool) -> np.ndarray:
    """(S, K) how much of the way from ``now`` (K,) to the limit ``then`` has come; slides by their logarithm."""
    if low:
        now, then, firm = (-np.log(np.maximum(v, 1e-6)) for v in (np.minimum(now, 1e6), np.minimum(then, 1e6), firm))
    good = (now >= firm) | np.isnan(now)
    way = np.where(good, 1.0, firm - now)
    out: np.ndarray = np.where(good, 1.0, np.clip((then - now) / way, 0, 1))
    return np.asarray(np.nan_to_num(out, nan=0.0))


def sighted(rehearsal: Rehearsal, candidates: Candidates, rows: np.ndarray) -> Sighted:
    """Candidates in some frames, each as if it were the only one."""
    r = rehearsal
    features = candidates.layout.features
    looks = looks_of(candidates.plan, r.shot, candidates.layout, r.criteria.channel)
    alone = replace(r.criteria, apart=0.0)  # candidates do not crowd each other
    found = sight(features, r.track, r.occluders, alone, rows, spread_of(features), looks)
    why = found.why
    why[(why == SEEN) & _crowded(r, found.uv_px, features.owner, why == SEEN, rows)] = MERGED
    step = len(r.track) / len(rows)
    why[:] = drop_short(why, max(1, round(r.criteria.track_frames / step)))
    return Sighted(found, features.owner, *_weighed(r, features, found, rows))


def _weighed(
    rehearsal: Rehearsal, features: Features, found: Sightings, rows: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Points, runs, weights and offsets as :func:`..prove.shot.shot_network` has them, bands each as one point."""
    seen, track = found.seen, only_rows(rehearsal.track, rows)
    covariance = match_covariance(found.covariance[seen].astype(float), seen)
    points, beside = as_points(features, np.arange(len(features)), track, track.centre_m, seen, covariance)
    return points, runs(seen)[0], covariance + unexplained(beside, seen), beside


def _crowded(
    rehearsal: Rehearsal, uv_px: np.ndarray, group: np.ndarray, seen: np.ndarray, rows: np.ndarray
) -> np.ndarray:
    """(K, Q) bool: too near to a feature that is there already, or to the candidate's own next one."""
    apart = rehearsal.criteria.apart
    out = np.zeros(seen.shape, bool)
    if apart <= 0:
        return out
    neighbour = np.flatnonzero(group[1:] == group[:-1])
    for k, row in enumerate(rows):
        step = np.hypot(*(uv_px[k, neighbour + 1] - uv_px[k, neighbour]).T)
        near = neighbour[(step < apart) & seen[k, neighbour] & seen[k, neighbour + 1]]
        out[k, near] = out[k, near + 1] = True
        there = rehearsal.sightings.uv_px[row, rehearsal.sightings.seen[row]]
        mine = np.flatnonzero(seen[k])
        if len(there) and len(mine):
            out[k, mine] |= _beside(uv_px[k, mine], there, apart)
    return out


def _beside(points: np.ndarray, others: np.ndarray, apart: float) -> np.ndarray:
    """(P,) bool: one of ``others`` (O, 2) is nearer than ``apart``; only those near enough in x are asked."""
    order = np.argsort(others[:, 0])
    others = others[order]
    low = np.searchsorted(others[:, 0], points[:, 0] - apart)
    high = np.searchsorted(others[:, 0], points[:, 0] + apart)
    out = np.zeros(len(points), bool)
    for step in range(int((high - low).max(initial=0))):
        at = np.flatnonzero(low + step < high)
        away = points[at] - others[low[at] + step]
        out[at] |= (away * away).sum(axis=1) < apart * apart
    return out


# --- slide -----------------------------------------------------------------------------------------------------


def shot_core(rehearsal: Rehearsal, rows: np.ndarray | None = None) -> Core | None:
    """The shot's core; with the lens held where its prediction holds it."""
    unknowns = Unknowns(rotation_only=rehearsal.network.unknowns.rotation_only)
    return core_of(rehearsal.network, rows, unknowns if rehearsal.prediction.lens_held else None)


def extra_points(found: Sighted, groups: int) -> Extra:
    """Sighted candidates as an update takes them."""
    return Extra(
        found.point_m, found.group, groups, found.sightings.uv_px, found.seen, found.covariance_px2, found.beside_px
    )


def _slides(
    rehearsal: Rehearsal, found: Sighted, rows: np.ndarray, groups: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(S, K) drift and jitter, 95 of 100 takes, and (S,) information gained."""
    none = np.full((groups, len(rows)), np.nan)
    core = shot_core(rehearsal, rows)
    now = rehearsal.readiness.drift_px[rows], rehearsal.readiness.jitter_px[rows]
    if core is None:
        drift, jitter = (np.broadcast_to(v, none.shape).copy() for v in now)
        return drift, jitter, np.full(groups, np.nan)
    some = np.unique(found.group[found.seen.any(axis=0)])
    part = np.isin(found.group, some)
    seen_only = Sighted(
        Sightings(**{name: getattr(found.sightings, name)[:, part] for name in Sightings.__slots__}),
        np.searchsorted(some, found.group[part]), found.point_m[part], found.run[:, part],
        found.covariance_px2[:, part], found.beside_px[:, part],
    )  # fmt: skip
    before = standing_still(core)
    after = changed(core, delta_of(core, extra_points(seen_only, len(some)))) if len(some) else None
    drift, jitter = (np.broadcast_to(v, none.shape).copy() for v in now)
    information = np.zeros(groups)
    if after is not None:
        drift_then, jitter_then = predicted(now, before, after, core)
        drift[some[:, None], core.asked] = drift_then
        jitter[some[:, None], core.asked] = jitter_then
        information[some] = after.information - before.information[0]
    return drift, jitter, information


def predicted(
    now: tuple[np.ndarray, np.ndarray], before: Changed, after: Changed, core: Core
) -> tuple[np.ndarray, np.ndarray]:
    """(S, A) drift and jitter after changes: what the full prediction said (K,), times what the core says.

    The core's slide is the drift itself, to a calibration, and takes its place where there was no solve before; off by
    a third at most shots tried. Jitter goes with what a single frame's own sightings leave, and is good to a tenth.
    """
    drift, jitter = (values[core.asked] for values in now)
    own, first = _radius(after.slide_px2), _radius(before.slide_px2)[0]
    with np.errstate(all="ignore"):
        scale = np.where(np.isfinite(drift) & np.isfinite(first) & (first > 0), drift / first, 1.0)
        ratio = np.sqrt(after.own_px2 / before.own_px2)
        alone = np.sqrt(after.own_px2)
    own = np.where(np.isfinite(own), own, np.inf)
    calibrated = np.where(np.isfinite(jitter), jitter * np.where(np.isfinite(ratio), ratio, 1.0), alone)
    return own * np.clip(scale, 0.25, 4.0), calibrated


def _radius(slide_px2: np.ndarray) -> np.ndarray:
    """(...) what 95 of 100 takes stay below; infinite where nothing is fixed."""
    wild = ~(np.trace(slide_px2, axis1=-2, axis2=-1) < WILD_PX2)
    return np.asarray(np.where(wild, np.inf, radius(np.where(wild[..., None, None], 0.0, slide_px2), 0.95)))


# --- parallax --------------------------------------------------------------------------------------------------


def _parallax(rehearsal: Rehearsal, found: Sighted, rows: np.ndarray, groups: int) -> tuple[np.ndarray, np.ndarray]:
    """(S, K) out-of-plane signal and depths told apart, as far as the firm limit asks."""
    r, k = rehearsal, len(rows)
    signal = np.broadcast_to(r.readiness.out_of_plane_sigma[rows], (groups, k)).copy()
    depths = np.broadcast_to(r.readiness.depths[rows].astype(float), (groups, k)).copy()
    most = int(np.ceil(r.criteria.depths[0]))
    if (signal >= r.criteria.out_of_plane[0]).all() and (depths >= most).all():
        return signal, depths
    seen_before = r.sightings.seen[rows]
    ever = np.flatnonzero(seen_before.any(axis=0))
    run_before = runs(r.sightings.seen)[0][rows][:, ever]
    seen_before = seen_before[:, ever]
    sigma_before = np.hypot(larger_sigma(r.sightings.covariance[rows][:, ever]), r.criteria.sigma)
    sigma = np.hypot(larger_sigma(found.sightings.covariance), r.criteria.sigma)
    points = r.layout.features.position_m[ever], found.point_m
    best = np.zeros((groups, k))
    for a, b in _pairs(k):
        common = seen_before[a] & seen_before[b] & (run_before[a] == run_before[b])
        mine = found.seen[a] & found.seen[b] & (found.run[a] == found.run[b])
        if common.sum() < 5 or not mine.any():
            continue
        columns = np.flatnonzero(common)
        ends = [_images(p, r.track, rows[[a, b]]) for p in (points[0][columns], points[1][mine])]
        trust = 1 / (np.square(sigma_before[a, columns]) + np.square(sigma_before[b, columns]))
        own_trust = 1 / (np.square(sigma[a, mine]) + np.square(sigma[b, mine]))
        strength, count = _pair(ends, trust, own_trust, found.group[mine], groups, r.track, rows[[a, b]], most)
        for key in (a, b):
            better = strength > best[:, key]
            best[better, key] = strength[better]
            signal[:, key] = np.maximum(signal[:, key], strength)
            depths[better, key] = np.maximum(depths[better, key], count[better])
    return signal, depths


def _pairs(keys: int) -> list[tuple[int, int]]:
    pairs = {(a, a + step) for step in PAIR_STEPS for a in range(keys - step)}
    return sorted(pairs | {(0, b) for b in range(1, keys)})


def _images(points_m: np.ndarray, track: CameraTrack, pair: np.ndarray) -> np.ndarray:
    """(2, N, 2) images about the principal point in a pair of frames, in focal lengths across."""
    return np.stack([pinhole_px(points_m, track, slice(row, row + 1))[0] / track.focal_px[row, 0] for row in pair])


def _pair(
    ends: list[np.ndarray], trust: np.ndarray, own_trust: np.ndarray, group: np.ndarray, groups: int,
    track: CameraTrack, pair: np.ndarray, most: int,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """(S,) signal and depths of one pair of frames, each candidate beside what was there before."""
    unit = track.focal_px[pair[1], 0]
    (x, u), (own_x, own_u) = ends
    rest, h = homography_rest(x[None], u[None], trust[None])
    h = h[0] / h[0, 2, 2]
    rest, slope = rest[0] * unit, _slope(x, h) * unit
    mapped = own_x @ h[:2, :2].T + h[:2, 2]
    own_rest = (own_u - mapped / (own_x @ h[2, :2] + 1)[:, None]) * unit
    own_slope = _slope(own_x, h) * unit
    matrix = np.einsum("n,nia,nib->ab", trust, slope, slope)
    matrix += 1e-12 * np.trace(matrix) * np.eye(8)
    start = np.einsum("n,nia,ni->a", trust, slope, rest)
    square = float(np.einsum("n,ni,ni->", trust, rest, rest))
    matrices, rights = np.tile(matrix, (groups, 1, 1)), np.tile(start, (groups, 1))
    squares = np.full(groups, square)
    np.add.at(matrices, group, np.einsum("n,nia,nib->nab", own_trust, own_slope, own_slope))
    np.add.at(rights, group, np.einsum("n,nia,ni->na", own_trust, own_slope, own_rest))
    np.add.at(squares, group, own_trust * (own_rest * own_rest).sum(axis=1))
    some = np.unique(group)
    step = np.linalg.solve(matrices[some], rights[some][..., None])[..., 0]
    signal, count = np.zeros(groups), np.ones(groups)
    signal[some] = np.sqrt(np.maximum(squares[some] - (step * rights[some]).sum(axis=1), 0))
    part = np.linspace(0, len(x) - 1, min(len(x), MOST_COLUMNS)).astype(int)
    width = int(np.bincount(group).max())
    place = np.arange(len(group)) - np.searchsorted(group, group)
    row = np.searchsorted(some, group)
    rests = np.zeros((len(some), len(part) + width, 2))
    trusts, image = np.zeros((len(some), len(part) + width)), np.zeros((len(some), len(part) + width, 2))
    rests[:, : len(part)] = rest[part] - np.einsum("nia,sa->sni", slope[part], step)
    trusts[:, : len(part)], image[:, : len(part)] = trust[part], u[part]
    at = row, len(part) + place
    rests[at] = own_rest - np.einsum("nia,na->ni", own_slope, step[row])
    trusts[at], image[at] = own_trust, own_u
    turn = track.world_from_cam[pair[1], :3, :3]
    travel = turn.T @ (track.centre_m[pair[0]] - track.centre_m[pair[1]])
    towards = travel[:2] * track.focal_px[pair[1]] / unit - image * travel[2]
    signed = np.copysign(np.linalg.norm(rests, axis=-1), (rests * towards).sum(axis=-1))
    count[some] = levels(signed, trusts, most)
    return signal, count


def _slope(x: np.ndarray, h: np.ndarray) -> np.ndarray:
    """(N, 2, 8) derivatives of the mapped place by the homography's first eight numbers."""
    one = np.ones(len(x))
    w = x @ h[2, :2] + 1
    mapped = (x @ h[:2, :2].T + h[:2, 2]) / w[:, None]
    out = np.zeros((len(x), 2, 8))
    for i in range(2):
        out[:, i, 3 * i : 3 * i + 3] = np.column_stack([x, one]) / w[:, None]
        out[:, i, 6:] = -mapped[:, i, None] * x / w[:, None]
    return out


# --- cleanup ---------------------------------------------------------------------------------------------------


def cleanup_of(rehearsal: Rehearsal, candidates: Candidates, rows: np.ndarray) -> np.ndarray:
    """(S,) cleanup load of candidates."""
    layout, r = candidates.layout, rehearsal
    features = layout.features
    first = len(layout.markers.name)
    pole = np.array([stand.pole for stand in candidates.plan.stands])
    area = np.where(features.kind == BAND, features.size_m * np.append(pole, 0.0)[features.owner - first], 0.0)
    if first:
        of = features.owner < first
        count = np.bincount(features.owner[of], minlength=first)
        area[of] = (layout.markers.size_m**2 / np.maximum(count, 1))[features.owner[of]]
    return edge_load(r, features.position_m, area, features.owner, len(candidates.names), rows)


def edge_load(
    rehearsal: Rehearsal, point_m: np.ndarray, area_m2: np.ndarray, group: np.ndarray, groups: int, rows: np.ndarray
) -> np.ndarray:
    """(S,) tape on or near a performer's edge or before a performer, thousand delivery pixels over all frames.

    point_m : (Q, 3) patches of tape; area_m2 : (Q,) their sizes, square to the view; group : (Q,) int whose they are
    """
    r = rehearsal
    performers = r.occluders[: len(r.occluders) - len(r.plan.gear)]
    load = np.zeros(groups)
    left, top, right, bottom = r.track.delivery_px
    for row in rows if performers else ():
        uv, depth = project(point_m, r.track, slice(row, row + 1))
        u, v = uv[0].T
        with np.errstate(invalid="ignore"):
            inside = np.flatnonzero((depth[0] > 0) & (u >= left) & (u <= right) & (v >= top) & (v <= bottom))
        eye = np.broadcast_to(r.track.centre_m[row], (len(inside), 3))
        ray = point_m[inside] - eye
        distance = np.maximum(np.linalg.norm(ray, axis=1), EDGE_M)
        far = eye + ray * (200 / distance)[:, None]
        near = np.zeros(len(inside), bool)
        for occluder in performers:
            near |= occluder.hides(np.full(len(inside), row), eye, far, EDGE_M / distance)
            behind = occluder.hides(np.full(len(inside), row), eye, point_m[inside], -EDGE_M / distance)
            near &= ~behind  # wholly hidden: nobody sees it
        px = float(np.sqrt(r.track.focal_px[row].prod())) * r.track.delivery_scale / depth[0, inside]
        np.add.at(load, group[inside[near]], (area_m2[inside] * px * px)[near])
    return load * len(r.track) / max(len(rows), 1) / 1000
