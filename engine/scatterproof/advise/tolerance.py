"""How far a take may stray from the planned move before readiness falls, and how likely takes keep it.

Takes stray in all ways at once, spread by a low-discrepancy sequence: the additive recurrence whose steps are powers of
the generalised golden ratio (M. Roberts, "The unreasonable effectiveness of quasirandom sequences", 2018, from memory),
shifted by a seed. Every take is sighted and scored by the usual rules in a few key frames; its slide comes from the key
frames' reduced matrix, calibrated on the planned take. The interval is Wilson's ("Probable inference, the law of
succession, and statistical inference", 1927, from memory), for independent takes; an even sequence does a bit better.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import NormalDist

import numpy as np

from ..camera.axes import from_pan_tilt_roll, matrix_from_quaternion, pan_tilt_roll, quaternion_from_matrix
from ..camera.lens import project
from ..camera.track import CameraTrack
from ..plan.criteria import REFERENCE
from ..plan.model import Plan
from ..problems import one_problem
from ..prove.shot import shot_network
from ..readiness.rehearse import Rehearsal, rehearse
from ..readiness.score import judge, measure
from ..readiness.verdict import FIRM
from ..sightings.blockers import Occluder, Placed, place
from ..sightings.photometry import Looks
from ..sightings.sighting import Sightings, larger_sigma
from ..sightings.tracks import drop_short, runs
from ..sightings.visibility import sight, spread_of
from ..solve.network import Unknowns
from ..solve.parallax import measure_parallax
from ..sources import OURS, Sourced
from ..stage.layout import Features, Layout
from .advise import Step
from .gain import predicted
from .update import Changed, Core, core_of, key_rows, standing_still

# How far takes stray from a planned move, one standard deviation: a rehearsed crew on marks.
STRAY_ANGLE = Sourced(0.7, "degrees", f"{OURS}: pan and tilt of an operator on marks")
STRAY_ROLL = Sourced(0.3, "degrees", f"{OURS}: a head levelled by its bubble")
STRAY_PLACE = Sourced(0.05, "m", f"{OURS}: a dolly track laid by tape, each way; a head set by eye")
STRAY_FOCAL = Sourced(0.01, "of itself", f"{OURS}: a lens against its marking")
STRAY_SPEED = Sourced(0.05, "of itself", f"{OURS}: a grip on a count")
STRAY_PERFORMER = Sourced(0.2, "m", f"{OURS}: a performer on marks, across the picture")

WAYS = ("pan", "tilt", "roll", "height", "distance", "across", "focal length", "speed", "performer")
UNITS = ("rad", "rad", "rad", "m", "m", "m", "", "", "m")
KEYS = 10  # frames in which a take is looked at
STENCIL = 5  # frames that its motion is taken from
CELLS = 60_000  # sightings worked on at a time
TAKES = 500
FARTHEST = 8.0  # standard deviations that the envelope is looked for within
HALVINGS = 5
WIDER = 0.15  # of the gate, on each side: features farther out do not come in


@dataclass(frozen=True, slots=True, eq=False)
class Tolerance:
    """What became of the takes, and the envelope of each way to stray by itself."""

    shot: str
    sigma: np.ndarray  # (9,) standard deviation of each way, in the units of ``UNITS``
    takes: int
    kept: int  # takes in which every frame looked at is firm
    share: tuple[float, float]  # 95 % interval of the part of all takes that keep it
    stray: np.ndarray  # (T, 9)
    firm: np.ndarray  # (T,) part of the frames that are firm
    low: np.ndarray  # (9,) how far each way alone may go before some frame gets worse than planned; nan: not asked
    high: np.ndarray  # (9,)
    reach: np.ndarray  # (9,) how far was looked
    planned: int  # worst state of the planned take

    @property
    def text(self) -> str:
        """The outcome in a sentence."""
        part = 100 * self.kept / self.takes if self.takes else math.nan
        low, high = (100 * share for share in self.share)
        return f"firm in {part:.0f} % of {self.takes} takes (95 % confidence: {low:.0f} to {high:.0f} %)"


def tolerance(
    plan: Plan,
    shot: str,
    takes: int = TAKES,
    seed: int = 1,
    folder: Path = Path(),
    tell: Callable[[Step], None] | None = None,
) -> Tolerance:
    """How a shot bears takes that stray. Raises BadInput for a name that is no shot, or too few frames or takes."""
    steps = straying(next(rehearse(plan, [shot], folder)), takes, seed)
    while True:
        try:
            step = next(steps)
        except StopIteration as end:
            return end.value  # type: ignore[no-any-return]
        if tell:
            tell(step)


def straying(
    rehearsal: Rehearsal, takes: int = TAKES, seed: int = 1, envelope: bool = True
) -> Generator[Step, None, Tolerance]:
    """The same for a shot that is rehearsed already, as an iterator of steps."""
    if takes < 1:
        raise one_problem("takes", takes, "one take at least")
    if len(rehearsal.track) < STENCIL:
        raise one_problem("frames", f"{len(rehearsal.track)} frames", f"{STENCIL} at least, to tell a motion")
    run = _Takes.of(rehearsal)
    sigma = spread_of_takes()
    sigma = np.where([w == "performer" and not run.performers for w in WAYS], 0.0, sigma)
    stray = even_normal(takes, len(WAYS), seed) * sigma
    firm = np.empty(takes)
    for start in range(0, takes, run.at_once):
        yield Step(f"{rehearsal.shot.name}: takes", start, takes)
        part = slice(start, min(start + run.at_once, takes))
        firm[part] = (run.states(stray[part]) == FIRM).mean(axis=1)
    kept = int((firm == 1).sum())
    low, high = np.full((2, len(WAYS)), np.nan)
    if envelope:
        low, high = yield from _envelope(run, sigma)
    return Tolerance(
        rehearsal.shot.name, sigma, takes, kept, wilson(kept, takes), stray, firm, low, high, FARTHEST * sigma,
        int(rehearsal.readiness.state.max()),
    )  # fmt: skip


def spread_of_takes() -> np.ndarray:
    """(9,) standard deviations in the order of ``WAYS``."""
    angle, roll = math.radians(STRAY_ANGLE.value), math.radians(STRAY_ROLL.value)
    place_m = STRAY_PLACE.value
    return np.array([
        angle, angle, roll, place_m, place_m, place_m, STRAY_FOCAL.value, STRAY_SPEED.value,
        STRAY_PERFORMER.value,
    ])  # fmt: skip


def even_normal(count: int, ways: int, seed: int) -> np.ndarray:
    """(count, ways) standard normal numbers, more evenly spread than chance would have them.

    >>> bool(abs(even_normal(1000, 9, 1).mean()) < 0.01), bool(abs(even_normal(1000, 9, 1).std() - 1) < 0.01)
    (True, True)
    """
    root = 2.0
    for _ in range(64):
        root = (1 + root) ** (1 / (ways + 1))
    step = root ** -np.arange(1.0, ways + 1)
    shift = np.random.default_rng(seed).random(ways)
    even = (shift + np.arange(1, count + 1)[:, None] * step) % 1.0
    inverse = NormalDist().inv_cdf
    return np.array([inverse(min(max(v, 1e-9), 1 - 1e-9)) for v in even.ravel()]).reshape(count, ways)


def wilson(kept: int, takes: int, confidence: float = 0.95) -> tuple[float, float]:
    """The interval that holds the true part of takes, from ``kept`` of ``takes``.

    >>> [round(v, 4) for v in wilson(8, 10)]
    [0.4902, 0.9433]
    """
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    part, n = kept / takes, takes
    middle = (part + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(part * (1 - part) / n + z * z / (4 * n * n))
    return max(0.0, middle - half), min(1.0, middle + half)


def _envelope(run: _Takes, sigma: np.ndarray) -> Generator[Step, None, tuple[np.ndarray, np.ndarray]]:
    """(9,) and (9,): by bisection, every way and direction side by side."""
    ways = np.flatnonzero(sigma > 0)
    way, sign = np.tile(ways, 2), np.repeat([-1.0, 1.0], len(ways))
    good, bad = np.zeros(len(way)), np.full(len(way), FARTHEST)
    planned = run.states(np.zeros((1, len(WAYS))))[0]
    for number in range(HALVINGS + 1):
        yield Step(f"{run.rehearsal.shot.name}: envelope", number, HALVINGS + 1)
        tried = bad if number == 0 else (good + bad) / 2
        stray = np.zeros((len(way), len(WAYS)))
        stray[np.arange(len(way)), way] = sign * tried * sigma[way]
        held = np.concatenate(
            [(run.states(stray[a : a + run.at_once]) <= planned).all(axis=1) for a in range(0, len(way), run.at_once)]
        )
        good, bad = np.where(held, tried, good), np.where(held, bad, tried)
    low, high = np.full((2, len(WAYS)), np.nan)
    low[ways], high[ways] = -good[: len(ways)] * sigma[ways], good[len(ways) :] * sigma[ways]
    return low, high


@dataclass(frozen=True, slots=True, eq=False)
class _Takes:
    """What all takes of a shot share."""

    rehearsal: Rehearsal
    rows: np.ndarray  # (K,) key frames
    block: np.ndarray  # (K, 5) rows that each one's motion is taken from
    layout: Layout  # what may come into view
    looks: Looks
    performers: int  # occluders that may stand elsewhere
    unknowns: Unknowns | None
    before: Changed | None  # the planned take's slide, by the key frames alone
    at_once: int

    @staticmethod
    def of(rehearsal: Rehearsal) -> _Takes:
        r = rehearsal
        f = len(r.track)
        rows = np.unique(np.clip(key_rows(f, KEYS), STENCIL // 2, f - 1 - STENCIL // 2))
        layout, looks = _near_gate(r, rows)
        held = Unknowns(rotation_only=r.network.unknowns.rotation_only) if r.prediction.lens_held else None
        block = rows[:, None] + np.arange(STENCIL) - STENCIL // 2
        at_once = max(1, CELLS // max(1, len(rows) * len(layout.features)))
        run = _Takes(r, rows, block, layout, looks, len(r.occluders) - len(r.plan.gear), held, None, at_once)
        core = run.core(run.sightings(np.zeros((1, len(WAYS))))[0])
        return replace(run, before=None if core is None else standing_still(core))

    def track(self, stray: np.ndarray) -> CameraTrack:
        """T takes, the five frames about every key frame of each, one after the other."""
        r, t = self.rehearsal, len(stray)
        rows = self.block.ravel()
        pose = _strayed(r.track.world_from_cam[rows], r.track.world_from_cam[0], stray)
        focal = (1 + stray[:, 6])[:, None]

        def tiled(values: np.ndarray) -> np.ndarray:
            return np.asarray(np.tile(values[rows], (t, *(1,) * (values.ndim - 1))))

        return replace(
            r.track, frame=tiled(r.track.frame), world_from_cam=pose.reshape(-1, 4, 4),
            focal_px=(focal[..., None] * r.track.focal_px[rows]).reshape(-1, 2),
            focal_mm=(focal * r.track.focal_mm[rows]).ravel(), focus_m=tiled(r.track.focus_m), stop=tiled(r.track.stop),
        )  # fmt: skip

    def sightings(self, stray: np.ndarray) -> list[tuple[CameraTrack, Sightings]]:
        """Track and sightings of every take (T, 9) in the key frames."""
        r, t, k = self.rehearsal, len(stray), len(self.rows)
        track = self.track(stray)
        middle = np.arange(t * k) * STENCIL + STENCIL // 2
        found = sight(
            self.layout.features, track, self._occluders(stray, track), r.criteria, middle,
            spread_of(self.layout.features), self.looks,
        )  # fmt: skip
        shortest = max(1, round(r.criteria.track_frames * k / len(r.track)))
        out = []
        for take in range(t):
            own = slice(take * k, (take + 1) * k)
            part = Sightings(**{name: getattr(found, name)[own] for name in Sightings.__slots__})
            part.why[:] = drop_short(part.why, shortest)
            at = middle[own]
            still = {name: getattr(track, name)[at] for name in ("world_from_cam", "focal_px", "focal_mm", "focus_m")}
            out.append((replace(track, frame=r.track.frame[self.rows], stop=track.stop[at], **still), part))
        return out

    def _occluders(self, stray: np.ndarray, track: CameraTrack) -> list[Occluder]:
        """What hides features at the stacked frames; performers aside of their paths, across the picture."""
        r, t = self.rehearsal, len(stray)
        rows = np.tile(self.block.ravel(), t)
        right = r.track.world_from_cam[:, :3, 0].mean(axis=0) * [1, 1, 0]
        right /= max(float(np.linalg.norm(right)), 1e-9)
        aside = np.repeat(stray[:, 8], self.block.size)[:, None] * right
        out: list[Occluder] = []
        for i, occluder in enumerate(r.occluders):
            assert isinstance(occluder, Placed)
            shift = aside if i < self.performers else 0.0
            out.append(place(occluder.name, occluder.shape, occluder.at_m[rows] + shift, occluder.turn_rad[rows]))
        return out

    def core(self, take: tuple[CameraTrack, Sightings]) -> Core | None:
        """The reduced matrix of a take's key frames, each weighing as much as the frames that it stands for."""
        track, sightings = take
        r = self.rehearsal
        camera = next(camera for camera in r.plan.cameras if camera.name == r.shot.camera)
        plain = replace(r.criteria, matching=REFERENCE)
        network = shot_network(r.shot, camera, self.layout, track, plain, sightings, r.readiness.rotation_only)
        share = len(r.track) / len(self.rows)
        heavier = replace(network, covariance_px2=network.covariance_px2 / share)
        return core_of(heavier, np.arange(len(self.rows)), self.unknowns)

    def states(self, stray: np.ndarray) -> np.ndarray:
        """(T, K) FIRM, THIN or LOST."""
        return np.array([self._state(take) for take in self.sightings(stray)]).reshape(len(stray), len(self.rows))

    def _state(self, take: tuple[CameraTrack, Sightings]) -> np.ndarray:
        r, (track, sightings) = self.rehearsal, take
        seen = sightings.seen
        sigma = np.hypot(larger_sigma(sightings.covariance), r.criteria.sigma)
        parallax = measure_parallax(self.layout.features.position_m, track, seen, runs(seen)[0], sigma)
        found = measure(self.layout, self.looks, sightings, parallax, r.prediction)
        now = r.readiness.drift_px[self.rows], r.readiness.jitter_px[self.rows]
        drift, jitter = (values.copy() for values in now)
        core = self.core(take)
        if core is None:
            drift[:], jitter[:] = np.inf, np.inf
        elif self.before is not None:
            after = standing_still(core)
            if after.slide_px2.shape == self.before.slide_px2.shape:
                drift_then, jitter_then = predicted(now, self.before, after, core)
                drift[core.asked], jitter[core.asked] = drift_then[0], jitter_then[0]
        measured = replace(
            found, drift_px=drift, jitter_px=jitter, rotation_only=r.readiness.rotation_only,
            plane=("",) * len(self.rows),
        )  # fmt: skip
        return judge(measured, r.criteria)[0]


def _near_gate(rehearsal: Rehearsal, rows: np.ndarray) -> tuple[Layout, Looks]:
    """The part of the stage, whole markers and stands, that is in the gate or not far beside it, and its looks."""
    r = rehearsal
    features = r.layout.features
    uv, depth = project(features.position_m, r.track, rows)
    low, high = -WIDER * r.track.size_px, (1 + WIDER) * r.track.size_px
    with np.errstate(invalid="ignore"):
        near = ((depth > 0) & (uv >= low).all(-1) & (uv <= high).all(-1)).any(axis=0)
    kept = np.flatnonzero(np.isin(features.owner, np.unique(features.owner[near])))
    part = Features(**{name: getattr(features, name)[kept] for name in Features.__slots__})
    columns = {name: getattr(r.looks, name)[:, kept] for name in ("contrast", "noise", "stops", "pole", "beside")}
    return replace(r.layout, features=part), replace(r.looks, pole_m=r.looks.pole_m[kept], **columns)


def _strayed(pose: np.ndarray, first: np.ndarray, stray: np.ndarray) -> np.ndarray:
    """(T, M, 4, 4) planned poses (M, 4, 4) of which each take strays in its own way.

    Speed lengthens or shortens the whole move from its ``first`` pose on, travel and turn alike; distance is along the
    level line of sight, across to its right; pan, tilt and roll come on top of the planned ones.
    """
    t = len(stray)
    ahead = first[:3, 2] * [1, 1, 0]
    size = float(np.linalg.norm(ahead))
    ahead = ahead / size if size > 1e-6 else first[:3, 1] * [-1, -1, 0]
    right = np.array([ahead[1], -ahead[0], 0.0])
    speed = 1 + stray[:, 7, None]
    out = np.tile(np.eye(4), (t, len(pose), 1, 1))
    travel = pose[:, :3, 3] - first[:3, 3]
    offset = stray[:, 4, None] * ahead + stray[:, 5, None] * right + stray[:, 3, None] * [0, 0, 1.0]
    at = first[:3, 3] + speed[..., None] * travel + offset[:, None]
    turned = np.tile(pan_tilt_roll(pose), (t, 1, 1)) if not stray[:, 7].any() else _turned(pose, first, speed)
    out[:] = from_pan_tilt_roll(at, turned + stray[:, None, :3])
    return out


def _turned(pose: np.ndarray, first: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """(T, M, 3) pan, tilt and roll where a move turns faster or slower about the axis it turns about."""
    relative = quaternion_from_matrix(first[:3, :3].T @ pose[:, :3, :3])
    relative = relative * np.where(relative[:, :1] < 0, -1.0, 1.0)
    half = np.arctan2(np.linalg.norm(relative[:, 1:], axis=1), relative[:, 0])
    axis = relative[:, 1:] / np.maximum(np.linalg.norm(relative[:, 1:], axis=1, keepdims=True), 1e-15)
    angle = speed * half
    quaternion = np.concatenate([np.cos(angle)[..., None], np.sin(angle)[..., None] * axis], axis=-1)
    whole = np.tile(np.eye(4), (*angle.shape, 1, 1))
    whole[..., :3, :3] = first[:3, :3] @ matrix_from_quaternion(quaternion)
    return pan_tilt_roll(whole)
