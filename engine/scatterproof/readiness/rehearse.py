"""The front door: score every frame of a plan's shots."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..camera.track import CameraTrack, camera_track
from ..plan.criteria import ShotCriteria, criteria_of
from ..plan.model import Plan, Shot
from ..problems import one_problem
from ..prove.predict import Prediction, predict
from ..prove.shot import ShotNetwork, shot_network
from ..sightings.blockers import Occluder, build_occluders
from ..sightings.blur import read_out_skew_px
from ..sightings.need import planned_layout
from ..sightings.photometry import Looks, looks_of
from ..sightings.sighting import SHORT, Sightings, larger_sigma
from ..sightings.tracks import drop_short, runs
from ..sightings.visibility import CHUNK_BYTES, sight_shot
from ..solve.parallax import is_rotation_only, measure_parallax
from ..stage.layout import Layout
from ..stage.surfaces import Surface, to_surface
from ..steps import finish
from .score import judge, measure
from .verdict import ShotReadiness

# What hides features in a shot, at frames (F,): blockers first, then every piece of gear in the plan's order.
Hiders = Callable[[Shot, np.ndarray], tuple[Occluder, ...]]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a shot's rehearsal has come."""

    shot: str
    done: int  # frames
    total: int


@dataclass(frozen=True, slots=True, eq=False)
class Rehearsal:
    """One shot with everything its verdict rests on."""

    plan: Plan
    layout: Layout
    shot: Shot
    criteria: ShotCriteria
    track: CameraTrack
    occluders: tuple[Occluder, ...]
    looks: Looks
    sightings: Sightings
    network: ShotNetwork
    prediction: Prediction  # the quick one, see :func:`.prove.predict.predict`
    readiness: ShotReadiness
    notes: tuple[str, ...]  # what is worth knowing about the whole shot, for people


def rehearse(
    plan: Plan,
    shots: Sequence[str] = (),
    folder: Path = Path(),
    tell: Callable[[Progress], None] | None = None,
    hiders: Hiders | None = None,
) -> Iterator[Rehearsal]:
    """Score shots one after the other, so that only one shot's sightings need be held at a time.

    shots : names; empty: all, in the plan's order
    folder : where mesh files of blockers are looked for
    tell : called after every chunk of frames
    hiders : what hides features; None: the plan's blockers and gear
    Raises BadInput for a name that is no shot, and where the plan can't be built.
    """
    chosen = choose_shots(plan, shots)
    layout = planned_layout(plan, folder)
    for shot in chosen:
        yield finish(rehearse_shot(plan, layout, shot, folder, hiders), tell)


def choose_shots(plan: Plan, names: Sequence[str]) -> tuple[Shot, ...]:
    """The named shots in the plan's order; all where no name is given. Raises BadInput for an unknown name."""
    known = {shot.name for shot in plan.shots}
    for name in names:
        if name not in known:
            raise one_problem("shot", repr(name), "one of " + ", ".join(sorted(known)))
    return tuple(shot for shot in plan.shots if not names or shot.name in names)


def rehearse_shot(
    plan: Plan,
    layout: Layout,
    shot: Shot,
    folder: Path = Path(),
    hiders: Hiders | None = None,
    budget_bytes: int = CHUNK_BYTES,
) -> Generator[Progress, None, Rehearsal]:
    """Score one shot in chunks of frames: yields its progress, returns the rehearsal.

    budget_bytes : working memory of a chunk; a smaller one makes shorter chunks
    Whoever iterates owns the clock: stop iterating and nothing has happened.
    """
    track, criteria = camera_track(plan, shot), criteria_of(plan, shot)
    occluders = hiders(shot, track.frame) if hiders else build_occluders(plan, shot, track.frame, folder)
    looks = looks_of(plan, shot, layout, criteria.channel)
    steps = sight_shot(layout.features, track, occluders, criteria, looks, budget_bytes)
    for done, sightings in steps:  # noqa: B007 - whole at the end
        yield Progress(shot.name, done, len(track))
    return (yield from _judged(plan, layout, shot, track, criteria, occluders, looks, sightings))


def rescored(rehearsal: Rehearsal, lost: np.ndarray) -> Rehearsal:
    """The same shot when a tracker does not get some of its sightings, (F, N) bool, that it could get.

    Runs that are left too short to be tracks go too. Everything else stays where it is, also in the picture.
    """
    r = rehearsal
    why = np.where(lost & r.sightings.seen, np.uint8(SHORT), r.sightings.why)
    left = replace(r.sightings, why=drop_short(why, r.criteria.track_frames))
    steps = _judged(r.plan, r.layout, r.shot, r.track, r.criteria, r.occluders, r.looks, left)
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value  # type: ignore[no-any-return]


def _judged(
    plan: Plan,
    layout: Layout,
    shot: Shot,
    track: CameraTrack,
    criteria: ShotCriteria,
    occluders: tuple[Occluder, ...],
    looks: Looks,
    sightings: Sightings,
) -> Generator[Progress, None, Rehearsal]:
    """A shot's rehearsal from its sightings."""
    nearest = float(np.min(sightings.depth_m, where=sightings.seen, initial=np.inf))
    rotation_only = is_rotation_only(track, nearest, criteria.sigma)
    camera = next(camera for camera in plan.cameras if camera.name == shot.camera)
    network = shot_network(shot, camera, layout, track, criteria, sightings, rotation_only)
    yield Progress(shot.name, len(track), len(track))
    prediction = predict(network, thorough=False)
    yield Progress(shot.name, len(track), len(track))
    readiness = _scored(shot, layout, track, criteria, looks, sightings, prediction)
    notes = (
        *layout.notes,
        *_camera_notes(layout.surfaces, track),
        *_nodal_notes(readiness),
        *_read_out_notes(track, sightings),
    )
    return Rehearsal(
        plan, layout, shot, criteria, track, occluders, looks, sightings, network, prediction, readiness, notes
    )


def _scored(
    shot: Shot,
    layout: Layout,
    track: CameraTrack,
    criteria: ShotCriteria,
    looks: Looks,
    sightings: Sightings,
    prediction: Prediction,
) -> ShotReadiness:
    seen = sightings.seen
    nearest = np.min(sightings.depth_m, axis=1, where=seen, initial=np.inf)
    farthest = np.max(sightings.depth_m, axis=1, where=seen, initial=-np.inf)
    sigma_px = _track_sigma(sightings, criteria.sigma)
    parallax = measure_parallax(layout.features.position_m, track, seen, runs(seen)[0], sigma_px)
    del sigma_px
    measures = measure(layout, looks, sightings, parallax, prediction)
    state, reasons = judge(measures, criteria)
    left, top, right, bottom = track.delivery_px
    u, v = sightings.uv_px[..., 0], sightings.uv_px[..., 1]
    delivered = seen & (u >= left) & (u <= right) & (v >= top) & (v <= bottom)
    none = measures.features == 0
    return ShotReadiness(
        name=shot.name,
        camera=shot.camera,
        frame=track.frame,
        state=state,
        features=measures.features,
        delivered=delivered.sum(axis=1),
        depths=parallax.depths,
        out_of_plane_sigma=parallax.signal_sigma,
        blur_px=measures.blur_px,
        contrast_stops=measures.contrast_stops,
        sigma_px=measures.sigma_px,
        drift_px=measures.drift_px,
        jitter_px=measures.jitter_px,
        nearest_m=np.where(none, np.nan, nearest),
        farthest_m=np.where(none, np.nan, farthest),
        rotation_only=prediction.rotation_only,
        reasons=reasons,
    )


def _track_sigma(sightings: Sightings, beyond_px: float) -> np.ndarray:
    """(F, N) float32: what a track is off by in each frame, the noise of its sighting and what comes on top of it."""
    sigma = np.empty(sightings.why.shape, np.float32)
    for row, covariance in enumerate(sightings.covariance):  # frame by frame, since the tables are large
        sigma[row] = np.hypot(larger_sigma(covariance), beyond_px)
    return sigma


def _nodal_notes(readiness: ShotReadiness) -> tuple[str, ...]:
    if not readiness.rotation_only:
        return ()
    return (
        "Nodal move: the camera turns but does not travel. It solves for rotation, never for position; "
        "parallax and depths are not asked of it.",
    )


def _read_out_notes(track: CameraTrack, sightings: Sightings) -> tuple[str, ...]:
    """How far a rolling shutter bends what is seen, at worst."""
    if not track.read_out_s or not track.exposure_s or not sightings.seen.any():
        return ()
    velocity_px = sightings.motion_px / np.float32(track.rate * track.exposure_s)
    skew = read_out_skew_px(velocity_px, sightings.uv_px[..., 1], track)
    length = np.where(sightings.seen, np.hypot(skew[..., 0], skew[..., 1]), 0.0)
    row = int(length.max(axis=1).argmax())
    if length[row].max() < 0.5:
        return ()
    return (
        f"Rolling read-out ({track.read_out_s * 1000:.3g} ms): features shift by up to {length[row].max():.1f} px "
        f"against a shutter that reads all at once (frame {track.frame[row]}). A solve has to model it.",
    )


def _camera_notes(surfaces: tuple[Surface, ...], track: CameraTrack) -> tuple[str, ...]:
    """Names the frames in which the camera has passed through a flat part of the stage."""
    notes = []
    for surface in surfaces:
        behind = surface.radius_m == 0 and _behind(surface, track.centre_m)
        if np.any(behind):
            frames = track.frame[behind]
            notes.append(f"Frames {frames[0]} to {frames[-1]}: the camera is behind the {surface.name}.")
    return tuple(notes)


def _behind(surface: Surface, centre_m: np.ndarray) -> np.ndarray:
    low, high = surface.outline_uv.min(axis=0), surface.outline_uv.max(axis=0)
    uv = to_surface(surface, centre_m)
    within = ((uv >= low) & (uv <= high)).all(axis=-1)
    behind: np.ndarray = within & ((centre_m - surface.origin) @ surface.normal < 0)
    return behind
