"""Takes that are not quite what was planned, many at once: the camera strays, performers miss their marks.

A take is scored in a few key frames, all takes of a batch by one call. What a frame says by itself (features, blur,
contrast) is what a rehearsal would say; drift, jitter, signal and depths come from the key frames alone and are scaled
by what the planned take's rehearsal says over what its own key frames say.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..camera.axes import from_pan_tilt_roll, pan_tilt_roll, quaternion_from_matrix
from ..camera.track import CameraTrack, only_rows
from ..plan.criteria import REFERENCE
from ..plan.model import Blocker, CameraSample, Plan
from ..prove.shot import shot_network
from ..readiness.rehearse import Rehearsal
from ..readiness.score import Judged, measure
from ..readiness.verdict import FIRM, THIN
from ..sightings.blockers import Occluder
from ..sightings.sighting import Sightings, larger_sigma
from ..sightings.tracks import runs
from ..sightings.visibility import BYTES_PER_SIGHTING, CHUNK_BYTES, Spread, sight, spread_of
from ..solve.network import Unknowns
from ..solve.parallax import is_rotation_only, measure_parallax
from ..solve.slide import radius
from ..sources import (
    DISTANCE_ASTRAY,
    FOCAL_ASTRAY,
    HEIGHT_ASTRAY,
    PAN_ASTRAY,
    PERFORMER_ASTRAY,
    ROLL_ASTRAY,
    SPEED_ASTRAY,
)
from ..stage.layout import Layout
from .update import core_of, standing_still

KEYS, FEWEST_KEYS, APART = (
    12,
    5,
    12,
)  # frames in which a take is scored: so many, so few in short shots, and so far apart
BESIDE = 2  # frames before and after a frame that its image motion takes
PERFORMERS = ("capsule", "ellipsoid")  # blockers that stray even where they have no path


@dataclass(frozen=True, slots=True)
class Way:
    """One way in which a take may differ from the plan, the whole take through."""

    name: str
    sigma: float  # of plausible takes; radians, metres, or a part of itself
    reach: float  # as far as it is followed to either side
    unit: str  # "degrees", "m", "%"
    words: tuple[str, str]  # what less and what more of it means

    def shown(self, value: float) -> float:
        """In its unit."""
        return value * {"degrees": 180 / math.pi, "m": 1.0, "%": 100.0}[self.unit]


WAYS = (
    Way("pan", math.radians(PAN_ASTRAY.value), math.radians(30), "degrees", ("right", "left")),
    Way("tilt", math.radians(PAN_ASTRAY.value), math.radians(20), "degrees", ("down", "up")),
    Way("roll", math.radians(ROLL_ASTRAY.value), math.radians(30), "degrees", ("counter-clockwise", "clockwise")),
    Way("height", HEIGHT_ASTRAY.value, 1.0, "m", ("lower", "higher")),
    Way("track distance", DISTANCE_ASTRAY.value, 2.0, "m", ("nearer", "farther")),
    Way("focal length", FOCAL_ASTRAY.value, 0.5, "%", ("shorter", "longer")),
    Way("speed", SPEED_ASTRAY.value, 0.8, "%", ("slower", "faster")),
    Way("performer across", PERFORMER_ASTRAY.value, 3.0, "m", ("left", "right")),
    Way("performer upstage", PERFORMER_ASTRAY.value, 3.0, "m", ("downstage", "upstage")),
)
PAN, TILT, ROLL, HEIGHT, DISTANCE, FOCAL, SPEED, ACROSS, UPSTAGE = range(len(WAYS))


def ways_of(rehearsal: Rehearsal) -> np.ndarray:
    """Rows of ``WAYS`` that mean something in a shot: no performers, no steps of theirs."""
    some = any(_strays(blocker) for blocker in rehearsal.plan.blockers if _in_shot(blocker, rehearsal))
    return np.arange(len(WAYS) if some else ACROSS)


def _in_shot(blocker: Blocker, rehearsal: Rehearsal) -> bool:
    return not blocker.shots or rehearsal.shot.name in blocker.shots


def _strays(blocker: Blocker) -> bool:
    return bool(blocker.keys) or blocker.kind in PERFORMERS


@dataclass(frozen=True, slots=True, eq=False)
class Strayed:
    """An occluder in other frames and elsewhere."""

    name: str
    centre_m: np.ndarray
    radius_m: float
    inner: Occluder
    row: np.ndarray  # (G,) int  frame of ``inner``
    shift_m: np.ndarray  # (G, 3)

    def hides(self, frame: np.ndarray, eye_m: np.ndarray, point_m: np.ndarray, window_rad: np.ndarray) -> np.ndarray:
        """See :class:`Occluder`."""
        shift = self.shift_m[frame]
        return self.inner.hides(self.row[frame], eye_m - shift, point_m - shift, window_rad)

    def mesh_at(self, frame_row: int) -> tuple[np.ndarray, np.ndarray]:
        """See :class:`Occluder`."""
        vertices, triangles = self.inner.mesh_at(int(self.row[frame_row]))
        return vertices + self.shift_m[frame_row], triangles


def strayed_track(rehearsal: Rehearsal, takes: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cameras of takes at moments of the shot.

    takes : (T, W) how each differs, as in ``WAYS``
    at : (M,) rows of the planned track, also before the first and after the last
    returns (T, M, 4, 4) world_from_cam; (T, M) the row of the planned track that the take has come to; (T, M) times
        that its focal length is longer
    """
    track = rehearsal.track
    way = {i: takes[:, i, None] for i in range(takes.shape[1])}
    f = len(track)
    moment = np.clip(at * (1 + way[SPEED]), -BESIDE, f - 1 + BESIDE)
    planned = np.column_stack([track.centre_m, np.unwrap(pan_tilt_roll(track.world_from_cam), axis=0)])
    if f > 1:  # the move goes on for a moment before and after: image motion is asked for at the ends too
        ends = [planned[0] + n * (planned[1] - planned[0]) for n in range(-BESIDE, 0)]
        beyond = [planned[-1] + n * (planned[-1] - planned[-2]) for n in range(1, BESIDE + 1)]
        planned = np.concatenate([ends, planned, beyond])
    else:
        planned = np.repeat(planned, 2 * BESIDE + 1, axis=0)
    rows = np.arange(len(planned)) - BESIDE
    now = np.stack([np.interp(moment, rows, column) for column in planned.T], axis=-1)
    away = track.centre_m.mean(axis=0) - rehearsal.network.action_m
    level = away[:2] / max(float(np.hypot(*away[:2])), 1e-9)
    now[..., :2] += way[DISTANCE][..., None] * level
    now[..., 2] += way[HEIGHT]
    now[..., 3:] += takes[:, None, [PAN, TILT, ROLL]]
    poses = from_pan_tilt_roll(now[..., :3].reshape(-1, 3), now[..., 3:].reshape(-1, 3))
    return poses.reshape(*now.shape[:2], 4, 4), moment, np.broadcast_to(1 + way[FOCAL], moment.shape)


def take_plan(rehearsal: Rehearsal, take: np.ndarray) -> Plan:
    """The plan with one take (W,) as if it had been planned so, camera sampled frame by frame: for an honest look."""
    r, track = rehearsal, rehearsal.track
    rows = np.arange(len(track))
    poses, moment, longer = strayed_track(r, take[None], rows)
    turn = quaternion_from_matrix(poses[0, :, :3, :3])
    focal = np.interp(moment[0], rows, track.focal_mm) * longer[0]
    focus = np.interp(moment[0], rows, track.focus_m)
    samples = tuple(
        CameraSample(at=tuple(p[:3, 3].tolist()), turn=tuple(q.tolist()), focal_length=float(a), focus=float(b))
        for p, q, a, b in zip(poses[0], turn, focal, focus, strict=True)
    )
    shot = replace(r.shot, move=None, keys=(), samples=samples)
    step = np.array([take[ACROSS], take[UPSTAGE], 0.0]) if len(take) > ACROSS else np.zeros(3)
    return replace(
        r.plan, shots=tuple(shot if s.name == shot.name else s for s in r.plan.shots),
        blockers=tuple(_moved(b, step) if _strays(b) else b for b in r.plan.blockers),
    )  # fmt: skip


def _moved(blocker: Blocker, step: np.ndarray) -> Blocker:
    def there(at: tuple[float, float, float]) -> tuple[float, float, float]:
        x, y, z = (np.array(at) + step).tolist()
        return x, y, z

    keys = tuple(replace(key, at=there(key.at)) for key in blocker.keys)
    return replace(blocker, at=there(blocker.at), keys=keys)


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """T takes in K key frames."""

    state: np.ndarray  # (T, K)
    worst: np.ndarray  # (T, K) int  which of ``MEASURES`` decides
    room: np.ndarray  # (T, K)  how many times over the limit is met beyond which it would be worse; inf if lost


MEASURES = ("features", "blur", "contrast", "drift", "jitter", "out_of_plane", "depths")
LOW = ("blur", "drift", "jitter")


@dataclass(frozen=True, slots=True, eq=False)
class Scorer:
    """What scoring takes of one shot needs, worked out once."""

    rehearsal: Rehearsal
    rows: np.ndarray  # (K,) int
    layout: Layout  # only the features that the shot may ever see
    spread: Spread
    scale: dict[str, np.ndarray]  # (K,) what the planned take's rehearsal says over what its key frames say
    planned: np.ndarray  # (K,) state in its rehearsal
    above: np.ndarray  # (K,) px by which the key frames say more drift than the planned take's rehearsal

    @property
    def at_once(self) -> int:
        """Takes of a batch."""
        return max(1, CHUNK_BYTES // (BYTES_PER_SIGHTING * len(self.rows) * max(1, len(self.layout.features))))

    def scored(self, takes: np.ndarray) -> Iterator[Scored]:
        """Takes (T, W) batch by batch."""
        for start in range(0, len(takes), self.at_once):
            yield self._batch(takes[start : start + self.at_once])

    def _batch(self, takes: np.ndarray) -> Scored:
        values = {name: np.array(found) for name, found in _measured(self, takes).items()}
        drift = values["drift"] - self.above
        for name, scale in self.scale.items():
            values[name] = values[name] * scale
        # What bands are off by grows otherwise than noise: no more is taken off than off the planned take.
        values["drift"] = np.fmax(values["drift"], drift)
        return judged(values, self.rehearsal)


def judged(values: dict[str, np.ndarray], rehearsal: Rehearsal) -> Scored:
    """States of measures, each (..., K)."""
    asked = [name for name in MEASURES if name in values]
    every = []
    for name in asked:
        firm_limit, thin_limit = getattr(rehearsal.criteria, name)
        every.append(Judged(name, values[name].astype(float), firm_limit, thin_limit, name not in LOW))
    states, headroom = np.stack([j.state for j in every]), np.stack([j.headroom for j in every])
    state = states.max(axis=0)
    first = np.lexsort((headroom, -states), axis=0)[0]
    number = np.array([MEASURES.index(name) for name in asked])
    # What a frame still has before it gets worse than it is.
    room = np.full(state.shape, np.inf)
    for j in every:
        if j.code != "contrast":  # the paint's, the same in frame after frame
            thin = replace(j, firm=j.thin).headroom
            room = np.minimum(room, np.select([state == FIRM, state == THIN], [j.headroom, thin], np.inf))
    return Scored(state, number[first], room)


def scorer_of(rehearsal: Rehearsal) -> Scorer:
    """Key frames: those that are nearest to getting worse, spread over the shot."""
    r, shot = rehearsal, rehearsal.readiness
    whole = {
        "features": shot.features, "blur": shot.blur_px, "contrast": shot.contrast_stops, "drift": shot.drift_px,
        "jitter": shot.jitter_px,
    }  # fmt: skip
    if not shot.rotation_only:
        whole |= {"out_of_plane": shot.out_of_plane_sigma, "depths": np.minimum(shot.depths, _most_depths(r))}
    room = judged(whole, r).room
    keys = max(FEWEST_KEYS, min(KEYS, len(r.track) // APART)) + 2
    rows = _key_rows(room, min(keys, len(r.track)))
    first = Scorer(r, rows, r.layout, spread_of(r.layout.features), {}, shot.state[rows], np.zeros(len(rows)))
    own = _measured(first, np.zeros((1, len(WAYS))))
    scale = {}
    for name, values in whole.items():
        if name in own and name not in ("blur", "contrast"):
            now, said = own[name][0], values[rows].astype(float)
            with np.errstate(all="ignore"):
                ratio = said / now
            scale[name] = np.where(np.isfinite(ratio) & (ratio > 0), ratio, 1.0)
    with np.errstate(invalid="ignore"):
        above = np.nan_to_num(own["drift"][0] - shot.drift_px[rows], nan=0.0, posinf=0.0, neginf=0.0)
    return replace(first, scale=scale, above=above)


def _key_rows(room: np.ndarray, keys: int) -> np.ndarray:
    """(K,) rows: both ends, where slide is worst; of each part the one with the least room; then others with little."""
    parts = np.array_split(np.arange(len(room)), max((keys - 1) // 2, 1))
    rows = list({0, len(room) - 1, *(int(part[np.argmin(room[part])]) for part in parts)})[:keys]
    apart = max(1, len(room) // (4 * max(keys - 2, 1)))
    for row in np.argsort(room, kind="stable"):
        if len(rows) == keys:
            break
        if min(abs(int(row) - other) for other in rows) >= apart:
            rows.append(int(row))
    return np.sort(rows)


def _measured(scorer: Scorer, takes: np.ndarray) -> dict[str, list[np.ndarray]]:
    """By measure (T, K): what the key frames of takes (T, W) say."""
    r, rows = scorer.rehearsal, scorer.rows
    t, k = len(takes), len(rows)
    beside = 2 * BESIDE + 1
    moments = (rows[:, None] + np.arange(-BESIDE, BESIDE + 1)).ravel()
    poses, moment, longer = strayed_track(r, takes, moments)
    track = _stacked(r.track, poses.reshape(-1, 4, 4), moment.ravel(), longer.ravel())
    occluders = _occluders(r, takes, np.tile(np.clip(moments, 0, len(r.track) - 1), t), k * beside)
    middle = np.arange(t * k) * beside + BESIDE
    found = sight(scorer.layout.features, track, occluders, r.criteria, middle, scorer.spread, r.looks)
    single = only_rows(track, middle)
    out: dict[str, list[np.ndarray]] = {}
    for n in range(t):
        part = slice(n * k, (n + 1) * k)
        own = Sightings(**{name: getattr(found, name)[part] for name in Sightings.__slots__})
        for name, value in _of_take(scorer, own, only_rows(single, np.arange(n * k, (n + 1) * k))).items():
            out.setdefault(name, []).append(value)
    return out


def _stacked(track: CameraTrack, poses: np.ndarray, moment: np.ndarray, longer: np.ndarray) -> CameraTrack:
    rows = np.arange(len(track))

    def then(values: np.ndarray) -> np.ndarray:
        return np.asarray(np.interp(moment, rows, values))

    focal_px = np.stack([then(values) for values in track.focal_px.T], axis=1) * longer[:, None]
    return replace(
        track, frame=np.arange(len(poses)), world_from_cam=poses, focal_px=focal_px,
        focal_mm=then(track.focal_mm) * longer, focus_m=then(track.focus_m), stop=then(track.stop),
    )  # fmt: skip


def _occluders(r: Rehearsal, takes: np.ndarray, row: np.ndarray, each: int) -> tuple[Occluder, ...]:
    steps = np.zeros((len(row), 3))
    if takes.shape[1] > ACROSS:
        steps[:, :2] = np.repeat(takes[:, [ACROSS, UPSTAGE]], each, axis=0)
    strays = {blocker.name: _strays(blocker) for blocker in r.plan.blockers}
    out = []
    for n, inner in enumerate(r.occluders):
        gear = n >= len(r.occluders) - len(r.plan.gear)
        shift = steps if not gear and strays.get(inner.name, True) else np.zeros_like(steps)
        out.append(Strayed(inner.name, inner.centre_m[row] + shift, inner.radius_m, inner, row, shift))
    return tuple(out)


def _of_take(scorer: Scorer, own: Sightings, track: CameraTrack) -> dict[str, np.ndarray]:
    """By measure (K,)."""
    r, k = scorer.rehearsal, len(track)
    seen = own.seen
    measures = measure(scorer.layout, r.looks, own)
    out = {"features": seen.sum(axis=1), "blur": measures.blur_px, "contrast": measures.contrast_stops}
    nearest = float(np.min(own.depth_m, where=seen, initial=np.inf))
    turns = r.readiness.rotation_only and is_rotation_only(track, nearest, r.criteria.sigma)
    criteria = replace(r.criteria, matching=REFERENCE, track_frames=1)
    camera = next(camera for camera in r.plan.cameras if camera.name == r.shot.camera)
    network = shot_network(r.shot, camera, scorer.layout, track, criteria, own, turns)
    share = len(r.track) / k
    network = replace(network, covariance_px2=network.covariance_px2 / share)
    held = Unknowns(rotation_only=turns)
    rows = np.arange(k)
    core = core_of(network, rows, held if r.prediction.lens_held else None)
    out["drift"], out["jitter"] = (np.where(network.in_view, np.inf, np.nan) for _ in range(2))
    if core is not None:
        core = replace(core, share=share, weight=core.weight / share)
        slide = standing_still(core)
        with np.errstate(over="ignore"):  # of a camera that is all but free
            out["drift"][core.asked] = radius(slide.slide_px2[0], 0.95)
        out["jitter"][core.asked] = np.sqrt(slide.own_px2[0])
    if not r.readiness.rotation_only:
        of = np.unique(network.feature)
        sigma = np.hypot(larger_sigma(own.covariance[:, of]), r.criteria.sigma)
        points, seen = scorer.layout.features.position_m[of], seen[:, of]
        parallax = measure_parallax(points, track, seen, runs(seen)[0], sigma, _most_depths(r))
        out["out_of_plane"], out["depths"] = parallax.signal_sigma, parallax.depths
    return out


def _most_depths(rehearsal: Rehearsal) -> int:
    """Counting further than this decides nothing."""
    return math.ceil(2 * rehearsal.criteria.depths[0]) + 1


def holds(scored: Scored, planned: np.ndarray) -> np.ndarray:
    """(T,) bool: no frame is worse than planned."""
    return np.asarray((scored.state <= planned).all(axis=1))


def firm(scored: Scored) -> np.ndarray:
    """(T,) bool: every frame is firm."""
    return np.asarray((scored.state == FIRM).all(axis=1))
