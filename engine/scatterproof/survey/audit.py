"""A solved camera held against the survey: where every frame should have been, and how far off the solve is.

The solve's world is brought onto the stage by the points that both know: scale, turn and shift. Every frame's camera is
then found once more from the surveyed features that its tracks show, with the solve's own focal length: this is what
the survey allows, with its uncertainty. Slide is measured between the two, by the definition of :mod:`..solve.slide`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..camera.axes import rotation_vector
from ..camera.lens import distort, undistort
from ..camera.track import CameraTrack
from ..problems import frozen_array, one_problem
from ..prove.recorded import RecordedTracks
from ..report.words import frame_ranges
from ..solve.network import Scene, Tracks
from ..solve.normal import Loss
from ..solve.resection import refine_poses, triangulate
from ..solve.slide import measure_slide, slow_part
from ..sources import OURS, TRADE, Sourced
from .adjust import axis_factor
from .found import AGREE
from .match import Match, match_labelled
from .points import SurveyPoints
from .quantiles import chi_square_quantile
from .solved import SolvedCamera
from .targets import tidied

LEAST_SEEN = 4  # surveyed features in a frame: three fix a camera, one more checks
SURE = 0.999
FEATURES_SURE = 0.9999  # there are many, and each is accused by itself
SAME_PX = Sourced(0.5, "px", f"{OURS}: error of a feature common to all its frames that tracks and survey excuse")
FOCAL_OFF = Sourced(0.02, "of the focal length", f"engraved focal lengths hold to about two per cent: {TRADE}")
PRIME_DRIFT = Sourced(
    0.005, "of the focal length", f"{OURS}: what focusing changes; more is a zoom, or a solve that bends"
)
FEATURE_SIGMA = Sourced(0.005, "m", f"{OURS}: a feature whose place is the plan's, not surveyed, each axis")
ALIKE = 0.02  # of the stage's size: solved points farther than this from the surveyed ones show another world
LOSS = Loss("huber", 2.5)


@dataclass(frozen=True, slots=True, eq=False)
class Surveyed:
    """N features by name, where the survey has them."""

    name: tuple[str, ...]  # N
    position_m: np.ndarray  # (N, 3)
    sigma_m: np.ndarray  # (N, 3)

    def __post_init__(self) -> None:
        n = len(self.name)
        object.__setattr__(self, "position_m", frozen_array("position_m", self.position_m, (n, 3)))
        object.__setattr__(self, "sigma_m", frozen_array("sigma_m", self.sigma_m, (n, 3)))

    def rows(self) -> dict[str, int]:
        """Row of every name, tidied."""
        return {tidied(name): i for i, name in enumerate(self.name)}


@dataclass(frozen=True, slots=True, eq=False)
class Audit:
    """F solved frames, held against the survey. Numbers are nan where the survey can't say."""

    frame: np.ndarray  # (F,) int
    match: Match | None  # how the solve's world was brought onto the stage; None: it was there already
    labels: tuple[str, ...]  # points it was brought there by, and
    label_off_m: np.ndarray  # how far off each is afterwards
    scene: Scene  # the solved cameras on the stage
    residual_px: np.ndarray  # (F,) root mean square of surveyed features against their tracks, recorded pixels
    seen: np.ndarray  # (F,) int  surveyed features tracked
    off_m: np.ndarray  # (F,) solved camera from where the survey has it
    off_rad: np.ndarray  # (F,)
    off_sigma_m: np.ndarray  # (F,) how well the survey knows
    test: np.ndarray  # (F,) squared difference over its covariance, six degrees of freedom
    disagrees: np.ndarray  # (F,) bool  by more than the survey's own uncertainty
    predicted_m: np.ndarray  # (F,) predicted sigma of a sound solve's camera; nan where nothing was predicted
    beyond: np.ndarray  # (F,) bool  by more than prediction and survey together
    drift_px: np.ndarray  # (F, 2) slide at the action point, delivery pixels
    jitter_px: np.ndarray  # (F, 2)
    shake_m: np.ndarray  # (F,) the camera's path against its own slow part
    focal_mm: np.ndarray  # (F,)
    focal_ratio: np.ndarray  # (F,) solved over planned
    feature_off: tuple[tuple[str, float], ...]  # features that stay beside their tracks in all frames, px

    @property
    def accused(self) -> np.ndarray:
        """(F,) bool: frames that are off by more than a sound solve would be; by more than the survey where unknown."""
        return np.where(np.isfinite(self.predicted_m), self.beyond, self.disagrees)

    def ranges(self) -> list[tuple[int, int, float, float]]:
        """First and last frame of every run that is accused, with the largest distance (m) and turn (rad) in it."""
        found = []
        for first, last in frame_ranges(self.frame[self.accused]):
            inside = (self.frame >= first) & (self.frame <= last)
            found.append((first, last, float(np.nanmax(self.off_m[inside])), float(np.nanmax(self.off_rad[inside]))))
        return found


def audit_camera(
    solved: SolvedCamera,
    track: CameraTrack,
    surveyed: Surveyed,
    action_m: np.ndarray,
    in_view: np.ndarray,
    *,
    recorded: RecordedTracks | None = None,
    points: SurveyPoints | None = None,
    registered: bool = False,
    predicted: np.ndarray | None = None,
) -> Audit:
    """Hold a solved camera against the survey.

    track : the planned camera, for lens, gate and frames
    in_view : (F of the track,) bool, where an insert at ``action_m`` (3,) is in the picture
    recorded : tracks by the names of features; points : solved points by such names, in the solve's world
    registered : the solve's world is the stage already
    predicted : (F of the track, 6, 6) covariance of the camera's centre and turn in a sound solve of these tracks,
        world axes, registered to its surroundings as a whole; rows of nan where it can't be told
    Raises BadInput where the solve can't be brought onto the stage.
    """
    rows = np.searchsorted(track.frame, solved.frame)
    scene = _scene(solved, track, rows)
    tracks, feature = _surveyed_tracks(recorded, surveyed, rows, len(track))
    match, labels, off = None, tuple[str, ...](), np.zeros(0)
    if not registered:
        own, names = _own_points(scene, tracks, feature, surveyed, points, solved.file)
        match, labels, off = _register(own, names, surveyed, solved.file)
        scene = match.plan_from_survey.move(scene)
    f = len(solved)
    nan = np.full(f, np.nan)
    residual, seen = nan, np.zeros(f, int)
    off_m, off_rad, sigma, test, far = nan, nan, nan, nan, nan
    expected = np.full((f, 6, 6), np.nan) if predicted is None else predicted[rows]
    drift, jitter = np.full((2, f, 2), np.nan)
    feature_off: tuple[tuple[str, float], ...] = ()
    scene = scene.with_parts(points_m=surveyed.position_m[feature] if len(feature) else np.zeros((0, 3)))
    if tracks is not None and len(tracks):
        gap, depth = _gaps(scene, tracks)
        _require_ahead(depth, solved.file)
        seen = np.bincount(tracks.frame, minlength=f)
        residual = np.sqrt(np.bincount(tracks.frame, (gap**2).sum(axis=1), f) / np.where(seen, seen, np.nan))
        allowed, covariance, good = _allowed(scene, tracks, surveyed.sigma_m[feature], seen >= LEAST_SEEN)
        covariance = covariance + _registration_covariance(match, surveyed)
        off_m, off_rad, sigma, test = _compared(scene, allowed, covariance, good)
        far = _compared(scene, allowed, covariance + expected, good & np.isfinite(expected).all(axis=(1, 2)))[3]
        if good.any():
            here = _only_frames(scene, good), _only_frames(allowed, good)
            view = in_view[rows][good]
            drift[good], jitter[good] = measure_slide(*here, action_m, view, delivery_scale=track.delivery_scale)
        feature_off = _stubborn(allowed, tracks, surveyed, feature, good)
    disagrees = np.nan_to_num(test) > chi_square_quantile(SURE, 6)
    shake = np.full(f, np.nan)
    if f > 2:
        slow = slow_part(solved.frame)
        shake = np.sqrt(((scene.centres_m - slow @ scene.centres_m) ** 2).sum(axis=1))
    return Audit(
        solved.frame, match, labels, off, scene, residual, seen, off_m, off_rad, sigma, test, disagrees,
        np.sqrt(np.trace(expected[:, :3, :3], axis1=1, axis2=2)), np.nan_to_num(far) > chi_square_quantile(SURE, 6),
        drift, jitter, shake, solved.focal_mm, solved.focal_mm / track.focal_mm[rows], feature_off,
    )  # fmt: skip


def focal_findings(audit: Audit, is_zoom: bool) -> list[str]:
    """What is implausible about the solved focal length, in words."""
    known = np.isfinite(audit.focal_mm)
    if not known.any():
        return ["The file gives no focal length: the planned one was taken."]
    ratio, focal = audit.focal_ratio[known], audit.focal_mm[known]
    lines = []
    worst = int(np.abs(ratio - 1).argmax())
    if abs(ratio[worst] - 1) > FOCAL_OFF.value:
        frame = audit.frame[known][worst]
        lines.append(
            f"Focal length {focal[worst]:.2f} mm in frame {frame}, {100 * (ratio[worst] - 1):+.1f} % of the planned "
            f"{focal[worst] / ratio[worst]:.2f} mm: more than engraving excuses."
        )
    if not is_zoom and np.ptp(focal) > PRIME_DRIFT.value * focal.mean():
        lines.append(
            f"Focal length wanders from {focal.min():.2f} to {focal.max():.2f} mm, and no zoom was planned: the solve "
            "may take a move for a zoom."
        )
    return lines


# --- onto the stage ------------------------------------------------------------------------------------------------


def _scene(solved: SolvedCamera, track: CameraTrack, rows: np.ndarray) -> Scene:
    focal_mm = np.where(np.isnan(solved.focal_mm), track.focal_mm[rows], solved.focal_mm)
    fx, fy = track.focal_px[rows].T
    focal_px = fx * focal_mm / track.focal_mm[rows]
    return Scene(
        solved.world_from_cam, np.zeros((0, 3)), focal_px, track.centre_px, track.distortion, float(fy[0] / fx[0])
    )


def _surveyed_tracks(
    recorded: RecordedTracks | None, surveyed: Surveyed, rows: np.ndarray, frames: int
) -> tuple[Tracks | None, np.ndarray]:
    """Tracks of surveyed features in solved frames, renumbered, and the surveyed row of each of their points."""
    if recorded is None:
        return None, np.zeros(0, int)
    known = surveyed.rows()
    row = np.array([known.get(tidied(name), -1) for name in recorded.feature])
    used = np.flatnonzero(row >= 0)
    if not len(used):
        wanted = f"names of surveyed features, for example {surveyed.name[0]!r}"
        raise one_problem("tracks", f"no name that the survey knows, of {len(row)}", wanted, recorded.file)
    spot = np.full(len(row), -1)
    spot[used] = np.arange(len(used))
    place = np.full(frames, -1)
    place[rows] = np.arange(len(rows))
    t = recorded.tracks
    keep = (spot[t.point] >= 0) & (place[t.frame] >= 0)
    some = t.only(keep)
    mine = Tracks(place[some.frame], spot[some.point], some.uv_px.copy(), some.white.copy(), len(rows), len(used))
    return mine, row[used]


def _own_points(
    scene: Scene,
    tracks: Tracks | None,
    feature: np.ndarray,
    surveyed: Surveyed,
    points: SurveyPoints | None,
    file: str,
) -> tuple[np.ndarray, list[str]]:
    """Points in the solve's world that the survey knows too (K, 3), and their names."""
    if points is not None:
        known = surveyed.rows()
        use = [i for i, label in enumerate(points.label) if label and tidied(label) in known]
        return points.position_m[use], [points.label[i] for i in use]
    if tracks is None:
        wanted = "--points (solved points by name), --tracks (tracks by name), or --registered"
        raise one_problem("registration", "nothing that the solve and the survey both know", wanted, file)
    shape = (len(scene), tracks.points)
    seen, sigma = np.zeros(shape, bool), np.ones(shape)
    xy = np.zeros((*shape, 2))
    seen[tracks.frame, tracks.point] = True
    focal = np.stack([scene.focal_px, scene.focal_px * scene.aspect], axis=1)
    flat = (tracks.uv_px - scene.centre_px) / focal[tracks.frame]
    xy[tracks.frame, tracks.point] = np.nan_to_num(undistort(flat, np.asarray(scene.distortion)[0]))
    sigma[tracks.frame, tracks.point] = 1 / (tracks.white[:, 0] * scene.focal_px[tracks.frame])
    place, relative = triangulate(scene.world_from_cam, xy, sigma, seen)
    sound = np.flatnonzero(np.isfinite(place).all(axis=1) & (relative < 0.1))
    return place[sound], [surveyed.name[feature[i]] for i in sound]


def _register(
    own: np.ndarray, names: Sequence[str], surveyed: Surveyed, file: str
) -> tuple[Match, tuple[str, ...], np.ndarray]:
    known = surveyed.rows()
    row = np.array([known[tidied(name)] for name in names], int)
    target = surveyed.position_m[row]
    sigma = float(np.median(surveyed.sigma_m[row])) if len(row) else 1.0
    # How well a solve's points are known it does not say: wide apart they may lie, but not beyond all likeness.
    extent = float(np.sqrt(((target - target.mean(axis=0)) ** 2).mean())) if len(row) else 1.0
    match = match_labelled(target, own, sigma, rigid=False, widest=max(1.0, ALIKE * extent / sigma))
    if match is None or len(match.point) < max(3, AGREE * len(names)):
        found = f"{len(names)} points that solve and survey both know, and no alignment most of them agree on"
        wanted = "three or more that do not lie on a line (or the other of --camera-axes)"
        raise one_problem("registration", found, wanted, file)
    if match.mirrored:
        raise one_problem("axes", "a solved world that is the stage's mirror image", "right-handed axes", file)
    off = np.sqrt(((match.plan_from_survey.apply(own) - target) ** 2).sum(axis=1))
    order = np.argsort(-off, kind="stable")
    return match, tuple(names[i] for i in order), off[order]


def _registration_covariance(match: Match | None, surveyed: Surveyed) -> np.ndarray:
    """(6, 6) of a camera's place and turn, from how well the whole solve could be brought onto the stage."""
    if match is None:
        return np.zeros((6, 6))
    at = surveyed.position_m
    extent2 = float(((at - at.mean(axis=0)) ** 2).sum(axis=1).mean())
    mean2 = match.spread_m**2 / len(match.point)
    return np.diag([3 * mean2] * 3 + [3 * mean2 / max(extent2, 1e-6)] * 3)


def _only_frames(scene: Scene, keep: np.ndarray) -> Scene:
    pose, distortion = scene.world_from_cam[keep], np.asarray(scene.distortion)[keep]
    return scene.with_parts(world_from_cam=pose, focal_px=scene.focal_px[keep], distortion=distortion)


# --- frame by frame ------------------------------------------------------------------------------------------------


def _locals(scene: Scene, tracks: Tracks) -> np.ndarray:
    """(K, 3) each sighting's point in its camera's axes."""
    turn = scene.cam_from_world_rotation[tracks.frame]
    away = scene.points_m[tracks.point] - scene.centres_m[tracks.frame]
    return np.asarray(np.einsum("kij,kj->ki", turn, away))


def _gaps(scene: Scene, tracks: Tracks) -> tuple[np.ndarray, np.ndarray]:
    """(K, 2) drawn less tracked, pixels (nan behind the camera), and (K,) depths."""
    local = _locals(scene, tracks)
    depth = local[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        xy = np.where(depth[:, None] > 0, local[:, :2] / depth[:, None], np.nan)
    focal = np.stack([scene.focal_px, scene.focal_px * scene.aspect], axis=1)[tracks.frame]
    return focal * distort(xy, np.asarray(scene.distortion)[0]) + scene.centre_px - tracks.uv_px, depth


def _require_ahead(depth: np.ndarray, file: str) -> None:
    if (depth <= 0).mean() > 0.5:
        found = f"{(depth <= 0).mean():.0%} of the surveyed features behind the solved camera"
        raise one_problem("camera axes", found, "the other of --camera-axes y-down and y-up", file)


def _allowed(
    scene: Scene, tracks: Tracks, sigma_m: np.ndarray, enough: np.ndarray
) -> tuple[Scene, np.ndarray, np.ndarray]:
    """Cameras from surveyed features, (F, 6, 6) covariances of centre and turn (world axes), and (F,) bool which exist.

    A sighting's weight takes in the error of its point as seen from there.
    """
    local = _locals(scene, tracks)
    depth = np.maximum(local[:, 2], 1e-6)
    turn = scene.cam_from_world_rotation[tracks.frame]
    focal = np.stack([scene.focal_px, scene.focal_px * scene.aspect], axis=1)[tracks.frame]
    by_local = np.zeros((len(tracks), 2, 3))
    by_local[:, 0, 0] = by_local[:, 1, 1] = 1
    by_local[:, :, 2] = -local[:, :2] / depth[:, None]
    by_point = (focal / depth[:, None])[:, :, None] * by_local @ turn  # (K, 2, 3); distortion's slope left out
    spread = np.einsum("kia,ka,kja->kij", by_point, sigma_m[tracks.point] ** 2, by_point)
    own = _covariances(tracks)
    cov = own + spread
    weighed = Tracks.from_list(
        tracks.frame, tracks.point, tracks.uv_px, cov, frames=tracks.frames, points=tracks.points
    )
    allowed = refine_poses(weighed, scene, LOSS, iterations=40)
    arm = scene.points_m[tracks.point] - allowed.centres_m[tracks.frame]
    cross = np.zeros((len(tracks), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = -arm[:, 2], arm[:, 1], -arm[:, 0]
    cross -= np.swapaxes(cross, 1, 2)
    slope = np.concatenate([-by_point, by_point @ cross], axis=2)  # by the centre, by a turn about it
    part = np.einsum("kia,kij,kjb->kab", slope, np.linalg.inv(cov), slope)
    normal = np.zeros((len(scene), 6, 6))
    np.add.at(normal, tracks.frame, part)
    size = np.sqrt(np.maximum(np.diagonal(normal, axis1=1, axis2=2), 1e-300))
    scaled = normal / size[:, :, None] / size[:, None, :]
    sound = enough & (np.linalg.eigvalsh(scaled)[:, 0] > 1e-9)
    inverse = np.full(normal.shape, np.nan)
    inverse[sound] = np.linalg.inv(scaled[sound]) / size[sound][:, :, None] / size[sound][:, None, :]
    behind = _locals(allowed, tracks)[:, 2] <= 0
    return allowed, inverse, sound & (np.bincount(tracks.frame[behind], minlength=len(scene)) == 0)


def _covariances(tracks: Tracks) -> np.ndarray:
    """(K, 2, 2) of the sightings, from their whitening."""
    white = tracks.white
    upper = np.zeros((len(tracks), 2, 2))
    upper[:, 0, 0] = white[:, 0]
    upper[:, 0, 1], upper[:, 1, 1] = (0.0, white[:, 0]) if white.shape[1] == 1 else (white[:, 1], white[:, 2])
    return np.asarray(np.linalg.inv(np.swapaxes(upper, 1, 2) @ upper))


def _compared(
    scene: Scene, allowed: Scene, covariance: np.ndarray, good: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(F,) distance, turn, sigma of the allowed centre, and test statistic; nan where the survey can't say."""
    shift = scene.centres_m - allowed.centres_m
    turn = rotation_vector(scene.world_from_cam[:, :3, :3] @ np.swapaxes(allowed.world_from_cam[:, :3, :3], 1, 2))
    both = np.concatenate([shift, turn], axis=1)
    off_m, off_rad, sigma, test = np.full((4, len(scene)), np.nan)
    off_m[good] = np.sqrt((shift[good] ** 2).sum(axis=1))
    off_rad[good] = np.sqrt((turn[good] ** 2).sum(axis=1))
    sigma[good] = np.sqrt(np.trace(covariance[good][:, :3, :3], axis1=1, axis2=2))
    test[good] = np.einsum("fi,fi->f", both[good], np.linalg.solve(covariance[good], both[good][..., None])[..., 0])
    return off_m, off_rad, sigma, test


def _stubborn(
    allowed: Scene, tracks: Tracks, surveyed: Surveyed, feature: np.ndarray, good: np.ndarray
) -> tuple[tuple[str, float], ...]:
    """Features that the allowed cameras leave beside their tracks by more than noise: not where the survey says."""
    gap, _ = _gaps(allowed, tracks)
    use = good[tracks.frame] & np.isfinite(gap).all(axis=1)
    count = np.bincount(tracks.point[use], minlength=tracks.points)
    total = np.stack([np.bincount(tracks.point[use], gap[use, i], tracks.points) for i in (0, 1)], axis=1)
    mean = total / np.maximum(count, 1)[:, None]
    size = np.hypot(mean[:, 0], mean[:, 1])
    focal = float(np.median(allowed.focal_px))
    middle = np.sqrt(((allowed.points_m[:, None] - allowed.centres_m[None]) ** 2).sum(axis=2)).mean(axis=1)
    excused = np.hypot(
        SAME_PX.value,
        axis_factor(FEATURES_SURE, 2) * surveyed.sigma_m[feature].max(axis=1) * focal / np.maximum(middle, 0.1),
    )
    order = [i for i in np.argsort(-size / excused, kind="stable").tolist() if size[i] > excused[i] and count[i] > 2]
    return tuple((surveyed.name[feature[i]], float(size[i])) for i in order[:20])


def rms(values: np.ndarray) -> float:
    """Root mean square of what is finite; nan of nothing."""
    known = values[np.isfinite(values)]
    return float(np.sqrt((known**2).mean())) if len(known) else math.nan
