"""From a shot's sightings to what a solve of it works with: tracks, their errors, the camera as far as it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..camera.lens import project
from ..camera.track import CameraTrack
from ..plan.criteria import FRAME_TO_FRAME, ShotCriteria
from ..plan.model import Camera, Shot
from ..sightings.corner import deformation_between, deformation_drift
from ..sightings.photometry import rings_of
from ..sightings.sighting import Sightings
from ..sightings.tracks import runs
from ..sightings.visibility import frame_chunks, spread_of
from ..solve.network import K1, K2, Scene, Tracks, Unknowns
from ..solve.start import Lens
from ..solve.track_errors import TrackErrors, run_starts, wandering
from ..sources import GRADIENT_NOISE, TRACK_FLOOR
from ..stage.layout import BAND, CORNER, POINT, Layout
from .bands import as_points, unexplained

UNKNOWN_DISTORTION = (K1, K2)
FLAT = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class ShotNetwork:
    """F frames, T tracks: every unbroken run of sightings of a feature is a track of its own.

    ``truth`` is the plan: its cameras, and each track's point; of a band, which is seen on the near side of its pole,
    the point that fits its pictures best. Pictures and covariances are those of the recorded gate.
    """

    name: str
    frame: np.ndarray  # (F,) int  frame numbers
    truth: Scene
    feature: np.ndarray  # (T,) int  row of the layout's features
    seen: np.ndarray  # (F, T) bool
    uv_px: np.ndarray  # (F, T, 2)
    covariance_px2: np.ndarray  # (F, T, 2, 2)  what the solve believes of a sighting; zero where not seen
    errors: TrackErrors  # what tracks are really off by
    unknowns: Unknowns
    action_m: np.ndarray  # (3,)
    in_view: np.ndarray  # (F,) bool  an insert at the action point can be seen
    delivery_scale: float
    shortest: int  # frames that make a track
    supervised: np.ndarray  # (T,) bool  bands and hard points: few, so a person picks one that broke up again

    @property
    def flat(self) -> bool:
        """Whether all points lie on one plane, to a hundredth of their distance."""
        points, eyes = self.truth.points_m, self.truth.centres_m
        if self.unknowns.rotation_only or len(points) < 4:
            return False
        off = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[2] / np.sqrt(len(points))
        return bool(off < FLAT * np.linalg.norm(points.mean(axis=0) - eyes.mean(axis=0)))

    @property
    def tracks(self) -> Tracks:
        """The sightings without any error."""
        return Tracks.from_grid(self.uv_px, self.seen, self.covariance_px2)

    @property
    def lens(self) -> Lens:
        """What is known of the camera beforehand: its nominal focal length, its distortion unless that is unknown."""
        t = self.truth
        return Lens(t.focal_px, t.centre_px, first_distortion(t, self.unknowns), t.aspect)


def first_distortion(scene: Scene, unknowns: Unknowns) -> np.ndarray:
    """(5,) the distortion that a solve begins with: the camera's, or none where that is to be found."""
    return np.zeros(5) if unknowns.distortion else np.asarray(scene.distortion)[0]


def unknowns_of(camera: Camera, track: CameraTrack, rotation_only: bool = False) -> Unknowns:
    """What a solve with this camera has to find beside poses and points; a zoom has a focal length for every frame."""
    zooms = bool(np.ptp(track.focal_mm) > 1e-6 * track.focal_mm[0])
    focal = "fixed" if camera.unknown == "nothing" else "frame" if zooms else "shared"
    distortion = UNKNOWN_DISTORTION if camera.unknown.endswith("distortion") else ()
    return Unknowns(focal, distortion, rotation_only=rotation_only)


def scene_of_track(track: CameraTrack, points_m: np.ndarray, rotation_only: bool = False) -> Scene:
    """The plan as a solve would have it; with ``rotation_only`` the camera's small travels are left out."""
    pose = track.world_from_cam
    if rotation_only:
        pose = pose.copy()
        pose[:, :3, 3] = track.centre_m.mean(axis=0)
    fx, fy = track.focal_px.T
    return Scene(pose, points_m, fx, track.centre_px, track.distortion, float(fy[0] / fx[0]))


def shot_network(
    shot: Shot,
    camera: Camera,
    layout: Layout,
    track: CameraTrack,
    criteria: ShotCriteria,
    sightings: Sightings,
    rotation_only: bool,
) -> ShotNetwork:
    """The shot as a solve meets it, at most ``criteria.most_tracks`` tracks of it.

    Where more are there, they are taken from all markers in turn, and stands and gear come first: they are few, and
    what depth there is hangs on them.
    """
    seen, feature = _tracks_of(sightings.seen, layout, criteria.most_tracks)
    truth = scene_of_track(track, layout.features.position_m[feature], rotation_only)
    at = np.nonzero(seen)
    packed = sightings.covariance[at[0], feature[at[1]]].astype(float)
    covariance = match_covariance(packed, seen)
    uv = np.where(seen[..., None], sightings.uv_px[:, feature], 0.0)
    walk: np.ndarray | float = 0.0
    drift: np.ndarray | float = 0.0
    if criteria.matching == FRAME_TO_FRAME:
        walk = np.zeros(seen.shape)
        walk[at] = walk_step(packed, criteria.window)
        drift = _drift_step(layout, track, criteria.window, sightings, feature) * seen
    points, beside = as_points(layout.features, feature, track, truth.centres_m, seen, covariance)
    truth = truth.with_parts(points_m=points)
    band = layout.features.kind[feature] == BAND
    uv[:, band] = np.where(seen[:, band, None], project(points[band], track)[0], 0.0)
    errors = TrackErrors(covariance, walk, drift, beside)
    action = np.array(shot.action_point, float)
    return ShotNetwork(
        name=shot.name,
        frame=track.frame,
        truth=truth,
        feature=feature,
        seen=seen,
        uv_px=uv,
        # What wanders, and what no point explains, is weighed by its own scatter: else a solve drops it as blunders.
        covariance_px2=covariance + unexplained(beside, seen) + wandering(errors, seen)[..., None, None] * np.eye(2),
        errors=errors,
        unknowns=unknowns_of(camera, track, rotation_only),
        action_m=action,
        in_view=insert_in_view(action[None], track)[:, 0],
        delivery_scale=track.delivery_scale,
        shortest=criteria.track_frames,
        supervised=np.isin(layout.features.kind[feature], (BAND, POINT)),
    )


def match_covariance(packed: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """(F, T, 2, 2) of matches: ``packed`` (K, 3) xx, xy, yy of what is ``seen`` (F, T), and the floor of any match."""
    out = np.zeros((*seen.shape, 2, 2))
    out[seen] = packed[:, [0, 1, 1, 2]].reshape(-1, 2, 2) + TRACK_FLOOR.value**2 * np.eye(2)
    return out


def insert_in_view(places_m: np.ndarray, track: CameraTrack) -> np.ndarray:
    """(F, A) bool: the place (A, 3) lies in the delivery frame, or beside it by no more than half its size.

    What stands there has some size of its own: an action point on the floor is the foot of something.
    """
    uv, depth = project(places_m, track)
    low, high = track.delivery_px[:2], track.delivery_px[2:]
    with np.errstate(invalid="ignore"):
        off = np.abs(uv - (low + high) / 2) / (high - low)
    return np.asarray((depth > 0) & (off <= 1).all(-1))


def walk_step(covariance: np.ndarray, window_px: float) -> np.ndarray:
    """(...) sigma, each axis, by which a track matched frame to frame wanders in one step.

    covariance : (..., 3) xx, xy, yy of its place in one frame, px^2

    What noise does to a match adds up to nothing: the error of a frame comes in with one sign as it is found and leaves
    with the other as the next one is matched to it. What remains is of second order: noise in the gradients times
    noise in the picture, ``2 v rho T^-2`` of :func:`.sightings.corner.corner_covariance`, new in every step. With T
    from the covariance itself, the noise v cancels.
    """
    xx, xy, yy = np.moveaxis(np.asarray(covariance, float), -1, 0)
    return np.asarray(window_px * np.sqrt(GRADIENT_NOISE.value * (xx * xx + 2 * xy * xy + yy * yy)))


def _tracks_of(seen: np.ndarray, layout: Layout, most: int) -> tuple[np.ndarray, np.ndarray]:
    """(F, T) bool and the feature (T,) of every run in ``seen`` (F, N); at most ``most`` of them."""
    starts = run_starts(seen)
    feature, first = np.nonzero(starts.T)
    if len(feature) > most:
        features = layout.features
        owner = np.where(features.kind == CORNER, features.owner, -1 - np.arange(len(features)))[feature]
        mixed = np.random.default_rng(0).permutation(len(feature))
        by_owner = mixed[np.argsort(owner[mixed], kind="stable")]
        _, begin, count = np.unique(owner[by_owner], return_index=True, return_counts=True)
        turn = np.empty(len(feature), int)  # the how-manieth of its marker
        turn[by_owner] = np.arange(len(feature)) - np.repeat(begin, count)
        rank = np.lexsort((np.argsort(mixed), turn))
        keep = np.sort(rank[:most])
        feature, first = feature[keep], first[keep]
    last = runs(seen)[1][first, feature]
    row = np.arange(len(seen))[:, None]
    return (row >= first) & (row <= last), feature


def _drift_step(
    layout: Layout, track: CameraTrack, window_px: float, sightings: Sightings, feature: np.ndarray
) -> np.ndarray:
    """(F, T) sigma, each axis, of the step by which a deforming pattern misleads a match from the frame before.

    Its size is computed from the outlines; its direction is taken as random, the same along a track. Corners only:
    bands, discs and points are symmetric about their place, and grow about it.
    """
    frames, features = len(track), layout.features
    step = np.zeros((frames, len(features)))
    wanted = np.zeros(len(features), bool)
    wanted[feature] = True
    points = spread_of(features).points_m
    for rows in frame_chunks(frames, len(points)):
        here = slice(max(rows.start - 1, 0), rows.stop)
        uv = project(points, track, here)[0]
        for ring in rings_of(features):
            k = ring.shape[1]
            turned = ring[:, (np.arange(k)[:, None] + np.arange(k)) % k].reshape(-1, k)  # from each corner on
            turned = turned[wanted[turned[:, 0]]]
            outline = uv[:, turned]
            corner = turned[:, 0]
            pair = np.isfinite(outline).all((2, 3))
            pair = pair[1:] & pair[:-1] & sightings.seen[here][1:][:, corner]
            f, m = np.nonzero(pair)
            if not len(f):
                continue
            before, after = outline[f, m], outline[f + 1, m]
            at = f + here.start, corner[m]
            off = deformation_drift(
                before - before[:, :1], deformation_between(before, after),
                sightings.defocus_px[at], sightings.motion_px[at], window_px,
            )  # fmt: skip
            length = np.hypot(off[:, 0], off[:, 1])
            step[at[0] + 1, at[1]] = np.where(np.isfinite(length), length, 0.0) / np.sqrt(2)
    return step[:, feature]
