"""Simulated takes: tracks as a tracker would bring them, solved from nothing, held against the truth."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..solve.align import align_by_cameras, align_scenes
from ..solve.network import Scene, Tracks
from ..solve.slide import measure_slide
from ..solve.start import Started, start
from ..solve.track_errors import run_starts, simulate
from ..sources import BLUNDER_PX, BLUNDERS, FOCAL_KNOWN, TRACK_LIFE
from .shot import ShotNetwork

SOLVED, TURNED = "solved", "turn only"  # how a take ended; else the code of :class:`.solve.start.NotStarted`


@dataclass(frozen=True, slots=True)
class Spoiling:
    """What befalls tracks beside noise."""

    blunders: float = BLUNDERS.value  # share of sightings that landed on something else
    blunder_px: float = BLUNDER_PX.value
    life_frames: float = TRACK_LIFE.value  # after which a track breaks, on average


USUAL = Spoiling()


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One simulated take, solved. F frames; nan where a frame is not solved or the insert is out of view."""

    seed: int
    ended: str  # SOLVED, or why not
    why: str  # in words, where it did not
    drift_px: np.ndarray  # (F, 2) delivery pixels
    jitter_px: np.ndarray  # (F, 2)
    camera_m: np.ndarray  # (F,) distance of the solved camera from the true one, aligned
    focal: float  # solved focal length as a part of the true one, mean over frames
    lost_frames: tuple[int, ...]  # frame numbers that could not be added
    dropped: float  # share of sightings that were dropped as blunders

    @property
    def solved(self) -> bool:
        """Whether it came to a solve of the kind that was asked for."""
        return self.ended == SOLVED


def simulated_tracks(network: ShotNetwork, seed: int, spoiling: Spoiling = USUAL) -> tuple[Tracks, np.ndarray]:
    """One take's tracks, and the network's track that each of them is a piece of, (T',).

    Tracks break at random and start anew as another track, unless a person looks after them (common practice, no
    source); pieces too short to be tracks are dropped. The same shot
    name and ``seed`` give the same take, bit for bit.
    """
    rng = np.random.default_rng([seed, zlib.crc32(network.name.encode())])
    seen = network.seen
    breaks = seen & ~run_starts(seen) & ~network.supervised & (rng.random(seen.shape) * spoiling.life_frames < 1)
    piece = np.cumsum(breaks, axis=0)
    of, pieces = [], []
    for number in range(int(piece.max(initial=0)) + 1):
        here = seen & (piece == number)
        long = np.flatnonzero(here.sum(0) >= network.shortest)
        of.append(long)
        pieces.append(here[:, long])
    source, cut = np.concatenate(of), np.concatenate(pieces, axis=1)
    uv = network.uv_px[:, source] + simulate(network.errors.only(source), cut, rng)
    wrong = cut & (rng.random(cut.shape) < spoiling.blunders)
    uv[wrong] += rng.normal(0, spoiling.blunder_px, (int(wrong.sum()), 2))
    return Tracks.from_grid(uv, cut, network.covariance_px2[:, source]), source


def solve_take(network: ShotNetwork, seed: int, spoiling: Spoiling = USUAL) -> Take:
    """Simulate a take and solve it from nothing; the focal length is first taken to be what the lens barrel says."""
    return solved_take(network, seed, spoiling)[0]


def solved_take(network: ShotNetwork, seed: int, spoiling: Spoiling = USUAL) -> tuple[Take, Scene | None]:
    """As :func:`solve_take`, with the solve itself, brought onto the plan."""
    tracks, source = simulated_tracks(network, seed, spoiling)
    lens = network.lens
    if network.unknowns.focal != "fixed":
        known = np.random.default_rng([seed, 1]).normal(1, FOCAL_KNOWN.value)
        lens = replace(lens, focal_px=lens.focal_px * known)
    done = start(tracks, lens, network.unknowns, seed=seed)
    f = len(network.frame)
    none = np.full((f, 2), np.nan)
    if not isinstance(done, Started):
        lost = tuple(int(network.frame[row]) for row in done.frames)
        return Take(seed, done.code, done.remedy, none, none, none[:, 0], np.nan, lost, 0.0), None
    truth = network.truth.with_parts(points_m=network.truth.points_m[source])
    return _judged(network, truth, seed, done)


def _judged(network: ShotNetwork, truth: Scene, seed: int, done: Started) -> tuple[Take, Scene]:
    used, known = done.adjusted.frames_used, done.adjusted.points_used
    lost = tuple(int(network.frame[row]) for row in done.lost_frames)
    if done.rotation_only:
        scene = turned_onto(done.scene, truth, used)
    else:
        scene = align_scenes(done.scene, truth, used, known).move(done.scene)
    ended, why = SOLVED, ""
    if done.rotation_only and not network.unknowns.rotation_only:
        ended, why = TURNED, "the tracks look as if the camera only turned: more parallax is needed"
    drift, jitter = measure_slide(
        scene, truth, network.action_m, network.in_view & used, delivery_scale=network.delivery_scale
    )
    camera = np.where(used, np.linalg.norm(scene.centres_m - truth.centres_m, axis=1), np.nan)
    focal = float(np.mean(scene.focal_px[used] / truth.focal_px[used]))
    return Take(seed, ended, why, drift, jitter, camera, focal, lost, 1 - float(done.kept.mean())), scene


def turned_onto(solved: Scene, truth: Scene, frames: np.ndarray) -> Scene:
    """A solve of turns alone, turned onto the truth, its cameras in place."""
    turn = align_by_cameras(solved, truth, frames).rotation
    pose = solved.world_from_cam.copy()
    pose[:, :3, :3] = turn @ pose[:, :3, :3]
    pose[:, :3, 3] = truth.centres_m.mean(axis=0)
    return solved.with_parts(world_from_cam=pose, points_m=solved.points_m @ turn.T + pose[0, :3, 3])


@dataclass(frozen=True, slots=True, eq=False)
class Takes:
    """What N takes come to, F frames. Root mean squares are over the takes that solved; nan where none did."""

    takes: tuple[Take, ...]
    drift_px: np.ndarray  # (F,) root mean square length, delivery pixels
    jitter_px: np.ndarray  # (F,)
    drift_95_px: np.ndarray  # (F,) what 95 of 100 takes stay below
    jitter_95_px: np.ndarray  # (F,)
    camera_m: np.ndarray  # (F,) root mean square

    @staticmethod
    def of(takes: Sequence[Take]) -> Takes:
        """Sum up at least one take."""
        none = np.full(len(takes[0].camera_m), np.nan)
        drift = np.array([np.hypot(*take.drift_px.T) if take.solved else none for take in takes])
        jitter = np.array([np.hypot(*take.jitter_px.T) if take.solved else none for take in takes])
        camera = np.array([take.camera_m if take.solved else none for take in takes])
        return Takes(tuple(takes), _rms(drift), _rms(jitter), _share(drift), _share(jitter), _rms(camera))

    @property
    def solved(self) -> int:
        """How many solved."""
        return sum(take.solved for take in self.takes)

    @property
    def failures(self) -> dict[str, int]:
        """How many ended in each other way."""
        ends = [take.ended for take in self.takes if not take.solved]
        return {end: ends.count(end) for end in dict.fromkeys(ends)}


def _rms(values: np.ndarray) -> np.ndarray:
    """(F,) over takes (N, F), of those that have a value."""
    known = np.isfinite(values)
    total = np.square(np.where(known, values, 0.0)).sum(0)
    count = known.sum(0)
    return np.asarray(np.sqrt(np.divide(total, count, out=np.full(len(total), np.nan), where=count > 0)))


def _share(values: np.ndarray, share: float = 0.95) -> np.ndarray:
    out = np.full(values.shape[1], np.nan)
    known = np.isfinite(values)
    some = known.any(0)
    out[some] = np.nanquantile(values[:, some], share, axis=0)
    return out
