"""Tracks of rendered pictures, kept small, and how their solves compare with the prediction."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from example_takes import ERRORS, matched
from scatterproof.plan.model import Plan
from scatterproof.plan.read import parse_plan
from scatterproof.prove.predict import Prediction, predict
from scatterproof.prove.recorded import RecordedSolve, feature_names, read_tracks, solve_tracks
from scatterproof.prove.shot import ShotNetwork
from scatterproof.readiness.rehearse import Rehearsal, rehearse
from scatterproof.solve.align import align_scenes
from track_files import written

STYLES = {"matched back to a reference": "white", "matched frame to frame": "walking"}
SCENES = ("with stands", "wall only")
FINE = 256  # kept tracks are rounded to this part of a pixel
OFF_M = 0.25  # points farther than this from where they stand are no part of the datum


def plan_of(path: Path, scene: str, style: str = "matched back to a reference") -> Plan:
    """The plan of a rendered scene, its tracks matched in that style."""
    plan = matched(parse_plan(path.read_text(encoding="utf-8")).plan, ERRORS[STYLES[style]])
    return replace(plan, stands=()) if scene == "wall only" else plan


def rehearsed(path: Path, scene: str, style: str = "matched back to a reference") -> Rehearsal:
    """The rendered shot as the engine foresees it."""
    return next(iter(rehearse(plan_of(path, scene, style))))


def packed(uv_px: np.ndarray) -> dict[str, np.ndarray]:
    """(F, N, 2) with nan where there is none, as whole numbers that compress well: first places, then steps."""
    fine = np.where(np.isfinite(uv_px), np.round(np.nan_to_num(uv_px) * FINE), 0).astype(np.int32)
    step = np.diff(fine, axis=0, prepend=np.zeros_like(fine[:1]))
    return {"step": step, "seen": np.packbits(np.isfinite(uv_px[..., 0]))}


def unpacked(step: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """The tracks (F, N, 2) back from :func:`packed`."""
    there = np.unpackbits(seen, count=step.shape[0] * step.shape[1]).reshape(step.shape[:2]).astype(bool)
    return np.where(there[..., None], np.cumsum(step, axis=0) / FINE, np.nan)


def track_file(path: Path, rehearsal: Rehearsal, uv_px: np.ndarray) -> Path:
    """The CSV that a tracker would write of the network's tracks (F, T, 2)."""
    names, network = feature_names(rehearsal.layout), rehearsal.network
    label = [f"{names[f]}, track {t}" for t, f in enumerate(network.feature.tolist())]
    inside = ((uv_px > -0.5) & (uv_px < rehearsal.track.size_px - 0.5)).all(-1)
    rows = [[label[t], int(network.frame[f]), *uv_px[f, t].round(4).tolist()]
            for t in range(len(label)) for f in np.flatnonzero(inside[:, t])]  # fmt: skip
    return written(path, rows)


@dataclass(frozen=True, eq=False)
class Compared:
    """Root mean squares over frames and recordings, measured and predicted: drift and jitter px, camera m."""

    prediction: Prediction
    solves: list[RecordedSolve]
    measured: np.ndarray  # (3,)
    predicted: np.ndarray  # (3,)

    @property
    def ratio(self) -> np.ndarray:
        """(3,) measured over predicted."""
        return self.measured / self.predicted


def compare(rehearsal: Rehearsal, recordings: list[np.ndarray], folder: Path) -> Compared:
    """Solve every recording (F, T, 2) through a track file, as ``prove --tracks`` does."""
    shot, network = rehearsal.shot, rehearsal.network
    solves = []
    for number, uv in enumerate(recordings):
        file = track_file(folder / f"take {number}.csv", rehearsal, uv)
        recorded = read_tracks(file, rehearsal.track)
        solve = solve_tracks(
            recorded, rehearsal.layout, rehearsal.track, np.array(shot.action_point), network.unknowns, seed=number
        )
        assert solve, solve
        solves.append(solve)
    p = predict(network)
    measured = [_rms([getattr(s, key) for s in solves]) for key in ("drift_px", "jitter_px")]
    measured.append(_rms([_camera_m(s, network)[:, None] for s in solves]))
    predicted = [_rms([p.slide.drift_sigma_px[:, None]]), _rms([p.slide.jitter_sigma_px[:, None]]),
                 _rms([p.camera_sigma_m[:, None]])]  # fmt: skip
    return Compared(p, solves, np.array(measured), np.array(predicted))


def _camera_m(solve: RecordedSolve, network: ShotNetwork) -> np.ndarray:
    """(F,) distance of the solved camera from the true one in the datum of the prediction: all cameras and points."""
    track = np.array([int(name.rpartition(" ")[2]) for name in solve.recorded.feature])
    truth = network.truth.with_parts(points_m=network.truth.points_m[track])
    # Corners that a pole sweeps over stick to it: such points would spoil the datum.
    known = np.linalg.norm(solve.scene.points_m - truth.points_m, axis=1) < OFF_M
    scene = align_scenes(solve.scene, truth, solve.solved, known).move(solve.scene)
    return np.where(solve.solved, np.linalg.norm(scene.centres_m - truth.centres_m, axis=1), np.nan)


def _rms(values: list[np.ndarray]) -> float:
    """Root mean square length of rows (F, k), over all frames that have one."""
    return float(np.sqrt(np.nanmean(np.square(np.array(values)).sum(-1))))
